"""The report as a PDF: the page's blocks in the same order, every plot as vectors; a lens's first page is its answer.

A lens begins on a page of its own. No page is left nearly empty: where one would be, larger text becomes a little
smaller, but none smaller than can be read.
"""

import base64
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import chain, groupby
from statistics import fmean
from typing import Any, Final

from matplotlib.figure import Figure
from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, Image, KeepTogether, PageBreak, Paragraph, Spacer
from reportlab.platypus import Table as Columns

from lensbench.model.units import Paper
from lensbench.report.draw import Plot
from lensbench.report.draw.canvas import WIDE, Shape
from lensbench.report.draw.render import figure_of
from lensbench.report.draw.strips import Strips
from lensbench.report.draw.vector import VectorPlot
from lensbench.report.out.html import kept_together
from lensbench.report.page.document import (
    Answer,
    Block,
    Cards,
    Crops,
    Figures,
    Fold,
    Lines,
    Opening,
    Part,
    Plots,
    Report,
    ShotRows,
    Table,
)
from lensbench.report.text.words import NOT_MEASURED, Grid, texts, worded
from lensbench.storage.pdf import EVERY_CELL, LEAST_PT, WIDTH_PT, grid, pdf_pages, text

_PLOT_WIDTH_PT: Final = (WIDTH_PT - 6 * mm) / 2.0
_HALF: Final = Shape(340.0, 11.5, narrow=True)
"""Of a plot beside another: its words are of 8 pt on paper."""
_SIZES_PT: Final = {
    "setting": 36.0,
    "answer": 20.0,
    "label": 11.0,
    "lead": 11.0,
    "section": 12.5,
    "plot": 8.5,
    "body": 9.0,
    "cell": 8.0,
    "about": 8.0,
}
"""Font sizes by the kind of text."""
_BOLD: Final = {"setting", "answer", "label", "section", "plot"}
_AFTER_PT: Final = {"setting": 7.0, "section": 4.0, "answer": 4.0}
_SCALES: Final = (1.0, 0.95, 0.9)
"""Of the text above the least size, tried in this order."""
_MOST_PAGES: Final = 6
"""For a lens."""
_MOST_STRIPS: Final = 6
"""On one page."""
_MOST_ROWS: Final = 24
"""Of what the page folds; a longer list is not printed."""
_LOW_PT: Final = 80 * mm
"""A table of no greater height is not broken over two pages."""
_TALL_PT: Final = 1e5
_HASH: Final = 64
"""Letters of a hash."""
_FEW_COLUMNS: Final = 5
"""A table of no more stands beside another."""
_MOST_COLUMNS: Final = 9
"""Of a table of figures: more would break them."""
_PROSE: Final = (40, 20)
"""Letters from which on columns hold sentences: the first of them, in the mean; the rest, in the longest cell."""
_NEARLY_EMPTY: Final = 0.25
"""A page that is filled to less than this share of its height. Common practice, no source."""


def pdf_of(report: Report, *, paper: Paper = "A4") -> bytes:
    """PDF of a report, in the largest size of text that needs few pages and leaves none of them nearly empty."""
    lenses = sum(isinstance(block, Part) and block.kind == "lens" for block in report.blocks)
    figures = {plot.key: tuple(_pieces(plot)) for plot in report.plots}

    def laid_out(scale: float, *, sketch: bool) -> tuple[list[float], bytes]:
        fills: list[float] = []
        story = list(_Typesetter(scale, figures).story(report))
        how: dict[str, Any] = {"title": report.title, "footer": "Made by lensbench", "paper": paper}
        return fills, pdf_pages(story, fills=fills, sketch=sketch, **how)

    first = b""
    tried: list[tuple[int, float, float]] = []
    for scale in _SCALES:
        fills, content = laid_out(
            scale, sketch=bool(first)
        )  # it is drawn again only where another size is the best
        first = first or content
        pages_over = max(len(fills) - _MOST_PAGES * max(lenses, 1), 0)
        tried.append((pages_over, -min(fills), -scale))
        if len(fills) == 1 or (min(fills) >= _NEARLY_EMPTY and not pages_over):
            break
    else:
        scale = -min(tried)[-1]
    return first if scale == _SCALES[0] else laid_out(scale, sketch=False)[1]


def _pieces(plot: Plot) -> Iterator[Figure]:
    """Figure of a plot, or of strips of many focal lengths in parts that are readable on a page."""
    if not isinstance(plot, Strips):
        yield figure_of(plot, _HALF)
        return
    share = math.ceil(len(plot.strips) / math.ceil(len(plot.strips) / _MOST_STRIPS))
    for start in range(0, len(plot.strips), share):
        yield figure_of(replace(plot, strips=plot.strips[start : start + share]))


class _Typesetter:
    """Lays blocks out as flowables, all text in one scale."""

    def __init__(self, scale: float, figures: Mapping[str, tuple[Figure, ...]]) -> None:
        self._scale = scale
        self._figures = figures
        self._level = 0
        """Of the next section in the outline."""
        self._heading = ""
        """The last one."""
        self._sheets: list[list[Flowable]] = []
        """What is handed on alone: it stands last, so that no page before it is left half empty."""

    def story(self, report: Report) -> Iterator[Flowable]:
        """Everything, a lens on a page of its own; the first one below the list of all."""
        before: Block | None = None
        for block in report.blocks:
            if isinstance(block, Part) and block.kind == "lens" and isinstance(before, Part):
                yield PageBreak()
            yield from self._block(block)
            before = block
        for sheet in self._sheets:
            yield PageBreak()
            yield from sheet

    def _block(self, block: Block) -> list[Flowable]:
        match block:
            case Answer(about=about, sentences=(first, *rest), limits=limits):
                story = [self._text(first, "answer"), *(self._text(words, "lead") for words in rest)]
                story += [self._text(words, "body") for words in limits]
                story += [*([self._text(about, "about")] if about else []), Spacer(0, 2 * mm)]
            case Lines():
                story = self._lines(block)
            case Table(title=title, grid=own, kind="list"):
                head = [self._text(title, "section")] if title else []
                story = _begun([*head, self._runs(own.rows)], least_pt=30 * mm)
            case Table(title=title, grid=own, captioned=captioned):
                story = self._table(title, own, captioned=captioned)
            case Figures():
                story = _begun(self._figures_table(block, WIDTH_PT), least_pt=40 * mm)
            case ShotRows(left_out_grid=None):
                story = []
            case ShotRows(title=title, left_out_grid=Grid() as left_out):
                story = self._table(f"{title}: {left_out.caption.lower()}", left_out, captioned=False)
            case Plots(title=title):
                head, rows = [self._text(title, "section")] if title else [], list(self._plots(block))
                solid = [*head, *(row for row in rows[:1] if not isinstance(row, KeepTogether))]
                height_pt = sum(flowable.wrap(WIDTH_PT, _TALL_PT)[1] + 3 * mm for flowable in solid)
                story = [CondPageBreak(max(height_pt, 90 * mm)), *head, *rows] if head else rows
            case _:
                story = list(self._composed(block))
        return story

    def _crops(self, crops: Crops) -> Iterator[Flowable]:
        """Pieces of photographs, a pixel a third of a millimetre wide."""
        for number, row in enumerate(crops.rows):
            yield self._text(f"{row.setting}: {row.name}" if number % 2 == 0 else row.name, "about")
            content = io.BytesIO(base64.b64decode(row.picture.partition(",")[2]))
            size = (crops.width_px * mm / 3.0, crops.height_px * mm / 3.0)
            yield Image(content, *size, mask="auto", hAlign="LEFT")

    def _composed(self, block: Block) -> Iterator[Flowable]:
        """What holds other blocks, or begins a lens."""
        match block:
            case Crops(title=title, about=about):
                head = [self._text(title, "section"), self._text(about, "about")]
                yield KeepTogether([*head, *self._crops(block)])
            case Opening():
                yield from self._opening(block)
            case Cards():
                yield from self._cards(block)
            case Fold(blocks=(Table() as only,)) if _is_hashes(only):
                yield from self._folded([only])
            case Fold(title=title, blocks=blocks, minor=minor):
                head = self._text(title, "plot", before_pt=8.0) if minor else self._text(title, "section")
                yield from _begun([head, *self._folded(blocks)], least_pt=60 * mm)
            case Part():
                yield from self._part(block)

    def _opening(self, opening: Opening) -> Iterator[Flowable]:
        """The answer in short lines above its strips, which take what is left of the page."""
        yield self._text(opening.about, "about")
        yield self._text(opening.label, "label")
        yield self._text(opening.setting, "setting", entry=(0, opening.about.partition(" · ")[0]))
        yield from [self._text(opening.beside, "lead")] if opening.beside else []
        rows = [
            [
                self._text(purpose, "body", faint=True),
                self._text(f"{setting}{f' ({note})' * bool(note)}", "body"),
            ]
            for purpose, setting, note in opening.purposes
        ]
        for name, words in (("This copy", opening.copy), ("How sure", opening.sure)):
            rows += [[self._text(name, "body", faint=True), self._text(words, "body")]] if words else []
        if rows:
            yield Spacer(0, 2 * mm)
            yield Columns(rows, colWidths=[0.34 * WIDTH_PT, 0.66 * WIDTH_PT], style=EVERY_CELL, hAlign="LEFT")
        if opening.strips is not None:
            yield Spacer(0, 3 * mm)
            yield from self._drawn(opening.strips)

    def _cards(self, cards: Cards) -> Iterator[Flowable]:
        """Every lens in a row, above the first one's answer."""
        yield self._text(cards.title, "answer")
        rows = [
            [
                self._text(card.name, "body", bold=True),
                [self._text(card.label, "about"), self._text(card.setting, "lead", bold=True)],
                self._text(card.copy, "body"),
            ]
            for card in cards.cards
        ]
        yield Columns(
            rows,
            colWidths=[0.32 * WIDTH_PT, 0.3 * WIDTH_PT, 0.38 * WIDTH_PT],
            style=EVERY_CELL,
            hAlign="LEFT",
        )
        yield Spacer(0, 6 * mm)

    def _lines(self, lines: Lines) -> list[Flowable]:
        title = [self._text(lines.title, "section")] if lines.title else []
        if lines.kind == "steps":
            numbered = [f"{number}. {words}" for number, words in enumerate(lines.sentences, 1)]
            return _begun([*title, *(self._text(words, "body") for words in numbered)], least_pt=60 * mm)
        kind = "lead" if lines.kind == "lead" and not self._level else "body"
        flowing = lines.kind == "lead" and not lines.title and self._level > 0
        said = (" ".join(lines.sentences),) if flowing else lines.sentences
        story = [self._text(words, kind) for words in said]
        return [CondPageBreak(60 * mm), *title, *story] if title else [Spacer(0, 1.5 * mm), *story]

    def _part(self, part: Part) -> list[Flowable]:
        """A lens or a pair stands in the outline above its own sections."""
        above = self._level
        self._level = 0 if part.kind == "evidence" else above
        story: list[Flowable] = (
            [CondPageBreak(105 * mm), self._text(part.title, "section")] if part.title else []
        )
        self._level += bool(part.title or isinstance(part.blocks[0], Opening))
        evidence = part.kind == "evidence"
        story += (
            self._sheet(part) if evidence else chain.from_iterable(map(self._block, _filled(part.blocks)))
        )
        self._level = above
        if evidence:
            self._sheets.append(story)
            return []
        return story

    def _sheet(self, part: Part) -> list[Flowable]:
        """What is handed on alone, on one page as a rule: the map stands beside all that follows the long table."""
        maps = [block for block in part.blocks if isinstance(block, Plots)]
        lead, *cautions = (block for block in part.blocks if isinstance(block, Lines))
        fields, settings, *others = (block for block in part.blocks if isinstance(block, Table))
        width_pt = _PLOT_WIDTH_PT if maps else WIDTH_PT
        beside: list[Flowable] = []
        for table in others:
            beside += self._table("", table.grid, captioned=False, width_pt=width_pt)[bool(maps) :]
        beside += chain.from_iterable(map(self._lines, cautions))
        story = [*self._lines(lead), *self._table("", fields.grid, captioned=False)]
        story += self._table("", settings.brief or settings.grid, captioned=False)
        if not maps:
            return [*story, *beside]
        return [*story, *_in_pairs([self._plot(maps[0].plots[0])[:-1], beside])]

    def _folded(self, blocks: Sequence[Block]) -> Iterator[Flowable]:
        """What the page folds; small tables of figures stand two in a row."""
        for small, run in groupby(blocks, key=_is_small):
            together = [part for block in run for part in self._shortened(block)]
            if small and len(together) > 1:
                figures = (block for block in together if isinstance(block, Figures))
                yield from _in_pairs([self._figures_table(one, _PLOT_WIDTH_PT) for one in figures])
            else:
                yield from (flowable for block in together for flowable in self._block(block))

    @staticmethod
    def _shortened(block: Block) -> list[Block]:
        """Block, of a long or wide one its parts or where to find it: nobody types a hundred hashes from paper."""
        long = isinstance(block, Table) and (len(block.grid.rows) > _MOST_ROWS or _is_hashes(block))
        wide = isinstance(block, Figures) and len(block.header) > _MOST_COLUMNS
        if isinstance(block, Figures) and wide and block.third == "frame":
            first, step = block.header[0], _MOST_COLUMNS - 1
            return [
                replace(
                    block,
                    header=(first, *block.header[start : start + step]),
                    rows=tuple((head, cells[start - 1 : start - 1 + step]) for head, cells in block.rows),
                )
                for start in range(1, len(block.header), step)
            ]
        if isinstance(block, Table | Figures) and (long or wide):
            own = block.grid
            return [Lines((worded("paper.long", what=own.caption, rows=len(own.rows)),), kind="limits")]
        return [block]

    def _figures_table(self, figures: Figures, width_pt: float) -> list[Flowable]:
        """Table below the first sentence of its caption, and above the rest."""
        own = figures.grid
        title, _, rest = own.caption.partition(". ")
        story: list[Flowable] = [self._text(title, "plot", before_pt=8.0)]
        story.append(grid(own.header, own.rows, size_pt=LEAST_PT, width_pt=width_pt))
        return [*story, self._text(rest, "about")] if rest else story

    def _table(self, title: str, own: Grid, *, captioned: bool, width_pt: float = WIDTH_PT) -> list[Flowable]:
        """Table under its title, else under its caption, unless that is the heading above already."""
        shown, marked = _prose_joined(own), (texts("condition.verdicts")["matters"],)
        cells = grid(shown.header, shown.rows, size_pt=LEAST_PT, width_pt=width_pt, marked=marked)
        head = (
            [] if title or own.caption == self._heading else [self._text(own.caption, "plot", before_pt=8.0)]
        )
        head = [self._text(title, "section")] if title else head
        return _begun([*head, cells, *[self._text(own.caption, "about")] * captioned], least_pt=40 * mm)

    def _plots(self, plots: Plots) -> Iterator[Flowable]:
        """Strips over the whole width, other plots two in a row, each with its words; those of one stand beside it."""
        wide = [plot for plot in plots.plots if isinstance(plot, Strips)]
        yield from (KeepTogether(self._plot(plot)) for plot in wide)
        cells = [self._plot(plot) for plot in plots.plots if plot not in wide]
        yield from _in_pairs([cells[0][:-1], cells[0][-1:]] if len(cells) == 1 else cells)

    def _plot(self, plot: Plot) -> list[Flowable]:
        return [self._text(plot.title, "plot"), *self._drawn(plot), self._text(plot.about, "about")]

    def _drawn(self, plot: Plot) -> list[VectorPlot]:
        """Strips over the whole width, another plot half as wide."""
        width_pt, shape = (WIDTH_PT, WIDE) if isinstance(plot, Strips) else (_PLOT_WIDTH_PT, _HALF)
        return [VectorPlot(figure, width_pt, text_pt=shape.text_pt) for figure in self._figures[plot.key]]

    @staticmethod
    def _runs(rows: Sequence[tuple[str, ...]]) -> Paragraph:
        """Words and what they mean, one after the other."""
        return text([(word, kept_together(meaning)) for word, meaning in rows], LEAST_PT)

    def _text(
        self,
        words: str,
        kind: str,
        *,
        bold: bool = False,
        faint: bool = False,
        before_pt: float | None = None,
        entry: tuple[int, str] | None = None,
    ) -> Paragraph:
        usual_pt = 10.0 if kind == "section" else 0.0
        self._heading = words if kind in {"section", "plot"} else self._heading
        return text(
            kept_together(words),
            max(self._scale * _SIZES_PT[kind], LEAST_PT),
            bold=bold or kind in _BOLD,
            faint=faint or kind == "about",
            before_pt=usual_pt if before_pt is None else before_pt,
            after_pt=_AFTER_PT.get(kind, 2.0),
            entry=(self._level, words) if kind == "section" else entry,
        )


def _filled(blocks: Sequence[Block]) -> list[Block]:
    """Blocks, where an odd number of plots leaves room for one more: the first single one of those below."""
    folds = [block for block in blocks if isinstance(block, Fold)]
    single = (
        plots for fold in folds for plots in fold.blocks if isinstance(plots, Plots) and len(plots.plots) == 1
    )
    later = next(single, None)
    odd = (block for block in blocks if isinstance(block, Plots) and len(block.plots) % 2)
    rows = next(odd, None)
    if later is None or rows is None:
        return list(blocks)
    changed: dict[int, Block] = {id(rows): replace(rows, plots=(*rows.plots, *later.plots))}
    changed |= {
        id(fold): replace(fold, blocks=tuple(block for block in fold.blocks if block is not later))
        for fold in folds
    }
    return [changed.get(id(block), block) for block in blocks]


def _prose_joined(own: Grid) -> Grid:
    """Table whose columns of sentences, where three or more stand side by side, are one: they fill lines better."""
    rows = own.rows
    letters = [[len(row[place]) for row in rows] or [0] for place in range(len(own.header))]
    first = next((place for place, lengths in enumerate(letters) if fmean(lengths) > _PROSE[0]), len(letters))
    if len(letters) - first < 3 or min(map(max, letters[first:])) < _PROSE[1]:
        return own

    def joined(cells: tuple[str, ...], between: str) -> tuple[str, ...]:
        return (*cells[:first], between.join(cell for cell in cells[first:] if cell != NOT_MEASURED))

    return replace(own, header=joined(own.header, ", "), rows=tuple(joined(row, " ") for row in rows))


def _is_hashes(table: Table) -> bool:
    """Whether its last column holds signs that nobody reads."""
    return all(len(row[-1]) >= _HASH and " " not in row[-1] for row in table.grid.rows)


def _is_small(block: Block) -> bool:
    return isinstance(block, Figures) and len(block.header) <= _FEW_COLUMNS


def _begun(story: Sequence[Flowable], *, least_pt: float) -> list[Flowable]:
    """Break the page first where the beginning, a heading and what it heads, does not fit; of a tall one the least."""
    solid = [flowable for flowable in story if not isinstance(flowable, CondPageBreak | KeepTogether)]
    height_pt = sum(flowable.wrap(WIDTH_PT, _TALL_PT)[1] + 3 * mm for flowable in solid[:4])
    return [CondPageBreak(height_pt if height_pt <= _LOW_PT else least_pt), *story]


def _in_pairs(cells: Sequence[list[Flowable]]) -> Iterator[Flowable]:
    """Rows of two."""
    filled = [*cells, *[[]] * (len(cells) % 2)]
    for start in range(0, len(filled), 2):
        row = [filled[start : start + 2]]
        yield Columns(row, colWidths=[WIDTH_PT / 2.0] * 2, style=EVERY_CELL, hAlign="LEFT")
