"""The report as one page that opens offline, and as a PDF: the same blocks in the same order, the answer first.

The page holds no script, loads nothing from outside, and every text in it is escaped.
"""

import base64
import hashlib
import io
import re
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape
from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, Image, KeepTogether, PageBreak, Paragraph, Spacer
from reportlab.platypus import Table as Columns

from lensbench.report.document import (
    Answer,
    Block,
    Crops,
    Drawing,
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
from lensbench.report.panels import ACCENT, STYLES
from lensbench.report.strips import THIRD_NAMES, Strips
from lensbench.report.words import texts
from lensbench.storage.pdf import EVERY_CELL, WIDTH_PT, grid, pdf_pages, text

_UNIT_NAMES: Final = {"percent": "percent", "lpmm": "lp/mm", "lwph": "LW/PH", "cypx": "cycles/pixel"}
_LETTERS: Final = re.compile(r"[a-z0-9]+")
_BEFORE_UNIT: Final = re.compile(r"(?<=\d) (?=(?:mm|%|lp/mm|LW/PH|px|um|cm|m|s)(?!\w))|(?<=\S) (?=· f/)")
_PLAIN: Final = {"frame", "surely", "probably"}
"""Words that the glossary explains, but that need no mark in a sentence."""
_PLOT_WIDTH_PT: Final = (WIDTH_PT - 6 * mm) / 2.0
_SIZES_PT: Final = {"answer": 20.0, "lead": 12.0, "section": 12.5, "body": 9.0, "cell": 7.2, "about": 7.5}
"""Font sizes by the kind of text."""


def page_of(report: Report, drawings: Mapping[str, Drawing]) -> str:
    """Page of a report, as text to be written in UTF-8; `drawings` are its plots by their key.

    The content policy allows this page's own style sheet, and pictures that stand in the page itself.
    """
    style = _style()
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; form-action 'none'"
    )
    environment = Environment(
        loader=PackageLoader("lensbench.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "kept": kept_together,
        "slug": lambda title: "-".join(_LETTERS.findall(title.lower())),
        "terms": _terms,
        "thirds": _thirds,
        "titles": _titles,
        "units": lambda strips: [(scale.key, _UNIT_NAMES[scale.key]) for scale in strips.scales],
    }
    # Drawings are built from elements, hence already escaped.
    wide, narrow = (
        {key: Markup(getattr(drawing, shape)) for key, drawing in drawings.items()}  # noqa: S704
        for shape in ("svg", "narrow")
    )
    return environment.get_template("page.html").render(
        report=report,
        pictures=wide,
        narrow=narrow,
        style=Markup(style),  # noqa: S704
        policy=policy,
        meanings=list(texts("meanings").items()),
    )


def _titles(part: Part) -> list[str]:
    """What the line of anchors leads to."""
    blocks = (
        block for block in part.blocks if not (isinstance(block, Part) or getattr(block, "minor", False))
    )
    return [title for block in blocks if (title := getattr(block, "title", ""))]


def _thirds(strips: Strips) -> list[tuple[str, str]]:
    lines = strips.strips[0].lines
    return [(line.third, THIRD_NAMES[line.third].removesuffix(" third")) for line in lines]


def kept_together(words: str) -> str:
    """Text whose figures stay with their units, and whose stops and focal lengths are not broken.

    >>> kept_together("24 mm is 3 % softer").replace("\N{NO-BREAK SPACE}", "~")
    '24~mm is 3~% softer'
    """
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", words)


@cache
def _glossary() -> tuple[re.Pattern[str], dict[str, int]]:
    """Every word that is explained, the longest first, and the number of its explanation."""
    places = {word: number for number, names in enumerate(texts("meanings")) for word in names.split(", ")}
    longest = sorted(set(places) - _PLAIN, key=len, reverse=True)
    return re.compile(rf"(?<![\w/])({'|'.join(map(re.escape, longest))})(?![\w/])"), places


def _terms(words: str) -> Markup:
    """Text in which each word that is explained leads to its explanation, at its first place."""
    pattern, places = _glossary()
    found: set[int] = set()
    parts, end = [], 0
    for match in pattern.finditer(words):
        number = places[match[1]]
        if number in found:
            continue
        found.add(number)
        button = Markup('<button type="button" class="term" popovertarget="word-{}">{}</button>')
        parts += [escape(kept_together(words[end : match.start()])), button.format(number, match[1])]
        end = match.end()
    return Markup("").join([*parts, escape(kept_together(words[end:]))])


@cache
def _style() -> str:
    sheet = files("lensbench.report").joinpath("templates", "style.css").read_text(encoding="utf-8")
    light = "\n".join(_line_rules(role, style.color) for role, style in STYLES.items())
    dark = "\n".join(_line_rules(role, style.color_on_dark) for role, style in STYLES.items())
    accents = [f":root {{ --accent: {color}; }}" for color in (ACCENT.color, ACCENT.color_on_dark)]
    on_dark = f"@media screen and (prefers-color-scheme: dark) {{\n{accents[1]}\n{dark}\n}}\n"
    return f"{sheet}{accents[0]}\n{light}\n{on_dark}"


def _line_rules(role: str, color: str) -> str:
    strokes = ", ".join(f".{kind}.{role}" for kind in ("curve", "bar", "whisker", "best"))
    return f"{strokes} {{ stroke: {color}; }} .mark.{role}, .dot.{role} {{ fill: {color}; }}"


def pdf_of(report: Report, drawings: Mapping[str, Drawing]) -> bytes:
    """PDF of a report on A4 pages; `drawings` are its plots by their key."""
    story: list[Flowable] = []
    for block in report.blocks:
        story += [PageBreak()] if story and isinstance(block, Part) and block.kind == "lens" else []
        story += _story(block, drawings)
    return pdf_pages(story, title=report.title, footer="Made by lensbench")


def _story(block: Block, drawings: Mapping[str, Drawing]) -> list[Flowable]:
    story: list[Flowable] = []
    match block:
        case Answer(about=about, sentences=(first, *rest), limits=limits):
            story = [_text(first, "answer"), *(_text(sentence, "lead") for sentence in rest)]
            story += [_text(sentence, "body") for sentence in limits]
            story += [*([_text(about, "about")] if about else []), Spacer(0, 2 * mm)]
        case Opening():
            story = _first_page(block, drawings)
        case Fold(title=title, blocks=blocks):
            story = [_text(title, "section")]
            story += [flowable for inner in blocks for flowable in _story(inner, drawings)]
        case Lines(sentences=sentences, kind="steps", title=title):
            lines = [_text(f"{number}. {sentence}", "body") for number, sentence in enumerate(sentences, 1)]
            story = [KeepTogether([_text(title, "section"), *lines])]
        case Lines(sentences=sentences, kind=kind, title=title):
            story = [_text(title, "section")] if title else []
            story += [_text(sentence, "lead" if kind == "lead" else "body") for sentence in sentences]
        case Table() | Figures():
            story = _titled_table(block if isinstance(block, Table) else Table("", block.grid))
        case ShotRows() | Crops():
            story = _photographs(block)
        case Plots(title=title):
            story = [_text(title, "section") if title else Spacer(0, 2 * mm), *_plot_rows(block, drawings)]
        case Part(kind=kind, title=title, blocks=blocks):
            story = [CondPageBreak(105 * mm), _text(title, "section")] if title else []
            story += [flowable for inner in blocks for flowable in _story(inner, drawings)]
            story = [PageBreak(), *story, PageBreak()] if kind == "evidence" else story
    return story


def _photographs(block: ShotRows | Crops) -> list[Flowable]:
    """Crops as they are; of rows of shots those that were left out."""
    if isinstance(block, Crops):
        return [KeepTogether([_text(block.title, "section"), _text(block.about, "about"), *_crops(block)])]
    left_out = block.left_out_grid
    title = "" if left_out is None else f"{block.title}: {left_out.caption.lower()}"
    return [] if left_out is None else _titled_table(Table(title, left_out))


def _crops(crops: Crops) -> Iterator[Flowable]:
    """Pieces of photographs, a pixel a third of a millimetre wide."""
    for number, row in enumerate(crops.rows):
        yield _text(f"{row.setting}: {row.name}" if number % 2 == 0 else row.name, "about")
        content = io.BytesIO(base64.b64decode(row.picture.partition(",")[2]))
        size = (crops.width_px * mm / 3.0, crops.height_px * mm / 3.0)
        yield Image(content, *size, mask="auto", hAlign="LEFT")


def _first_page(opening: Opening, drawings: Mapping[str, Drawing]) -> list[Flowable]:
    lines = [
        opening.beside,
        *(f"{what}: {setting}" for what, setting, _ in opening.purposes),
        opening.copy,
        opening.sure,
    ]
    story: list[Flowable] = [_text(opening.about, "about"), _text(opening.label, "lead")]
    story += [_text(opening.setting, "answer"), *(_text(line, "lead") for line in lines if line)]
    if opening.strips is not None:
        image = Image(io.BytesIO(drawings[opening.strips.key].png))
        image.drawHeight *= WIDTH_PT / image.drawWidth
        image.drawWidth = WIDTH_PT
        story.append(image)
    return story


def _titled_table(table: Table) -> list[Flowable]:
    cells = grid(table.grid.header, table.grid.rows, size_pt=_SIZES_PT["cell"])
    if table.kind == "list":
        return [KeepTogether([*([_text(table.title, "section")] if table.title else []), cells])]
    story = [CondPageBreak(35 * mm), _text(table.title or table.grid.caption, "section"), cells]
    return [*story, _text(table.grid.caption, "about")] if table.captioned else story


def _plot_rows(plots: Plots, drawings: Mapping[str, Drawing]) -> Iterator[Flowable]:
    """Rows of two plots, each with its words."""
    cells: list[Flowable | list[Flowable]] = []
    for plot in plots.plots:
        image = Image(io.BytesIO(drawings[plot.key].png))
        image.drawHeight *= _PLOT_WIDTH_PT / image.drawWidth
        image.drawWidth = _PLOT_WIDTH_PT
        cells.append([image, _text(plot.about, "about")])
    cells += [Spacer(0, 0)] * (len(cells) % 2)
    for start in range(0, len(cells), 2):
        yield Columns(
            [cells[start : start + 2]], colWidths=[WIDTH_PT / 2.0] * 2, style=EVERY_CELL, hAlign="LEFT"
        )


def _text(words: str, kind: str) -> Paragraph:
    return text(
        words,
        _SIZES_PT[kind],
        faint=kind == "about",
        before_pt=10.0 if kind == "section" else 0.0,
        after_pt=4.0 if kind in {"section", "answer"} else 2.0,
    )
