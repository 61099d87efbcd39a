"""How strips are drawn: rows on one scale that begins at zero, a lane of differences below two lines, a legend.

The page's figure also holds what its switches show: each third's line, and every label in each unit.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

from matplotlib.figure import Figure
from matplotlib.patches import Circle, FancyBboxPatch, Polygon, Rectangle

from lensbench.report.draw.canvas import (
    BAND,
    FAINT,
    INK,
    PAPER,
    RULE,
    Canvas,
    Point,
    Shape,
    along,
    fitted_words,
    line_look,
    text_width_pt,
)
from lensbench.report.draw.panels import ACCENT, RIBBON, STYLES, Axis
from lensbench.report.draw.strips import Strip, StripDifference, StripLine, Strips, shown_units

_ROWS_PT: Final = {False: (250.0, 165.0, 122.0, 450.0, 62.0), True: (190.0, 110.0, 75.0, 300.0, 54.0)}
"""By narrow: height of one, two, three strips; of more together; and the least of one."""
_LANE: Final = 0.62  # height of the lane of differences, of a strip's
_GAP_PT, _HEAD_PT, _LEGEND_STEP_PT = 15.0, 20.0, 19.0
_BAR_PT, _WIDEST_BAR_PT, _RING_PT, _DOT_PT = 5.0, 34.0, 6.6, 1.8
_LONE: Final = 0.03  # half the width of the ribbon of a single stop, where a stop is 0.5
_LONG_NAME: Final = 0.3  # of the width: a name that takes more stands above its strip instead of beside it
_SPACE_PT: Final = 6.0  # least distance of two words on an axis


def strips_figure(strips: Strips, shape: Shape, *, on_page: bool) -> Figure:
    """Figure of all strips; `on_page` adds what the switches of the page show."""
    layout = _Layout.of(strips, shape, on_page=on_page)
    canvas = Canvas.of(shape, layout.height_pt)
    canvas.title(strips.title)
    pen = _Pen(canvas=canvas, strips=strips, layout=layout, on_page=on_page)
    for scale, unit in shown_units(strips.scales, on_page=on_page):
        room_pt = shape.width_pt - text_width_pt(scale.legend, shape.text_pt)
        canvas.write(scale.legend, (12.0, max(min(layout.left_pt, room_pt), 0.0)), kind=f"name{unit}")
    for number, strip in enumerate(strips.strips):
        pen.strip(strip, number)
    pen.across()
    pen.legend()
    return canvas.figure


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """Where things lie on the sheet, in points."""

    left_pt: float
    right_pt: float
    name_pt: float  # room above each strip for its name; 0 where the names stand beside them
    row_pt: float
    lane_pt: float
    last_pt: float  # base line of the last strip, or the end of its lane
    legend: tuple[tuple[float, float, str, str, str], ...]  # row, column, kind, role and words of each entry
    height_pt: float

    @classmethod
    def of(cls, strips: Strips, shape: Shape, *, on_page: bool) -> "_Layout":
        """Layout of these strips."""
        count = len(strips.strips)
        *few, together, least = _ROWS_PT[shape.narrow]
        row_pt = few[count - 1] if count <= len(few) else max(together / count, least)
        lane_pt = _LANE * row_pt if any(strip.differences for strip in strips.strips) else 0.0
        names = [text_width_pt(strip.name, 1.1 * shape.text_pt) for strip in strips.strips]
        above = max(names) > _LONG_NAME * shape.width_pt
        left_pt = 1.03 * max(names) + 10.0 if any(names) and not above else 4.0
        name_pt = 1.5 * shape.text_pt if above else 0.0
        labels = [scale.label(100.0) for scale in strips.scales] + ["+100 %"] * bool(lane_pt)
        right_pt = shape.width_pt - max(text_width_pt(label, shape.text_pt) for label in labels) - 8.0
        last_pt = _HEAD_PT + count * (name_pt + row_pt + lane_pt) + (count - 1) * _GAP_PT
        second = any(below for *_, below in _names_across(strips, shape, left_pt, right_pt))
        below_pt = 44.0 + (_LEGEND_STEP_PT if second else 0.0)
        legend = tuple(_legend(strips, shape, top_pt=last_pt + below_pt, on_page=on_page))
        return cls(
            left_pt=left_pt,
            right_pt=right_pt,
            name_pt=name_pt,
            row_pt=row_pt,
            lane_pt=lane_pt,
            last_pt=last_pt,
            legend=legend,
            height_pt=legend[-1][0] + 9.0,
        )


def _names_across(
    strips: Strips, shape: Shape, left_pt: float, right_pt: float
) -> Iterator[tuple[str, float, bool]]:
    """Names of the places across, their columns, and which stand on the second row; those without room are left out."""
    taken: list[list[tuple[float, float]]] = [[], []]
    by_rank = sorted(strips.across.ticks, key=lambda tick: abs(2 * tick[0] - round(2 * tick[0])) > 0.07)
    for place, full_words in by_rank:
        room_pt = shape.width_pt / (1.0 if not strips.every_name else 2.0)
        words = fitted_words(full_words, shape.text_pt, room_pt)
        half_pt = text_width_pt(words, shape.text_pt) / 2.0 + _SPACE_PT / 2.0
        col = along(strips.across, place, left_pt, right_pt)
        col = min(max(col, half_pt), shape.width_pt - half_pt)
        for below in range(1 + strips.every_name):
            if all(col + half_pt < low or col - half_pt > high for low, high in taken[below]):
                taken[below].append((col - half_pt, col + half_pt))
                yield words, col, bool(below)
                break


def _legend(
    strips: Strips, shape: Shape, *, top_pt: float, on_page: bool
) -> Iterator[tuple[float, float, str, str, str]]:
    """Entries in rows, as many in a row as there is room for."""
    lines = [line for strip in strips.strips for line in strip.lines]
    lines = [line for line in lines if on_page or line.third == lines[0].third]
    shown = {line.role: line.name for line in lines if line.third == lines[0].third}
    drawn = {line.role for line in lines if len(line.path) > 1}
    entries = [("curve", role, name) for role, name in shown.items() if role in drawn]
    entries += [("ribbon", "", "outer to inner third")] * any(line.ribbon for line in lines)
    several = "first second" if {"first", "second"} <= drawn else ""
    entries += [("dot", several or lines[0].role, "a shot")] * any(
        len(line.shots) > len({place for place, _ in line.shots}) for line in lines
    )
    entries += [("ring", several or "frame", "best")] * any(line.best for line in lines)
    entries += [("good", "", strips.good_words)] * any(line.as_good for line in lines)
    entries += [("untold", "", "can't be told apart")] * any(line.untold for line in lines)
    entries += [("allowed", "", "what diffraction and pixel allow")] * any(
        strip.allowed for strip in strips.strips
    )
    if any(strip.differences for strip in strips.strips):
        entries.append(("equal", "", f"counts as equal (within {strips.equal_percent:.0f} %)"))
        seen = [one for strip in strips.strips for one in strip.differences]
        entries += [("visible", "", "visible from here")] * any(
            math.isfinite(one.visible_from_percent) for one in seen
        )
    row, col = top_pt, 4.0
    for kind, role, full_words in entries:
        words = fitted_words(full_words, shape.text_pt, shape.width_pt - 38.0)
        width_pt = 32.0 + text_width_pt(words, shape.text_pt)
        if col > 4.0 and col + width_pt > shape.width_pt:
            row, col = row + _LEGEND_STEP_PT, 4.0
        yield row, col, kind, role, words
        col += width_pt + 16.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pen:
    """Draws on one canvas."""

    canvas: Canvas
    strips: Strips
    layout: _Layout
    on_page: bool

    def col(self, place: float) -> float:
        """Column of a place across."""
        return along(self.strips.across, place, self.layout.left_pt, self.layout.right_pt)

    def scale_labels(
        self, percent: float, at: Point, *, said: float | None = None, kind: str = "tick", **look: Any
    ) -> None:
        """A value of the scale; on the page in each unit, of which one is shown; in percent as it is `said`."""
        for scale, unit in shown_units(self.strips.scales, on_page=self.on_page):
            value = percent if said is None or scale.key != "percent" else said
            self.canvas.write(scale.label(value), at, kind=f"{kind}{unit}", **look)

    def strip(self, strip: Strip, number: int) -> None:
        """One strip: rules, name, ribbon, lines, bars, and the lane below."""
        layout = self.layout
        step_pt = layout.name_pt + layout.row_pt + layout.lane_pt + _GAP_PT
        top_pt = _HEAD_PT + layout.name_pt + number * step_pt
        base_pt = top_pt + layout.row_pt
        ends = [layout.left_pt, layout.right_pt]
        upward = Axis(title="", low=0.0, high=self.strips.top_percent, ticks=())
        for percent in range(50, int(upward.high) + 1, 50):
            row = along(upward, percent, base_pt, top_pt)
            self.canvas.stroke(ends, [row, row], gid="rule", color=RULE, linewidth=0.8, zorder=0.5)
            self.scale_labels(percent, (row + 4.2, layout.right_pt + 6.0), color=FAINT, kind="name")
        self.canvas.stroke(ends, [base_pt, base_pt], gid="axis", color=INK, linewidth=1.0, zorder=1)
        self.name(strip.name, rows_pt=(base_pt, top_pt))
        shown = [line for line in strip.lines if self.on_page or line.third == strip.lines[0].third]
        for line in shown:
            several = len({line.third for line in strip.lines}) > 1
            of = f" of-{line.third}" if self.on_page and several else ""
            above = any(other.best and line.best and other.best[1] < line.best[1] for other in strip.lines)
            self._line(line, upward, rows_pt=(base_pt, top_pt), of=of, above=above and not several)
        self._allowed(strip, upward, rows_pt=(base_pt, top_pt))
        if strip.differences:
            self._lane(strip.differences, top_pt=base_pt + 6.0, bottom_pt=base_pt + layout.lane_pt)

    def name(self, words: str, *, rows_pt: Point) -> None:
        """Name of a strip beside it, or above it, as far as there is room."""
        layout, size_pt = self.layout, 1.1 * self.canvas.shape.text_pt
        if layout.name_pt:
            fitted = fitted_words(words, size_pt, self.canvas.shape.width_pt)
            at, side = (rows_pt[1] - 0.35 * size_pt, layout.left_pt), "left"
        else:
            fitted, at, side = words, (sum(rows_pt) / 2.0 + 5.0, layout.left_pt - 8.0), "right"
        if words:
            self.canvas.write(fitted, at, ha=side, fontsize=size_pt)

    def _line(self, line: StripLine, upward: Axis, *, rows_pt: Point, of: str, above: bool) -> None:
        """Ribbon, line, dots, bars and ring; its label stands below the ring, or `above` it."""
        base_pt, _ = rows_pt

        def at(place: float, percent: float) -> Point:
            return self.col(place), along(upward, min(percent, upward.high), *rows_pt)

        if line.ribbon:
            ribbon = line.ribbon
            if len(ribbon) == 1:
                ((place, low, high),) = ribbon
                ribbon = ((place - _LONE, low, high), (place + _LONE, low, high))
            upper = [at(place, high) for place, _, high in ribbon]
            lower = [at(place, low) for place, low, _ in reversed(ribbon)]
            look: dict[str, Any] = {"facecolor": RIBBON, "edgecolor": "none", "linewidth": 0, "zorder": 1}
            area = Polygon([*upper, *lower], closed=True, gid="ribbon", **look)
            self.canvas.sheet.add_patch(area)
        if line.path:
            cols, rows = zip(*(at(*point) for point in line.path), strict=True)
            look = line_look("curve", line.role, width_pt=2.0)
            look["gid"] += of
            self.canvas.sheet.plot(cols, rows, zorder=3, **look)
        if line.shots:
            cols, rows = zip(*(at(*point) for point in line.shots), strict=True)
            self._dots(list(cols), list(rows), role=line.role, of=of)
        for kind, places in (("good", line.as_good), ("untold", line.untold)):
            for place in places:
                self._bar(self.col(place), base_pt, kind=f"{kind}{of}")
        if line.best is not None:
            col, row = at(*line.best)
            self._ring((col, row), line.role, of=of)
            below = row + 12.0 + self.canvas.shape.text_pt
            spot = below if below < base_pt - 4.0 and not above else row - 12.0
            look = {"kind": f"small{of}", "ha": "center", "zorder": 6}
            self.scale_labels(line.best[1], (spot, col), said=line.best_percent, **look)

    def _ring(
        self, place: tuple[float, float], role: str, *, of: str = "", radius_pt: float = _RING_PT
    ) -> None:
        own = role not in {"frame", "inner", "middle", "outer"}
        color = STYLES[role].color if own else ACCENT.color
        ring: dict[str, Any] = {"fill": False, "color": color, "linewidth": 2.2, "zorder": 5}
        self.canvas.sheet.add_patch(Circle(place, radius_pt, gid=f"best{f' {role}' * own}{of}", **ring))

    def _dots(self, cols: list[float], rows: list[float], *, role: str, of: str) -> None:
        look: dict[str, Any] = {"marker": "o", "markersize": 2 * _DOT_PT, "linestyle": "none", "mew": 0}
        self.canvas.sheet.plot(cols, rows, color=STYLES[role].color, gid=f"dot {role}{of}", zorder=4, **look)

    def _bar(self, col: float, row: float, *, kind: str, most_pt: float = _WIDEST_BAR_PT) -> None:
        """Bar on the base line, about a stop and no wider than it, however near the next one is."""
        places = sorted(self.col(place) for place, _ in self.strips.across.ticks)
        nearest_pt = min((after - before for before, after in pairwise(places)), default=_WIDEST_BAR_PT)
        half_pt = max(min(most_pt, 0.72 * nearest_pt), 5.0) / 2.0
        hollow = kind.startswith("untold")
        look: dict[str, Any] = {
            "facecolor": PAPER if hollow else ACCENT.color,
            "edgecolor": ACCENT.color,
            "linewidth": 1.2,
            "zorder": 2.5,
            "boxstyle": f"round,pad=0,rounding_size={_BAR_PT / 2.0:g}",
        }
        start = (col - half_pt, row - _BAR_PT / 2.0)
        self.canvas.sheet.add_patch(FancyBboxPatch(start, 2.0 * half_pt, _BAR_PT, gid=kind, **look))

    def _allowed(self, strip: Strip, upward: Axis, *, rows_pt: Point) -> None:
        """Dotted, from where it comes down into the strip."""
        path: list[Point] = []
        for before, after in pairwise(strip.allowed):
            if before[1] > upward.high >= after[1]:
                share = (before[1] - upward.high) / (before[1] - after[1])
                path.append((before[0] + share * (after[0] - before[0]), upward.high))
            path += [before] if before[1] <= upward.high else []
        path += [point for point in strip.allowed[-1:] if point[1] <= upward.high]
        if path:
            rows = [along(upward, percent, *rows_pt) for _, percent in path]
            look: dict[str, Any] = {"color": FAINT, "linewidth": 1.3, "linestyle": (0, (1, 2)), "zorder": 2}
            self.canvas.stroke([self.col(place) for place, _ in path], rows, gid="allowed", **look)

    def _lane(self, differences: tuple[StripDifference, ...], *, top_pt: float, bottom_pt: float) -> None:
        """Differences with their intervals, the band that counts as equal, and from where one could see it."""
        layout, equal = self.layout, self.strips.equal_percent
        every = [one for strip in self.strips.strips for one in strip.differences]
        sizes = [abs(end) for one in every for end in (one.percent, one.low, one.high) if math.isfinite(end)]
        seen = [one.visible_from_percent for one in every if math.isfinite(one.visible_from_percent)]
        most = 1.1 * max(
            [2.0 * equal, *sizes, *(size for size in seen if size < 2.0 * max(sizes, default=0.0))]
        )
        # An interval that knows next to nothing is cut off, so that the others can be seen.
        most = min(
            most, max([100.0, *(1.1 * abs(one.percent) for one in every if math.isfinite(one.percent))])
        )
        upward = Axis(title="", low=-most, high=most, ticks=())

        def row(percent: float) -> float:
            return along(upward, percent, bottom_pt, top_pt)

        width_pt, ends = layout.right_pt - layout.left_pt, [layout.left_pt, layout.right_pt]
        band = Rectangle((layout.left_pt, row(equal)), width_pt, row(-equal) - row(equal))
        band.set(facecolor=BAND, edgecolor="none", linewidth=0, zorder=0.6, gid="equal")
        self.canvas.sheet.add_patch(band)
        self.canvas.stroke(ends, [row(0.0)] * 2, gid="axis", color=INK, linewidth=0.8, zorder=1)
        step = (
            next(size for size in (500, 200, 100, 50, 20, 10, 5, 2, 1) if size <= most)
            if most >= 1.0
            else most
        )
        roomy = row(0.0) - row(step) > 1.1 * self.canvas.shape.text_pt
        for percent in (step, 0, -step) if roomy else (step, -step):
            sign = "\N{MINUS SIGN}" if percent < 0 else "+" * (percent > 0)
            spot = (row(percent) + 4.2, layout.right_pt + 6.0)
            self.canvas.write(f"{sign}{abs(percent):g} %", spot, kind="name")
        for one in differences:
            col = self.col(one.place)
            if math.isfinite(one.low) and math.isfinite(one.high):
                rows = [row(max(one.low, -most)), row(min(one.high, most))]
                self.canvas.stroke([col, col], rows, gid="bar frame", color=INK, linewidth=1.6, zorder=3)
            for size in (one.visible_from_percent, -one.visible_from_percent):
                if abs(size) <= most:
                    look: dict[str, Any] = {"color": FAINT, "linewidth": 1.3, "linestyle": (0, (3, 1.5))}
                    self.canvas.stroke([col - 14.0, col + 14.0], [row(size)] * 2, gid="visible", **look)
        known = [one for one in differences if math.isfinite(one.percent)]
        self._dots(
            [self.col(one.place) for one in known], [row(one.percent) for one in known], role="frame", of=""
        )

    def across(self) -> None:
        """Stops below the last strip, full stops first where there is no room for each."""
        layout, row = self.layout, self.layout.last_pt + 20.0
        for place, _ in self.strips.across.ticks:
            ends = [layout.last_pt, layout.last_pt + 4.0]
            self.canvas.stroke([self.col(place)] * 2, ends, gid="axis", color=INK, linewidth=0.8)
        for words, col, below in _names_across(
            self.strips, self.canvas.shape, layout.left_pt, layout.right_pt
        ):
            self.canvas.write(words, (row + _LEGEND_STEP_PT * below, col), ha="center")

    def legend(self) -> None:
        """A small picture and its words for everything drawn."""
        for row, col, kind, role, words in self.layout.legend:
            ends, middle = [col, col + 24.0], col + 12.0
            match kind:
                case "curve":
                    self.canvas.sheet.plot(ends, [row - 4.0] * 2, **line_look("curve", role, width_pt=2.0))
                case "ribbon" | "equal":
                    patch = Rectangle((col, row - 9.0), 24.0, 10.0, gid=kind, linewidth=0)
                    patch.set_facecolor(RIBBON if kind == "ribbon" else BAND)
                    self.canvas.sheet.add_patch(patch)
                case "dot" | "ring":
                    roles = role.split()
                    for number, own in enumerate(roles):
                        place = middle + 14.0 * (number - 0.5 * (len(roles) - 1))
                        if kind == "dot":
                            self._dots([place], [row - 4.0], role=own, of="")
                        else:
                            self._ring((place, row - 4.0), own, radius_pt=5.4)
                case "good" | "untold":
                    self._bar(middle, row - 4.0, kind=kind, most_pt=24.0)
                case _:
                    dashes = (0, (1, 2) if kind == "allowed" else (3, 1.5))
                    look: dict[str, Any] = {"color": FAINT, "linewidth": 1.3, "linestyle": dashes}
                    self.canvas.stroke(ends, [row - 4.0] * 2, gid=kind, **look)
            self.canvas.write(words, (row, col + 30.0), kind="name")
