"""Faults that only a series shows: bursts and sweeps whose edges are the simulator's exact ones, with noise added.

Nothing is photographed here: each shot's edges get their exact MTF50 and place, the noise of a measurement, and the
spread of a hand that focuses anew.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "made"))

from quality_faults import Case
from quality_scenes import inked, log_mtf50, random_scene, random_shot, size_for_cost
from seen_shots import seen_shot

from lensbench.chart.layout.sheet import sheet
from lensbench.sweep.reject import reject
from lensbench.sweep.remarks import drift_remarks, mixed_remarks, print_remarks

STOPS = (2.8, 4.0, 5.6, 8.0, 11.0)


def small_scene(random, **changes):
    """A chart of fewer targets, for speed."""
    scene = random_scene(random, **changes)
    layout = inked(sheet("A3"))
    return replace(scene, layout=replace(layout, targets=layout.targets[::2]))


def sweep_shots(random, scene, *, repeats=3, focus_um=3.0, stops=STOPS):
    """A series as it is planned: every stop a few times, focused anew."""
    return [
        random_shot(
            random,
            scene,
            f_number=stop,
            focus_error_um=random.normal(0.0, focus_um),
            iso=100,
            paper_level=0.6,
        )
        for stop in stops
        for _ in range(repeats)
    ]


def burst_shots(random, scene, count):
    """Shots of one setting, the focus left alone."""
    shot = random_shot(random, scene, focus_error_um=random.normal(0.0, 3.0), iso=100, paper_level=0.6)
    return [shot] * count


def misfocus(random, number, _):
    """One shot of fifteen out of focus; size: percent of MTF50 lost beyond its sharpest repeat."""
    scene = small_scene(random)
    shots = sweep_shots(random, scene, focus_um=random.uniform(1.0, 5.0))
    bad = int(random.integers(len(shots)))
    still = replace(shots[bad], focus_error_um=0.0)
    clean = log_mtf50(scene, still)
    wanted = float(random.uniform(3.0, 40.0))

    def cost_of(off_um):
        return -100.0 * float(np.expm1(log_mtf50(scene, replace(still, focus_error_um=off_um)) - clean))

    off_um = size_for_cost(cost_of, wanted, largest=150.0)
    if off_um is None:
        return None
    shots[bad] = replace(still, focus_error_um=off_um)
    seen = reject([seen_shot(random, scene, shot, n) for n, shot in enumerate(shots)])
    return Case(size=cost_of(off_um), cost_percent=cost_of(off_um), hit=bool(seen[bad].reason))


def drift_of_focus(random, number, _):
    """A burst of eight whose focus creeps away; size: percent of MTF50 lost from the first to the last."""
    scene = small_scene(random)
    first = random_shot(random, scene, focus_error_um=0.0, iso=100, paper_level=0.6)
    clean = log_mtf50(scene, first)

    def cost_of(off_um):
        return -100.0 * float(np.expm1(log_mtf50(scene, replace(first, focus_error_um=off_um)) - clean))

    wanted = float(np.exp(random.uniform(np.log(1.0), np.log(30.0))))
    last_um = size_for_cost(cost_of, wanted, largest=300.0)
    if last_um is None:
        return None
    # The focus moves evenly; the loss grows with its square.
    seen = [seen_shot(random, scene, replace(first, focus_error_um=last_um * n / 7.0), n) for n in range(8)]
    return Case(size=wanted, cost_percent=wanted, hit=bool(drift_remarks(seen)))


def drift_of_place(random, _, __):
    """A burst of six while the camera sinks; size: pixels from the first to the last."""
    scene = small_scene(random)
    toward, way_px = (
        random.uniform(0.0, 2.0 * np.pi),
        float(np.exp(random.uniform(np.log(0.3), np.log(20.0)))),
    )
    step = np.array([np.sin(toward), np.cos(toward)]) * way_px / 5.0
    shots = burst_shots(random, scene, 6)
    seen = [
        seen_shot(random, scene, shot, n, shift_px=tuple(step * n + random.normal(0.0, 0.1, 2)))
        for n, shot in enumerate(shots)
    ]
    return Case(size=way_px, cost_percent=np.nan, hit=bool(drift_remarks(seen)))


def print_blurred(random, _, __):
    """A print that blurs, under a good lens (residual blur up to 1.5 um); size: its edges' 10-90 % rise in mm."""
    rise_mm = float(np.exp(random.uniform(np.log(0.1), np.log(1.5))))
    scene = near_scene(random, print_sigma_mm=rise_mm / 2.563)
    seen = [seen_shot(random, scene, shot, n) for n, shot in enumerate(sweep_shots(random, scene, repeats=1))]
    return Case(size=rise_mm, cost_percent=np.nan, hit=bool(print_remarks(seen)))


def near_scene(random, *, print_sigma_mm):
    """A chart that fills a full-frame picture from 15 to 30 focal lengths away: there a print is seen."""
    scene = small_scene(random, print_sigma_mm=print_sigma_mm)
    camera = replace(scene.camera, rows=4000, cols=6000, pitch_um=random.uniform(4.0, 6.0))
    focal_lengths = random.uniform(15.0, 30.0)
    pose = replace(scene.pose, distance_mm=focal_lengths * scene.lens.focal_range_mm[0])
    height_mm = camera.rows * camera.pitch_um / 1000.0 * (focal_lengths - 2.0)
    layout = sheet(f"{height_mm * 1.5 * 1.03:.0f}x{height_mm * 1.03:.0f}")
    return replace(scene, camera=camera, pose=pose, layout=replace(layout, targets=layout.targets[::2]))


def mixed_settings(random, _, __):
    """One shot of a series taken otherwise: another ISO, or more light; size: stops."""
    scene = small_scene(random)
    shots = sweep_shots(random, scene, repeats=1)
    stops = float(random.uniform(0.3, 2.0))
    which = int(random.integers(len(shots)))
    shots[which] = replace(shots[which], paper_level=0.6 * 2.0**-stops)
    seen = [seen_shot(random, scene, shot, n) for n, shot in enumerate(shots)]
    return Case(size=stops, cost_percent=np.nan, hit=bool(mixed_remarks(seen)))


SERIES_FAULTS = {
    "misfocus": misfocus,
    "drift (focus)": drift_of_focus,
    "drift (place)": drift_of_place,
    "print_blurred": print_blurred,
    "mixed_settings (light)": mixed_settings,
}


def clean_series(random):
    """A series without fault (a sweep, or a burst of eight): the flags that it raises, and its number of shots."""
    scene = near_scene(random, print_sigma_mm=0.04) if random.random() < 0.3 else small_scene(random)
    if random.random() < 0.5:
        shots = sweep_shots(random, scene, focus_um=random.uniform(1.0, 5.0))
    else:
        shots = burst_shots(random, scene, 8)
    # Between shots the camera may be bumped once: a step is no drift.
    bump = int(random.integers(1, len(shots))) if random.random() < 0.3 else len(shots)
    moved = random.normal(0.0, 3.0, 2)
    seen = [
        seen_shot(
            random, scene, shot, n, shift_px=tuple((moved if n >= bump else 0.0) + random.normal(0.0, 0.1, 2))
        )
        for n, shot in enumerate(shots)
    ]
    raised = {remark.flag for remark in (*drift_remarks(seen), *mixed_remarks(seen), *print_remarks(seen))}
    rejected = sum(bool(shot.reason) for shot in reject(seen))
    return raised, rejected, len(shots)
