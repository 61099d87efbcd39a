"""Plots of a sweep as data: SFR of typical edges, maps of the field."""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from statistics import fmean
from typing import Final

import numpy as np

from lensbench.model.setting import Setting, f_stop, focal_length
from lensbench.model.shot import ZONES, ChartEdge, Direction, Edge, ShotResult
from lensbench.model.sweep import LensFindings, SweepShot
from lensbench.report.panels import Axis, Grid, Line, Panel
from lensbench.report.words import AtSetting, borne, known, worded
from lensbench.shot import zone_of
from lensbench.storage.text import clean_text

_NYQUIST_CYPX: Final = 0.5
_HIGHEST_SFR: Final = 1.1
_MOST_TURN_DEG: Final = 45.0
_LONGEST_BAR: Final = 0.1
"""Of the picture's width, for the sharpest figure."""


def response_panel(lens: LensFindings, shots: Sequence[SweepShot], *, key: str) -> Panel | None:
    """SFR of the edge of middling sharpness in each zone, or None without one."""
    if lens.best is None:
        return None
    results = shots_at(lens, lens.best, shots)
    chosen = _typical_edges(results[0]) if results else {}
    if not chosen:
        return None
    name = f"{focal_length(lens.best.focal_length_mm)}, {f_stop(lens.best.f_number)}"
    places = ", ".join(
        f"{zone}: target {clean_text(edge.target)}, {edge.direction.value}" for zone, edge in chosen.items()
    )
    frequencies_cypx = [step / 20 for step in range(11)]
    columns = [_sfr_cells(edge.edge, frequencies_cypx) for edge in chosen.values()]
    return Panel(
        key=f"{key}-response",
        title=f"{name}: how contrast falls with finer detail",
        about=worded("plots.response", places=places),
        across=Axis.around(
            "spatial frequency, cycles/pixel",
            ((step / 10, f"{step / 10:g}") for step in range(6)),
            margin=0.0,
        ),
        up=Axis(
            title="contrast (SFR)",
            low=0.0,
            high=_HIGHEST_SFR,
            ticks=tuple((step / 4, f"{step / 4:g}") for step in range(5)),
        ),
        level=0.5,
        lines=tuple(Line(name=zone, role=zone, path=_path(edge)) for zone, edge in chosen.items()),
        grid=Grid(
            caption="SFR at round frequencies",
            header=("cycles/pixel", *chosen),
            rows=tuple(
                (f"{frequency_cypx:.2f}", *row)
                for frequency_cypx, row in zip(frequencies_cypx, zip(*columns, strict=True), strict=True)
            ),
        ),
    )


def _sfr_cells(edge: Edge, at_cypx: Sequence[float]) -> list[str]:
    """SFR at these frequencies, each in the digits that its sd bears."""
    known_sd = edge.sfr_sd if edge.sfr_sd.size else np.full(edge.sfr.size, np.nan)
    sfr, sd = (np.interp(at_cypx, edge.frequency_cypx, of, right=np.nan) for of in (edge.sfr, known_sd))
    return [borne(value, spread, 3) for value, spread in zip(sfr.tolist(), sd.tolist(), strict=True)]


def _typical_edges(result: ShotResult) -> dict[str, ChartEdge]:
    zones: dict[str, list[ChartEdge]] = {zone: [] for zone in ZONES}
    for edge in result.edges:
        if edge.edge.measured and edge.edge.frequency_cypx.size > 1:
            zones[zone_of(edge.image_height, result.size_px)].append(edge)
    return {
        zone: sorted(edges, key=lambda edge: edge.edge.mtf50_cypx)[len(edges) // 2]
        for zone, edges in zones.items()
        if edges
    }


def _path(chart_edge: ChartEdge) -> tuple[tuple[float, float], ...]:
    edge = chart_edge.edge
    shown = (edge.frequency_cypx <= _NYQUIST_CYPX) & np.isfinite(edge.sfr)
    sfr = edge.sfr[shown].clip(0.0, _HIGHEST_SFR)
    return tuple(zip(edge.frequency_cypx[shown].tolist(), sfr.tolist(), strict=True))


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
class FieldMap:
    """Sharpness over the picture at one setting."""

    key: str
    title: str
    about: str
    size_px: tuple[int, int]
    spots: tuple[Spot, ...]
    grid: Grid


def spot_bars(spot: Spot, field: FieldMap) -> dict[str, tuple[tuple[float, float], tuple[float, float]]]:
    """Ends of a spot's bars, in pixels: along the radius for the sagittal figure, across it for the tangential one."""
    centre_px = ((length - 1) / 2.0 for length in field.size_px)
    down, right = (place - middle for place, middle in zip(spot.center_px, centre_px, strict=True))
    radius_px = math.hypot(down, right)
    along = (down / radius_px, right / radius_px) if radius_px > 1.0 else (0.0, 1.0)
    figures = [value for each in field.spots for value in (each.sagittal_cypx, each.tangential_cypx)]
    sharpest_cypx = max((value for value in figures if math.isfinite(value)), default=math.nan)
    half_px = _LONGEST_BAR * field.size_px[1] / sharpest_cypx / 2.0
    bars = {
        "sagittal": (half_px * spot.sagittal_cypx, along),
        "tangential": (half_px * spot.tangential_cypx, (along[1], -along[0])),
    }
    row, col = spot.center_px
    return {
        role: ((row - px * rows, col - px * cols), (row + px * rows, col + px * cols))
        for role, (px, (rows, cols)) in bars.items()
        if math.isfinite(px)
    }


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
    lens: LensFindings, at: AtSetting, shots: Sequence[SweepShot], *, key: str
) -> FieldMap | None:
    """Map of the setting of a record; None where no target was measured there."""
    results = _one_way_up(shots_at(lens, at, shots))
    edges: dict[str, list[ChartEdge]] = defaultdict(list)
    for edge in chain.from_iterable(result.edges for result in results):
        if edge.edge.measured:
            edges[edge.target].append(edge)
    if not edges:
        return None
    spots = tuple(_spot(name, group) for name, group in sorted(edges.items()))
    return FieldMap(
        key=key,
        title=f"{focal_length(at.focal_length_mm)}, {f_stop(at.f_number)}: sharpness over the picture",
        about=worded("plots.field", shots=f"{len(results)} shot{'s' if len(results) != 1 else ''}"),
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


def shots_at(lens: LensFindings, at: AtSetting, shots: Sequence[SweepShot]) -> list[ShotResult]:
    """All results used of one lens at the setting of a record."""
    wanted = (lens.lens, lens.camera, Setting(focal_length_mm=at.focal_length_mm, f_number=at.f_number))
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
