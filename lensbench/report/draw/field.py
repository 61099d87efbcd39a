"""The map of the field: sagittal and tangential sharpness where each target stood in the picture.

The map of the field as SVG for the page.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Final
from xml.etree import ElementTree as ET

from lensbench.model.shot import ChartEdge, Direction, ShotResult
from lensbench.model.sweep import LensFindings, Setting, SweepShot
from lensbench.report.draw.panels import Grid
from lensbench.report.draw.svg import add_text, begin_picture, finish_picture
from lensbench.report.text.figures import NOT_MEASURED, f_stop, focal_length
from lensbench.shot import ZONE_LIMITS
from lensbench.storage.text import clean_text

__all__ = ["FieldMap", "Spot", "field_map_at", "field_maps", "field_svg", "shots_at", "spot_bars"]


_MOST_TURN_DEG: Final = 45.0
_LONGEST_BAR: Final = 0.1
"""Of the picture's width, for the sharpest figure."""

_HOW_TO_READ: Final = (
    "At each target, the bar along the radius shows the sagittal figure and the bar across it the tangential "
    "one; a longer bar is sharper. The number is MTF50 in thousandths of a cycle per pixel. Rings part zones."
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
    """Give the bars of a spot: along the radius for sagittal, across it for tangential figures."""
    down, right = (
        place - (length - 1) / 2.0 for place, length in zip(spot.center_px, field.size_px, strict=True)
    )
    radius_px = math.hypot(down, right)
    along = (down / radius_px, right / radius_px) if radius_px > 1.0 else (0.0, 1.0)
    across = (along[1], -along[0])
    half_px = _LONGEST_BAR * field.size_px[1] / field.sharpest_cypx / 2.0
    bars = (
        ("sagittal", half_px * spot.sagittal_cypx, along),
        ("tangential", half_px * spot.tangential_cypx, across),
    )
    return tuple(
        _spot_bar(role, spot.center_px, (reach_px * toward[0], reach_px * toward[1]))
        for role, reach_px, toward in bars
        if math.isfinite(reach_px)
    )


def _spot_bar(role: str, center_px: tuple[float, float], reach_px: tuple[float, float]) -> SpotBar:
    (row, col), (down, right) = center_px, reach_px
    return SpotBar(role=role, start_px=(row - down, col - right), end_px=(row + down, col + right))


def field_maps(lens: LensFindings, shots: Sequence[SweepShot], *, key: str) -> list[FieldMap]:
    """Give a map for every focal length at its best stop; the mean over the shots of that setting.

    A ten-minute test names no best stop: its map is that of the widest one, which shows a bad copy first.
    """
    maps = []
    for number, focal in enumerate(lens.by_focal_length, start=1):
        stop = (
            min(point.f_number for point in focal.curve)
            if lens.quick and focal.curve
            else focal.best_f_number
        )
        setting = Setting(focal_length_mm=focal.focal_length_mm, f_number=stop)
        results = shots_at(lens, setting, shots)
        if results:
            maps.append(_field_map(setting, results, key=f"{key}-field-{number}"))
    return [each for each in maps if each.spots]


def field_map_at(
    lens: LensFindings, setting: Setting, shots: Sequence[SweepShot], *, key: str
) -> FieldMap | None:
    """Give the map of one setting; None where no target was measured there."""
    results = shots_at(lens, setting, shots)
    field = _field_map(setting, results, key=key) if results else None
    return field if field is not None and field.spots else None


def shots_at(lens: LensFindings, setting: Setting, shots: Sequence[SweepShot]) -> list[ShotResult]:
    """Give the used results of one lens at one setting."""
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
    first = results[0].tilt.roll_deg
    return [
        result
        for result in results
        if not abs((result.tilt.roll_deg - first + 180.0) % 360.0 - 180.0) > _MOST_TURN_DEG
    ]


def _field_map(setting: Setting, results: list[ShotResult], *, key: str) -> FieldMap:
    results = _one_way_up(results)
    edges: dict[str, list[ChartEdge]] = {}
    for result in results:
        for edge in result.edges:
            if edge.edge.measured:
                edges.setdefault(edge.target, []).append(edge)
    spots = tuple(_spot(name, group) for name, group in sorted(edges.items()))
    name = f"{focal_length(setting.focal_length_mm)}, {f_stop(setting.f_number)}"
    return FieldMap(
        key=key,
        title=f"{name}: sharpness over the picture",
        about=f"Mean of {len(results)} shot{'s' if len(results) != 1 else ''}. {_HOW_TO_READ}",
        size_px=results[0].size_px,
        spots=spots,
        grid=_grid(spots),
    )


def _mean(edges: list[ChartEdge], direction: Direction) -> float:
    figures = [edge.edge.mtf50_cypx for edge in edges if edge.direction is direction]
    return fmean(figures) if figures else math.nan


def _spot(name: str, edges: list[ChartEdge]) -> Spot:
    return Spot(
        name=clean_text(name),
        center_px=(fmean(edge.center_px[0] for edge in edges), fmean(edge.center_px[1] for edge in edges)),
        sagittal_cypx=_mean(edges, Direction.SAGITTAL),
        tangential_cypx=_mean(edges, Direction.TANGENTIAL),
    )


def _text(value: float) -> str:
    return f"{value:.3f}" if math.isfinite(value) else NOT_MEASURED


def _grid(spots: tuple[Spot, ...]) -> Grid:
    rows = tuple(
        (
            spot.name,
            f"{spot.center_px[0]:.0f}, {spot.center_px[1]:.0f}",
            _text(spot.sagittal_cypx),
            _text(spot.tangential_cypx),
        )
        for spot in spots
    )
    return Grid(
        caption="MTF50 in cycles/pixel at each target",
        header=("target", "row, column (px)", "sagittal", "tangential"),
        rows=rows,
    )


WIDTH: Final = 460.0
_MARGIN: Final = 26.0
"""Room for the bars of targets at the border."""
_LEGEND_HEIGHT: Final = 30.0


def field_svg(field: FieldMap) -> str:
    """Give the map as one `svg` element with a title and a description."""
    rows, cols = field.size_px
    scale = (WIDTH - 2 * _MARGIN) / cols
    height = rows * scale + 2 * _MARGIN
    size = (height + _LEGEND_HEIGHT, WIDTH)
    picture = begin_picture(field.key, field.title, field.about, size=size)
    _draw_frame(picture, field, scale)
    for spot in field.spots:
        _draw_spot(picture, spot, field, scale)
    _draw_legend(picture, row=height + 16.0)
    return finish_picture(picture)


def _draw_frame(picture: ET.Element, field: FieldMap, scale: float) -> None:
    rows, cols = field.size_px
    box = {
        "x": f"{_MARGIN}",
        "y": f"{_MARGIN}",
        "width": f"{cols * scale:.1f}",
        "height": f"{rows * scale:.1f}",
    }
    clip = ET.SubElement(ET.SubElement(picture, "defs"), "clipPath", {"id": f"{field.key}-clip"})
    ET.SubElement(clip, "rect", box)
    ET.SubElement(picture, "rect", box | {"class": "picture"})
    half_diagonal = math.hypot(rows, cols) / 2.0 * scale
    for border in ZONE_LIMITS:
        ring = {"cx": f"{_MARGIN + cols * scale / 2:.1f}", "cy": f"{_MARGIN + rows * scale / 2:.1f}"}
        ring |= {
            "r": f"{border * half_diagonal:.1f}",
            "class": "ring",
            "clip-path": f"url(#{field.key}-clip)",
        }
        ET.SubElement(picture, "circle", ring)


def _draw_spot(picture: ET.Element, spot: Spot, field: FieldMap, scale: float) -> None:
    for bar in spot_bars(spot, field):
        (row1, col1), (row2, col2) = (_placed(end_px, scale) for end_px in (bar.start_px, bar.end_px))
        ends = {"x1": f"{col1:.1f}", "y1": f"{row1:.1f}", "x2": f"{col2:.1f}", "y2": f"{row2:.1f}"}
        ET.SubElement(picture, "line", ends | {"class": f"whisker {bar.role}"})
    if math.isfinite(spot.mean_cypx):
        row, col = _placed(spot.center_px, scale)
        at_right_end = col > WIDTH - 40.0
        place = (max(row - 6.0, _MARGIN + 11.0), col - 7.0 if at_right_end else col + 7.0)
        kind = "tick small end" if at_right_end else "tick small"
        add_text(picture, f"{1000.0 * spot.mean_cypx:.0f}", place, kind=kind)


def _placed(place_px: tuple[float, float], scale: float) -> tuple[float, float]:
    row_px, col_px = place_px
    return _MARGIN + (row_px + 0.5) * scale, _MARGIN + (col_px + 0.5) * scale


def _draw_legend(picture: ET.Element, *, row: float) -> None:
    for col, role, text in (
        (12.0, "sagittal", "sagittal (along the radius)"),
        (232.0, "tangential", "tangential (across it)"),
    ):
        ends = {
            "x1": f"{col}",
            "y1": f"{row}",
            "x2": f"{col + 30.0}",
            "y2": f"{row}",
            "class": f"whisker {role}",
        }
        ET.SubElement(picture, "line", ends)
        add_text(picture, text, (row + 4.5, col + 37.0), kind="tick")
