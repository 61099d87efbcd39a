"""A wall set photographed from 40 focal lengths away goes through sweep to the right answer."""

import json

import numpy as np
import pytest

from lensbench.shot import MeasureOptions, measure_shot, zone_of
from lensbench.simulate import ByHand, Camera, Lens, Plan, Pose, Scene, ZoomPosition, hung_wall, series, shoot
from lensbench.sweep.decide import sweep
from lensbench.sweep.run import Running

DISTANCE = 40.0  # focal lengths
STOPS = (8.0, 11.0, 16.0, 22.0, 45.0)
FOCAL_MM = 50.0
# A frame of 36 mm on 840 columns has pixels ten times as large as usual; so are the lens's blurs and stops.
LENS = Lens(
    name="Yarrow 50 mm f/8",
    widest_f_number=8.0,
    positions=(
        ZoomPosition(
            focal_length_mm=FOCAL_MM,
            residual_um=7.0,
            residual_corner_um=9.0,
            open_um=26.0,
            open_corner_along_um=30.0,
            open_corner_across_um=22.0,
            distortion_percent=-1.5,
        ),
    ),
)
CAMERA = Camera(model="Box Four", rows=560, cols=840, pitch_um=36_000 / 840)


@pytest.fixture(scope="module")
def swept(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wall") / "yarrow"
    layout = hung_wall(13, focal_lengths=DISTANCE, by_hand=ByHand(place_mm=8.0, turn_deg=1.0, seed=4))
    scene = Scene(
        layout=layout,
        lens=LENS,
        camera=CAMERA,
        pose=Pose(yaw_deg=0.4, pitch_deg=-0.3, distance_mm=DISTANCE * FOCAL_MM),
    )
    plan = Plan(focal_lengths_mm=(FOCAL_MM,), f_numbers=STOPS, repeats=2, seed=3)
    shoot(series(scene, folder, plan=plan), truth_channels=("green",))
    done = sweep([folder], cache=folder.parent / "measured", running=Running(workers=1, in_process=True))
    return done, json.loads((folder / "truth.json").read_text(encoding="utf-8")), folder


def true_frame_cypx(photo):
    """The rendered MTF50: mean of the thirds' means, sagittal or not."""
    half = np.hypot(CAMERA.rows, CAMERA.cols) / 2
    thirds = {"inner": [], "middle": [], "outer": []}
    for edge in photo["edges"]:
        height = np.hypot(*(np.array(edge["center_px"]) - CAMERA.center_px)) / half
        thirds[zone_of(height, (CAMERA.rows, CAMERA.cols))].append(edge["mtf50_cypx"])
    return np.mean([np.mean(figures) for figures in thirds.values()])


def test_the_best_stop_is_the_true_one(swept):
    done, truth, _ = swept
    true = {}
    for photo in truth["photos"]:
        true.setdefault(photo["settings"]["f_number"], []).append(true_frame_cypx(photo))
    true = {stop: float(np.mean(figures)) for stop, figures in true.items()}
    (lens,) = done.findings.lenses
    assert lens.shots == 2 * len(STOPS)
    assert not lens.rejected
    best = max(true, key=lambda stop: true[stop])
    assert STOPS[0] < best < STOPS[-1]
    assert lens.best.f_number == pytest.approx(best)
    for point in lens.by_focal_length[0].curve:
        if point.zone == "frame":
            assert point.mtf50_cypx == pytest.approx(
                true[min(true, key=lambda n: abs(n - point.f_number))], rel=0.02
            )


def test_distance_and_tilt_are_told(swept):
    _, _, folder = swept
    shot = measure_shot(folder / "shot_0003.dng", MeasureOptions(pitch_um=CAMERA.pitch_um))
    assert shot.chart.name == "wall of A4 pages"
    assert shot.chart.targets_found == 13
    assert shot.chart.tone_exponent == pytest.approx(1.0, abs=0.02)
    assert shot.distance_mm == pytest.approx(DISTANCE * FOCAL_MM, rel=0.003)
    assert abs(shot.tilt.yaw_deg - 0.4) < 3.5 * shot.tilt.yaw_sd_deg
    assert abs(shot.tilt.pitch_deg + 0.3) < 3.5 * shot.tilt.pitch_sd_deg
    assert 0.01 < shot.tilt.yaw_sd_deg < 0.3
