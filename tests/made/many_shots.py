"""An invented shoot of any size: a zoom with three positions and six stops, 35 targets of four edges a photograph."""

import itertools
import math
from functools import cache
from pathlib import Path

import numpy as np
from invented_shoot import FOCALS_MM, SIZE_PX, STOPS, sharpness
from invented_shots import edge_figures, planned

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
from lensbench.model.sweep import SweepShot
from lensbench.shot import zone_of

SETTINGS = tuple(itertools.product(FOCALS_MM, STOPS))
_FREQUENCY_CYPX = np.linspace(0.0, 1.0, 101)
_PLACES = tuple(
    itertools.product(np.linspace(250.0, 3750.0, 5).tolist(), np.linspace(300.0, 5700.0, 7).tolist())
)


@cache
def _sfr(hundredths_cypx: int) -> np.ndarray:
    return np.exp(-math.log(2.0) * (_FREQUENCY_CYPX / (0.01 * hundredths_cypx)) ** 1.6)


def _edge(mtf50_cypx: float, row: float, col: float) -> Edge:
    return Edge(
        roi=Box(top=int(row) - 50, left=int(col) - 30, height=100, width=60),
        angle_deg=5.7,
        **edge_figures(mtf50_cypx),
        point_px=(row + 0.2, col - 0.1),
        dark_level=0.16,
        bright_level=0.65,
        # One grid for all, and curves of its own for each, as results that were kept come back.
        frequency_cypx=_FREQUENCY_CYPX,
        sfr=_sfr(round(100.0 * mtf50_cypx)).copy(),
        sfr_sd=np.full(101, 0.004),
        lateral_color_px=(0.3, -0.2),
    )


def _edges(focal_mm: float, stop: float, stray: np.ndarray) -> tuple[ChartEdge, ...]:
    edges = []
    for number, (row, col) in enumerate(_PLACES):
        down, right = row - SIZE_PX[0] / 2.0, col - SIZE_PX[1] / 2.0
        height = math.hypot(down, right) / math.hypot(*SIZE_PX) * 2.0
        for arm in range(4):
            sagittal = arm % 2 == 0
            figure = sharpness(focal_mm, stop, height) * (1.0 + 0.1 * height**2 * (1 if sagittal else -1))
            direction = Direction.SAGITTAL if sagittal else Direction.TANGENTIAL
            edges.append(
                ChartEdge(
                    edge=_edge(float(figure * stray[number, arm]), row, col),
                    target=f"T{number:02d}",
                    arm=arm + 1,
                    center_px=(row, col),
                    image_height=height,
                    azimuth_deg=math.degrees(math.atan2(-down, right)) % 360.0,
                    direction=direction if height > 0.03 else Direction.OBLIQUE,
                )
            )
    return tuple(edges)


def _summary(edges: tuple[ChartEdge, ...]) -> dict[str, ZoneFigure]:
    zones: dict[str, list[float]] = {}
    for edge in edges:
        for zone in (zone_of(edge.image_height, SIZE_PX), "frame"):
            zones.setdefault(zone, []).append(edge.edge.mtf50_cypx)
    means = {zone: float(np.mean(figures)) for zone, figures in zones.items()}
    return {
        zone: ZoneFigure(
            mtf50_cypx=means[zone],
            ci95_cypx=(0.99 * means[zone], 1.01 * means[zone]),
            edges=len(zones[zone]),
            sagittal_cypx=1.02 * means[zone],
            tangential_cypx=0.98 * means[zone],
        )
        for zone in ZONES
    }


def many_shots(count: int, *, seed: int = 5) -> list[SweepShot]:
    """So many refocused photographs, spread evenly over the settings; the same for the same seed."""
    random = np.random.default_rng(seed)
    shots = []
    for number in range(count):
        focal_mm, stop = SETTINGS[number % len(SETTINGS)]
        path = Path("shoot") / f"q-{number:04d}.dng"
        plan = planned(path, stop, focal_mm, focus_group=path.stem)
        stray = math.exp(0.01 * random.normal()) * np.exp(0.01 * random.normal(size=(len(_PLACES), 4)))
        edges = _edges(focal_mm, stop, stray)
        result = ShotResult(
            path=path,
            metadata=Metadata(
                camera=plan.camera,
                lens=plan.lens,
                f_number=stop,
                focal_length_mm=focal_mm,
                iso=100,
                exposure_s=0.01,
            ),
            size_px=SIZE_PX,
            sensor_data=True,
            pixel_pitch_um=4.0,
            chart=ChartSeen(
                name="sheet A3",
                targets_found=35,
                targets_on_chart=35,
                contrast=4.1,
                residual_px=0.04,
                radial_distortion_percent=-1.2,
                framing_percent=88.0,
            ),
            magnification=0.02,
            distance_mm=52.0 * focal_mm,
            tilt=Tilt(pitch_deg=0.1, yaw_deg=-0.2, roll_deg=0.3, pitch_sd_deg=0.05, yaw_sd_deg=0.05),
            edges=edges,
            summary=_summary(edges),
            quality=(),
        )
        shots.append(SweepShot(planned=plan, result=result))
    return shots
