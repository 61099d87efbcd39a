"""A sheet over several smaller pages, to be cut at one border, laid over the neighbour's, and joined."""

from dataclasses import dataclass, replace
from math import ceil
from pathlib import Path
from typing import Final

from lensbench.chart.drawing import draw_content
from lensbench.chart.layout import Layout
from lensbench.chart.lettering import Note, ruler_at
from lensbench.chart.page import Corner, Page
from lensbench.chart.papers import paper_named
from lensbench.errors import SettingError

__all__ = ["OVERLAP_MM", "Tile", "Tiling", "draw_tiled", "tiling"]

OVERLAP_MM: Final = 10.0
_MARGIN_MM: Final = 12.0
"""Of a tile: printers leave it blank, and the marks stand in it."""
_MARK_MM, _THIN_MM = 6.0, 0.15
_MOST_TILES: Final = 100
_RULER_MM: Final = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """One page of a tiled sheet."""

    name: str
    """Row letter and column number, from the upper left: «B3»."""
    center_mm: Corner
    """The part of the sheet that it shows, from the sheet's centre."""
    first_row: bool
    first_col: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiling:
    """How a sheet is laid over pages."""

    paper: str
    paper_mm: Corner
    """(height, width) of a page, lying or standing as needs fewer."""
    shown_mm: Corner
    """(height, width) of the part of the sheet on one page, overlap included."""
    rows: int
    cols: int
    tiles: tuple[Tile, ...]


def tiling(layout: Layout, tile: str) -> Tiling:
    """Lay a sheet over pages of a smaller paper.

    Raises
    ------
    SettingError
        The paper is not known, no smaller than the sheet, or a hundred pages would not do.
    """
    paper = paper_named(tile)
    lying = paper.size_mm
    if lying[0] * lying[1] >= layout.paper_mm[0] * layout.paper_mm[1]:
        raise SettingError(f"--tile {paper.name}: the page is no smaller than the chart's {layout.paper}")
    paper_mm = min((lying, lying[::-1]), key=lambda size: _counts(layout, size)[0] * _counts(layout, size)[1])
    rows, cols = _counts(layout, paper_mm)
    if rows * cols > _MOST_TILES:
        raise SettingError(f"--tile {paper.name}: {rows * cols} pages would be needed; take a larger paper")
    shown_mm = (paper_mm[0] - 2.0 * _MARGIN_MM, paper_mm[1] - 2.0 * _MARGIN_MM)
    steps = [side - OVERLAP_MM for side in shown_mm]
    tiles = tuple(
        Tile(
            name=f"{chr(ord('A') + row)}{col + 1}",
            center_mm=((row - (rows - 1) / 2.0) * steps[0], (col - (cols - 1) / 2.0) * steps[1]),
            first_row=row == 0,
            first_col=col == 0,
        )
        for row in range(rows)
        for col in range(cols)
    )
    return Tiling(paper=paper.name, paper_mm=paper_mm, shown_mm=shown_mm, rows=rows, cols=cols, tiles=tiles)


def _counts(layout: Layout, paper_mm: Corner) -> tuple[int, int]:
    rows, cols = (
        ceil((whole - OVERLAP_MM) / (side - 2.0 * _MARGIN_MM - OVERLAP_MM))
        for whole, side in zip(layout.paper_mm, paper_mm, strict=True)
    )
    return max(rows, 1), max(cols, 1)


def draw_tiled(layout: Layout, plan: Tiling, out: Path) -> None:
    """Write a sheet as pages to be joined.

    Each page shows its part of the sheet, marks where to cut (upper and left border) and where the neighbour's
    cut edge comes to lie, and its name.

    Raises
    ------
    SettingError
        The file cannot be written there.
    """
    page = Page(plan.paper_mm, title=f"lensbench {layout.name} on {len(plan.tiles)} pages {plan.paper}")
    for number, tile in enumerate(plan.tiles):
        if number:
            page.next_page()
        page.show_part(tile.center_mm, plan.shown_mm)
        draw_content(page, _shown(layout, tile, plan))
        page.show_whole()
        _draw_marks(page, plan)
        _draw_words(page, layout, plan, tile)
    page.write(out)


def _shown(layout: Layout, tile: Tile, plan: Tiling) -> Layout:
    """Give the layout with only those shapes that a tile may show."""

    def shows(center_mm: Corner, reach_mm: float) -> bool:
        return all(
            abs(place - middle) <= shown / 2.0 + reach_mm
            for place, middle, shown in zip(center_mm, tile.center_mm, plan.shown_mm, strict=True)
        )

    centre = [target for target in layout.targets if target.center_mm == (0.0, 0.0)]
    others = [t for t in layout.targets if t not in centre and shows(t.center_mm, t.radius_mm)]
    return replace(
        layout,
        targets=(*centre, *others),
        markers=tuple(marker for marker in layout.markers if shows(marker.center_mm, marker.side_mm)),
        tones=tuple(tone for tone in layout.tones if shows(tone.center_mm, tone.side_mm)),
    )


def _draw_marks(page: Page, plan: Tiling) -> None:
    """Draw bars in the margin at the borders of the shown part, and at the overlap's inner lines."""
    half_row, half_col = plan.shown_mm[0] / 2.0, plan.shown_mm[1] / 2.0
    lines_row = (-half_row, half_row - OVERLAP_MM)
    lines_col = (-half_col, half_col - OVERLAP_MM)
    for row in lines_row:
        for side in (-1.0, 1.0):
            page.polygon(_bar(row, side * (half_col + 1.0), side * (half_col + 1.0 + _MARK_MM)), 0.0)
    for col in lines_col:
        for side in (-1.0, 1.0):
            bar = _bar(col, side * (half_row + 1.0), side * (half_row + 1.0 + _MARK_MM))
            page.polygon([(row, place) for place, row in bar], 0.0)


def _bar(row: float, start: float, end: float) -> list[Corner]:
    half = _THIN_MM / 2.0
    return [(row - half, start), (row - half, end), (row + half, end), (row + half, start)]


def _draw_words(page: Page, layout: Layout, plan: Tiling, tile: Tile) -> None:
    half_row, half_col = plan.shown_mm[0] / 2.0, plan.shown_mm[1] / 2.0
    base = -half_row - 2.5
    title = f"{layout.name}, page {tile.name} of {plan.rows} rows (A to {chr(ord('A') + plan.rows - 1)})"
    cut = "left" if tile.first_row else "upper" if tile.first_col else "upper and left"
    whole = tile.first_row and tile.first_col
    join = (
        "First page: do not cut."
        if whole
        else f"Cut the {cut} border at the marks; lay it on the neighbour's inner marks."
    )
    left = -half_col + 2.0
    room = 2.0 * half_col - OVERLAP_MM - 4.0
    page.note(
        Note(text=f"{title} and {plan.cols} columns. {join}", anchor=(base, left), size_mm=2.6, room_mm=room)
    )
    row = half_row + 5.5
    page.ruler(ruler_at((row, left), _RULER_MM))
    page.note(
        Note(
            text=f"This line is {_RULER_MM:g} mm long. Print at actual size (100 %), join on a flat rigid board.",
            anchor=(row, left + _RULER_MM + 3.0),
            size_mm=2.6,
            room_mm=room - _RULER_MM - 3.0,
        )
    )
