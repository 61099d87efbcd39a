"""Invented measured shots for tests of what comes after measuring; zone figures are given, edges are few."""

import math
from pathlib import Path

import numpy as np

from lensbench.model.setting import Setting
from lensbench.model.shot import (
    ZONES,
    Box,
    ChartEdge,
    ChartSeen,
    Direction,
    Edge,
    Metadata,
    ShotResult,
    Tilt,
    ZoneFigure,
)
from lensbench.model.sweep import PlannedShot, SweepShot

ZONE_LEVEL = {"inner": 1.05, "middle": 0.98, "outer": 0.88, "frame": 0.97}


def edge_figures(mtf50_cypx):
    """What an edge of such a sharpness measures beside it, of a lens that is nothing special."""
    return {
        "channel": "green",
        "mtf50_cypx": mtf50_cypx,
        "mtf50_sd_cypx": 0.002,
        "mtf30_cypx": 1.35 * mtf50_cypx,
        "mtf20_cypx": 1.6 * mtf50_cypx,
        "mtf10_cypx": 1.9 * mtf50_cypx,
        "rise_10_90_px": 0.48 / mtf50_cypx,
        "overshoot_percent": 0.4,
        "undershoot_percent": -0.3,
        "snr": 82.0,
    }


def edge(mtf50_cypx, image_height):
    return ChartEdge(
        edge=Edge(
            roi=Box(top=10, left=20, height=40, width=30),
            channel="green",
            angle_deg=5.0,
            mtf50_cypx=mtf50_cypx,
            mtf50_sd_cypx=0.002,
            frequency_cypx=np.linspace(0.0, 1.0, 5),
            sfr=np.array([1.0, 0.5, 0.25, 0.1, np.nan]),
        ),
        target="T01",
        arm=1,
        center_px=(30.0, 35.0),
        image_height=image_height,
        azimuth_deg=40.0,
        direction=Direction.SAGITTAL,
    )


def result(path, mtf50_cypx, **fields):
    summary = {
        zone: ZoneFigure(
            mtf50_cypx=mtf50_cypx * ZONE_LEVEL[zone],
            ci95_cypx=(mtf50_cypx * 0.98, mtf50_cypx * 1.02),
            edges=4,
            sagittal_cypx=mtf50_cypx,
            tangential_cypx=mtf50_cypx,
        )
        for zone in ZONES
    }
    known = {
        "metadata": Metadata(camera="Box One", lens="Fennel"),
        "size_px": (4000, 6000),
        "sensor_data": True,
        "pixel_pitch_um": 4.0,
        "magnification": 0.02,
        "distance_mm": 1800.0,
        "quality": (),
    }
    return ShotResult(
        path=path,
        chart=ChartSeen(
            name="sheet A3",
            targets_found=20,
            targets_on_chart=23,
            contrast=4.0,
            residual_px=0.1,
            radial_distortion_percent=0.5,
        ),
        tilt=Tilt(pitch_deg=0.1, yaw_deg=-0.2, roll_deg=0.0),
        edges=tuple(edge(mtf50_cypx, height) for height in (0.1, 0.5, 0.9)),
        summary=summary,
        **(known | fields),
    )


def planned(path, f_number, focal_mm=35.0, *, lens="Fennel", camera="Box One", **fields):
    metadata = Metadata(camera=camera, lens=lens, f_number=f_number, focal_length_mm=focal_mm)
    return PlannedShot(
        path=path,
        metadata=metadata,
        overrides=None,
        lens=lens,
        camera=camera,
        setting=Setting(focal_length_mm=focal_mm, f_number=f_number),
        **fields,
    )


def shoot(curve, *, seed, repeats=3, sd=0.01, focal_mm=35.0, lens="Fennel", camera="Box One", **fields):
    """Shots at every stop of a curve {f-number: MTF50}, each strayed by sd as a share."""
    random = np.random.default_rng(seed)
    shots = []
    for stop, mtf50_cypx in curve.items():
        for repeat in range(repeats):
            path = Path(f"shots/{lens}_{focal_mm or 0.0:g}_{stop:g}_{repeat}.dng")
            strayed = mtf50_cypx * math.exp(sd * random.normal())
            measured = result(
                path, strayed, metadata=Metadata(lens=lens, camera=camera, f_number=stop), **fields
            )
            shots.append(
                SweepShot(
                    planned=planned(path, stop, focal_mm, lens=lens, camera=camera, focus_group=path.stem),
                    result=measured,
                )
            )
    return shots


def shoot_brackets(curve, *, seed, groups=1, steps=7, shift=0.0, sd=0.005, focal_mm=35.0):
    """A bracket at each stop; blurs of lens and defocus disc add as squares, the disc's MTF50 being 0.705 / diameter.

    2 J1(a) / a is one half at a = 2.215 (geometric disc, tables of Bessel functions), and 2.215 / pi = 0.705.
    """
    random = np.random.default_rng(seed)
    shots = []
    for stop, sharp in curve.items():
        for group in range(groups):
            for step in range(steps):
                disc_px = 4.0 * (step - (steps - 1) / 2.0 + shift) / stop
                path = Path(f"shots/{stop:g}_{group}_{step}.dng")
                value = np.exp(sd * random.normal()) / np.hypot(1.0 / sharp, disc_px / 0.705)
                plan = planned(path, stop, focal_mm, focus_group=f"{stop:g}-{group}", focus_step=float(step))
                metadata = Metadata(lens="Fennel", camera="Box One", f_number=stop)
                shots.append(SweepShot(planned=plan, result=result(path, float(value), metadata=metadata)))
    return shots
