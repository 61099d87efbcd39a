"""Lens and camera descriptions: what they mean, and what is refused."""

import json
from dataclasses import asdict

import numpy as np
import pytest
from sim_bench import bench_scene

from lensbench.model.errors import SettingError
from lensbench.simulate import (
    INVENTED_LENSES,
    Camera,
    Lens,
    Plan,
    Pose,
    Shot,
    ZoomPosition,
    lens_described,
    photograph,
    prime,
    series,
)


def blur_of(position, field=(0.0, 0.0), f_number=4.0, **changes):
    settings = {
        "channel": "green",
        "focal_length_mm": position.focal_length_mm,
        "working_f_number": f_number,
        "focus_um": 0.0,
        "pitch_um": 4.0,
    }
    lens = prime("Bench", position, widest_f_number=2.0)
    return lens.point_blur(field, f_number=f_number, **{**settings, **changes})


def test_diffraction_goes_by_wavelength_and_working_f_number():
    position = ZoomPosition(focal_length_mm=50.0)
    q = {c: blur_of(position, channel=c, working_f_number=8.4).q for c in ("red", "green", "blue")}
    # q = wavelength x N / pitch: 0.62, 0.54 and 0.46 um, f/8.4, 4 um.
    assert q == pytest.approx({"red": 1.302, "green": 1.134, "blue": 0.966})


def test_the_focus_disc_is_the_error_over_the_f_number():
    position = ZoomPosition(focal_length_mm=50.0, curvature_um=-40.0)
    # 60 um / f/4 = 15 um = 3.75 px in the centre; half-way out the curved field takes 10 um off.
    assert blur_of(position, focus_um=60.0).disc_px == pytest.approx(3.75)
    assert blur_of(position, (0.3, -0.4), focus_um=60.0).disc_px == pytest.approx(50.0 / 16.0)


def test_aberrations_fall_with_the_stop_and_their_rest_stays():
    position = ZoomPosition(focal_length_mm=50.0, residual_um=3.0, open_um=8.0, power=2.0)
    # sqrt(3^2 + (8 x (2/4)^2)^2) = sqrt(13) um, in px^2: 13 / 16.
    row_row, row_col, col_col = blur_of(position).spread_px2
    assert (row_row, row_col, col_col) == pytest.approx((13.0 / 16.0, 0.0, 13.0 / 16.0))


def test_in_the_corner_the_blur_is_wider_along_the_radius():
    position = ZoomPosition(
        focal_length_mm=50.0,
        residual_um=0.0,
        residual_corner_um=0.0,
        open_um=0.0,
        open_corner_along_um=8.0,
        open_corner_across_um=4.0,
    )
    field = (0.6, 0.8)
    matrix = blur_of(position, field, f_number=2.0).spread_px2
    spread = np.array([[matrix[0], matrix[1]], [matrix[1], matrix[2]]])
    along, across = np.array([0.6, 0.8]), np.array([-0.8, 0.6])
    assert along @ spread @ along == pytest.approx((8.0 / 4.0) ** 2)
    assert across @ spread @ across == pytest.approx((4.0 / 4.0) ** 2)


def test_a_zoom_lies_between_its_described_positions():
    lens = INVENTED_LENSES["fennel"]
    assert lens.at(35.0) is lens.positions[1]
    halfway = lens.at(52.5)
    assert halfway.open_um == pytest.approx(0.5 * (lens.positions[1].open_um + lens.positions[2].open_um))
    assert len(halfway.decentring) == 2


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (lambda: INVENTED_LENSES["fennel"].at(85.0), "24 to 70 mm, not 85 mm"),
        (lambda: INVENTED_LENSES["fennel"].stopped_down(2.0), "opens to f/2.8, not f/2"),
        (lambda: Lens(name="x", positions=()), r"focal lengths are \[\]"),
        (lambda: prime("x", ZoomPosition(focal_length_mm=5.0), widest_f_number=0.0), "0.0 is not above 0"),
        (lambda: Camera(cfa="rgbw"), "«rgbw» is not known"),
        (lambda: Camera(rows=101), "101x1740"),
        (lambda: Camera(white=70_000), "70000 must rise, below 2\\^14 = 16384"),
        (lambda: Camera(rows=20_000, cols=30_000), "larger than 150 million"),
        (lambda: Pose(yaw_deg=-50.0), "yaw -50 degrees: give 45 at most"),
        (
            lambda: photograph(
                bench_scene(((0.0, 0.0), 40.0, 9.0), pose=Pose(distance_mm=205.0), rows=1000),
                Shot(focal_length_mm=50.0, f_number=4.0),
            ),
            "px wide, more than 2000",
        ),
        (lambda: lens_described("nowhere.json"), "no lens description"),
        (
            lambda: photograph(
                bench_scene(((0.0, 0.0), 9.0, 9.0), pose=Pose(distance_mm=150.0)),
                Shot(focal_length_mm=50.0, f_number=4.0),
            ),
            r"150 mm is below four focal lengths \(200 mm\)",
        ),
    ],
)
def test_what_cannot_be_is_refused(wrong, words):
    with pytest.raises(SettingError, match=words):
        wrong()


def test_a_series_is_refused_before_it_begins(tmp_path):
    scene = bench_scene(((0.0, 0.0), 9.0, 9.0))
    with pytest.raises(SettingError, match="not 35 mm"):
        series(scene, tmp_path, plan=Plan(focal_lengths_mm=[35.0], f_numbers=[4.0]))


def test_a_lens_is_read_back_from_its_file(tmp_path):
    path = tmp_path / "lens.json"
    path.write_text(json.dumps(asdict(INVENTED_LENSES["tansy"])), encoding="utf-8")
    assert lens_described(str(path)) == INVENTED_LENSES["tansy"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "no lens description"),
        ("[]", "list of «positions»"),
        ('{"positions": [3]}', "«3» stands where a ZoomPosition"),
        ('{"positions": [{"focal_length_mm": 9, "colour": 1}]}', "ZoomPosition has no «colour»"),
        ('{"positions": [{"focal_length_mm": NaN}]}', "«focal_length_mm» is nan; give a number"),
        ('{"positions": [{"focal_length_mm": 9, "decentring": [1]}]}', "give a list of two numbers"),
        ('{"positions": [{"focal_length_mm": 9}]}', "incomplete: .*name"),
        ('{"name": "x", "positions": [{"focal_length_mm": "long"}]}', "«focal_length_mm» is 'long'"),
    ],
)
def test_a_lens_file_with_a_mistake_is_named(tmp_path, text, words):
    path = tmp_path / "lens.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingError, match=words):
        lens_described(str(path))
