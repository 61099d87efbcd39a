"""The report as a PDF: the answer first, embedded fonts, no scripts, the same bytes for the same findings."""

import html
import io
from collections.abc import Mapping, Sequence
from importlib.resources import files
from typing import Any, Final

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    Image,
    KeepTogether,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
)
from reportlab.platypus import Table as GridFlowable

from lensbench.report.draw.field import FieldMap
from lensbench.report.draw.panels import Grid, Panel
from lensbench.report.draw.render import Drawing
from lensbench.report.out.document import Answer, Block, Lines, Part, Plots, Report, Steps, Table

__all__ = ["pdf_of"]


_FONT: Final = "DejaVuSans"
_INK, _FAINT, _HAIR = HexColor("#23272b"), HexColor("#5d646b"), HexColor("#d8d4ca")
_MARGIN: Final = 16 * mm
_WIDTH: Final = A4[0] - 2 * _MARGIN
_PLOT_WIDTH: Final = (_WIDTH - 6 * mm) / 2.0

_SIZES: Final = {
    "answer": 20.0,
    "lead": 12.0,
    "section": 12.5,
    "body": 9.0,
    "cell": 7.2,
    "head": 7.2,
    "about": 7.5,
}
"""Font sizes by the kind of text. [points]"""

_EVERY_CELL: Final[tuple[tuple[Any, ...], ...]] = (
    ("FONT", (0, 0), (-1, -1), _FONT),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
)
_POINTS_A_LETTER: Final = 4.3
_LONGEST_WORD: Final = 24
_CELL_PADDING: Final = 6.0
_FAINT_KINDS: Final = ("about", "head")


def pdf_of(report: Report, drawings: Mapping[str, Drawing]) -> bytes:
    """PDF of a report on A4 pages; `drawings` are its plots by their key."""
    _register_font()
    content = io.BytesIO()
    document = BaseDocTemplate(
        content,
        pagesize=A4,
        title=report.title,
        author="lensbench",
        invariant=1,
        initialFontName=_FONT,
        lang="en",
    )
    frame = Frame(_MARGIN, _MARGIN, _WIDTH, A4[1] - 2 * _MARGIN, 0, 0, 0, 0)
    # The footer is drawn last, so that a reader of the text meets the answer first.
    document.addPageTemplates(PageTemplate(frames=[frame], onPageEnd=_draw_footer))
    story: list[Flowable] = []
    for block in report.blocks:
        story += [PageBreak()] if story and isinstance(block, Part) and block.kind == "lens" else []
        story += _story(block, drawings)
    document.build(story)
    return content.getvalue()


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
        return [KeepTogether([*([_text(table.title, "section")] if table.title else []), _grid(table.grid)])]
    story = [CondPageBreak(35 * mm), _text(table.title or table.grid.caption, "section"), _grid(table.grid)]
    return [*story, _text(table.grid.caption, "about")] if table.captioned else story


def _plot_rows(plots: Sequence[Panel | FieldMap], drawings: Mapping[str, Drawing]) -> list[Flowable]:
    """Rows of two plots, each with its words."""
    blocks: list[list[Flowable]] = []
    for plot in plots:
        image = Image(io.BytesIO(drawings[plot.key].png))
        image.drawWidth, image.drawHeight = _PLOT_WIDTH, image.imageHeight * _PLOT_WIDTH / image.imageWidth
        blocks.append([image, _text(plot.about, "about")])
    pairs = [blocks[start : start + 2] for start in range(0, len(blocks), 2)]
    return [
        GridFlowable(
            [[*pair, *[Spacer(0, 0)] * (2 - len(pair))]],
            colWidths=[_WIDTH / 2.0] * 2,
            style=_EVERY_CELL,
            hAlign="LEFT",
        )
        for pair in pairs
    ]


def _text(words: str, kind: str) -> Paragraph:
    """Give a paragraph of plain words; nothing in them is taken for markup."""
    _register_font()
    size = _SIZES[kind]
    style = ParagraphStyle(
        kind,
        fontName=_FONT,
        fontSize=size,
        leading=1.28 * size,
        textColor=_FAINT if kind in _FAINT_KINDS else _INK,
        spaceBefore=10.0 if kind == "section" else 0.0,
        spaceAfter=4.0 if kind in {"section", "answer"} else 2.0,
    )
    return Paragraph(html.escape(words, quote=False).replace("\n", "<br/>"), style)


def _grid(grid: Grid) -> GridFlowable:
    head = [_text(name, "head") for name in grid.header]
    rows = [[_text(cell, "cell") for cell in row] for row in grid.rows]
    style: list[tuple[Any, ...]] = [
        *_EVERY_CELL,
        ("RIGHTPADDING", (0, 0), (-1, -1), 5),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
        ("LINEBELOW", (0, 0), (-1, 0), 0.7, _INK),
        ("LINEBELOW", (0, 1), (-1, -1), 0.35, _HAIR),
    ]
    return GridFlowable(
        [head, *rows], colWidths=_column_widths(grid), repeatRows=1, style=style, hAlign="LEFT"
    )


def _column_widths(grid: Grid) -> list[float]:
    """Give each column room for its longest word, and share the rest by the longest line."""
    columns = [(head, "\n".join(cells)) for head, *cells in zip(grid.header, *grid.rows, strict=True)]
    words = [max(map(len, f"{head} {cells}".split()), default=1) for head, cells in columns]
    least = [_POINTS_A_LETTER * min(length, _LONGEST_WORD) + _CELL_PADDING for length in words]
    lines = [max(map(len, [*head.split(), *cells.split("\n")])) for head, cells in columns]
    weights = [min(max(length, 7), 60) for length in lines]
    spare = _WIDTH - sum(least)
    if spare <= 0.0:
        return [_WIDTH * weight / sum(weights) for weight in weights]
    return [own + spare * weight / sum(weights) for own, weight in zip(least, weights, strict=True)]


def _register_font() -> None:
    if _FONT not in pdfmetrics.getRegisteredFontNames():
        content = files("lensbench.chart").joinpath("DejaVuSans.ttf").read_bytes()
        pdfmetrics.registerFont(TTFont(_FONT, io.BytesIO(content)))


def _draw_footer(canvas: Any, document: Any) -> None:
    canvas.setFont(_FONT, 7)
    canvas.setFillColor(_FAINT)
    canvas.drawString(_MARGIN, 8 * mm, "Made by lensbench")
    canvas.drawRightString(A4[0] - _MARGIN, 8 * mm, f"page {document.page}")
