"""PDF pages of text and tables: A4, embedded font, no scripts, the same bytes for the same content.

Nothing in a text is taken for markup.
"""

import html
import io
from collections.abc import Sequence
from importlib.resources import files
from typing import Any, Final

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageTemplate, Paragraph, Table

_FONT: Final = "DejaVuSans"
_INK, _FAINT, _HAIR = HexColor("#23272b"), HexColor("#5d646b"), HexColor("#d8d4ca")
MARGIN_PT: Final[float] = 15 * mm
WIDTH_PT: Final[float] = A4[0] - 2 * MARGIN_PT  # between the margins
EVERY_CELL: Final[tuple[tuple[Any, ...], ...]] = (
    ("FONT", (0, 0), (-1, -1), _FONT),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
)
_GRID: Final = (
    *EVERY_CELL,
    ("RIGHTPADDING", (0, 0), (-1, -1), 5),
    ("TOPPADDING", (0, 0), (-1, -1), 1.6),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
    ("LINEBELOW", (0, 0), (-1, 0), 0.7, _INK),
    ("LINEBELOW", (0, 1), (-1, -1), 0.35, _HAIR),
)
_LETTER: Final = 0.6  # usual width of a letter over the font's size
_LONGEST_WORD: Final = 24
_CELL_PADDING_PT: Final = 6.0


def pdf_pages(story: Sequence[Flowable], *, title: str, footer: str) -> bytes:
    """PDF of a story; the footer stands at the left of every page, its number at the right."""
    _register_font()

    def draw_footer(canvas: Any, document: Any) -> None:
        canvas.setFont(_FONT, 7)
        canvas.setFillColor(_FAINT)
        canvas.drawString(MARGIN_PT, 8 * mm, footer)
        canvas.drawRightString(A4[0] - MARGIN_PT, 8 * mm, f"page {document.page}")

    content = io.BytesIO()
    how: dict[str, Any] = {"invariant": 1, "initialFontName": _FONT, "lang": "en", "author": "lensbench"}
    document = BaseDocTemplate(content, pagesize=A4, title=title, **how)
    frame = Frame(MARGIN_PT, MARGIN_PT, WIDTH_PT, A4[1] - 2 * MARGIN_PT, 0, 0, 0, 0)
    # The footer is drawn last, so that a reader of the text meets the answer first.
    document.addPageTemplates(PageTemplate(frames=[frame], onPageEnd=draw_footer))
    document.build(list(story))
    return content.getvalue()


def text(
    words: str,
    size_pt: float,
    *,
    faint: bool = False,
    before_pt: float = 0.0,
    after_pt: float = 2.0,
    hang_pt: float = 0.0,
) -> Paragraph:
    """Paragraph of plain words; all its lines but the first stand `hang_pt` to the right."""
    _register_font()
    style = ParagraphStyle(
        f"{size_pt:g}",
        fontName=_FONT,
        fontSize=size_pt,
        leading=1.26 * size_pt,
        leftIndent=hang_pt,
        firstLineIndent=-hang_pt,
        textColor=_FAINT if faint else _INK,
        spaceBefore=before_pt,
        spaceAfter=after_pt,
    )
    return Paragraph(html.escape(words, quote=False).replace("\n", "<br/>"), style)


def grid(header: Sequence[str], rows: Sequence[Sequence[str]], *, size_pt: float) -> Table:
    """Table over the whole width, its header repeated on every page."""
    cells = [[text(name, size_pt, faint=True, after_pt=1.4) for name in header]]
    cells += [[text(cell, size_pt, after_pt=1.4) for cell in row] for row in rows]
    widths = _column_widths_pt(header, rows, size_pt=size_pt)
    return Table(cells, colWidths=widths, repeatRows=1, style=_GRID, hAlign="LEFT")


def _column_widths_pt(header: Sequence[str], rows: Sequence[Sequence[str]], *, size_pt: float) -> list[float]:
    """Give each column room for its longest word, and share the rest by the longest line."""
    columns = [(head, "\n".join(cells)) for head, *cells in zip(header, *rows, strict=True)]
    words = [max(map(len, f"{head} {cells}".split()), default=1) for head, cells in columns]
    least = [_LETTER * size_pt * min(length, _LONGEST_WORD) + _CELL_PADDING_PT for length in words]
    lines = [max(map(len, [*head.split(), *cells.split("\n")])) for head, cells in columns]
    weights = [min(max(length, 7), 60) for length in lines]
    spare = WIDTH_PT - sum(least)
    if spare <= 0.0:
        return [WIDTH_PT * weight / sum(weights) for weight in weights]
    return [own + spare * weight / sum(weights) for own, weight in zip(least, weights, strict=True)]


def _register_font() -> None:
    if _FONT not in pdfmetrics.getRegisteredFontNames():
        content = files("lensbench.chart").joinpath("DejaVuSans.ttf").read_bytes()
        pdfmetrics.registerFont(TTFont(_FONT, io.BytesIO(content)))
