"""Signs and figures of the geometry, on hand-made asymmetric cases worked out here point by point."""

from math import cos, degrees, hypot, pi, radians, sin, sqrt

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lensbench.model.shot import Direction
from lensbench.shot.geometry import camera_pose, direction_of, place_of, zone_borders, zone_of

SIZE = (4000, 6000)


def photographed(point_mm, *, yaw=0.0, pitch=0.0, roll=0.0, aim=(0, 0)):
    """Photograph one chart point (row, col) step by step with a thin lens, no matrices.

    World: x right, y up, z away from the wall towards the photographer, who looks along -z. The camera aims at
    the chart point `aim`; its own right and up are turned by yaw about the vertical, then pitch, then roll.
    """
    focal_mm, pitch_um, m = 50.0, 4.0, 1 / 40
    yaw, pitch, roll = map(radians, (yaw, pitch, roll))
    # Turned to its right, the camera looks more to +x; turned upward, more to +y.
    look = np.array([sin(yaw) * cos(pitch), sin(pitch), -cos(yaw) * cos(pitch)])
    level = np.array([cos(yaw), 0.0, sin(yaw)])
    above = np.cross(level, look)
    # Rolled clockwise as seen from behind, its right side goes down.
    right = cos(roll) * level - sin(roll) * above
    up = cos(roll) * above + sin(roll) * level
    object_mm, image_mm = focal_mm * (1 + 1 / m), focal_mm * (1 + m)
    middle = np.array([aim[1], -aim[0], 0.0])
    ray = np.array([point_mm[1], -point_mm[0], 0.0]) - (middle - object_mm * look)
    depth = ray @ look
    across, upward = image_mm * (ray @ right) / depth, image_mm * (ray @ up) / depth
    return ((SIZE[0] - 1) / 2 - 1000 * upward / pitch_um, (SIZE[1] - 1) / 2 + 1000 * across / pitch_um)


def homography_of(project) -> np.ndarray:
    """Solve for the homography through four chart points."""
    rows = []
    for r, c in ((-150.0, -190.0), (-110.0, 210.0), (130.0, -230.0), (170.0, 120.0)):
        y, x = project((r, c))
        rows += [[r, c, 1, 0, 0, 0, -y * r, -y * c, -y], [0, 0, 0, r, c, 1, -x * r, -x * c, -x]]
    solution: np.ndarray = np.linalg.svd(np.array(rows))[2][-1].reshape(3, 3)
    return solution


@pytest.mark.parametrize(
    "turns",
    [
        {"yaw": 4.0},
        {"yaw": -3.0},
        {"pitch": 2.5},
        {"pitch": -6.0},
        {"roll": 7.0},
        {"roll": -12.0},
        {"yaw": 3.0, "pitch": -2.0, "roll": 5.0},
        {"yaw": -8.0, "pitch": 5.0, "roll": -1.5},
    ],
)
@pytest.mark.parametrize("aim", [(0, 0), (35, -60)])
def test_tilt_magnification_and_distance_come_back(turns, aim):
    homography = homography_of(lambda point: photographed(point, aim=aim, **turns))
    for sign in (1, -1):
        pose = camera_pose(sign * homography, SIZE, focal_length_mm=50.0, pixel_pitch_um=4.0)
        assert pose.tilt.yaw_deg == pytest.approx(turns.get("yaw", 0.0), abs=0.01)
        assert pose.tilt.pitch_deg == pytest.approx(turns.get("pitch", 0.0), abs=0.01)
        assert pose.tilt.roll_deg == pytest.approx(turns.get("roll", 0.0), abs=0.01)
        assert pose.magnification == pytest.approx(1 / 40, rel=1e-4)
        # f (2 + m + 1/m)
        assert pose.distance_mm == pytest.approx(50 * (2 + 1 / 40 + 40), rel=1e-4)


@pytest.mark.parametrize(
    ("roll", "yaw", "pitch"), [(90.0, -2.0, 3.0), (180.0, -3.0, -2.0), (-90.0, 2.0, -3.0)]
)
def test_on_a_turned_chart_yaw_and_pitch_are_the_cameras_own(roll, yaw, pitch):
    """Rolled 90 degrees clockwise, a camera has the wall's right above it and the wall's up at its left."""
    # Yaw 3 and pitch 2 of the world, small enough that their order does not matter beyond 0.1 degree.
    homography = homography_of(lambda point: photographed(point, yaw=3.0, pitch=2.0, roll=roll))
    tilt = camera_pose(homography, SIZE, focal_length_mm=50.0, pixel_pitch_um=4.0).tilt
    assert tilt.yaw_deg == pytest.approx(yaw, abs=0.1)
    assert tilt.pitch_deg == pytest.approx(pitch, abs=0.1)
    assert abs(tilt.roll_deg) == pytest.approx(abs(roll), abs=0.15)


def test_without_focal_length_a_clear_tilt_tells_it():
    homography = homography_of(lambda point: photographed(point, yaw=8.0, pitch=5.0, roll=2.0))
    pose = camera_pose(homography, SIZE, focal_length_mm=None, pixel_pitch_um=4.0)
    assert pose.tilt.yaw_deg == pytest.approx(8.0, abs=0.01)
    assert pose.tilt.pitch_deg == pytest.approx(5.0, abs=0.01)
    assert pose.magnification == pytest.approx(1 / 40, rel=1e-4)
    assert pose.distance_mm is None


def test_without_focal_length_a_square_view_leaves_the_tilt_unknown():
    homography = homography_of(lambda point: photographed(point, yaw=0.1, roll=2.0))
    pose = camera_pose(homography, SIZE, focal_length_mm=None, pixel_pitch_um=None)
    assert np.isnan(pose.tilt.yaw_deg)
    assert np.isnan(pose.tilt.pitch_deg)
    assert pose.tilt.roll_deg == pytest.approx(2.0, abs=0.01)
    assert pose.magnification is None
    assert pose.distance_mm is None


@pytest.mark.parametrize(
    ("center", "height", "azimuth"),
    [
        ((1999.5, 5999.5), 3000 / hypot(2000, 3000), 0.0),  # right border
        ((-0.5, 2999.5), 2000 / hypot(2000, 3000), 90.0),  # upper border
        ((1999.5, -0.5), 3000 / hypot(2000, 3000), 180.0),
        ((3999.5, 5999.5), 1.0, -degrees(np.arctan2(2000, 3000))),  # lower right corner
        ((1899.5, 3099.5), hypot(100, 100) / hypot(2000, 3000), 45.0),
    ],
)
def test_image_height_and_azimuth(center, height, azimuth):
    place = place_of(center, SIZE)
    assert place.image_height == pytest.approx(height)
    assert place.azimuth_deg == pytest.approx(azimuth)


@pytest.mark.parametrize(
    ("center", "angle", "direction"),
    [
        # Upper right, radius at 45 degrees: an edge whose upper end leans 45 to the right lies along it.
        ((1000, 3999), 45.0, Direction.SAGITTAL),
        ((1000, 3999), -45.0, Direction.TANGENTIAL),
        # Upper left: the other way round.
        ((1000, 2000), 45.0, Direction.TANGENTIAL),
        ((1000, 2000), -45.0, Direction.SAGITTAL),
        # Right of the centre: upright edges are square to the radius.
        ((1999.5, 5000), 5.0, Direction.TANGENTIAL),
        ((1999.5, 5000), -85.0, Direction.SAGITTAL),
        ((1999.5, 5000), 22.4, Direction.TANGENTIAL),
        ((1999.5, 5000), 22.6, Direction.OBLIQUE),
        ((1999.5, 5000), 67.4, Direction.OBLIQUE),
        ((1999.5, 5000), 67.6, Direction.SAGITTAL),
        # 0.03 of the half-diagonal is 108 px here.
        ((1999.5, 2999.5 + 107), 0.0, Direction.OBLIQUE),
        ((1999.5, 2999.5 + 110), 0.0, Direction.TANGENTIAL),
    ],
)
def test_the_line_convention(center, angle, direction):
    assert direction_of(center, SIZE, angle_deg=angle) is direction


def test_zones():
    """The borders in a 3:2 picture are the contract's, 0.443 and 0.647."""
    assert zone_borders((4000, 6000)) == pytest.approx((0.443, 0.647), abs=5e-4)
    heights = (0.0, 0.442, 0.444, 0.646, 0.648, 1.0)
    assert [zone_of(h, (4000, 6000)) for h in heights] == [
        "inner",
        "inner",
        "middle",
        "middle",
        "outer",
        "outer",
    ]


def test_borders_of_a_square_picture():
    """The inner disc lies within a square: pi r^2 h^2 = a third of 2 h^2, h the half-diagonal."""
    assert zone_borders((1000, 1000))[0] == pytest.approx(sqrt(2 / (3 * pi)), abs=1e-9)


@settings(max_examples=30, deadline=None, derandomize=True)
@example(rows=200, columns=300)
@example(rows=300, columns=400)
@example(rows=90, columns=160)
@example(rows=100, columns=100)
@given(rows=st.integers(40, 300), columns=st.integers(40, 300))
def test_each_zone_holds_a_third_of_the_picture(rows, columns):
    """Count the cells of a fine grid."""
    r, c = np.meshgrid(
        (np.arange(400) + 0.5) / 400 * rows, (np.arange(400) + 0.5) / 400 * columns, indexing="ij"
    )
    height = np.hypot(r - rows / 2, c - columns / 2) / (hypot(rows, columns) / 2)
    inner, outer = zone_borders((rows, columns))
    assert np.mean(height < inner) == pytest.approx(1 / 3, abs=2e-3)
    assert np.mean(height > outer) == pytest.approx(1 / 3, abs=2e-3)
