"""The map of the field: sagittal and tangential sharpness where each target stood in the picture."""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from statistics import fmean
from typing import Final

from lensbench.model.names import f_stop, focal_length
from lensbench.model.setting import Setting
from lensbench.model.shot import ChartEdge, Direction, ShotResult
from lensbench.model.sweep import LensFindings, SweepShot
from lensbench.report.panels import Grid
from lensbench.report.words import known
from lensbench.storage.text import clean_text

_MOST_TURN_DEG: Final = 45.0
_LONGEST_BAR: Final = 0.1
"""Of the picture's width, for the sharpest figure."""

_HOW_TO_READ: Final = (
    "At each target, the bar along the radius shows the sagittal figure and the bar across it the tangential "
    "one; a longer bar is sharper. The number is MTF50 in thousandths of a cycle per pixel. Dotted rings: "
    "borders of the thirds."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """One place in the picture."""

    name: str
    center_px: tuple[float, float]
    sagittal_cypx: float
    """NaN where no edge along the radius was measured."""
    tangential_cypx: float

    @property
    def mean_cypx(self) -> float:
        """Mean of the figures that there are; NaN without any."""
        figures = [value for value in (self.sagittal_cypx, self.tangential_cypx) if math.isfinite(value)]
        return fmean(figures) if figures else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotBar:
    """One bar of a spot, as long as its figure is high."""

    role: str
    """sagittal or tangential."""
    start_px: tuple[float, float]
    end_px: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldMap:
    """Sharpness over the picture at one setting."""

    key: str
    title: str
    about: str
    size_px: tuple[int, int]
    spots: tuple[Spot, ...]
    grid: Grid

    @property
    def sharpest_cypx(self) -> float:
        """The largest figure on the map."""
        figures = [value for spot in self.spots for value in (spot.sagittal_cypx, spot.tangential_cypx)]
        return max((value for value in figures if math.isfinite(value)), default=math.nan)


def spot_bars(spot: Spot, field: FieldMap) -> tuple[SpotBar, ...]:
    """Bars of a spot: along the radius for sagittal, across it for tangential figures."""
    down, right = (
        place - (length - 1) / 2.0 for place, length in zip(spot.center_px, field.size_px, strict=True)
    )
    radius_px = math.hypot(down, right)
    along = (down / radius_px, right / radius_px) if radius_px > 1.0 else (0.0, 1.0)
    half_px = _LONGEST_BAR * field.size_px[1] / field.sharpest_cypx / 2.0
    bars = (
        ("sagittal", half_px * spot.sagittal_cypx, along),
        ("tangential", half_px * spot.tangential_cypx, (along[1], -along[0])),
    )
    row, col = spot.center_px
    return tuple(
        SpotBar(
            role=role,
            start_px=(row - reach_px * rows, col - reach_px * cols),
            end_px=(row + reach_px * rows, col + reach_px * cols),
        )
        for role, reach_px, (rows, cols) in bars
        if math.isfinite(reach_px)
    )


def field_maps(lens: LensFindings, shots: Sequence[SweepShot], *, key: str) -> list[FieldMap]:
    """Map for every focal length at its best stop; the mean over the shots of that setting.

    A ten-minute test names no best stop: its map is that of the widest one, which shows a bad copy first.
    """
    maps = []
    for number, focal in enumerate(lens.by_focal_length, start=1):
        quick = lens.quick and focal.curve
        stop = min(point.f_number for point in focal.curve) if quick else focal.best_f_number
        setting = Setting(focal_length_mm=focal.focal_length_mm, f_number=stop)
        if field := field_map_at(lens, setting, shots, key=f"{key}-field-{number}"):
            maps.append(field)
    return maps


def field_map_at(
    lens: LensFindings, setting: Setting, shots: Sequence[SweepShot], *, key: str
) -> FieldMap | None:
    """Map of one setting; None where no target was measured there."""
    results = _one_way_up(shots_at(lens, setting, shots))
    edges: dict[str, list[ChartEdge]] = defaultdict(list)
    for edge in chain.from_iterable(result.edges for result in results):
        if edge.edge.measured:
            edges[edge.target].append(edge)
    if not edges:
        return None
    spots = tuple(_spot(name, group) for name, group in sorted(edges.items()))
    name = f"{focal_length(setting.focal_length_mm)}, {f_stop(setting.f_number)}"
    return FieldMap(
        key=key,
        title=f"{name}: sharpness over the picture",
        about=f"Mean of {len(results)} shot{'s' if len(results) != 1 else ''}. {_HOW_TO_READ}",
        size_px=results[0].size_px,
        spots=spots,
        grid=Grid.of(
            spots,
            "MTF50 in cycles/pixel at each target",
            {
                "target": lambda spot: spot.name,
                "row, column (px)": lambda spot: f"{spot.center_px[0]:.0f}, {spot.center_px[1]:.0f}",
                "sagittal": lambda spot: known(spot.sagittal_cypx),
                "tangential": lambda spot: known(spot.tangential_cypx),
            },
        ),
    )


def shots_at(lens: LensFindings, setting: Setting, shots: Sequence[SweepShot]) -> list[ShotResult]:
    """All results used of one lens at one setting."""
    wanted = (lens.lens, lens.camera, setting)
    return [
        shot.result
        for shot in shots
        if shot.used
        and isinstance(shot.result, ShotResult)
        and (shot.planned.lens, shot.planned.camera, shot.planned.setting) == wanted
    ]


def _one_way_up(results: list[ShotResult]) -> list[ShotResult]:
    """Leave out the shots of a turned camera or chart: its targets stand elsewhere in the picture."""
    first = results[0].tilt.roll_deg if results else math.nan
    return [
        result
        for result in results
        if not abs((result.tilt.roll_deg - first + 180.0) % 360.0 - 180.0) > _MOST_TURN_DEG
    ]


def _spot(name: str, edges: list[ChartEdge]) -> Spot:
    def mean(direction: Direction) -> float:
        figures = [edge.edge.mtf50_cypx for edge in edges if edge.direction is direction]
        return fmean(figures) if figures else math.nan

    return Spot(
        name=clean_text(name),
        center_px=(fmean(edge.center_px[0] for edge in edges), fmean(edge.center_px[1] for edge in edges)),
        sagittal_cypx=mean(Direction.SAGITTAL),
        tangential_cypx=mean(Direction.TANGENTIAL),
    )
