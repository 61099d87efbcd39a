"""A sheet over several smaller pages, to be cut at one border, laid over the neighbour's, and joined.

Where a sheet that is printed in parts is joined: along lines that cross as few of its targets as can be.

A part that lies half a millimetre off gives an edge under the join a step of its own, so a target that a join must
cross is left out of the print.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product
from math import ceil
from pathlib import Path
from typing import Final, TypeVar

import numpy as np

from lensbench.chart.draw.page import Corner, Page
from lensbench.chart.draw.sheet import draw_content
from lensbench.chart.layout import Layout, Note, paper_named, ruler_at
from lensbench.model.errors import SettingError
from lensbench.model.units import FloatArray

__all__ = ["OVERLAP_MM", "draw_tiled", "tiling"]


OVERLAP_MM: Final = 10.0
"""How far a part runs on under its neighbour."""
_CLEAR_MM: Final = 2.0
"""Between a join and what it must not touch."""
_CLOSER_MM: Final = 1.0
"""How much nearer it may come to a marker or a tone: a join fits between two tones."""
_FREE_MM: Final = 10.0
"""Further from the next rim a join gains nothing."""
_NEAR: Final = 0.01
"""What each millimetre less than that costs."""
_UNEVEN: Final = 1e-5
"""What a square millimetre off an even division costs."""
_FOCUSING_AID, _TARGET, _TONE, _MARKER = 1000.0, 10.0, 5.0, 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """What a join had better not cross, along one axis of the sheet."""

    name: str
    """A target's; else empty."""
    center_mm: float
    reach_mm: float
    cost: float

    def hit_by(self, place_mm: float) -> bool:
        """Tell whether a join at this place meets it."""
        return abs(place_mm - self.center_mm) < self.reach_mm + _CLEAR_MM


@dataclass(frozen=True, slots=True, kw_only=True)
class Joins:
    """Where a sheet, or a strip of it, is joined along one axis."""

    places_mm: tuple[float, ...]
    """From the sheet's centre."""
    crossed: tuple[str, ...]
    """Targets that a join meets."""
    cost: float


def obstacles(
    layout: Layout, axis: int, *, between_mm: tuple[float, float] = (-np.inf, np.inf)
) -> list[Obstacle]:
    """Give what stands in the way along an axis (0: down, 1: right), within a strip across it."""
    low, high = between_mm
    round_ones = [("", (0.0, 0.0), layout.quiet_radius_mm, _FOCUSING_AID)]
    round_ones += [(t.name, t.center_mm, t.radius_mm, _TARGET) for t in layout.targets]
    squares = [("", s.center_mm, s.side_mm / 2.0 - _CLOSER_MM, _TONE) for s in layout.tones]
    squares += [("", s.center_mm, s.side_mm / 2.0 - _CLOSER_MM, _MARKER) for s in layout.markers]
    return [
        Obstacle(name=name, center_mm=center_mm[axis], reach_mm=reach_mm, cost=cost)
        for name, center_mm, reach_mm, cost in (*round_ones, *squares)
        if low - reach_mm < center_mm[1 - axis] < high + reach_mm
    ]


def joins_along(found: Sequence[Obstacle], *, whole_mm: float, shown_mm: float, more_parts: int = 0) -> Joins:
    """Choose the joins along one axis, on a grid of millimetres, by dynamic programming.

    Parameters
    ----------
    found : sequence of Obstacle
        What stands along this axis.
    whole_mm : float
        The sheet's length.
    shown_mm : float
        What one part can show at most, its overlap included.
    more_parts : int
        Beyond the fewest that reach.
    """
    parts = max(ceil((whole_mm - OVERLAP_MM) / (shown_mm - OVERLAP_MM)), 1) + more_parts
    if parts == 1:
        return Joins(places_mm=(), crossed=(), cost=0.0)
    places = np.arange(-ceil(whole_mm / 2.0) + 1.0, ceil(whole_mm / 2.0))
    chosen = _cheapest(places, _cost(found, places), parts=parts, whole_mm=whole_mm, shown_mm=shown_mm)
    hit = [one for one in found if any(one.hit_by(place) for place in chosen)]
    return Joins(
        places_mm=tuple(chosen),
        crossed=tuple(one.name for one in hit if one.name),
        cost=sum(one.cost for one in hit),
    )


def _cost(found: Sequence[Obstacle], places: FloatArray) -> FloatArray:
    """Give what a join at each place would cross, and a little for passing near a rim."""
    cost = np.zeros_like(places)
    for one in found:
        room = np.abs(places - one.center_mm) - one.reach_mm
        cost += one.cost * (room < _CLEAR_MM) - _NEAR * np.clip(room, 0.0, _FREE_MM)
    return cost


def _cheapest(
    places: FloatArray, cost: FloatArray, *, parts: int, whole_mm: float, shown_mm: float
) -> list[float]:
    """Give the joins of least cost: each within a part's reach of the one before, the last within the border's."""
    step_mm = int(shown_mm - OVERLAP_MM)
    total = np.where(places <= step_mm - whole_mm / 2.0, cost + _uneven(places, 1, parts, whole_mm), np.inf)
    before = []
    for number in range(2, parts):
        padded = np.concatenate((np.full(step_mm, np.inf), total[:-1]))
        reachable = np.lib.stride_tricks.sliding_window_view(padded, step_mm)
        best = reachable.argmin(axis=1)
        before.append(np.arange(len(places)) - step_mm + best)
        total = reachable[np.arange(len(places)), best] + cost + _uneven(places, number, parts, whole_mm)
    index = int(np.argmin(np.where(places >= whole_mm / 2.0 - shown_mm, total, np.inf)))
    chosen = [index]
    for came_from in reversed(before):
        chosen.append(int(came_from[chosen[-1]]))
    return [float(places[index]) for index in reversed(chosen)]


def _uneven(places: FloatArray, number: int, parts: int, whole_mm: float) -> FloatArray:
    even = -whole_mm / 2.0 + whole_mm * number / parts
    return np.asarray(_UNEVEN * (places - even) ** 2, np.float64)


_MARGIN_MM: Final = 12.0
"""Of a tile: printers leave it blank, and the marks stand in it."""
_MARK_MM, _THIN_MM = 6.0, 0.15
_MOST_TILES: Final = 100
_RULER_MM: Final = 50.0
_PLAN_MM: Final = (7.0, 16.0)
"""Of the small plan: largest height and width."""
_PAGES_A_TARGET: Final = 0.75
"""How many more pages a target is worth."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """One page of a tiled sheet."""

    strip: int
    """Which row of pages (or column, as the tiling is), from 1."""
    page: int
    """Along the strip, from 1."""
    center_mm: Corner
    """The middle of the part that it shows, from the sheet's centre."""
    shown_mm: Corner
    """(height, width) of that part: from its own cut border to the overlap's end."""
    uncut: tuple[bool, bool]
    """Whether no page joins above; whether none joins at the left."""
    last: tuple[bool, bool]
    """Whether no page joins below; whether none joins at the right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiling:
    """How a sheet is laid over pages: in strips, each joined by itself before the strips are joined."""

    paper: str
    paper_mm: Corner
    """(height, width) of a page, lying or standing as suits."""
    axis: int
    """0: the strips are rows of pages; 1: columns."""
    tiles: tuple[Tile, ...]
    """Strip by strip."""
    left_out: tuple[str, ...]
    """Targets that a join would cross: they are not printed."""

    @property
    def strip_word(self) -> str:
        """What a strip is called."""
        return ("row", "column")[self.axis]

    def name(self, tile: Tile) -> str:
        """Name a page as it is printed on it."""
        return f"{self.strip_word} {tile.strip}, page {tile.page}"


def tiling(layout: Layout, tile: str) -> Tiling:
    """Lay a sheet over pages of a smaller paper: few pages, and joins that cross few targets.

    Raises
    ------
    SettingError
        The paper is not known, no smaller than the sheet, or a hundred pages would not do.
    """
    paper = paper_named(tile)
    lying = paper.size_mm
    if lying[0] * lying[1] >= layout.paper_mm[0] * layout.paper_mm[1]:
        raise SettingError(f"--tile {paper.name}: the page is no smaller than the chart's {layout.paper}")
    ways = [
        _laid(layout, paper.name, paper_mm, axis=axis, more=more)
        for paper_mm in (lying, lying[::-1])
        for axis in (0, 1)
        for more in product((0, 1), repeat=2)
    ]
    plan = min(ways, key=lambda way: len(way.tiles) + _PAGES_A_TARGET * _lost(layout, way))
    if len(plan.tiles) > _MOST_TILES:
        raise SettingError(
            f"--tile {paper.name}: {len(plan.tiles)} pages would be needed; take a larger paper"
        )
    return plan


def _lost(layout: Layout, way: Tiling) -> float:
    """Count the targets left out; the one in the middle, on which a photographer focuses, counts for all."""
    middle = next(target.name for target in layout.targets if target.center_mm == (0.0, 0.0))
    return len(way.left_out) + len(layout.targets) * (middle in way.left_out)


def _laid(layout: Layout, paper: str, paper_mm: Corner, *, axis: int, more: tuple[int, ...]) -> Tiling:
    """Cut the sheet into strips, and each strip into pages."""
    shown = [side - 2.0 * _MARGIN_MM for side in paper_mm]
    strips = joins_along(
        obstacles(layout, axis),
        whole_mm=layout.paper_mm[axis],
        shown_mm=shown[axis],
        more_parts=more[axis],
    )
    parts = _parts(strips, layout.paper_mm[axis])
    pages = [
        joins_along(
            obstacles(layout, 1 - axis, between_mm=(start, end - OVERLAP_MM)),
            whole_mm=layout.paper_mm[1 - axis],
            shown_mm=shown[1 - axis],
            more_parts=more[1 - axis],
        )
        for start, end in parts
    ]
    crossed = {name for joins in (strips, *pages) for name in joins.crossed}
    return Tiling(
        paper=paper,
        paper_mm=paper_mm,
        axis=axis,
        tiles=tuple(
            _tile(
                axis,
                strip=(number, len(parts)),
                page=(page, len(joins.places_mm) + 1),
                across=across,
                along=along,
            )
            for number, (across, joins) in enumerate(zip(parts, pages, strict=True), start=1)
            for page, along in enumerate(_parts(joins, layout.paper_mm[1 - axis]), start=1)
        ),
        left_out=tuple(target.name for target in layout.targets if target.name in crossed),
    )


def _parts(joins: Joins, whole_mm: float) -> list[Corner]:
    """Give where each part begins, at its join, and ends, under the neighbour."""
    borders = [-whole_mm / 2.0, *joins.places_mm, whole_mm / 2.0 - OVERLAP_MM]
    return [(start, end + OVERLAP_MM) for start, end in pairwise(borders)]


def _tile(axis: int, *, strip: tuple[int, int], page: tuple[int, int], across: Corner, along: Corner) -> Tile:
    """Put a page together; `strip` and `page` are (number, of how many), `across` and `along` (start, end)."""

    def ordered(first: T, second: T) -> tuple[T, T]:
        return (first, second) if axis == 0 else (second, first)

    return Tile(
        strip=strip[0],
        page=page[0],
        center_mm=ordered(sum(across) / 2.0, sum(along) / 2.0),
        shown_mm=ordered(across[1] - across[0], along[1] - along[0]),
        uncut=ordered(strip[0] == 1, page[0] == 1),
        last=ordered(strip[0] == strip[1], page[0] == page[1]),
    )


def draw_tiled(layout: Layout, plan: Tiling, out: Path) -> None:
    """Write a sheet as pages to be joined.

    Each page shows its part of the sheet, marks where to cut (upper and left border) and where the neighbour's
    cut edge comes to lie, its place among the others, and how to join.

    Raises
    ------
    SettingError
        The file cannot be written there.
    """
    page = Page(plan.paper_mm, title=f"lensbench {layout.name} on {len(plan.tiles)} pages {plan.paper}")
    for number, tile in enumerate(plan.tiles):
        if number:
            page.next_page()
        page.show_part(tile.center_mm, tile.shown_mm)
        draw_content(page, _shown(layout, tile, plan))
        page.show_whole()
        _draw_marks(page, tile)
        _draw_place(page, layout, plan, tile)
        _draw_words(page, layout, plan, tile)
    page.write(out)


def _shown(layout: Layout, tile: Tile, plan: Tiling) -> Layout:
    """Give the layout with only those shapes that a tile may show."""

    def shows(center_mm: Corner, reach_mm: float) -> bool:
        return all(
            abs(place - middle) <= shown / 2.0 + reach_mm
            for place, middle, shown in zip(center_mm, tile.center_mm, tile.shown_mm, strict=True)
        )

    centre = [target for target in layout.targets if target.center_mm == (0.0, 0.0)]
    others = [t for t in layout.targets if t not in centre and shows(t.center_mm, t.radius_mm)]
    return replace(
        layout,
        targets=(*centre, *(target for target in others if target.name not in plan.left_out)),
        markers=tuple(marker for marker in layout.markers if shows(marker.center_mm, marker.side_mm)),
        tones=tuple(tone for tone in layout.tones if shows(tone.center_mm, tone.side_mm)),
    )


def _draw_marks(page: Page, tile: Tile) -> None:
    """Draw bars in the margin: where to cut, and where the neighbour's cut edge comes to lie."""
    half_row, half_col = tile.shown_mm[0] / 2.0, tile.shown_mm[1] / 2.0
    for row in _marked(half_row, uncut=tile.uncut[0], last=tile.last[0]):
        for side in (-1.0, 1.0):
            page.polygon(_bar(row, side * (half_col + 1.0), side * (half_col + 1.0 + _MARK_MM)), 0.0)
    for col in _marked(half_col, uncut=tile.uncut[1], last=tile.last[1]):
        for side in (-1.0, 1.0):
            bar = _bar(col, side * (half_row + 1.0), side * (half_row + 1.0 + _MARK_MM))
            page.polygon([(row, place) for place, row in bar], 0.0)


def _marked(half_mm: float, *, uncut: bool, last: bool) -> list[float]:
    return [*([] if uncut else [-half_mm]), *([] if last else [half_mm - OVERLAP_MM])]


def _bar(row: float, start: float, end: float) -> list[Corner]:
    half = _THIN_MM / 2.0
    return [(row - half, start), (row - half, end), (row + half, end), (row + half, start)]


def _draw_place(page: Page, layout: Layout, plan: Tiling, tile: Tile) -> None:
    """Draw the joined pages small in the lower margin, this one filled."""
    scale = min(most / whole for most, whole in zip(_PLAN_MM, layout.paper_mm, strict=True))
    middle = (
        tile.shown_mm[0] / 2.0 + 1.5 + scale * layout.paper_mm[0] / 2.0,
        tile.shown_mm[1] / 2.0 - OVERLAP_MM - 4.0 - scale * layout.paper_mm[1] / 2.0,
    )
    for other in plan.tiles:
        outline = _outline(other, scale=scale, middle=middle, inset=0.0)
        page.polygon(outline, 0.0)
        if other is not tile:
            page.polygon(_outline(other, scale=scale, middle=middle, inset=2.0 * _THIN_MM), 1.0)


def _outline(tile: Tile, *, scale: float, middle: Corner, inset: float) -> list[Corner]:
    """Give the corners of a page in the small plan, as far as it shows when all are joined."""
    sides = []
    for axis in (0, 1):
        start = tile.center_mm[axis] - tile.shown_mm[axis] / 2.0
        end = start + tile.shown_mm[axis] - (0.0 if tile.last[axis] else OVERLAP_MM)
        sides.append((middle[axis] + scale * start + inset, middle[axis] + scale * end - inset))
    (top, bottom), (left, right) = sides
    return [(top, left), (top, right), (bottom, right), (bottom, left)]


def _draw_words(page: Page, layout: Layout, plan: Tiling, tile: Tile) -> None:
    half_row, half_col = tile.shown_mm[0] / 2.0, tile.shown_mm[1] / 2.0
    left, room = 2.0 - half_col, 2.0 * half_col - OVERLAP_MM - 4.0
    which = f"lensbench {layout.name}: {plan.name(tile)}. {_how(tile)}"
    beside = left + _RULER_MM + 3.0
    row = half_row + 5.5
    page.ruler(ruler_at((row, left), _RULER_MM))
    order = f"Join the pages of each {plan.strip_word} first, then the {plan.strip_word}s."
    lines = (
        (which, (-half_row - 5.4, left), room),
        (_check(layout, plan), (-half_row - 2.2, left), room),
        (order, (row - 3.0, beside), room - _RULER_MM - 6.0 - _PLAN_MM[1]),
        (
            f"This line is {_RULER_MM:g} mm long. Print at actual size (100 %).",
            (row, beside),
            room - _RULER_MM - 6.0 - _PLAN_MM[1],
        ),
    )
    for text, anchor, room_mm in lines:
        page.note(Note(text=text, anchor=anchor, size_mm=2.4, room_mm=room_mm))


def _how(tile: Tile) -> str:
    """Say how to join a page."""
    cut = [name for name, stays in zip(("upper", "left"), tile.uncut, strict=True) if not stays]
    if not cut:
        return "Leave this page whole."
    where = " and ".join({"upper": "above", "left": "at the left"}[name] for name in cut)
    return f"Cut its {' and '.join(cut)} border at the marks; lay the cut on the inner marks {where}."


def _check(layout: Layout, plan: Tiling) -> str:
    """Say how to see that the whole is right, and what is missing in it."""
    frame = layout.frames[0]
    text = (
        f"Join on a flat rigid board: then the outer {frame.ratio} marks at left and right stand "
        f"{frame.size_mm[1]:.1f} mm apart."
    )
    if plan.left_out:
        text += f" Not printed, for a join would cross them: {', '.join(plan.left_out)}."
    return text
