"""PDF pages of text and tables: A4 or Letter, both weights of one font embedded, outline, tags, the same bytes always.

Text and tables are equally wide on both papers, so a page differs in its height alone. Nothing in a text is taken for
markup, and nothing runs.
"""

import html
import io
from collections.abc import Container, Sequence
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from statistics import fmean
from typing import Any, Final

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageTemplate, Paragraph, Table

from lensbench.model.units import Paper
from lensbench.storage.tagged import Structure, TaggedCanvas, element

PAPERS_PT: Final[dict[Paper, tuple[float, float]]] = {"A4": A4, "Letter": LETTER}
"""Name -> width and height."""
REGULAR, BOLD = "DejaVuSans", "DejaVuSans-Bold"
LEAST_PT: Final = 8.0
"""Least size of what is read on a page. Common practice, no source."""
INK, FAINT, _HAIR = HexColor("#23272b"), HexColor("#5d646b"), HexColor("#d8d4ca")
WIDTH_PT: Final[float] = 180 * mm  # of text and tables
_TOP_AND_BOTTOM_PT: Final[float] = 15 * mm
EVERY_CELL: Final[tuple[tuple[Any, ...], ...]] = (
    ("FONT", (0, 0), (-1, -1), REGULAR),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
)
_GRID: Final = (
    *EVERY_CELL,
    ("RIGHTPADDING", (0, 0), (-1, -1), 5),
    ("TOPPADDING", (0, 0), (-1, -1), 1.6),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
    ("LINEBELOW", (0, 0), (-1, 0), 0.7, INK),
    ("LINEBELOW", (0, 1), (-1, -1), 0.35, _HAIR),
)
_LETTER: Final = 0.6  # usual width of a letter over the font's size
_LONGEST_WORD: Final = 24
_CELL_PADDING_PT: Final = 6.0
_SHORT_HEAD: Final = 14  # letters


def pdf_pages(
    story: Sequence[Flowable],
    *,
    title: str,
    footer: str,
    paper: Paper = "A4",
    fills: list[float] | None = None,
    sketch: bool = False,
) -> bytes:
    """PDF of a story; the footer stands at the left of every page, its number at the right.

    Where `fills` is given, it takes the share of every page's height that is used, in order; of a `sketch` that is all
    that is wanted, and nothing comes out.
    """
    register_fonts()
    width_pt, height_pt = PAPERS_PT[paper]
    left_pt, room_pt = (width_pt - WIDTH_PT) / 2.0, height_pt - 2.0 * _TOP_AND_BOTTOM_PT

    def draw_footer(canvas: Any, document: Any) -> None:
        with canvas.artifact():
            canvas.setFont(REGULAR, LEAST_PT)
            canvas.setFillColor(FAINT)
            canvas.drawString(left_pt, 8 * mm, footer)
            canvas.drawRightString(width_pt - left_pt, 8 * mm, f"page {document.page}")
        if fills is not None:
            fills.append((_TOP_AND_BOTTOM_PT + room_pt - document.frame._y) / room_pt)  # noqa: SLF001  only there

    content = io.BytesIO()
    how: dict[str, Any] = {"invariant": 1, "initialFontName": REGULAR, "lang": "en", "author": "lensbench"}
    how |= {"displayDocTitle": 1, "pagesize": (width_pt, height_pt), "title": title}
    document = BaseDocTemplate(content, **how)
    frame = Frame(left_pt, _TOP_AND_BOTTOM_PT, WIDTH_PT, room_pt, 0, 0, 0, 0)
    # The footer is drawn last, so that a reader of the text meets the answer first.
    document.addPageTemplates(PageTemplate(frames=[frame], onPageEnd=draw_footer))
    document.build(list(story), canvasmaker=Sketch if sketch else TaggedCanvas)
    return content.getvalue()


class Sketch(TaggedCanvas):
    """A canvas that only the layout is wanted of: plots may leave themselves out, and no file is put together."""

    def save(self) -> None:
        """Put nothing together."""


class _Words(Paragraph):  # type: ignore[misc]  # of a library without types
    """A paragraph that knows what it is, and what the outline calls it."""

    structure: Structure = ()
    entry: tuple[int, str] | None = None

    def split(self, width_pt: float, height_pt: float) -> list[Flowable]:
        """Parts that are what the whole is; the first stands for it in the outline."""
        parts: list[Flowable] = super().split(width_pt, height_pt)
        for part in parts:
            part.structure = self.structure
        for part in parts[:1]:
            part.entry = self.entry
        return parts

    def draw(self) -> None:
        """Draw it, and name its place in the outline."""
        if self.entry is not None:
            level, name = self.entry
            at_pt = self.canv.absolutePosition(0, 0)[1]
            key = f"{self.canv.getPageNumber()}-{at_pt:.1f}"
            self.canv.bookmarkHorizontal(key, 0, self.height)
            self.canv.addOutlineEntry(name, key, level)
            self.canv.showOutline()
        with self.canv.tagged(self.structure):
            super().draw()


class _Cells(Table):  # type: ignore[misc]
    """A table whose rules are no content."""

    def _drawLines(self) -> None:  # noqa: N802  the library's name
        with self.canv.artifact():
            super()._drawLines()


def text(
    said: str | Sequence[tuple[str, str]],
    size_pt: float,
    *,
    bold: bool = False,
    faint: bool = False,
    before_pt: float = 0.0,
    after_pt: float = 2.0,
    hang_pt: float = 0.0,
    entry: tuple[int, str] | None = None,
) -> Paragraph:
    """Paragraph of plain words; all its lines but the first stand `hang_pt` to the right.

    Words in pairs are runs, each of bold words and of plain ones.

    With an `entry` the outline names it: at a level, 0 at the top and none skipped, by a name; it is a heading of that
    level.
    """
    register_fonts()
    style = ParagraphStyle(
        f"{size_pt:g}",
        fontName=BOLD if bold else REGULAR,
        fontSize=size_pt,
        leading=1.26 * size_pt,
        leftIndent=hang_pt,
        firstLineIndent=-hang_pt,
        textColor=FAINT if faint else INK,
        spaceBefore=before_pt,
        spaceAfter=after_pt,
    )
    runs = [("", said)] if isinstance(said, str) else said
    marked = " ".join(
        f'<font name="{BOLD}">{_escaped(first)}</font> {_escaped(rest)}' if first else _escaped(rest)
        for first, rest in runs
    )
    words = _Words(marked, style)
    words.entry, words.structure = entry, element("P")
    return words if entry is None else headed(words, entry[0] + 1)


def headed(words: Paragraph, level: int) -> Paragraph:
    """The same paragraph as a heading, of level 1 at the top."""
    words.structure = element(f"H{level}")
    return words


def grid(
    header: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    size_pt: float,
    width_pt: float = WIDTH_PT,
    marked: Container[str] = (),
) -> Table:
    """Table of a width, the whole one by default; its header is repeated on every page.

    The first line of a cell is bold where it is one of the `marked` words.
    """
    cells = [[text(name, size_pt, faint=True, after_pt=1.4) for name in header]]
    cells += [[text(_led(cell, marked), size_pt, after_pt=1.4) for cell in row] for row in rows]
    table = ("Table", object())
    for number, row in enumerate(cells):
        for column, cell in enumerate(row):
            cell.structure = (table, ("TR", number), ("TD" if number else "TH", column))
    widths = _column_widths_pt(header, rows, size_pt=size_pt, width_pt=width_pt)
    return _Cells(cells, colWidths=widths, repeatRows=1, style=_GRID, hAlign="LEFT")


def _escaped(words: str) -> str:
    return html.escape(words, quote=False).replace("\n", "<br/>")


def _led(cell: str, marked: Container[str]) -> str | list[tuple[str, str]]:
    """Cell, its first line as a bold run where that is marked."""
    first, line_break, rest = cell.partition("\n")
    return [(first, f"{line_break}{rest}")] if first in marked else cell


def _column_widths_pt(
    header: Sequence[str], rows: Sequence[Sequence[str]], *, size_pt: float, width_pt: float
) -> list[float]:
    """Give each column room for its longest word, and share the rest by the usual length of a line.

    No column takes more than its longest line needs while another one breaks its own.
    """
    register_fonts()
    columns = [(head, cells) for head, *cells in zip(header, *rows, strict=True)]
    words = [max(map(len, " ".join([head, *cells]).split()), default=1) for head, cells in columns]
    least = [_LETTER * size_pt * min(length, _LONGEST_WORD) + _CELL_PADDING_PT for length in words]
    lines = [fmean([max(map(len, cell.split("\n"))) for cell in cells] or [0]) for _, cells in columns]
    weights = [min(max(length, 20.0), 100.0) for length in lines]
    if sum(least) >= width_pt:
        return [width_pt * weight / sum(weights) for weight in weights]
    whole = [
        max(least_pt, max(map(_line_width_pt, _lines(head, cells))) * size_pt + _CELL_PADDING_PT)
        for least_pt, (head, cells) in zip(least, columns, strict=True)
    ]
    if sum(whole) <= width_pt:
        return [own * width_pt / sum(whole) for own in whole]
    return _shared_pt(width_pt, least, whole, weights)


def _lines(head: str, cells: Sequence[str]) -> list[str]:
    """Lines that want not to be broken: those of the cells, and a short head."""
    return [line for cell in cells for line in cell.split("\n")] + [head[:_SHORT_HEAD]]


def _line_width_pt(line: str) -> float:
    """In a size of one point; what is marked, and so bold, is a short word, for which there is room in any case."""
    return float(pdfmetrics.stringWidth(line, REGULAR, 1.0))


def _shared_pt(
    width_pt: float, least: Sequence[float], whole: Sequence[float], weights: Sequence[float]
) -> list[float]:
    """Widths from the least on, by weight, until each is whole."""
    widths, open_ = list(least), set(range(len(least)))
    while (spare := width_pt - sum(widths)) > 0.01:
        share = spare / sum(weights[place] for place in open_)
        for place in tuple(open_):
            widths[place] += share * weights[place]
            if widths[place] >= whole[place]:
                widths[place] = whole[place]
                open_.discard(place)
    return widths


def register_fonts() -> None:
    """Make both weights known to reportlab, once."""
    for name in {REGULAR, BOLD}.difference(pdfmetrics.getRegisteredFontNames()):
        pdfmetrics.registerFont(TTFont(name, io.BytesIO(_font_file(name))))


def _font_file(name: str) -> bytes:
    """The regular weight lies beside the charts, whose bytes are fixed; the bold one comes with matplotlib."""
    if name == REGULAR:
        return files("lensbench.chart").joinpath(f"{name}.ttf").read_bytes()
    library = find_spec("matplotlib")  # found, not imported: it is heavy
    if library is None or library.origin is None:
        raise ModuleNotFoundError("matplotlib, which the bold font comes with")
    return (Path(library.origin).parent / "mpl-data" / "fonts" / "ttf" / f"{name}.ttf").read_bytes()
