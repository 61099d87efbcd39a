"""Plots of a sweep as data: sharpness over the stops and the zoom range, SFR of typical edges, maps of the field."""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from statistics import fmean
from typing import Final

import numpy as np

from lensbench.model.setting import Setting, f_stop, focal_length, listed
from lensbench.model.shot import ZONES, ChartEdge, Direction, Edge, ShotResult
from lensbench.model.sweep import FocalLengthFindings, LensFindings, SweepShot
from lensbench.report.panels import Axis, Grid, Line, Panel, Point, lpmm_axis, value_axis
from lensbench.report.words import NOT_TOLD_FROM, AtSetting, Scale, borne, known, mtf50_cell, worded
from lensbench.shot import zone_of
from lensbench.storage.text import clean_text

_NYQUIST_CYPX: Final = 0.5
_HIGHEST_SFR: Final = 1.1
_CAPTION: Final = "MTF50 in cycles/pixel, 95 % interval below"
_MOST_TURN_DEG: Final = 45.0
_LONGEST_BAR: Final = 0.1
"""Of the picture's width, for the sharpest figure."""


def sharpness_panels(lens: LensFindings, *, key: str) -> list[Panel]:
    """One panel for each focal length: MTF50 against the f-stop, on one scale of sharpness."""
    points = [point for focal in lens.by_focal_length for point in focal.curve]
    up = value_axis(
        [value for point in points for value in (point.mtf50_cypx, point.measured_cypx, *point.ci95_cypx)]
    )
    up_right = lpmm_axis(up, Scale.of_lens(lens))
    return [
        _sharpness_panel(focal, places, up=up, up_right=up_right, key=f"{key}-stops-{number}")
        for number, focal in enumerate(lens.by_focal_length, start=1)
        if (places := _places(focal))
    ]


def _places(focal: FocalLengthFindings) -> dict[float, float]:
    """Place on the axis of each known f-stop, one a stop, by the exact f-number."""
    exact = {point.f_number: point.exact_f_number for point in focal.curve if point.f_number > 0.0}
    return {stop: math.log2(exact[stop] if exact[stop] > 0.0 else stop) for stop in sorted(exact)}


def _sharpness_panel(
    focal: FocalLengthFindings, places: dict[float, float], *, up: Axis, up_right: Axis | None, key: str
) -> Panel:
    points = {(point.f_number, point.zone): point for point in focal.curve}
    zones = [zone for zone in ZONES if any(point.zone == zone for point in focal.curve)]
    shots = {point.f_number: str(point.shots) for point in focal.curve}
    smooth = any(curve.fits for curve in focal.smooth.values())
    drawn = "Marks are the mean of the shots, bars the 95 % interval"
    ticks = [(place, f_stop(stop)) for stop, place in places.items()]
    return Panel(
        key=key,
        title=f"{focal_length(focal.focal_length_mm)}: sharpness at every stop",
        about=f"{_best_stop(focal)} {drawn}{', lines the smooth curve' if smooth else ''}.",
        across=Axis.around("f-stop", ticks, margin=0.45),
        up=up,
        up_right=up_right,
        lines=tuple(line for zone in ZONES if (line := _stop_line(focal, zone, places)).points),
        tied=tuple(places[stop] for stop in focal.tied_f_numbers if stop in places),
        best=places.get(focal.best_f_number),
        grid=Grid(
            caption=_CAPTION,
            header=("stop", "shots", *zones),
            rows=tuple(
                (f_stop(stop), shots[stop], *(mtf50_cell(points.get((stop, zone))) for zone in zones))
                for stop in places
            ),
        ),
    )


def _stop_line(focal: FocalLengthFindings, zone: str, places: dict[float, float]) -> Line:
    curve = [point for point in focal.curve if point.zone == zone and point.f_number in places]
    curve.sort(key=lambda point: point.f_number)
    points = tuple(Point(places[point.f_number], point.measured_cypx, *point.ci95_cypx) for point in curve)
    smooth = focal.smooth.get(zone)
    path = tuple((places[point.f_number], point.mtf50_cypx) for point in curve)
    if smooth is not None and smooth.fits:
        pairs = zip(smooth.f_number.tolist(), smooth.mtf50_cypx.tolist(), strict=True)
        path = tuple((math.log2(f_number), value) for f_number, value in pairs)
    return Line(name=zone, role=zone, path=path, points=points)


def _best_stop(focal: FocalLengthFindings) -> str:
    if not focal.best_f_number > 0.0:
        return "No stop could be named the sharpest."
    frame = focal.best_by_zone.get("frame")
    claim = "came out sharpest" if frame is not None and frame.provisional else "is sharpest"
    good = set(focal.as_good_f_numbers) - {focal.best_f_number}
    doubtful = set(focal.tied_f_numbers) - good - {focal.best_f_number}
    others = _shaded([f_stop(stop) for stop in sorted(good)], [f_stop(stop) for stop in sorted(doubtful)])
    return f"The whole frame {claim} at {f_stop(focal.best_f_number)}{others}."


def _shaded(good: Sequence[str], doubtful: Sequence[str]) -> str:
    """What is shaded beside the best: what is as good, and what can't be told from it."""
    told = [f"{listed(good)} {'is' if len(good) == 1 else 'are'} as good"] if good else []
    told += [f"{listed(doubtful)} {NOT_TOLD_FROM}"] if doubtful else []
    return f"; {', '.join(told)} (shaded)" if told else ""


def zoom_panel(lens: LensFindings, *, key: str) -> Panel | None:
    """Panel of each focal length at its own best stop, or None for a single focal length."""
    focals = lens.by_focal_length
    if len(focals) < 2:
        return None
    figures = [figure for focal in focals for figure in focal.zones.values()]
    up = value_axis([bound for figure in figures for bound in (figure.mtf50_cypx, *figure.ci95_cypx)])
    about, tied, best = "No focal length could be named the sharpest.", set(), None
    places = {focal.focal_length_mm: float(place) for place, focal in enumerate(focals)}
    if lens.best is not None:
        tied = {setting.focal_length_mm for setting in lens.best.tied}
        best = places.get(lens.best.focal_length_mm)
        name = focal_length(lens.best.focal_length_mm)
        good = {focal_length(setting.focal_length_mm) for setting in lens.best.as_good} - {name}
        doubtful = {focal_length(length_mm) for length_mm in tied} - good - {name}
        others = _shaded(sorted(good), sorted(doubtful))
        about = f"The whole frame is sharpest at {name}{others}. Bars are 95 % intervals."
    lines = []
    for zone in ZONES:
        marks = [
            Point(float(place), figure.mtf50_cypx, *figure.ci95_cypx)
            for place, focal in enumerate(focals)
            if (figure := focal.zones.get(zone))
        ]
        lines += [Line.through(marks, name=zone, role=zone)] if marks else []
    return Panel(
        key=f"{key}-zoom",
        title="Sharpness over the zoom range, each position at its own best stop",
        about=about,
        across=Axis.around("focal length", [(place, focal_length(mm)) for mm, place in places.items()]),
        up=up,
        up_right=lpmm_axis(up, Scale.of_lens(lens)),
        lines=tuple(lines),
        tied=tuple(place for length_mm, place in places.items() if length_mm in tied),
        best=best,
        grid=Grid(
            caption=_CAPTION,
            header=("focal length", "best stop", *ZONES),
            rows=tuple(
                (
                    focal_length(focal.focal_length_mm),
                    f_stop(focal.best_f_number),
                    *(mtf50_cell(focal.zones.get(zone)) for zone in ZONES),
                )
                for focal in focals
            ),
        ),
    )


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
