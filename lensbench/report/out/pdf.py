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
    Table,
)

from lensbench.report.draw.field import FieldMap
from lensbench.report.draw.panels import Grid, Panel
from lensbench.report.out.compare import CompareContent, PairContent
from lensbench.report.out.content import LensContent, SweepContent
from lensbench.report.out.evidence import EvidenceContent
from lensbench.report.text.glossary import GLOSSARY

__all__ = ["build_pdf", "compare_pdf", "sweep_pdf"]


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


def sweep_pdf(content: SweepContent, plots: Mapping[str, bytes]) -> bytes:
    """Give the PDF of a sweep.

    Parameters
    ----------
    content : SweepContent
        What is said.
    plots : mapping of str to bytes
        PNG files by the key of their panel or map.
    """
    story: list[Flowable] = [] if content.lenses else [text("No photograph could be measured.", "answer")]
    for number, lens in enumerate(content.lenses):
        story += [PageBreak()] if number else []
        story += _lens_story(lens, plots)
    story += grid_story("Files that belong to no lens", content.unplaced)
    story += _words_story()
    title = content.lenses[0].title if content.lenses else "Nothing measured"
    return build_pdf(story, title=title)


def compare_pdf(content: CompareContent, plots: Mapping[str, bytes]) -> bytes:
    """Give the PDF of a comparison; `plots` are PNG files by the key of their panel."""
    story: list[Flowable] = [text(content.answer[0], "answer")]
    story += [text(sentence, "lead") for sentence in content.answer[1:]]
    story += grid_story("Which lens at which stop", content.choice)
    story += [text(sentence, "body") for sentence in content.limits]
    story += grid_story("The lenses", content.lenses)
    for pair in content.pairs:
        story += _pair_story(pair, plots, answer_said=pair.answer == content.answer[0])
    return build_pdf([*story, *_words_story()], title="Lenses compared")


def _pair_story(pair: PairContent, plots: Mapping[str, bytes], *, answer_said: bool) -> list[Flowable]:
    story: list[Flowable] = [CondPageBreak(105 * mm), text(pair.title, "section")]
    story += [] if answer_said else [text(sentence, "lead") for sentence in (pair.answer, *pair.rest)]
    story += [Spacer(0, 2 * mm), *plots_story(pair.panels, plots)]
    for grid in pair.grids:
        story += grid_story(f"Every setting and zone: {grid.caption}", grid)
    return story


def build_pdf(story: Sequence[Flowable], *, title: str) -> bytes:
    """Lay a story out on A4 pages."""
    _register_font()
    content = io.BytesIO()
    document = BaseDocTemplate(
        content,
        pagesize=A4,
        title=f"{title}: sharpness",
        author="lensbench",
        invariant=1,
        initialFontName=_FONT,
        lang="en",
    )
    frame = Frame(_MARGIN, _MARGIN, _WIDTH, A4[1] - 2 * _MARGIN, 0, 0, 0, 0)
    # The footer is drawn last, so that a reader of the text meets the answer first.
    document.addPageTemplates(PageTemplate(frames=[frame], onPageEnd=_draw_footer))
    document.build(list(story))
    return content.getvalue()


def text(words: str, kind: str) -> Paragraph:
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


def grid_story(title: str, grid: Grid | None) -> list[Flowable]:
    """Give a section with a table, or nothing without one."""
    if grid is None:
        return []
    return [CondPageBreak(35 * mm), text(title, "section"), _table(grid)]


def plots_story(plots: Sequence[Panel | FieldMap], pictures: Mapping[str, bytes]) -> list[Flowable]:
    """Give the plots, two side by side, each with its words."""
    blocks = [_plot(plot, pictures[plot.key]) for plot in plots]
    pairs = [blocks[start : start + 2] for start in range(0, len(blocks), 2)]
    return [
        Table(
            [[*pair, *[Spacer(0, 0)] * (2 - len(pair))]],
            colWidths=[_WIDTH / 2.0] * 2,
            style=_EVERY_CELL,
            hAlign="LEFT",
        )
        for pair in pairs
    ]


def _lens_story(lens: LensContent, pictures: Mapping[str, bytes]) -> list[Flowable]:
    rest = lens.answer[1:]
    story: list[Flowable] = [text(lens.answer[0], "answer")]
    for number, sentence in enumerate(rest, start=1):
        story.append(text(sentence, "body" if lens.limited and number == len(rest) else "lead"))
    story += [text(f"{lens.title}; {lens.counted}.", "about"), Spacer(0, 2 * mm)]
    for title, grid in (("What to set", lens.purposes), ("Zoom positions", lens.zoom_stops)):
        story += grid_story(title, grid)
        story += [] if grid is None else [text(grid.caption, "about")]
    story += grid_story("By focal length and zone", lens.summary)
    units = "then line pairs/mm and line widths per picture height, where known"
    story.append(text(f"{lens.summary.caption}, {units}.", "about"))
    story += [text("Plots", "section"), *plots_story((*lens.panels, *lens.fields), pictures)]
    story += grid_story("Is the copy sound?", lens.condition)
    story += grid_story("Distortion and light", lens.beside)
    story += grid_story("Photographs that were not used", lens.rejected)
    story += grid_story("Remarks on quality", lens.remarks)
    method = [text(f"{number}. {sentence}", "body") for number, sentence in enumerate(lens.method, start=1)]
    evidence = [] if lens.evidence is None else _evidence_story(lens.evidence, pictures)
    return [*story, KeepTogether([text("Method and limits", "section"), *method]), *evidence]


def _evidence_story(evidence: EvidenceContent, pictures: Mapping[str, bytes]) -> list[Flowable]:
    """Give a page of its own, to be handed on alone."""
    story: list[Flowable] = [PageBreak(), text(evidence.title, "section"), text(evidence.what, "lead")]
    story += [Spacer(0, 2 * mm), _table(evidence.fields)]
    story += grid_story(evidence.settings.caption, evidence.settings)
    story += grid_story(evidence.ruled_out.caption, evidence.ruled_out)
    story += [] if evidence.sides is None else grid_story(evidence.sides.caption, evidence.sides)
    story += [Spacer(0, 3 * mm), text(evidence.caution, "body")]
    if evidence.map is not None:
        story += [Spacer(0, 3 * mm), *plots_story((evidence.map,), pictures)]
    return [*story, PageBreak()]


def _words_story() -> list[Flowable]:
    grid = Grid(caption="Words", header=("word", "meaning"), rows=GLOSSARY)
    return [KeepTogether([text("Words", "section"), _table(grid)])]


def _table(grid: Grid) -> Table:
    head = [text(name, "head") for name in grid.header]
    rows = [[text(cell, "cell") for cell in row] for row in grid.rows]
    style: list[tuple[Any, ...]] = [
        *_EVERY_CELL,
        ("RIGHTPADDING", (0, 0), (-1, -1), 5),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
        ("LINEBELOW", (0, 0), (-1, 0), 0.7, _INK),
        ("LINEBELOW", (0, 1), (-1, -1), 0.35, _HAIR),
    ]
    return Table([head, *rows], colWidths=_column_widths(grid), repeatRows=1, style=style, hAlign="LEFT")


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


def _plot(plot: Panel | FieldMap, picture: bytes) -> list[Flowable]:
    image = Image(io.BytesIO(picture))
    scale = _PLOT_WIDTH / image.imageWidth
    image.drawWidth, image.drawHeight = _PLOT_WIDTH, image.imageHeight * scale
    return [image, text(plot.about, "about")]


def _register_font() -> None:
    if _FONT not in pdfmetrics.getRegisteredFontNames():
        content = files("lensbench.chart").joinpath("DejaVuSans.ttf").read_bytes()
        pdfmetrics.registerFont(TTFont(_FONT, io.BytesIO(content)))


def _draw_footer(canvas: Any, document: Any) -> None:
    canvas.setFont(_FONT, 7)
    canvas.setFillColor(_FAINT)
    canvas.drawString(_MARGIN, 8 * mm, "Made by lensbench")
    canvas.drawRightString(A4[0] - _MARGIN, 8 * mm, f"page {document.page}")
