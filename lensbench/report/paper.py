"""The report as a PDF: the page's blocks in the same order, the answer first, every plot as vectors.

A lens begins on a page of its own. No page is left nearly empty: where one would be, all text becomes a little smaller.
"""

from collections.abc import Iterator, Mapping
from typing import Final

from matplotlib.figure import Figure
from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, KeepTogether, PageBreak, Paragraph, Spacer
from reportlab.platypus import Table as Columns

from lensbench.model.units import Paper
from lensbench.report.document import Answer, Block, Lines, Part, Plot, Plots, Report, Table
from lensbench.report.render import figure_of
from lensbench.report.strips import Strips
from lensbench.report.vector import VectorPlot
from lensbench.storage.pdf import EVERY_CELL, WIDTH_PT, grid, pdf_pages, text

_PLOT_WIDTH_PT: Final = (WIDTH_PT - 6 * mm) / 2.0
_SIZES_PT: Final = {
    "answer": 20.0,
    "lead": 12.0,
    "section": 12.5,
    "body": 9.0,
    "plot": 8.5,
    "cell": 7.2,
    "about": 7.5,
}
"""Font sizes by the kind of text."""
_BOLD: Final = {"answer", "section", "plot"}
_SCALES: Final = (1.0, 0.96, 0.92, 0.88)
"""Of the text, tried in this order."""
_NEARLY_EMPTY: Final = 0.25
"""A page that is filled to less than this share of its height. Common practice, no source."""


def pdf_of(report: Report, *, paper: Paper = "A4") -> bytes:
    """PDF of a report: of the sizes of text that are tried, the first that leaves no page nearly empty."""
    made: list[tuple[float, bytes]] = []
    figures = {plot.key: figure_of(plot) for plot in report.plots}
    for scale in _SCALES:
        fills: list[float] = []
        story = list(_Typesetter(scale, figures).story(report))
        content = pdf_pages(story, title=report.title, footer="Made by lensbench", paper=paper, fills=fills)
        if min(fills) >= _NEARLY_EMPTY or len(fills) == 1:
            return content
        made.append((min(fills), content))
    return max(made, key=lambda each: each[0])[1]


class _Typesetter:
    """Lays blocks out as flowables, all text in one scale."""

    def __init__(self, scale: float, figures: Mapping[str, Figure]) -> None:
        self._scale = scale
        self._figures = figures
        self._level = 0
        """Of the next section in the outline."""

    def story(self, report: Report) -> Iterator[Flowable]:
        """Everything, a lens on a page of its own."""
        for number, block in enumerate(report.blocks):
            if number and isinstance(block, Part) and block.kind == "lens":
                yield PageBreak()
            yield from self._block(block)

    def _block(self, block: Block) -> list[Flowable]:
        match block:
            case Answer(about=about, sentences=(first, *rest), limits=limits):
                story: list[Flowable] = [
                    self._text(first, "answer"),
                    *(self._text(words, "lead") for words in rest),
                ]
                story += [self._text(words, "body") for words in limits]
                story += [*([self._text(about, "about")] if about else []), Spacer(0, 2 * mm)]
            case Lines(sentences=sentences, kind="steps", title=title):
                lines = [
                    self._text(f"{number}. {words}", "body") for number, words in enumerate(sentences, 1)
                ]
                story = [KeepTogether([self._text(title, "section"), *lines])]
            case Lines(sentences=sentences, kind=kind):
                story = [self._text(words, "lead" if kind == "lead" else "body") for words in sentences]
            case Table():
                story = self._table(block)
            case Plots(title=title):
                story = [self._text(title, "section") if title else Spacer(0, 2 * mm), *self._plots(block)]
            case Part():
                story = self._part(block)
        return story

    def _part(self, part: Part) -> list[Flowable]:
        """A lens or a pair stands in the outline above its own sections."""
        story: list[Flowable] = (
            [CondPageBreak(105 * mm), self._text(part.title, "section")] if part.title else []
        )
        above, self._level = self._level, self._level + bool(part.title)
        story += [flowable for inner in part.blocks for flowable in self._block(inner)]
        self._level = above
        return [PageBreak(), *story, PageBreak()] if part.kind == "evidence" else story

    def _table(self, table: Table) -> list[Flowable]:
        size_pt = self._scale * _SIZES_PT["cell"]
        cells = grid(table.grid.header, table.grid.rows, size_pt=size_pt)
        if table.kind == "list":
            return [KeepTogether([*([self._text(table.title, "section")] if table.title else []), cells])]
        title = self._text(table.title or table.grid.caption, "section")
        story = [CondPageBreak(35 * mm), title, cells]
        return [*story, self._text(table.grid.caption, "about")] if table.captioned else story

    def _plots(self, plots: Plots) -> Iterator[Flowable]:
        """Strips over the whole width, other plots two in a row, each with its words."""
        wide = [plot for plot in plots.plots if isinstance(plot, Strips)]
        yield from (KeepTogether(self._plot(plot, WIDTH_PT)) for plot in wide)
        cells = [self._plot(plot, _PLOT_WIDTH_PT) for plot in plots.plots if plot not in wide]
        cells += [[]] * (len(cells) % 2)
        for start in range(0, len(cells), 2):
            row = [cells[start : start + 2]]
            yield Columns(row, colWidths=[WIDTH_PT / 2.0] * 2, style=EVERY_CELL, hAlign="LEFT")

    def _plot(self, plot: Plot, width_pt: float) -> list[Flowable]:
        drawing = VectorPlot(self._figures[plot.key], width_pt)
        return [self._text(plot.title, "plot"), drawing, self._text(plot.about, "about")]

    def _text(self, words: str, kind: str) -> Paragraph:
        return text(
            words,
            self._scale * _SIZES_PT[kind],
            bold=kind in _BOLD,
            faint=kind == "about",
            before_pt=10.0 if kind == "section" else 0.0,
            after_pt=4.0 if kind in {"section", "answer"} else 2.0,
            level=self._level if kind == "section" else None,
        )
