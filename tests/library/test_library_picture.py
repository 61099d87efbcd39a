import math
from dataclasses import replace

import numpy as np
import pytest
from measured_lenses import CURVE, kept_session, sharper

from lensbench.edge.perception import Viewing, sharpness_jnd
from lensbench.library import Lack, Wanted, plan_picture
from lensbench.library.scene import bracket, disc_px, exposure, focus_object_mm, sensor_distance_m, shake_mm
from lensbench.model.errors import SettingError
from lensbench.optics import LensBlur
from lensbench.report.text.advice import picture_sentences

FULL_FRAME_MM = 43.2666


def wanted(**fields):
    return Wanted(**({"focal_length_mm": 50.0, "near_m": 2.5, "far_m": 8.0} | fields))


def test_focus_lies_where_the_depth_of_field_says():
    # Textbook case (50 mm, f/8, disc 0.03 mm, worked out independently): H = 10466.7 mm; focused at H/3 the depth
    # runs from 2622.96 to 5208.33 mm. From these limits the focus must come out again, with 0.03 mm at both.
    focus_mm = focus_object_mm(2622.96, 5208.33)
    assert focus_mm == pytest.approx(10466.67 / 3.0, rel=1e-5)
    discs = disc_px(
        np.array([2622.96, 5208.33]), focus_mm=focus_mm, focal_length_mm=50.0, f_number=8.0, pitch_um=4.0
    )
    assert discs * 4.0 == pytest.approx([30.0, 30.0], rel=1e-4)


# Textbook depth of field of 50 mm at f/8 with a disc of 0.03 mm: the hyperfocal distance H, and the limits.
HYPERFOCAL_MM = 50.0**2 / (8.0 * 0.03) + 50.0


def depth_of_field_mm(focus_mm):
    """Near and far limit: s (H - f) / (H + s - 2 f) and s (H - f) / (H - s)."""
    scale = focus_mm * (HYPERFOCAL_MM - 50.0)
    near = scale / (HYPERFOCAL_MM + focus_mm - 2.0 * 50.0)
    return near, scale / (HYPERFOCAL_MM - focus_mm) if focus_mm < HYPERFOCAL_MM else math.inf


def test_hyperfocal_focus_reaches_infinity_and_half_its_distance():
    # Textbook: focused at the hyperfocal distance H, everything from about H/2 to infinity is sharp.
    assert focus_object_mm(*depth_of_field_mm(HYPERFOCAL_MM)) == pytest.approx(HYPERFOCAL_MM)


def test_one_third_rule_holds_at_one_place_only():
    # At s = (H + 2f)/3 one third of the depth lies in front of the focus; elsewhere the habit focuses too far.
    third_mm = (HYPERFOCAL_MM + 2.0 * 50.0) / 3.0
    for focus_mm, share in ((third_mm, 1 / 3), (1000.0, 0.45), (300.0, 0.49)):
        near, far = depth_of_field_mm(focus_mm)
        assert focus_object_mm(near, far) == pytest.approx(focus_mm)
        assert (focus_mm - near) / (far - near) == pytest.approx(share, abs=0.012)


def test_distances_run_from_the_sensor():
    # Thin lens: f (2 + m + 1/m); 50 mm at m = 0.02 stands 2601 mm from the sensor, 2550 mm from the lens.
    assert wanted(near_m=2.601).near_object_mm == pytest.approx(2550.0)
    assert sensor_distance_m(2550.0, focal_length_mm=50.0) == pytest.approx(2.601)


def test_disc_is_that_of_the_image_planes():
    # Derived: cone of aperture f/N converging at v, cut at the sensor at v0: c = (f/N) |v - v0| / v.
    focus_mm, object_mm, focal_mm, f_number = 3000.0, 2000.0, 50.0, 4.0
    images = [1.0 / (1.0 / focal_mm - 1.0 / distance) for distance in (focus_mm, object_mm)]
    expected = focal_mm / f_number * abs(images[1] - images[0]) / images[1] * 1000.0 / 4.0
    found = disc_px(object_mm, focus_mm=focus_mm, focal_length_mm=focal_mm, f_number=f_number, pitch_um=4.0)
    assert float(found) == pytest.approx(expected)


def test_exposure_follows_the_light():
    # 2^EV = N^2/t at ISO 100, and the nearest third of a stop on a camera's dial.
    # Sunny 16 (common practice, no source): f/16 and 1/125 s at ISO 100 is EV 15.
    sunny = exposure(wanted(ev=15.0), f_number=16.0, picture_diagonal_mm=FULL_FRAME_MM)
    assert sunny.shutter_s == 1 / 125
    assert sunny.iso == 100.0
    kept = exposure(wanted(ev=12.0, shutter_s=1 / 250), f_number=8.0, picture_diagonal_mm=FULL_FRAME_MM)
    assert (kept.shutter_s, kept.iso) == (1 / 250, 400.0)  # 100 x 250 / 64 is 391
    bright = exposure(wanted(ev=15.0, shutter_s=1 / 60), f_number=2.8, picture_diagonal_mm=FULL_FRAME_MM)
    assert (bright.shutter_s, bright.iso) == (1 / 4000, 100.0)  # 2.8^2 / 2^15 is 1/4180 s
    dark = exposure(
        wanted(ev=8.0, shutter_s=1 / 250, iso_limit=800), f_number=8.0, picture_diagonal_mm=FULL_FRAME_MM
    )
    assert dark.dark_by_stops == pytest.approx(math.log2(250 / 4 / 8))


def test_hands_need_shorter_times_at_longer_focal_lengths():
    # Common practice, no source: 1/focal-length on full frame; a smaller sensor asks for less by its crop.
    for focal_mm, diagonal_mm, shutter_s in (
        (50.0, FULL_FRAME_MM, 1 / 50),
        (50.0, FULL_FRAME_MM / 1.5, 1 / 80),  # 1/75 s, or the next shorter time
    ):
        asked = wanted(focal_length_mm=focal_mm, handheld=True)
        chosen = exposure(asked, f_number=5.6, picture_diagonal_mm=diagonal_mm)
        assert chosen.shutter_s == pytest.approx(shutter_s)
    long, short = (wanted(focal_length_mm=focal_mm, handheld=True) for focal_mm in (200.0, 50.0))
    assert shake_mm(long, 1 / 100) == pytest.approx(4.0 * shake_mm(short, 1 / 100))
    assert shake_mm(wanted(), 1 / 10) == 0.0
    limited = exposure(
        wanted(handheld=True, ev=5.0, iso_limit=800), f_number=4.0, picture_diagonal_mm=FULL_FRAME_MM
    )
    assert (limited.iso, limited.shutter_s) == (800.0, 1 / 15)  # 16 / 32 / 8 is 1/16 s


def test_bracket_leaves_nothing_soft_and_wastes_no_frame():
    blur, asked = LensBlur.in_focus(0.30, 0.77), wanted(near_m=1.5, far_m=6.0)
    found = bracket(asked, blur, f_number=5.6, exact_f_number=5.6, pitch_um=4.0)
    planes = [replace(asked, near_m=focus, far_m=focus).near_object_mm for focus in found.focus_m]
    scene = np.linspace(asked.near_object_mm, asked.far_object_mm, 200)

    def least(frames):
        discs = np.min(
            [
                disc_px(scene, focus_mm=one, focal_length_mm=50.0, f_number=5.6, pitch_um=4.0)
                for one in frames
            ],
            axis=0,
        )
        return replace(blur, disc_px=float(discs.max())).mtf50_cypx / 0.30

    assert len(planes) == found.frames > 3
    assert least(planes) >= 0.895
    near, far = 1.0 / scene[0], 1.0 / scene[-1]
    fewer = found.frames - 1
    sparse = [1.0 / (near - (2 * one + 1) * (near - far) / (2 * fewer)) for one in range(fewer)]
    assert least(sparse) < 0.9
    images = np.array([1.0 / (1.0 / 50.0 - 1.0 / plane) for plane in planes])
    # Even in 1/distance is even at the sensor but for a share of the magnification, 3 % here.
    assert -np.diff(images) * 1000.0 == pytest.approx([found.step_um] * (found.frames - 1), rel=0.03)


def test_a_deep_scene_stops_down_and_a_flat_one_does_not():
    # Common practice, no source: depth is bought by stopping down, until diffraction costs more than it gives.
    sessions = [kept_session()]
    flat = plan_picture(sessions, wanted(near_m=5.0, far_m=5.0)).lenses[0]
    deep = plan_picture(sessions, wanted(near_m=6.0, far_m=8.0)).lenses[0]
    assert flat.best.f_number == flat.sweet_spot_f_number == 5.6
    assert flat.one_frame_serves
    assert flat.bracket is None
    assert flat.focus_cost_percent == pytest.approx(0.0, abs=1e-6)
    assert deep.best.f_number > 5.6
    assert deep.best.worst.mtf50_cypx == max(stop.worst.mtf50_cypx for stop in deep.stops)
    assert deep.limit_cost_percent > deep.focus_cost_percent > 0.0


def test_plan_says_stop_focus_cost_and_bracket():
    plan = plan_picture([kept_session(), kept_session("Sorrel", sharper(0.10), seed=2)], wanted())
    # From the sensor; by hand, from the front principal plane: u = (D + sqrt(D^2 - 4fD))/2 = 2.449 and 7.950 m,
    # 2nF/(n + F) = 3.745 m, and 51 mm more to the sensor.
    assert plan.focus_m == pytest.approx(3.796, abs=0.002)
    assert plan.third_m == pytest.approx(2.5 + 5.5 / 3.0)
    best = plan.lenses[0]
    assert best.lens == "Sorrel"
    for figures in best.stops:
        assert figures.at_near.mtf50_cypx == pytest.approx(figures.at_far.mtf50_cypx, rel=1e-3)
        low, high = figures.at_near.range_cypx
        assert low < figures.at_near.mtf50_cypx < high
    # At the sweet spot it takes more frames than anyone shoots; a stop down a dozen do, and keep less.
    assert (best.ideal_bracket.f_number, best.bracket.f_number) == (5.6, 8.0)
    assert best.ideal_bracket.frames > 12 >= best.bracket.frames > 1
    assert best.bracket.kept_percent < best.ideal_bracket.kept_percent
    assert [one.kind for one in plan.cautions] == [
        "set_up_assumed",
        "equal_softness",
        "light_unknown",
        "flat_field",
    ]


def test_shake_widens_the_range_and_softens():
    still, shaken = (
        plan_picture([kept_session()], wanted(handheld=handheld, shutter_s=1 / 30))
        .lenses[0]
        .stops[2]
        .at_focus
        for handheld in (False, True)
    )
    assert shaken.mtf50_cypx < 0.7 * still.mtf50_cypx
    ratios = [one.range_cypx[1] / one.range_cypx[0] for one in (still, shaken)]
    assert ratios[1] > 2.0 * ratios[0]
    assert shaken.own_sd < 0.05


def test_noise_follows_the_square_root_of_the_iso():
    # Photon noise (Janesick; EMVA 1288): SNR falls with the square root of the light.
    low, high = (
        plan_picture([kept_session()], wanted(ev=12.0, shutter_s=time_s)).lenses[0].stops[3]
        for time_s in (1 / 100, 1 / 400)
    )
    assert high.iso == pytest.approx(4.0 * low.iso)
    assert high.snr == pytest.approx(low.snr / 2.0)


def test_what_cannot_be_answered_is_said():
    sessions = [kept_session(), kept_session("Tansy", pixel_pitch_um=None)]
    plan = plan_picture(sessions, wanted())
    assert [(one.lens, one.reason.kind) for one in plan.left_out] == [("Tansy", Lack.PITCH_UNKNOWN)]
    dark = plan_picture(sessions[:1], wanted(ev=1.0, shutter_s=1 / 500, iso_limit=100))
    (left_out,) = dark.left_out
    assert (dark.lenses, left_out.reason.kind) == ((), Lack.TOO_DARK)
    # f/2.8 at EV 1 wants 2.8^2 / 2 s at ISO 100, 1960 times 1/500 s.
    assert left_out.reason.values == pytest.approx((math.log2(2.8**2 / 2.0 * 500.0),))
    for fields, says in (
        ({"near_m": 8.0, "far_m": 2.0}, "far not below near"),
        ({"near_m": 0.15}, "four focal lengths"),
        ({"near_m": math.inf, "far_m": math.inf}, "near is infinite"),
        ({"iso_limit": 50.0}, "below ISO 100"),
        ({"near_m": math.nan}, "near"),
        ({"ev": math.nan}, "finite"),
    ):
        with pytest.raises(SettingError, match=says):
            wanted(**fields)


def test_infinity_is_a_far_limit():
    plan = plan_picture([kept_session(curve=CURVE)], wanted(near_m=10.0, far_m=math.inf))
    assert plan.focus_m == pytest.approx(20.0, rel=0.01)
    assert math.isnan(plan.third_m)
    assert all(math.isfinite(focus) for focus in plan.lenses[0].bracket.focus_m)


def test_no_advised_bracket_has_more_than_a_dozen_frames():
    sessions = [kept_session()]
    for near_m, far_m in ((0.8, math.inf), (2.0, 3.0), (30.0, math.inf)):
        for lens in plan_picture(sessions, wanted(near_m=near_m, far_m=far_m)).lenses:
            frames = [lens.bracket.frames] if lens.bracket else []
            assert all(count <= 12 for count in frames)
            assert lens.one_frame_serves or frames or lens.ideal_bracket.frames > 12


def test_a_question_by_hand_gets_an_answer_by_hand():
    """No bracket, and what the sweet spot is, hands have their part in."""
    asked = wanted(handheld=True, ev=12.0, iso_limit=800)
    plan = plan_picture([kept_session()], asked)
    (lens,) = plan.lenses
    assert (lens.bracket, lens.ideal_bracket) == (None, None)
    assert lens.sweet_spot_cypx == max(stop.at_focus.mtf50_cypx for stop in lens.stops)
    said = " ".join(picture_sentences(plan))
    assert "By hand that is the best single shot" in said
    assert "tripod" not in said
    assert "bracket" not in said


def test_the_size_of_the_print_decides_what_is_sharp_enough():
    """A small print forgives what a large one shows from the same 40 cm."""
    small, large = (
        plan_picture([kept_session()], wanted(near_m=3.5, far_m=6.0, print_mm=size))
        for size in ((100.0, 150.0), (600.0, 900.0))
    )
    forgiving, strict = small.lenses[0], large.lenses[0]
    assert forgiving.visible_loss_percent > strict.visible_loss_percent > 0.0
    assert set(forgiving.alike_f_numbers) >= set(strict.alike_f_numbers) >= {strict.best.f_number}
    assert forgiving.one_frame_serves
    assert forgiving.bracket is None
    assert "In a print of 10 x 15 cm, seen from 40 cm, " in " ".join(picture_sentences(small))
    assert plan_picture([kept_session()], wanted()).lenses[0].alike_f_numbers == ()


def test_the_print_counts_as_the_quality_ruler_reads_it():
    """Where one print pixel is tiny to the eye, by brute force: the loss at which the ruler drops by one JND."""
    (lens,) = plan_picture([kept_session()], wanted(print_mm=(600.0, 400.0))).lenses
    viewing = Viewing(picture_height_px=4000, print_height_mm=400.0, distance_mm=400.0)
    frequency = np.linspace(0.0, 0.5, 801)

    def jnd(mtf50_cypx):
        sfr = np.exp(-math.log(2.0) * (frequency / mtf50_cypx) ** 2)
        return sharpness_jnd(frequency, sfr, np.zeros_like(sfr), viewing=viewing).value

    sharp = lens.sweet_spot_cypx
    shares = np.linspace(0.0, 0.49, 491)
    drops = np.array([jnd(sharp) - jnd((1.0 - share) * sharp) for share in shares])
    # 0.5 %: the steps of both searches, and the cubic through the kept response.
    assert lens.visible_loss_percent == pytest.approx(100.0 * shares[np.argmax(drops >= 1.0)], abs=0.5)
