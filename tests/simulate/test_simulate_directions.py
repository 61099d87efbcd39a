"""Hand-made lopsided scenes: every sign, direction and side is seen in the pixels themselves."""

import numpy as np
import pytest
from sim_bench import FRAME_MM, bench_scene

from lensbench.simulate import Pose, Shot, photograph
from lensbench.simulate.sensor import light_on_sensor

CENTER = ((0.0, 0.0), 14.0, 10.0)
SHOT = Shot(focal_length_mm=50.0, f_number=4.0, noise=False, paper_level=1.0)
PX_PER_MM = 400 / FRAME_MM[0]


def grey(scene, shot=SHOT):
    return light_on_sensor(scene.geometry(50.0), [shot], finished=False)[0].astype(float)


def darkness_at(light, center_px, half_px):
    row, col = (round(value) for value in center_px)
    return 1.0 - light[row - half_px : row + half_px + 1, col - half_px : col + half_px + 1]


def centroid(darkness):
    rows, cols = np.indices(darkness.shape)
    return np.array([(rows * darkness).sum(), (cols * darkness).sum()]) / darkness.sum()


def lean_of_vertical_edge(light, rows, cols):
    """Angle from the columns of an edge that crosses a block once a row, from the half-height crossings."""
    block = light[rows, cols]
    low, high = block.min(), block.max()
    crossing = [np.interp(0.5 * (low + high), *sorted_pair(line)) for line in block]
    slope = np.polyfit(np.arange(len(crossing)), crossing, 1)[0]
    return np.rad2deg(np.arctan(-slope))  # upper end further right: positive


def sorted_pair(line):
    order = np.argsort(line)
    return line[order], order.astype(float)


def test_the_quarter_left_of_the_upper_arm_is_dark():
    light = grey(bench_scene(CENTER))
    row, col = (199.5, 299.5)
    quarter = {"upper left": (-20, -20), "upper right": (-20, 20), "lower right": (20, 20)}
    seen = {name: light[int(row + down), int(col + right)] for name, (down, right) in quarter.items()}
    assert seen["upper left"] == pytest.approx(0.25, abs=0.01)
    assert seen["upper right"] == pytest.approx(1.0, abs=0.01)
    assert seen["lower right"] == pytest.approx(0.25, abs=0.01)


def test_an_edge_that_leans_right_on_the_chart_leans_right_in_the_picture():
    light = grey(bench_scene(CENTER))
    assert lean_of_vertical_edge(light, slice(160, 185), slice(290, 320)) == pytest.approx(10.0, abs=0.3)


def test_a_camera_rolled_clockwise_turns_the_picture_counter_clockwise():
    scene = bench_scene(CENTER, pose=Pose(roll_deg=2.0))
    seen = lean_of_vertical_edge(grey(scene), slice(160, 185), slice(290, 320))
    told = next(edge for edge in photograph(scene, SHOT).edges if edge.arm == 1)
    assert seen == pytest.approx(8.0, abs=0.3)
    assert told.angle_deg == pytest.approx(8.0, abs=1e-6)


def test_rows_run_down_and_columns_to_the_right():
    down_mm, right_mm = 20.0, -35.0
    scene = bench_scene(((down_mm, right_mm), 8.0, 10.0))
    expected = (199.5 + down_mm * PX_PER_MM, 299.5 + right_mm * PX_PER_MM)
    darkness = darkness_at(grey(scene), expected, 40)
    # The two dark quarters are alike, so their common centroid is the crossing.
    assert centroid(darkness) + np.round(expected) - 40 == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize(
    ("pose", "nearer", "further"),
    [
        # Turned to its right, the camera looks at a chart whose left side has come nearer.
        (Pose(yaw_deg=6.0), (0.0, -40.0), (0.0, 40.0)),
        # Turned upward, it looks at a chart whose lower side has come nearer.
        (Pose(pitch_deg=6.0), (30.0, 0.0), (-30.0, 0.0)),
    ],
)
def test_the_side_that_came_nearer_is_larger(pose, nearer, further):
    scene = bench_scene((nearer, 12.0, 10.0), (further, 12.0, 10.0), pose=pose)
    light = grey(scene)
    area = [
        darkness_at(light, np.add((199.5, 299.5), np.multiply(PX_PER_MM, at)), 70).sum()
        for at in (nearer, further)
    ]
    # Turning by t about the chart's centre moves a point at x by x sin t along the axis; at distance u its
    # area grows as 1 / (1 + x sin t / u)^2 twice over, once for each direction, and the foreshortening once more.
    magnification = 400 * 0.004 / FRAME_MM[0]
    distance_mm = 50.0 * (1.0 + 1.0 / magnification)
    depth = max(map(abs, nearer)) * np.sin(np.deg2rad(6.0)) / distance_mm
    assert area[0] / area[1] == pytest.approx(((1.0 + depth) / (1.0 - depth)) ** 3, rel=0.002)


def edge_slope(light, center_mm):
    """Steepest step between neighbouring pixels round a target's crossing."""
    row, col = np.round(np.add((199.5, 299.5), np.multiply(PX_PER_MM, center_mm))).astype(int)
    block = light[row - 25 : row - 10, col - 15 : col + 16]
    return np.abs(np.diff(block, axis=1)).max()


def test_a_lens_decentred_to_the_right_is_soft_on_the_right():
    left, right, above = (0.0, -45.0), (0.0, 45.0), (-30.0, 0.0)
    scene = bench_scene(
        *((at, 14.0, 10.0) for at in (left, right, above)), residual_um=4.0, decentring=(0.0, 0.8)
    )
    light = grey(scene)
    assert edge_slope(light, left) > 1.3 * edge_slope(light, above) > 1.3**2 * edge_slope(light, right)
    truth = {edge.target: edge.mtf50_cypx for edge in photograph(scene, SHOT).edges if edge.arm == 1}
    assert truth["T01"] > truth["T03"] > truth["T02"]


def test_a_focal_plane_that_leans_is_put_right_on_one_side_by_refocusing():
    below, above = (30.0, 0.0), (-30.0, 0.0)
    scene = bench_scene((below, 14.0, 10.0), (above, 14.0, 10.0), focal_tilt_um=(60.0, 0.0))
    # 30 mm is 30 x PX_PER_MM px of a half-diagonal of 360.6 px: 20.8 um too far, which -20.8 um puts right.
    height = 30.0 * PX_PER_MM / (np.hypot(400, 600) / 2.0)
    shot = Shot(focal_length_mm=50.0, f_number=4.0, focus_error_um=-60.0 * height)
    truth = {edge.target: edge.mtf50_cypx for edge in photograph(scene, shot).edges if edge.arm == 1}
    sharp = photograph(bench_scene((below, 14.0, 10.0)), SHOT).edges[0].mtf50_cypx
    assert truth["T01"] == pytest.approx(sharp, rel=1e-3)
    assert truth["T02"] < 0.6 * sharp


def test_a_turned_camera_puts_the_two_sides_out_of_focus_in_turn():
    left, right = (0.0, -40.0), (0.0, 40.0)
    scene = bench_scene((left, 12.0, 10.0), (right, 12.0, 10.0), pose=Pose(yaw_deg=4.0))
    # The right side has moved away, so its image is nearer to the lens by m^2 times as much; a lens set further
    # away (a negative focus error) brings it back.
    magnification = 400 * 0.004 / FRAME_MM[0]
    depth_um = 1000.0 * 40.0 * np.sin(np.deg2rad(4.0)) * magnification**2
    shot = Shot(focal_length_mm=50.0, f_number=2.0, focus_error_um=-depth_um)
    truth = {edge.target: edge.mtf50_cypx for edge in photograph(scene, shot).edges if edge.arm == 1}
    sharp = photograph(bench_scene((right, 12.0, 10.0)), Shot(focal_length_mm=50.0, f_number=2.0))
    assert truth["T02"] == pytest.approx(sharp.edges[0].mtf50_cypx, rel=2e-3)
    assert truth["T01"] < truth["T02"]


@pytest.mark.parametrize("right_mm", [-45.0, 45.0])
def test_red_outward_lies_further_from_the_centre(right_mm):
    scene = bench_scene(((20.0, right_mm), 10.0, 10.0), cfa="rggb", red_outward=5e-3, blue_outward=-2e-3)
    picture = light_on_sensor(scene.geometry(50.0), [SHOT], finished=True)[0].astype(float)
    expected = np.add((199.5, 299.5), np.multiply(PX_PER_MM, (20.0, right_mm)))
    green, red, blue = (centroid(darkness_at(picture[..., n], expected, 48)) for n in range(3))
    away = np.multiply(PX_PER_MM, (20.0, right_mm))
    assert red - green == pytest.approx(5e-3 * away, abs=0.02)
    assert blue - green == pytest.approx(-2e-3 * away, abs=0.02)
    shifts = {edge.channel: edge.center_px for edge in photograph(scene, SHOT).edges if edge.arm == 3}
    assert np.sign(np.subtract(shifts["red"], shifts["green"])) == pytest.approx(np.sign(away))


def test_barrel_distortion_draws_the_corner_inward():
    center_mm = (36.0, 54.0)
    scene = bench_scene((center_mm, 4.0, 10.0), distortion_percent=-4.0)
    straight = np.multiply(PX_PER_MM, center_mm)
    height = np.hypot(*straight) / (np.hypot(400, 600) / 2.0)
    expected = (199.5, 299.5) + straight * (1.0 - 0.04 * height**2)
    darkness = darkness_at(grey(scene), expected, 30)
    assert centroid(darkness) + np.round(expected) - 30 == pytest.approx(expected, abs=0.1)


def test_the_corners_lose_the_stops_described():
    scene = bench_scene(((0.0, 0.0), 5.0, 10.0), vignetting_stops=1.5, widest=4.0)
    light = grey(scene)
    assert np.log2(light[0, 0]) == pytest.approx(-1.5, abs=0.01)
    stopped = grey(scene, Shot(focal_length_mm=50.0, f_number=8.0, noise=False, paper_level=1.0))
    assert np.log2(stopped[-1, -1]) == pytest.approx(-1.5 / 4.0, abs=0.01)


def test_distance_and_magnification():
    # f (2 + m + 1/m): 50 mm at m = 1/50 is 2601 mm (thin lens).
    scene = bench_scene(((0.0, 20.0), 5.0, 10.0), pose=Pose(distance_mm=2601.0))
    geometry = scene.geometry(50.0)
    assert geometry.view.magnification == pytest.approx(0.02, rel=1e-9)
    assert geometry.distance_mm == pytest.approx(2601.0)
    # 20 mm x 0.02 / 4 um = 100 px.
    expected = np.array([199.5, 399.5])
    darkness = darkness_at(grey(scene), expected, 32)
    assert centroid(darkness) + np.round(expected) - 32 == pytest.approx(expected, abs=0.05)
