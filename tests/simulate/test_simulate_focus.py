"""Focus shift, focus brackets and the turned camera."""

import csv
import json

import numpy as np
import pytest
from sim_bench import bench_scene
from test_simulate_command import run

from lensbench.simulate import Plan, Pose, Shot, series

TARGET = ((0.0, 0.0), 20.0, 5.0)


def disc_px(scene, f_number, focus_error_um):
    shot = Shot(focal_length_mm=50.0, f_number=f_number, focus_error_um=focus_error_um)
    return scene.geometry(50.0).blur(shot, "grey", (0.0, 0.0)).disc_px


def test_the_image_is_sharpest_nearer_to_the_lens_at_wide_stops():
    scene = bench_scene(TARGET, focus_shift_um=20.0)
    assert disc_px(scene, 2.0, -20.0) == pytest.approx(0.0, abs=1e-12)
    assert disc_px(scene, 4.0, -5.0) == pytest.approx(0.0, abs=1e-12)
    assert disc_px(scene, 2.0, 0.0) > 1.0


def test_the_shift_falls_as_that_of_a_pupil_with_spherical_aberration():
    """W40 at the rim goes with the fourth power of the opening; least wavefront error lies at W20 = -W40, and
    dz = 8 wavelength N^2 W20 (Zernike's balanced spherical term, 6 r^4 - 6 r^2 + 1; derived)."""
    scene = bench_scene(TARGET, focus_shift_um=20.0)
    shifts = [scene.lens.focus_shift_um(50.0, stop) for stop in (2.0, 2.8, 4.0)]
    w40 = [shift / (8.0 * 0.55 * stop**2) for shift, stop in zip(shifts, (2.0, 2.8, 4.0), strict=True)]
    openings = np.array([1.0, 2.0 / 2.8, 0.5])
    assert np.allclose(np.array(w40) / w40[0], openings**4, rtol=1e-12)


def test_each_shot_is_focused_at_its_own_stop_or_at_the_widest(tmp_path):
    scene = bench_scene(TARGET, focus_shift_um=20.0)
    for focused, expected in (("working", [-20.0, -5.0]), ("widest", [-20.0, -20.0])):
        plan = Plan(focal_lengths_mm=[50.0], f_numbers=[2.0, 4.0], repeats=1, focused=focused)
        jobs = series(scene, tmp_path, plan=plan)
        assert [job.shot.focus_error_um for job in jobs] == pytest.approx(expected)


def test_the_camera_turned_keeps_its_place_and_the_chart_turned_its_tilt(tmp_path):
    """In the picture's own axes a tilt of the camera against the wall changes sign when the camera is turned about
    its axis, and stays when the chart is (the tilt as seen: depth of the chart along the picture's columns)."""
    scene = bench_scene(TARGET, pose=Pose(yaw_deg=2.0, pitch_deg=1.0))
    depths = {}
    for turned in ("", "camera", "chart"):
        plan = Plan(focal_lengths_mm=[50.0], f_numbers=[4.0], repeats=1, turned=turned)
        jobs = series(scene, tmp_path, plan=plan)
        view = jobs[-1].scene.geometry(50.0).view
        # Depth at a point of the picture 100 px to the right and 50 px down of its centre.
        pixel = np.array(view.center_px) + np.array([50.0, 100.0])
        depths[turned] = float(view.depth_mm(view.chart_point_of(pixel)))
    # 3 %: perspective.
    assert depths["camera"] == pytest.approx(-depths[""], rel=0.03)
    assert depths["chart"] == pytest.approx(depths[""], rel=1e-6)
    assert abs(depths[""]) > 0.1


def test_a_bracket_and_its_turned_twin_are_told_in_a_shots_table(tmp_path):
    done = run(
        "--out", tmp_path / "b", "--lens", "tansy", "--stops", "f/2,f/8", "--repeats", 1, "--size", "200x300",
        "--focus-steps-um", "-30,0,30", "--turned", "camera", "--cfa", "mono",
    )  # fmt: skip
    assert done.exit_code == 0
    assert "12 photographs" in done.stdout
    rows = list(csv.DictReader((tmp_path / "b" / "shots.csv").read_text().splitlines()))
    assert len(rows) == 12
    assert [row["focus_step"] for row in rows[:6]] == ["-30", "-30", "0", "0", "30", "30"]
    assert {row["focus_group"] for row in rows} == {"50 mm, bracket 1"}
    assert [row["condition"] for row in rows] == [""] * 6 + ["camera turned 180"] * 6
    assert [row["turned"] for row in rows] == [""] * 6 + ["camera"] * 6
    photos = json.loads((tmp_path / "b" / "truth.json").read_text())["photos"]
    assert [photo["file"] for photo in photos] == [row["file"] for row in rows]
    assert photos[-1]["settings"]["tilt_deg"]["roll"] == 180.0
    assert photos[0]["settings"]["focus_step"] == -30.0


def test_a_plain_series_has_no_table(tmp_path):
    run("--out", tmp_path / "p", "--stops", "4", "--repeats", 1, "--size", "200x300")
    assert sorted(path.name for path in (tmp_path / "p").iterdir()) == ["shot_0001.dng", "truth.json"]
