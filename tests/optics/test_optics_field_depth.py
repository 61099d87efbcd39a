"""Distances and depth of field against textbook relations (thin lens; numbers derived from them)."""

import numpy as np
import pytest

from lensbench import optics


def test_magnification_and_distances_agree():
    # Thin lens: 1/f = 1/u + 1/v and m = v/u.
    m = optics.magnification(focal_length_mm=85.0, object_distance_mm=2000.0)
    u = optics.object_distance_mm(focal_length_mm=85.0, magnification=m)
    v = optics.image_distance_mm(focal_length_mm=85.0, magnification=m)
    assert u == pytest.approx(2000.0)
    assert 1.0 / u + 1.0 / v == pytest.approx(1.0 / 85.0)
    assert m == pytest.approx(v / u)
    total = optics.chart_distance_mm(focal_length_mm=85.0, magnification=m)
    assert total == pytest.approx(u + v)
    found = optics.magnification_at_chart_distance(focal_length_mm=85.0, chart_distance_mm=total)
    assert found == pytest.approx(m)


def test_magnification_at_focal_lengths():
    # u = k f gives m = 1/(k - 1).
    assert optics.magnification(focal_length_mm=35.0, object_distance_mm=50 * 35.0) == pytest.approx(
        1.0 / 49.0
    )
    assert optics.magnification_at_chart_distance(focal_length_mm=50.0, chart_distance_mm=200.0) == 1.0
    assert np.isnan(optics.magnification_at_chart_distance(focal_length_mm=50.0, chart_distance_mm=199.0))


def test_working_f_number():
    # N (1 + m/P): at 1:1 a symmetric lens loses two stops.
    assert optics.working_f_number(4.0, magnification=1.0) == 8.0
    assert optics.working_f_number(4.0, magnification=0.5, pupil_ratio=2.0) == 5.0


def test_depth_of_field():
    # Textbook formulas; the check case (50 mm, f/8, 0.03 mm) worked out independently.
    hyperfocal = optics.hyperfocal_mm(focal_length_mm=50.0, f_number=8.0, disc_mm=0.03)
    assert hyperfocal == pytest.approx(10466.7, abs=0.05)
    lens = {"focal_length_mm": 50.0, "hyperfocal_mm": hyperfocal}
    third = hyperfocal / 3.0
    assert optics.near_limit_mm(third, **lens) == pytest.approx(2622.96, abs=0.005)
    assert optics.far_limit_mm(third, **lens) == pytest.approx(5208.33, abs=0.005)
    assert optics.near_to_far(third, **lens) == pytest.approx(0.5036, abs=5e-5)


def test_one_third_rule_holds_at_one_distance_only():
    hyperfocal = optics.hyperfocal_mm(focal_length_mm=50.0, f_number=8.0, disc_mm=0.03)
    lens = {"focal_length_mm": 50.0, "hyperfocal_mm": hyperfocal}
    assert optics.near_to_far(optics.third_rule_distance_mm(**lens), **lens) == pytest.approx(0.5)
    focus = np.array([300.0, 1000.0, hyperfocal, 2 * hyperfocal])
    ratio = optics.near_to_far(focus, **lens)
    assert ratio[0] > 0.95
    assert ratio[1] > 0.8
    assert ratio[2:] == pytest.approx([0.0, 0.0])
    assert np.all(np.isinf(optics.far_limit_mm(focus[2:], **lens)))


def test_blur_disc_reaches_the_limit_at_both_ends():
    hyperfocal = optics.hyperfocal_mm(focal_length_mm=50.0, f_number=8.0, disc_mm=0.03)
    lens = {"focal_length_mm": 50.0, "hyperfocal_mm": hyperfocal}
    focus = 3000.0
    ends = np.array([optics.near_limit_mm(focus, **lens), focus, optics.far_limit_mm(focus, **lens)])
    disc = optics.blur_disc_mm(ends, focus_mm=focus, focal_length_mm=50.0, f_number=8.0)
    assert disc == pytest.approx([0.03, 0.0, 0.03])
    infinity = optics.blur_disc_mm(np.inf, focus_mm=hyperfocal, focal_length_mm=50.0, f_number=8.0)
    assert infinity == pytest.approx(0.03)


def test_airy_diameter():
    # Airy: 2.43934 wavelength x f-number; habit says 2 px at f/1.49 a micrometre of pitch, 550 nm.
    assert optics.airy_diameter_um(f_number=1.49 * 4.0, wavelength_um=0.55) == pytest.approx(8.0, rel=2e-3)


def test_focus_shift_in_waves():
    # Hopkins 1955: dz = 8 N^2 W20; blur disc = dz / N.
    shift = 8.0 * 5.6**2 * 0.55 * 0.4
    assert optics.w20_waves_from_focus_shift(shift, f_number=5.6, wavelength_um=0.55) == pytest.approx(0.4)


def test_tilt_allowed_at_a_wide_stop():
    # Derived: 18 mm high, m = 1/49, f/2.8, 550 nm: 1 % of MTF50 goes at 1.6 um, a quarter of a degree.
    shift = optics.tilt_focus_shift_um(18.0, magnification=1.0 / 49.0, tilt_deg=0.25)
    assert shift == pytest.approx(1.6, abs=0.01)
    assert shift == pytest.approx(0.371 * 0.55 * 2.8**2, rel=0.01)


def test_depth_allowed_at_the_chart():
    # Derived: 1.57 um at f/2.8 and 540 nm (1 % of MTF50) over m^2: 0.905 mm at m = 1/24, 3.77 mm at 1/49.
    shift = optics.focus_shift_for_loss_um(2.8)
    assert optics.chart_depth_mm(shift, magnification=1.0 / 24.0) == pytest.approx(0.905, abs=0.005)
    assert optics.chart_depth_mm(shift, magnification=1.0 / 49.0) == pytest.approx(3.77, abs=0.01)
    # 2 % and 5 % go at 0.525 and 0.832 wavelength N^2 (exact pupil); the square law keeps to 0.5 %.
    for loss, share in ((2.0, 0.525), (5.0, 0.832)):
        shift = optics.focus_shift_for_loss_um(4.0, loss_percent=loss, wavelength_um=0.5)
        assert shift == pytest.approx(share * 0.5 * 16.0, rel=5e-3)


def test_tilt_from_a_focus_shift_undoes_the_shift_from_a_tilt():
    shift = optics.tilt_focus_shift_um(18.0, magnification=0.025, tilt_deg=0.7)
    tilt = optics.tilt_deg_for_focus_shift(18.0, magnification=0.025, focus_shift_um=shift)
    assert tilt == pytest.approx(0.7)


# Derived: chart MTF at 0.25 and 0.5 cycles/pixel, Gaussian print edge (10-90 % rise), 4 um pitch.
@pytest.mark.parametrize(
    ("focal_lengths", "rise_mm", "mtf"),
    [
        (25, 0.05, (0.950, 0.816)),
        (25, 0.10, (0.816, 0.443)),
        (25, 0.20, (0.443, 0.038)),
        (50, 0.05, (0.988, 0.952)),
        (50, 0.10, (0.952, 0.822)),
        (50, 0.20, (0.822, 0.457)),
    ],
)
def test_print_blur(focal_lengths, rise_mm, mtf):
    sigma_mm = rise_mm / 2.56310313
    sigma_px = optics.print_blur_px(sigma_mm, magnification=1.0 / (focal_lengths - 1), pixel_pitch_um=4.0)
    assert optics.gaussian_mtf(np.array([0.25, 0.5]), sigma_px) == pytest.approx(np.array(mtf), abs=6e-4)
