"""Plots on paper: strips over the whole width or in two columns, other plots in rows, the more of them the smaller.

Maps of a lens share one legend. No word is smaller than can be read.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from matplotlib.figure import Figure
from reportlab.lib.units import mm
from reportlab.platypus import Flowable
from reportlab.platypus import Table as Columns

from lensbench.report.draw import Plot
from lensbench.report.draw.canvas import WIDE, Shape
from lensbench.report.draw.field import FieldMap
from lensbench.report.draw.field_figure import legend_figure
from lensbench.report.draw.render import figure_of
from lensbench.report.draw.strips import Strips
from lensbench.report.draw.vector import VectorPlot
from lensbench.report.text.words import Grid, texts
from lensbench.storage.pdf import EVERY_CELL, WIDTH_PT

_GAP_PT: Final[float] = 6 * mm
_TEXT_PT: Final = 11.5
_HALF_SHAPE_PT: Final = 340.0
"""Width of a plot's figure that stands beside one other: its words, and those of smaller ones, have 8 pt on paper."""
_MOST_STRIPS: Final = 6  # over the whole width; more stand in two columns
_MOST_IN_COLUMNS: Final = 14  # on one page; yet more go on over the next
_MOST_BY_ROW: Final = {2: 4, 3: 6, 4: 8}
"""Up to how many plots stand in rows of two, three and four; more stand in rows of five."""
LEAST_BARE_ROW: Final = 4
"""Maps in rows of so many have no room for figures."""


def plot_width_pt(across: int) -> float:
    """How wide each of so many plots in a row is on paper."""
    return (WIDTH_PT - (across - 1) * _GAP_PT) / across


def in_a_row(count: int) -> int:
    """How many of so many plots stand in a row."""
    return next((across for across, most in _MOST_BY_ROW.items() if count <= most), max(_MOST_BY_ROW) + 1)


def in_rows(cells: Sequence[list[Flowable]], across: int = 2, *, headed: bool = False) -> Iterator[Flowable]:
    """Rows of so many; below the heads of `headed` cells, however long those are, all begins at one height."""
    filled = [*cells, *[[]] * (-len(cells) % across)]
    style = [*EVERY_CELL, ("NOSPLIT", (0, 0), (-1, -1)), *[("BOTTOMPADDING", (0, 0), (-1, 0), 0)] * headed]
    for start in range(0, len(filled), across):
        row = filled[start : start + across]
        rows = [[cell[:1] for cell in row], [cell[1:] for cell in row]] if headed else [row]
        yield Columns(rows, colWidths=[WIDTH_PT / across] * across, style=style, hAlign="LEFT")


class PaperPlots:
    """Flowables of plots; each figure is made once, however often the text around it is set."""

    def __init__(self) -> None:
        self._figures: dict[tuple[str, int], tuple[Figure, ...]] = {}

    def strips(self, plot: Strips) -> list[Flowable]:
        """Strips over the whole width; those of many focal lengths in two columns, the shorter one at the right."""
        figures = self._figures.setdefault((plot.key, 1), ()) or tuple(_strip_figures(plot))
        self._figures[plot.key, 1] = figures
        if len(figures) == 1:
            return [VectorPlot(figures[0], WIDTH_PT, text_pt=WIDE.text_pt, alt=plot.about)]
        alts = [plot.about, *[texts("paper")["strips_on"]] * (len(figures) - 1)]
        columns = [
            [VectorPlot(figure, plot_width_pt(2), text_pt=_TEXT_PT, alt=alt)]
            for figure, alt in zip(figures, alts, strict=True)
        ]
        return list(in_rows(columns))

    def beside(self, plot: Plot, across: int, *, legend: bool = True) -> VectorPlot:
        """A plot as one of so many in a row; a map without its own `legend` where there is one for all."""
        key = plot.key, across if legend else -across
        if key not in self._figures:
            self._figures[key] = (figure_of(plot, _shape(across), legend=legend),)
        return VectorPlot(self._figures[key][0], plot_width_pt(across), text_pt=_TEXT_PT, alt=plot.about)

    @staticmethod
    def legend(plot: FieldMap, across: int) -> VectorPlot:
        """Legend of all maps of a lens, in a row."""
        whole = Shape(_HALF_SHAPE_PT * WIDTH_PT / plot_width_pt(2), _TEXT_PT)
        figure = legend_figure(plot, whole, of_maps=_shape(across))
        return VectorPlot(figure, WIDTH_PT, text_pt=_TEXT_PT, alt=texts("paper")["legend"])


def places_grid(maps: Sequence[FieldMap]) -> Grid:
    """Centre and corners of many maps, a row each: what small maps have no room for."""
    first, names = maps[0], tuple(maps[0].places)
    header = [place for place, _ in names]
    rows = []
    for field in maps:
        figures = dict(field.places)
        cells = (field.scales[0].label(field.percent(figures.get(place, math.nan))) for place in header)
        rows.append((field.title.partition(":")[0], *cells))
    caption = texts("paper")["places"].format(full=first.scales[0].legend)
    return Grid(caption=caption, header=("setting", *map(str, header)), rows=tuple(rows))


def _shape(across: int) -> Shape:
    return Shape(_HALF_SHAPE_PT * plot_width_pt(across) / plot_width_pt(2), _TEXT_PT, narrow=True)


def _strip_figures(plot: Strips) -> Iterator[Figure]:
    """One figure, or an even number of them, each with its share of the strips."""
    count = len(plot.strips)
    if count <= _MOST_STRIPS:
        yield figure_of(plot)
        return
    parts = 2 * math.ceil(count / _MOST_IN_COLUMNS)
    share = math.ceil(count / parts)
    for start in range(0, count, share):
        yield figure_of(replace(plot, strips=plot.strips[start : start + share]), _shape(2))
