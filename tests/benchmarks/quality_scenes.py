"""Random scenes for the benchmark of quality flags: charts, lenses and cameras without fault, and what a fault costs.

Photographs come from the simulator, files and all; the cost of a fault comes from its exact transfer functions, so
that neither knows anything of the detectors.
"""

from dataclasses import replace

import numpy as np

from lensbench import simulate
from lensbench.chart.layout.sheet import sheet
from lensbench.model.errors import LensError
from lensbench.shot import MeasureOptions, measure_shot
from lensbench.simulate.truth import true_edges

ROWS, COLS = 928, 1392
PAPERS = ("A3", "A2", "A1", "500x400")
FAULT_SIZES = 6
INK = 0.04
"""Reflectance of black ink on matte paper; common practice, no source."""


def random_lens(random, focal_length_mm):
    """Draw a lens that has every sound lens's faults: soft corners, astigmatism, a little decentring, vignetting."""
    position = simulate.ZoomPosition(
        focal_length_mm=focal_length_mm,
        residual_um=random.uniform(0.3, 1.5),
        residual_corner_um=random.uniform(0.0, 1.5),
        open_um=random.uniform(0.3, 1.5),
        open_corner_along_um=random.uniform(0.0, 2.5),
        open_corner_across_um=random.uniform(0.0, 2.5),
        curvature_um=random.uniform(-12.0, 12.0),
        focal_tilt_um=tuple(random.uniform(-5.0, 5.0, 2)),
        decentring=tuple(random.uniform(-0.15, 0.15, 2)),
        red_outward=random.uniform(-3e-4, 3e-4),
        blue_outward=random.uniform(-3e-4, 3e-4),
        distortion_percent=random.uniform(-2.0, 2.0),
        vignetting_stops=random.uniform(0.2, 2.0),
    )
    return simulate.prime("Invented", position, widest_f_number=2.8)


def random_scene(random, *, print_sigma_mm=None):
    """Draw a chart before a camera, 26 focal lengths away or more, squarely but for what a careful hand leaves."""
    focal_length_mm = float(random.choice([24.0, 35.0, 50.0, 85.0]))
    paper = str(random.choice(PAPERS))
    camera = simulate.Camera(
        rows=ROWS,
        cols=COLS,
        pitch_um=random.uniform(4.0, 7.0),
        cfa=str(random.choice(["rggb", "gbrg", "xtrans", "mono"], p=[0.4, 0.3, 0.15, 0.15])),
        electrons_at_white=random.uniform(15_000.0, 60_000.0),
    )
    return simulate.Scene(
        layout=inked(sheet(paper, solid=bool(random.random() < 0.5))),
        lens=random_lens(random, focal_length_mm),
        camera=camera,
        pose=simulate.Pose(
            yaw_deg=random.uniform(-0.25, 0.25),
            pitch_deg=random.uniform(-0.25, 0.25),
            roll_deg=random.uniform(-3.0, 3.0),
        ),
        print_sigma_mm=random.uniform(0.02, 0.05) if print_sigma_mm is None else print_sigma_mm,
    )


def full_frame_scene(random):
    """The same on a sensor of usual size, where tilt matters: 27 to 36 mm wide, sheets A1 and A0."""
    scene = random_scene(random)
    camera = replace(scene.camera, rows=2000, cols=3000, pitch_um=random.uniform(9.0, 12.0), cfa="rggb")
    return replace(
        scene,
        camera=camera,
        layout=inked(sheet(str(random.choice(["A1", "A0"])), solid=bool(random.random() < 0.5))),
    )


def inked(layout):
    """Give the chart as ink on paper: no ink is quite black."""
    return replace(layout, dark_reflectance=max(INK, layout.dark_reflectance))


def random_shot(random, scene, **changes):
    """Draw a stop from f/2.8 to f/11, an exposure and a light without fault."""
    toward = random.uniform(0.0, 2.0 * np.pi)
    slope = random.uniform(0.0, 0.05)
    settings = {
        "focal_length_mm": scene.lens.focal_range_mm[0],
        "f_number": float(random.choice([2.8, 4.0, 5.6, 8.0, 11.0])),
        "focus_error_um": random.normal(0.0, 3.0),
        "paper_level": random.uniform(0.45, 0.75),
        "iso": int(random.choice([100, 200, 400])),
        "light_slope": (slope * np.sin(toward), slope * np.cos(toward)),
        "seed": int(random.integers(1 << 30)),
    }
    return simulate.Shot(**(settings | changes))


def log_mtf50(scene, shot, *, sharpening=0.0):
    """Give the exact mean log MTF50 over the edges of every third target."""
    every_third = replace(scene, layout=replace(scene.layout, targets=scene.layout.targets[::3]))
    geometry = every_third.geometry(shot.focal_length_mm)
    channel = scene.camera.channels[0]
    edges = true_edges(geometry, shot, channels=(channel,), sharpening=sharpening)
    return float(np.nanmean(np.log([edge.mtf50_cypx for edge in edges])))


def size_for_cost(cost_of, percent, *, largest):
    """Give the size of a fault that costs so many percent of MTF50, by halving; None where none does."""
    low, high = 0.0, largest
    if cost_of(high) < percent:
        return None
    for _ in range(FAULT_SIZES):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if cost_of(middle) < percent else (low, middle)
    return 0.5 * (low + high)


def measured(folder, scene, shot, *, processing=None):
    """Take the photograph and measure it; the sentence where it cannot be measured."""
    processing = processing or simulate.Processing()
    suffix = {"dng": ".dng", "jpeg": ".jpg"}.get(processing.format, ".tif")
    path = folder / f"shot{suffix}"
    simulate.shoot(
        [simulate.Job(scene=scene, shot=shot, path=path, processing=processing)], truth_channels=("green",)
    )
    try:
        return measure_shot(path, MeasureOptions(pitch_um=scene.camera.pitch_um))
    except LensError as error:
        return str(error)
    finally:
        path.unlink()


def flags_of(result):
    return result if isinstance(result, str) else {remark.flag for remark in result.quality}


def turned(scene, *, yaw_deg, pitch_deg):
    """Turn the camera further away from where it stood."""
    pose = scene.pose
    return replace(
        scene, pose=replace(pose, yaw_deg=pose.yaw_deg + yaw_deg, pitch_deg=pose.pitch_deg + pitch_deg)
    )
