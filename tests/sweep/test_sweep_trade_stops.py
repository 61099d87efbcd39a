"""What every photographer knows of stops and zooms, and simulated shoots must bring out: common practice, no source.

Figures come from the simulator's own transfer (an exact pupil and Gaussians), which the study's curve does not share.
"""

from pathlib import Path

import numpy as np
import pytest
from invented_shots import planned, result

from lensbench import simulate
from lensbench.chart.layout.sheet import sheet
from lensbench.model.shot import Metadata
from lensbench.model.sweep import SweepShot
from lensbench.simulate.truth import true_edges
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject

CAMERA = simulate.Camera(rows=400, cols=600, pitch_um=4.0, cfa="mono")
STOPS = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0)
SHOT_SD = 0.015


def lens_of(positions, widest=2.8):
    return simulate.Lens(name="Bench", widest_f_number=widest, positions=positions)


def true_mtf50(lens, focal_mm, stop):
    scene = simulate.Scene(layout=sheet("A3"), lens=lens, camera=CAMERA)
    told = simulate.Shot(focal_length_mm=focal_mm, f_number=stop)
    edges = true_edges(scene.geometry(focal_mm), told, channels=("grey",))
    return float(np.mean([edge.mtf50_cypx for edge in edges[::4]]))


def swept(lens, focal_lengths_mm, *, seed):
    """Three refocused shots at every stop and focal length."""
    random, shots = np.random.default_rng(seed), []
    for focal_mm in focal_lengths_mm:
        for stop in STOPS:
            sharp = true_mtf50(lens, focal_mm, stop)
            for number in range(3):
                path = Path(f"shots/{focal_mm:g}_{stop:g}_{number}.dng")
                told = Metadata(lens="Bench", camera="Box One", f_number=stop)
                measured = result(path, sharp * float(np.exp(SHOT_SD * random.normal())), metadata=told)
                shots.append(SweepShot(planned=planned(path, stop, focal_mm, lens="Bench"), result=measured))
    (found,) = find(reject(shots)).lenses
    return found


@pytest.fixture(scope="module")
def prime():
    position = simulate.ZoomPosition(focal_length_mm=50.0, open_um=3.0)
    return swept(lens_of((position,)), (50.0,), seed=1)


def test_stopping_down_from_wide_open_sharpens_then_diffraction_takes_over(prime):
    curve = [point for point in prime.by_focal_length[0].curve if point.zone == "frame"]
    best = next(place for place, point in enumerate(curve) if point.f_number == prime.best.f_number)
    assert 0 < best < len(curve) - 2
    values = [point.mtf50_cypx for point in curve]
    assert values[: best + 1] == sorted(values[: best + 1])
    assert values[best:] == sorted(values[best:], reverse=True)
    # Both ends are out, and surely: wide open by aberrations, at f/22 by diffraction.
    tied = {setting.f_number for setting in prime.best.tied}
    assert not tied & {2.8, 16.0, 22.0}
    assert not prime.best.at_border


def test_at_the_smallest_stops_nothing_but_diffraction_counts():
    """A soft lens and a sharp one are alike at f/22: the trade's «everything is equally bad at f/22»."""
    sharp, soft = (simulate.ZoomPosition(focal_length_mm=50.0, open_um=blur) for blur in (0.5, 4.0))
    ratios = [
        true_mtf50(lens_of((soft,)), 50.0, stop) / true_mtf50(lens_of((sharp,)), 50.0, stop)
        for stop in (2.8, 22.0)
    ]
    assert ratios[0] < 0.7
    assert ratios[1] > 0.95


def test_a_zoom_has_one_sharpest_focal_length():
    positions = tuple(
        simulate.ZoomPosition(focal_length_mm=focal, residual_um=residual, open_um=wide)
        for focal, residual, wide in ((24.0, 1.0, 2.0), (45.0, 0.5, 1.0), (70.0, 1.9, 3.5))
    )
    zoom = swept(lens_of(positions), (24.0, 45.0, 70.0), seed=2)
    assert zoom.best.focal_length_mm == 45.0
    assert {one.focal_length_mm for one in zoom.zoom_at_own_best.tied} == {45.0}
    assert all(best.focal_length_mm == 45.0 for best in zoom.zoom_at_equal_stop if best.f_number < 16.0)
    # The long end is the soft one.
    weak = min(zoom.by_focal_length, key=lambda focal: focal.best_by_zone["frame"].mtf50_cypx)
    assert weak.focal_length_mm == 70.0
