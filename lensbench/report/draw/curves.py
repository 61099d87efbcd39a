"""The panels of a sweep's curves: sharpness against the f-stop, over the zoom range, and SFR of typical edges."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from lensbench.model.setting import Setting, f_stop, focal_length, listed
from lensbench.model.shot import ZONES, ChartEdge, ShotResult, ZoneFigure
from lensbench.model.sweep import CurvePoint, FocalLengthFindings, LensFindings, SweepShot
from lensbench.report.draw.field import shots_at
from lensbench.report.draw.panels import Axis, Grid, Line, Panel, Point, lpmm_axis, value_axis
from lensbench.report.text.words import NOT_MEASURED, Scale, with_interval
from lensbench.shot import zone_of
from lensbench.storage.text import clean_text

_CAPTION: Final = "MTF50 in cycles/pixel, 95 % interval below"


def sharpness_panels(lens: LensFindings, *, key: str) -> list[Panel]:
    """One panel for each focal length: MTF50 against the f-stop, on one scale of sharpness."""
    scale = scale_of_lens(lens)
    up = value_axis([value for focal in lens.by_focal_length for value in _extent(focal)])
    return [
        _sharpness_panel(focal, up=up, scale=scale, key=f"{key}-stops-{number}")
        for number, focal in enumerate(lens.by_focal_length, start=1)
        if _places(focal)
    ]


def zoom_panel(lens: LensFindings, *, key: str) -> Panel | None:
    """Panel of each focal length at its own best stop, or None for a single focal length."""
    focals = lens.by_focal_length
    if len(focals) < 2:
        return None
    ticks = tuple((float(place), focal_length(focal.focal_length_mm)) for place, focal in enumerate(focals))
    extent = [
        bound
        for focal in focals
        for zone in focal.zones.values()
        for bound in (zone.mtf50_cypx, *zone.ci95_cypx)
    ]
    up = value_axis(extent)
    best = lens.best
    tied = {setting.focal_length_mm for setting in lens.best.tied} if lens.best else set()
    return Panel(
        key=f"{key}-zoom",
        title="Sharpness over the zoom range, each position at its own best stop",
        about=_zoom_about(lens),
        across=Axis(title="focal length", low=-0.5, high=len(focals) - 0.5, ticks=ticks),
        up=up,
        up_right=lpmm_axis(up, scale_of_lens(lens)),
        lines=tuple(line for zone in ZONES if (line := _zoom_line(focals, zone)).points),
        tied=tuple(float(place) for place, focal in enumerate(focals) if focal.focal_length_mm in tied),
        best=next(
            (
                float(place)
                for place, focal in enumerate(focals)
                if best and focal.focal_length_mm == best.focal_length_mm
            ),
            None,
        ),
        grid=_zoom_grid(focals),
    )


def scale_of_lens(lens: LensFindings) -> Scale:
    """Scale that the findings of a lens carry."""
    return Scale(pixel_pitch_um=lens.pixel_pitch_um, picture_height_px=lens.picture_height_px)


def _extent(focal: FocalLengthFindings) -> list[float]:
    return [
        bound for point in focal.curve for bound in (point.mtf50_cypx, point.measured_cypx, *point.ci95_cypx)
    ]


def _places(focal: FocalLengthFindings) -> dict[float, float]:
    """Place on the axis of each known f-stop, one a stop, by the exact f-number."""
    known = (point for point in focal.curve if point.f_number > 0.0)
    exact = {point.f_number: point.exact_f_number for point in known}
    return {stop: math.log2(exact[stop] if exact[stop] > 0.0 else stop) for stop in sorted(exact)}


def _sharpness_panel(focal: FocalLengthFindings, *, up: Axis, scale: Scale, key: str) -> Panel:
    places = _places(focal)
    ticks = tuple((place, f_stop(stop)) for stop, place in places.items())
    name = focal_length(focal.focal_length_mm)
    return Panel(
        key=key,
        title=f"{name}: sharpness at every stop",
        about=_sharpness_about(focal),
        across=Axis(title="f-stop", low=ticks[0][0] - 0.45, high=ticks[-1][0] + 0.45, ticks=ticks),
        up=up,
        up_right=lpmm_axis(up, scale),
        lines=tuple(line for zone in ZONES if (line := _stop_line(focal, zone, places)).points),
        tied=tuple(places[stop] for stop in focal.tied_f_numbers if stop in places),
        best=places.get(focal.best_f_number),
        grid=_stop_grid(focal, list(places)),
    )


def _stop_line(focal: FocalLengthFindings, zone: str, places: dict[float, float]) -> Line:
    curve = [point for point in focal.curve if point.zone == zone and point.f_number in places]
    curve.sort(key=lambda point: point.f_number)
    points = tuple(Point.of(places[point.f_number], point.measured_cypx, point.ci95_cypx) for point in curve)
    smooth = focal.smooth.get(zone)
    path = tuple((places[point.f_number], point.mtf50_cypx) for point in curve)
    if smooth is not None and smooth.fits:
        pairs = zip(smooth.f_number.tolist(), smooth.mtf50_cypx.tolist(), strict=True)
        path = tuple((math.log2(f_number), value) for f_number, value in pairs)
    return Line(name=zone, role=zone, path=path, points=points)


def _sharpness_about(focal: FocalLengthFindings) -> str:
    drawn = "Marks are the mean of the shots, bars the 95 % interval"
    smooth = any(curve.fits for curve in focal.smooth.values())
    return f"{_best_stop(focal)} {drawn}{', lines the smooth curve' if smooth else ''}."


def _best_stop(focal: FocalLengthFindings) -> str:
    if not focal.best_f_number > 0.0:
        return "No stop could be named the sharpest."
    frame = focal.best_by_zone.get("frame")
    claim = "came out sharpest" if frame is not None and frame.provisional else "is sharpest"
    tied = [f_stop(stop) for stop in focal.tied_f_numbers if stop != focal.best_f_number]
    ties = f"; {listed(tied)} {'is' if len(tied) == 1 else 'are'} as good (shaded)" if tied else ""
    return f"The whole frame {claim} at {f_stop(focal.best_f_number)}{ties}."


def _stop_grid(focal: FocalLengthFindings, stops: list[float]) -> Grid:
    points = {(point.f_number, point.zone): point for point in focal.curve}
    zones = [zone for zone in ZONES if any(point.zone == zone for point in focal.curve)]
    shots = {point.f_number: str(point.shots) for point in focal.curve}
    rows = tuple(
        (f_stop(stop), shots[stop], *(_figure(points.get((stop, zone))) for zone in zones)) for stop in stops
    )
    return Grid(caption=_CAPTION, header=("stop", "shots", *zones), rows=rows)


def _figure(point: CurvePoint | ZoneFigure | None) -> str:
    return NOT_MEASURED if point is None else with_interval(point.mtf50_cypx, point.ci95_cypx)


def _zoom_about(lens: LensFindings) -> str:
    if lens.best is None:
        return "No focal length could be named the sharpest."
    tied = {focal_length(setting.focal_length_mm) for setting in lens.best.tied} - {
        focal_length(lens.best.focal_length_mm)
    }
    names = ", ".join(sorted(tied))
    ties = f"; {names} {'is' if len(tied) == 1 else 'are'} as good (shaded)" if tied else ""
    best = focal_length(lens.best.focal_length_mm)
    return f"The whole frame is sharpest at {best}{ties}. Bars are 95 % intervals."


def _zoom_line(focals: tuple[FocalLengthFindings, ...], zone: str) -> Line:
    return Line.through(
        [
            Point.of(float(place), figure.mtf50_cypx, figure.ci95_cypx)
            for place, focal in enumerate(focals)
            if (figure := focal.zones.get(zone)) is not None
        ],
        name=zone,
        role=zone,
    )


def _zoom_grid(focals: tuple[FocalLengthFindings, ...]) -> Grid:
    rows = tuple(
        (
            focal_length(focal.focal_length_mm),
            f_stop(focal.best_f_number),
            *(_figure(focal.zones.get(zone)) for zone in ZONES),
        )
        for focal in focals
    )
    return Grid(caption=_CAPTION, header=("focal length", "best stop", *ZONES), rows=rows)


_NYQUIST_CYPX = 0.5
_QUARTERS = tuple((step / 4, f"{step / 4:g}") for step in range(5))


def response_panel(lens: LensFindings, shots: Sequence[SweepShot], *, key: str) -> Panel | None:
    """SFR of the edge of middling sharpness in each zone, or None without one."""
    if lens.best is None:
        return None
    setting = Setting(focal_length_mm=lens.best.focal_length_mm, f_number=lens.best.f_number)
    results = shots_at(lens, setting, shots)
    chosen = _typical_edges(results[0]) if results else {}
    return _panel(setting, chosen, key=key) if chosen else None


def _typical_edges(result: ShotResult) -> dict[str, ChartEdge]:
    zones: dict[str, list[ChartEdge]] = {zone: [] for zone in ZONES}
    for edge in result.edges:
        if edge.edge.measured and edge.edge.frequency_cypx.size > 1:
            zones[zone_of(edge.image_height, result.size_px)].append(edge)
    ordered = {
        zone: sorted(edges, key=lambda edge: edge.edge.mtf50_cypx) for zone, edges in zones.items() if edges
    }
    return {zone: edges[len(edges) // 2] for zone, edges in ordered.items()}


def _panel(setting: Setting, chosen: dict[str, ChartEdge], *, key: str) -> Panel:
    name = f"{focal_length(setting.focal_length_mm)}, {f_stop(setting.f_number)}"
    places = ", ".join(
        f"{zone}: target {clean_text(edge.target)}, {edge.direction.value}" for zone, edge in chosen.items()
    )
    tenths = [step / 10 for step in range(12)]
    return Panel(
        key=f"{key}-response",
        title=f"{name}: how contrast falls with finer detail",
        about=f"SFR of the edge of middling sharpness in each zone of one shot ({places}). "
        "MTF50 is where a curve crosses one half.",
        across=Axis(
            title="spatial frequency, cycles/pixel",
            low=0.0,
            high=_NYQUIST_CYPX,
            ticks=tuple((tenth, f"{tenth:g}") for tenth in tenths[:6]),
        ),
        up=Axis(title="contrast (SFR)", low=0.0, high=1.1, ticks=_QUARTERS),
        up_right=None,
        level=0.5,
        lines=tuple(Line(name=zone, role=zone, path=_path(edge)) for zone, edge in chosen.items()),
        grid=_grid(chosen),
    )


def _path(chart_edge: ChartEdge) -> tuple[tuple[float, float], ...]:
    edge = chart_edge.edge
    shown = (edge.frequency_cypx <= _NYQUIST_CYPX) & np.isfinite(edge.sfr)
    pairs = zip(edge.frequency_cypx[shown].tolist(), edge.sfr[shown].tolist(), strict=True)
    return tuple((frequency, min(max(value, 0.0), 1.1)) for frequency, value in pairs)


def _grid(chosen: dict[str, ChartEdge]) -> Grid:
    steps = [step / 20 for step in range(11)]
    columns = {
        zone: np.interp(steps, edge.edge.frequency_cypx, edge.edge.sfr, right=np.nan)
        for zone, edge in chosen.items()
    }
    rows = tuple(
        (f"{step:.2f}", *(_text(float(column[row])) for column in columns.values()))
        for row, step in enumerate(steps)
    )
    return Grid(caption="SFR at round frequencies", header=("cycles/pixel", *columns), rows=rows)


def _text(value: float) -> str:
    return f"{value:.3f}" if math.isfinite(value) else NOT_MEASURED
