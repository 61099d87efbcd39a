"""The report as a PDF: the answer first, the same blocks in the same order as on the page."""

import io
from collections.abc import Mapping, Sequence
from typing import Final

from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, Image, KeepTogether, PageBreak, Paragraph, Spacer
from reportlab.platypus import Table as Columns

from lensbench.report.draw.field import FieldMap
from lensbench.report.draw.panels import Panel
from lensbench.report.draw.render import Drawing
from lensbench.report.out.document import Answer, Block, Lines, Part, Plots, Report, Steps, Table
from lensbench.storage.pdf import EVERY_CELL, WIDTH_PT, grid, pdf_pages, text

_PLOT_WIDTH_PT: Final = (WIDTH_PT - 6 * mm) / 2.0
_SIZES_PT: Final = {"answer": 20.0, "lead": 12.0, "section": 12.5, "body": 9.0, "cell": 7.2, "about": 7.5}
"""Font sizes by the kind of text."""


def pdf_of(report: Report, drawings: Mapping[str, Drawing]) -> bytes:
    """PDF of a report on A4 pages; `drawings` are its plots by their key."""
    story: list[Flowable] = []
    for block in report.blocks:
        story += [PageBreak()] if story and isinstance(block, Part) and block.kind == "lens" else []
        story += _story(block, drawings)
    return pdf_pages(story, title=report.title, footer="Made by lensbench")


def _story(block: Block, drawings: Mapping[str, Drawing]) -> list[Flowable]:
    match block:
        case Answer(about=about, sentences=(first, *rest), limits=limits):
            story: list[Flowable] = [_text(first, "answer"), *(_text(sentence, "lead") for sentence in rest)]
            story += [_text(sentence, "body") for sentence in limits]
            story += [*([_text(about, "about")] if about else []), Spacer(0, 2 * mm)]
        case Lines(sentences=sentences, kind=kind):
            story = [_text(sentence, "lead" if kind == "lead" else "body") for sentence in sentences]
        case Table():
            story = _titled_table(block)
        case Plots(title=title, plots=plots):
            story = [_text(title, "section")] if title else [Spacer(0, 2 * mm)]
            story += _plot_rows(plots, drawings)
        case Steps(title=title, sentences=sentences):
            lines = [_text(f"{number}. {sentence}", "body") for number, sentence in enumerate(sentences, 1)]
            story = [KeepTogether([_text(title, "section"), *lines])]
        case Part(kind=kind, title=title, blocks=blocks):
            story = [CondPageBreak(105 * mm), _text(title, "section")] if title else []
            story += [flowable for inner in blocks for flowable in _story(inner, drawings)]
            story = [PageBreak(), *story, PageBreak()] if kind == "evidence" else story
    return story


def _titled_table(table: Table) -> list[Flowable]:
    if table.kind == "list":
        return [
            KeepTogether(
                [
                    *([_text(table.title, "section")] if table.title else []),
                    grid(table.grid.header, table.grid.rows, size_pt=_SIZES_PT["cell"]),
                ]
            )
        ]
    story = [
        CondPageBreak(35 * mm),
        _text(table.title or table.grid.caption, "section"),
        grid(table.grid.header, table.grid.rows, size_pt=_SIZES_PT["cell"]),
    ]
    return [*story, _text(table.grid.caption, "about")] if table.captioned else story


def _plot_rows(plots: Sequence[Panel | FieldMap], drawings: Mapping[str, Drawing]) -> list[Flowable]:
    """Rows of two plots, each with its words."""
    blocks: list[list[Flowable]] = []
    for plot in plots:
        image = Image(io.BytesIO(drawings[plot.key].png))
        image.drawWidth, image.drawHeight = (
            _PLOT_WIDTH_PT,
            image.imageHeight * _PLOT_WIDTH_PT / image.imageWidth,
        )
        blocks.append([image, _text(plot.about, "about")])
    pairs = [blocks[start : start + 2] for start in range(0, len(blocks), 2)]
    return [
        Columns(
            [[*pair, *[Spacer(0, 0)] * (2 - len(pair))]],
            colWidths=[WIDTH_PT / 2.0] * 2,
            style=EVERY_CELL,
            hAlign="LEFT",
        )
        for pair in pairs
    ]


def _text(words: str, kind: str) -> Paragraph:
    return text(
        words,
        _SIZES_PT[kind],
        faint=kind == "about",
        before_pt=10.0 if kind == "section" else 0.0,
        after_pt=4.0 if kind in {"section", "answer"} else 2.0,
    )
