"""Distances, and what focus and print cost there, against textbook relations (thin lens; derived numbers)."""

import numpy as np
import pytest

from lensbench import optics


def test_magnification_and_distances_agree():
    # Thin lens: 1/f = 1/u + 1/v and m = v/u.
    m = optics.magnification(focal_length_mm=85.0, object_distance_mm=2000.0)
    u = optics.object_distance_mm(focal_length_mm=85.0, magnification=m)
    assert u == pytest.approx(2000.0)
    v = 1.0 / (1.0 / 85.0 - 1.0 / u)
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


def test_blur_disc_reaches_the_limit_at_both_ends_of_the_depth_of_field():
    # Textbook formulas, the check case (50 mm, f/8, 0.03 mm) worked out independently: H = 10466.7 mm; focused at H/3
    # the depth runs from 2622.96 to 5208.33 mm, focused at H to infinity.
    hyperfocal = 10466.667
    focus = hyperfocal / 3.0
    ends = np.array([2622.96, focus, 5208.33])
    disc = optics.blur_disc_mm(ends, focus_mm=focus, focal_length_mm=50.0, f_number=8.0)
    assert disc == pytest.approx([0.03, 0.0, 0.03], rel=1e-4, abs=1e-12)
    infinity = optics.blur_disc_mm(np.inf, focus_mm=hyperfocal, focal_length_mm=50.0, f_number=8.0)
    assert infinity == pytest.approx(0.03)


def test_tilt_allowed_at_a_wide_stop():
    # Derived: 18 mm high, m = 1/49, f/2.8, 550 nm: 1 % of MTF50 goes at 1.6 um, a quarter of a degree.
    shift = optics.focus_shift_for_loss_um(2.8, wavelength_um=0.55)
    assert shift == pytest.approx(1.6, abs=0.01)
    tilt = optics.tilt_deg_for_focus_shift(18.0, magnification=1.0 / 49.0, focus_shift_um=shift)
    assert tilt == pytest.approx(0.25, rel=0.01)


def test_depth_allowed_at_the_chart():
    # Derived: 1.57 um at f/2.8 and 540 nm (1 % of MTF50) over m^2: 0.905 mm at m = 1/24, 3.77 mm at 1/49.
    shift = optics.focus_shift_for_loss_um(2.8)
    assert optics.chart_depth_mm(shift, magnification=1.0 / 24.0) == pytest.approx(0.905, abs=0.005)
    assert optics.chart_depth_mm(shift, magnification=1.0 / 49.0) == pytest.approx(3.77, abs=0.01)
    # 2 % and 5 % go at 0.525 and 0.832 wavelength N^2 (exact pupil); the square law keeps to 0.5 %.
    for loss, share in ((2.0, 0.525), (5.0, 0.832)):
        shift = optics.focus_shift_for_loss_um(4.0, loss_percent=loss, wavelength_um=0.5)
        assert shift == pytest.approx(share * 0.5 * 16.0, rel=5e-3)


def test_tilt_from_a_focus_shift():
    # Derived: h m tan(tilt) at 18 mm, m = 0.025 and 0.7 degree.
    shift = 1000.0 * 18.0 * 0.025 * np.tan(np.deg2rad(0.7))
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
