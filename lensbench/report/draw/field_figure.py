"""How a map of the field is drawn: bars at each target, figures that cover none of them, the centre, corners, a scale.

A figure is written where it covers no bar and no other figure, from the picture's border inwards; where there is no
such place it is left to the table, and so are all of a map that is too small for them.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from lensbench.model.shot import Place
from lensbench.model.units import FloatArray
from lensbench.report.draw.canvas import (
    FAINT,
    INK,
    NARROW,
    RULE,
    Canvas,
    Point,
    Shape,
    line_look,
    text_width_pt,
)
from lensbench.report.draw.field import AT_CENTRE, FieldMap, Spot, spot_bars
from lensbench.report.draw.strips import shown_units
from lensbench.report.text.words import NOT_MEASURED
from lensbench.shot import place_of, zone_borders

_MARGIN_PT: Final = 5.0
_BELOW_PT: Final = 14.0
_STRIP_PT: Final = 58.0
_LEGEND_PT: Final = 20.0
_BAR_PT: Final = 3.0
_CLEAR_PT: Final = 3.0
"""Between a figure and whatever is drawn."""
_CROSS_PT: Final = 5.0
_BOLD: Final = 1.12
"""How much wider bold figures are."""
_LINES: Final = (("sagittal", "sagittal (along the radius)"), ("tangential", "tangential (across it)"))
_DASHES: Final = {"sagittal": ((0.0, 1.0),), "tangential": ((0.0, 0.28), (0.36, 0.64), (0.72, 1.0))}
"""Which shares of a bar are drawn: with dashes of a fixed length a short one would lose its end."""
_FIGURES_PT: Final = 300.0
"""A map of less width has bars alone, and below them its strip."""
_STRIP_FROM_PT: Final = 200.0
"""One of less has no strip, either."""
_NOWHERE: Final = (math.nan, math.nan)
"""Between two dashes."""
_AWAY_PT: Final = (0.0, 4.0, 8.0, 12.0)
"""How far a figure may stand from its bars, lest it be taken for another's."""
_DIRECTIONS: Final = tuple(math.radians(turn) for turn in (-35, 35, -145, 145, -90, 90, 0, 180))
_STEP_PT: Final = 3.0
"""Between the places of a line that are asked whether a figure lies over them."""


def field_figure(plot: FieldMap, shape: Shape, *, on_page: bool, legend: bool = True) -> Figure:
    """Figure of a map; `on_page` writes every figure in each unit, of which the page shows one."""
    legend = legend and (plot.explained or not on_page)
    scale, with_strip = _pt_per_px(plot, shape), shape.width_pt >= _STRIP_FROM_PT
    bottom_pt = _MARGIN_PT + scale * plot.size_px[0]
    strip_pt = _BELOW_PT + _STRIP_PT if with_strip else 0.0
    legend_pt = (3 if shape.narrow else 2) * _LEGEND_PT if legend else 0.0
    canvas = Canvas.of(shape, bottom_pt + strip_pt + max(legend_pt, _MARGIN_PT))
    canvas.title(plot.title)
    pen = _Pen(canvas=canvas, plot=plot, on_page=on_page, pt_per_px=scale)
    pen.picture(bottom_pt)
    pen.bars()
    if shape.width_pt >= _FIGURES_PT:
        pen.figures()
    if with_strip:
        pen.strip(bottom_pt + _BELOW_PT)
    if legend:
        across, top_pt = 1 if shape.narrow else 2, bottom_pt + strip_pt
        pen.legend(
            [
                (top_pt + entry // across * _LEGEND_PT, 6.0 + entry % across * shape.width_pt / across)
                for entry in range(len(_LINES) + 1)
            ]
        )
    return canvas.figure


def legend_figure(plot: FieldMap, shape: Shape, *, of_maps: Shape) -> Figure:
    """Figure of the legend alone, as many entries in a row as fit, for maps of a lens drawn in the shape `of_maps`."""
    scale, (full, *_) = _pt_per_px(plot, of_maps), plot.scales
    signs_pt = [*((30.0, words) for _, words in _LINES), (plot.bar_px(plot.full_cypx) * scale, full.legend)]
    places: list[Point] = []
    row, col = 0.5 * _LEGEND_PT, 6.0
    for sign_pt, words in signs_pt:
        entry_pt = sign_pt + 8.0 + text_width_pt(words, shape.text_pt)
        if places and col + entry_pt > shape.width_pt:
            row, col = row + _LEGEND_PT, 6.0
        places.append((row, col))
        col += entry_pt + 24.0
    canvas = Canvas.of(shape, row + 0.5 * _LEGEND_PT)
    _Pen(canvas=canvas, plot=plot, on_page=False, pt_per_px=scale).legend(places)
    return canvas.figure


def _pt_per_px(plot: FieldMap, shape: Shape) -> float:
    return (shape.width_pt - 2.0 * _MARGIN_PT) / plot.size_px[1]


@dataclass(frozen=True, slots=True)
class _Area:
    """A rectangle of the sheet, in points."""

    top: float
    bottom: float
    left: float
    right: float

    def holds_any(self, row: FloatArray, col: FloatArray) -> bool:
        """Whether any of some points lies in it or hardly beside it."""
        down = (self.top - _CLEAR_PT < row) & (row < self.bottom + _CLEAR_PT)
        return bool((down & (self.left - _CLEAR_PT < col) & (col < self.right + _CLEAR_PT)).any())

    def meets(self, other: "_Area") -> bool:
        """Whether two lie over each other."""
        return (
            self.top < other.bottom
            and other.top < self.bottom
            and self.left < other.right + _CLEAR_PT
            and other.left < self.right + _CLEAR_PT
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pen:
    """Draws on one canvas."""

    canvas: Canvas
    plot: FieldMap
    on_page: bool
    pt_per_px: float
    drawn: list[Point] = field(default_factory=list)
    """What no figure may cover."""

    def at(self, place_px: Sequence[float]) -> Point:
        """Where a place of the photograph lies on the sheet."""
        row, col = ((px + 0.5) * self.pt_per_px + _MARGIN_PT for px in place_px)
        return row, col

    def picture(self, bottom_pt: float) -> None:
        """The picture's border and the thirds."""
        size_pt = (self.canvas.shape.width_pt - 2.0 * _MARGIN_PT, bottom_pt - _MARGIN_PT)
        corner = (_MARGIN_PT, _MARGIN_PT)
        border = Rectangle(corner, *size_pt, fill=False, color=INK, linewidth=1.0, gid="picture")
        self.canvas.sheet.add_patch(border)
        ends = [(_MARGIN_PT, _MARGIN_PT), (bottom_pt, _MARGIN_PT + size_pt[0])]
        corners = [(row, col) for row in (ends[0][0], ends[1][0]) for col in (ends[0][1], ends[1][1])]
        for start, end in ((0, 1), (0, 2), (1, 3), (2, 3)):
            self.drawn.extend(_between(corners[start], corners[end]))
        axes = self.canvas.axes(
            rows_pt=(_MARGIN_PT, bottom_pt), cols_pt=(_MARGIN_PT, _MARGIN_PT + size_pt[0])
        )
        rows, cols = self.plot.size_px
        axes.set(xlim=(-0.5, cols - 0.5), ylim=(rows - 0.5, -0.5))
        axes.axis("off")
        for share in zone_borders(self.plot.size_px):
            look: dict[str, Any] = {
                "fill": False,
                "color": FAINT,
                "linewidth": 0.8,
                "linestyle": (0, (2.5, 5)),
            }
            middle_px, radius_px = ((cols - 1) / 2.0, (rows - 1) / 2.0), share * math.hypot(rows, cols) / 2.0
            axes.add_patch(Circle(middle_px, radius_px, gid="ring", **look))

    def bars(self) -> None:
        """Bars of all targets, a path for each direction."""
        for role, _ in _LINES:
            bars = [bar for spot in self.plot.spots if (bar := spot_bars(spot, self.plot).get(role))]
            ends = [(self.at(start), self.at(end)) for start, end in bars]
            if not ends:
                continue
            dashes = [dash for start, end in ends for dash in _dashes(start, end, role)]
            rows, cols = np.concatenate([(*dash, _NOWHERE) for dash in dashes]).T
            look = _look(role)
            look["linewidth"] *= min(self.canvas.shape.width_pt / NARROW.width_pt, 1.0)
            self.canvas.sheet.plot(cols, rows, **look, clip_on=False)
            self.drawn.extend(place for start, end in ends for place in _between(start, end))

    def figures(self) -> None:
        """The centre's figure, then those of all targets, the outermost first; each unit apart, for one is shown."""
        plot, places = self.plot, dict(self.plot.places)
        spots = sorted(
            (spot for spot in plot.spots if spot.figures_cypx),
            key=lambda spot: -place_of(spot.center_px, plot.size_px).image_height,
        )
        at_centre = [(length - 1) / 2.0 for length in plot.size_px]
        innermost = place_of(spots[-1].center_px, plot.size_px).image_height if spots else math.inf
        wanted = [(spot.mean_cypx, self.at(_middle_px(spot, plot)), False) for spot in spots]
        if innermost > AT_CENTRE:
            self.cross(self.at(at_centre))
            wanted[:0] = [(places[Place.CENTRE], self.at(at_centre), True)] if Place.CENTRE in places else []
        drawn = np.ascontiguousarray(np.transpose(self.drawn))
        for scale, unit in shown_units(plot.scales, on_page=self.on_page):
            written: list[_Area] = []
            for figure_cypx, at, bold in wanted:
                words = scale.bare(plot.percent(figure_cypx))
                self.figure(words, at, unit=unit, bold=bold, around=(drawn, written))

    def cross(self, at: Point) -> None:
        """A small cross."""
        for down, right in ((0.0, _CROSS_PT), (_CROSS_PT, 0.0)):
            start, end = (at[0] - down, at[1] - right), (at[0] + down, at[1] + right)
            ends = [start[1], end[1]], [start[0], end[0]]
            self.canvas.stroke(*ends, gid="axis", color=INK, linewidth=1.0)
            self.drawn.extend(_between(start, end))

    def figure(
        self, words: str, at: Point, *, unit: str, bold: bool, around: tuple[FloatArray, list[_Area]]
    ) -> None:
        """A figure beside a place, where it covers nothing; nothing where there is no room."""
        (drawn, written), size_pt = around, self.canvas.shape.text_pt
        width_pt = text_width_pt(words, size_pt) * (_BOLD if bold else 1.0)
        for area in self.areas(at, width_pt, 0.78 * size_pt):
            if self.inside(area) and not any(map(area.meets, written)) and not area.holds_any(*drawn):
                written.append(area)
                place = (area.bottom, (area.left + area.right) / 2.0)
                look = {"fontweight": "bold"} if bold else {}
                self.canvas.write(words, place, kind=f"small{unit}", ha="center", **look)
                return

    def inside(self, area: _Area) -> bool:
        """Whether it lies within the picture."""
        rows, cols = (length * self.pt_per_px + _MARGIN_PT for length in self.plot.size_px)
        return min(area.top, area.left) > _MARGIN_PT and area.bottom < rows and area.right < cols

    def areas(self, at: Point, width_pt: float, height_pt: float) -> Iterator[_Area]:
        """Where a figure might stand beside a place, the best first."""
        for away_pt in _AWAY_PT:
            for turn in _DIRECTIONS:
                row = at[0] + math.sin(turn) * (away_pt + 4.0 + height_pt / 2.0)
                col = at[1] + math.cos(turn) * (away_pt + 4.0 + width_pt / 2.0)
                half = height_pt / 2.0, width_pt / 2.0
                yield _Area(row - half[0], row + half[0], col - half[1], col + half[1])

    def strip(self, top_pt: float) -> None:
        """Centre and corners side by side: a name, and the figure below it."""
        places, step_pt = dict(self.plot.places), self.canvas.shape.width_pt / len(Place)
        for number, place in enumerate(Place):
            col = (number + 0.5) * step_pt
            for line, word in enumerate(place.split()):
                self.canvas.write(word, (top_pt + 6.0 + 14.0 * line, col), kind="name", ha="center")
            look: dict[str, Any] = {"ha": "center", "fontweight": "bold"}
            if place not in places:
                self.canvas.write(NOT_MEASURED, (top_pt + 37.0, col), **look)
                continue
            for scale, unit in shown_units(self.plot.scales, on_page=self.on_page):
                words = scale.label(self.plot.percent(places[place]))
                self.canvas.write(words, (top_pt + 37.0, col), kind=f"tick{unit}", **look)
        ends = [4.0, self.canvas.shape.width_pt - 4.0]
        self.canvas.stroke(ends, [top_pt + 46.0] * 2, gid="rule", color=RULE, linewidth=0.8)

    def legend(self, places: Sequence[Point]) -> None:
        """What the bars are, and one as long as 100 %, each at its place."""
        for (role, words), (row, col) in zip(_LINES, places, strict=False):
            self.canvas.stroke([col, col + 30.0], [row, row], **line_look("whisker", role, width_pt=_BAR_PT))
            self.canvas.write(words, (row + 4.5, col + 38.0))
        row, col = places[-1]
        long_pt = self.plot.bar_px(self.plot.full_cypx) * self.pt_per_px
        thin: dict[str, Any] = {"gid": "axis", "color": INK, "linewidth": 1.2}
        self.canvas.stroke([col, col + long_pt], [row, row], **thin)
        for end in (col, col + long_pt):
            self.canvas.stroke([end, end], [row - 4.0, row + 4.0], **thin)
        for scale, unit in shown_units(self.plot.scales, on_page=self.on_page):
            words = scale.legend if scale.key == "percent" else f"{scale.label(100.0)} {scale.legend}"
            self.canvas.write(words, (row + 4.5, col + long_pt + 8.0), kind=f"tick{unit}")


def _dashes(start: Point, end: Point, role: str) -> Iterator[FloatArray]:
    """First and last place of each drawn part of a bar."""
    first, along = np.array(start), np.subtract(end, start)
    for parts in _DASHES[role]:
        yield np.array([first + part * along for part in parts])


def _look(role: str) -> dict[str, Any]:
    """Look of a bar: no longer than its figure says, and dashed by its own parts."""
    look = line_look("whisker", role, width_pt=_BAR_PT)
    return look | {"linestyle": "solid", "solid_capstyle": "butt"}


def _middle_px(spot: Spot, plot: FieldMap) -> Point:
    """Where a spot's bars cross."""
    (start, end), *_ = spot_bars(spot, plot).values()
    return (start[0] + end[0]) / 2.0, (start[1] + end[1]) / 2.0


def _between(start: Point, end: Point) -> list[Point]:
    """Places along a line, close enough that no figure slips between them."""
    steps = max(round(math.dist(start, end) / _STEP_PT), 1)
    return [
        (start[0] + step / steps * (end[0] - start[0]), start[1] + step / steps * (end[1] - start[1]))
        for step in range(steps + 1)
    ]
