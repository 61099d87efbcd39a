"""The report as a PDF: the page's blocks in the same order, every plot as vectors; a lens's first page is its answer.

A lens begins on a page of its own. No page is left nearly empty: where one would be, larger text becomes a little
smaller, but none smaller than can be read.
"""

import base64
import io
from collections.abc import Iterator, Sequence
from itertools import chain, groupby, pairwise
from typing import Any, Final

from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, Image, KeepTogether, PageBreak, Paragraph, Spacer
from reportlab.platypus import Table as Columns

from lensbench.model.units import Paper
from lensbench.report.draw.field import FieldMap
from lensbench.report.draw.panels import Panel
from lensbench.report.draw.strips import Strips
from lensbench.report.out.html import kept_together
from lensbench.report.out.paper_plots import (
    LEAST_BARE_ROW,
    PaperPlots,
    in_a_row,
    in_rows,
    places_grid,
    plot_width_pt,
)
from lensbench.report.out.printed import (
    filled,
    is_hashes,
    is_short,
    is_small,
    own_words,
    prose_joined,
    shortened,
)
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
from lensbench.report.text.words import Grid, texts, worded
from lensbench.storage.pdf import EVERY_CELL, LEAST_PT, WIDTH_PT, grid, headed, pdf_pages, text
from lensbench.storage.tagged import element

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
_SCALES: Final = (1.0, 0.95, 0.9)  # of the text above the least size, tried in this order
_LAST_PT: Final = (85 * mm, 160 * mm)
"""Sections at an end that are less high together are not parted from the one before, lest their page be nearly empty;
but more than the second height is never kept together."""
_MOST_PAGES: Final = 6  # for a lens
_LOW_PT: Final = 60 * mm  # a table of no greater height is not broken over two pages
_TALL_PT: Final = 1e5
_NEARLY_EMPTY: Final = 0.25
"""A page that is filled to less than this share of its height. Common practice, no source."""


def pdf_of(report: Report, *, paper: Paper = "A4") -> bytes:
    """PDF of a report, in the largest size of text that needs few pages and leaves none of them nearly empty."""
    lenses = sum(isinstance(block, Part) and block.kind == "lens" for block in report.blocks)
    plots = PaperPlots()

    def laid_out(scale: float, *, sketch: bool) -> tuple[list[float], bytes]:
        fills: list[float] = []
        story = _with_full_ends(list(_Typesetter(scale, plots).story(report)))
        how: dict[str, Any] = {"title": report.title, "footer": "Made by lensbench", "paper": paper}
        return fills, pdf_pages(story, fills=fills, sketch=sketch, **how)

    first = b""
    tried: list[tuple[int, float, float]] = []
    for scale in _SCALES:
        fills, content = laid_out(scale, sketch=bool(first))
        first = first or content
        pages_over = max(len(fills) - _MOST_PAGES * max(lenses, 1), 0)
        tried.append((pages_over, -min(fills), -scale))
        if len(fills) == 1 or (min(fills) >= _NEARLY_EMPTY and not pages_over):
            break
    else:
        scale = -min(tried)[-1]
    # Only where another size is the best, its plots are drawn, too.
    return first if scale == _SCALES[0] else laid_out(scale, sketch=False)[1]


class _Photograph(Image):  # type: ignore[misc]  # of a library without types
    """Pixels of a photograph, and what they show."""

    def __init__(self, *args: Any, alt: str, **how: Any) -> None:
        super().__init__(*args, **how)
        self._alt = alt

    def draw(self) -> None:
        """Draw them."""
        with self.canv.tagged(element("Figure"), alt=self._alt):
            super().draw()


class _Typesetter:
    """Lays blocks out as flowables, all text in one scale."""

    def __init__(self, scale: float, plots: PaperPlots) -> None:
        self._scale = scale
        self._paper_plots = plots
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
                solid = [*head, *(row for row in rows[:3] if not isinstance(row, KeepTogether))]
                height_pt = _height_pt(solid)
                story = [CondPageBreak(max(height_pt, 90 * mm)), *head, *rows] if head else rows
            case _:
                story = list(self._composed(block))
        return story

    def _crops(self, crops: Crops) -> Iterator[Flowable]:
        """Pieces of photographs, both lenses side by side, a pixel a third of a millimetre wide, or less."""
        pixel_pt = min(mm / 3.0, plot_width_pt(2) / crops.width_px)
        size = (crops.width_px * pixel_pt, crops.height_px * pixel_pt)
        about = worded("paper.crops", places=crops.rows[0].places, pixel_mm=pixel_pt / mm)
        yield self._text(" ".join(filter(None, (about, crops.caution))), "about")
        cells: list[list[Flowable]] = []
        for row in crops.rows:
            content = io.BytesIO(base64.b64decode(row.picture.partition(",")[2]))
            named = self._text(f"{row.setting}: {row.name}", "about")
            cells.append([named, _Photograph(content, *size, mask="auto", hAlign="LEFT", alt=row.places)])
        yield from in_rows(cells)

    def _composed(self, block: Block) -> Iterator[Flowable]:
        """What holds other blocks, or begins a lens."""
        match block:
            case Crops(title=title):
                yield KeepTogether([self._text(title, "section"), *self._crops(block)])
            case Opening():
                yield from self._opening(block)
            case Cards():
                yield from self._cards(block)
            case Fold(blocks=(Table() as only,)) if is_hashes(only):
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
            yield from self._paper_plots.strips(opening.strips)

    def _cards(self, cards: Cards) -> Iterator[Flowable]:
        """Every lens in a row, above the first one's answer."""
        yield self._text(cards.title, "answer")
        rows = [
            [
                self._text(name, "body", bold=True),
                [self._text(opening.label, "about"), self._text(opening.setting, "lead", bold=True)],
                self._text(opening.copy, "body"),
            ]
            for _, name, opening in cards.cards
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
        story += self._sheet(part) if evidence else chain.from_iterable(map(self._block, filled(part.blocks)))
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
        beside_pt = plot_width_pt(2) if maps else WIDTH_PT
        beside: list[Flowable] = []
        for table in others:
            beside += self._table("", table.grid, captioned=False, width_pt=beside_pt)[bool(maps) :]
        story = [*self._lines(lead), *self._table("", fields.grid, captioned=False)]
        story += self._table("", settings.brief or settings.grid, captioned=False)
        after = [flowable for block in cautions for flowable in self._lines(block)]
        if not maps:
            return [*story, *beside, *after]
        title, drawn = maps[0].plots[0].title, self._paper_plots.beside(maps[0].plots[0], 2)
        return [*story, *in_rows([[self._text(title, "plot"), drawn], beside]), *after]

    def _folded(self, blocks: Sequence[Block]) -> Iterator[Flowable]:
        """What the page folds; small tables of figures stand two in a row."""
        panels = [block for block in blocks if isinstance(block, Plots) and isinstance(block.plots[0], Panel)]
        short = [block for block in blocks if isinstance(block, Table) and is_short(block)]
        pair: list[Block] = [panels[0], short[-1]] if short and len(panels) == 1 else []
        rest, elsewhere = shortened([block for block in blocks if block not in pair])
        for small, run in groupby(rest, key=is_small):
            together = list(run)
            if small and len(together) > 1:
                figures = (block for block in together if isinstance(block, Figures))
                yield from in_rows(
                    [self._figures_table(one, plot_width_pt(2)) for one in figures], headed=True
                )
            else:
                yield from (flowable for block in together for flowable in self._block(block))
        yield from [self._text(" ".join(elsewhere), "body", before_pt=8.0)] if elsewhere else []
        match pair:
            case [Plots(plots=(Panel() as panel,)), Table() as table]:
                yield from self._beside(panel, table)
            case _:
                yield from (flowable for block in pair for flowable in self._block(block))

    def _beside(self, panel: Panel, table: Table) -> Iterator[Flowable]:
        """A single plot, and at its right a short table and the plot's words."""
        drawn, words = self._plot(panel, 2)
        figures = self._table(table.title, table.grid, captioned=False, width_pt=plot_width_pt(2))[1:]
        yield from in_rows([drawn, [*figures, Spacer(0, 3 * mm), *words]])

    def _figures_table(self, figures: Figures, width_pt: float) -> list[Flowable]:
        """Table below the first sentence of its caption, and above the rest."""
        own = figures.grid
        title, _, rest = own.caption.partition(". ")
        story: list[Flowable] = [self._text(title, "plot", before_pt=8.0)]
        story.append(grid(own.header, own.rows, size_pt=LEAST_PT, width_pt=width_pt))
        return [*story, self._text(rest, "about")] if rest else story

    def _table(self, title: str, own: Grid, *, captioned: bool, width_pt: float = WIDTH_PT) -> list[Flowable]:
        """Table under its title, else under its caption, unless that is the heading above already."""
        shown, marked = prose_joined(own), (texts("condition.verdicts")["matters"],)
        cells = grid(shown.header, shown.rows, size_pt=LEAST_PT, width_pt=width_pt, marked=marked)
        head = (
            [] if title or own.caption == self._heading else [self._text(own.caption, "plot", before_pt=8.0)]
        )
        head = [self._text(title, "section")] if title else head
        about = [self._text(own.caption, "about")] if captioned and title else []
        return _begun([*head, cells, *about], least_pt=40 * mm)

    def _plots(self, plots: Plots) -> Iterator[Flowable]:
        """Strips over the whole width; maps below their legend, and other plots, in rows; words of one beside it."""
        for strips in (plot for plot in plots.plots if isinstance(plot, Strips)):
            head = [] if strips.title == self._heading else [self._text(strips.title, "plot")]
            yield KeepTogether([*head, *self._paper_plots.strips(strips), self._text(strips.about, "about")])
        others = [plot for plot in plots.plots if not isinstance(plot, Strips)]
        maps = [plot for plot in others if isinstance(plot, FieldMap)]
        across = in_a_row(len(others))
        shared = {own_words(plot) for plot in maps}
        if maps:
            yield self._paper_plots.legend(maps[0], across)
            bare = texts("paper")["bare"] * (across > 2)
            once = shared.pop() if len(shared) == 1 else ""
            yield self._text(" ".join(filter(None, (once, texts("plots")["bars"], bare))), "about")
        cells = [self._plot(plot, across, said=not shared) for plot in others]
        yield from in_rows(
            cells[0] if len(cells) == 1 else [[*drawn, *words] for drawn, words in cells], across
        )
        if maps and across >= LEAST_BARE_ROW:
            yield from self._table("", places_grid(maps), captioned=False)

    def _plot(
        self, plot: Panel | FieldMap, across: int, *, said: bool = False
    ) -> tuple[list[Flowable], list[Flowable]]:
        """Title and plot, and its words, unless those of all maps are `said` above them."""
        title = plot.title if across == 2 else plot.title.partition(":")[0]
        drawn = [self._text(title, "plot"), self._paper_plots.beside(plot, across, legend=False)]
        own = own_words(plot) if isinstance(plot, FieldMap) else plot.about
        return drawn, [] if said and isinstance(plot, FieldMap) else [self._text(own, "about")]

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
        made = text(
            kept_together(words),
            max(self._scale * _SIZES_PT[kind], LEAST_PT),
            bold=bold or kind in _BOLD,
            faint=faint or kind == "about",
            before_pt=usual_pt if before_pt is None else before_pt,
            after_pt=_AFTER_PT.get(kind, 2.0),
            entry=(self._level, words) if kind == "section" else entry,
        )
        level = {"answer": 1, "plot": self._level + 2}.get(kind)
        return made if level is None else headed(made, level)


def _with_full_ends(story: list[Flowable]) -> list[Flowable]:
    """Story whose last sections before each end stay together, as many as a page needs that is not nearly empty."""
    last: list[Flowable] = []
    needed = True
    for place in reversed(range(len(story))):
        match story[place]:
            case PageBreak():
                last, needed = [], True
            case CondPageBreak() as start if needed and getattr(story[place + 1], "entry", None):
                height_pt = _height_pt(last)
                if height_pt < _LAST_PT[1]:
                    start.height = max(start.height, height_pt)
                needed = height_pt < _LAST_PT[0]
            case KeepTogether():
                needed = False
            case flowable if needed and not isinstance(flowable, CondPageBreak):
                last.insert(0, flowable)
    return story


def _height_pt(flowables: Sequence[Flowable]) -> float:
    """Of some in a column, with the spaces between them."""
    heights_pt = [flowable.wrap(WIDTH_PT, _TALL_PT)[1] for flowable in flowables]
    between_pt = [max(above.getSpaceAfter(), below.getSpaceBefore()) for above, below in pairwise(flowables)]
    return float(sum(heights_pt) + sum(between_pt) + sum(each.getSpaceBefore() for each in flowables[:1]))


def _begun(story: Sequence[Flowable], *, least_pt: float) -> list[Flowable]:
    """Break the page first where the beginning, a heading and what it heads, does not fit; of a tall one the least."""
    solid = [flowable for flowable in story if not isinstance(flowable, CondPageBreak | KeepTogether)]
    height_pt = _height_pt(solid[:4])
    needed_pt = height_pt if height_pt <= _LOW_PT else least_pt
    match story:
        case [head, CondPageBreak() as inner, *rest]:  # what it heads must not leave it behind
            return [CondPageBreak(max(needed_pt, _height_pt([head]) + inner.height)), head, *rest]
        case _:
            return [CondPageBreak(needed_pt), *story]
