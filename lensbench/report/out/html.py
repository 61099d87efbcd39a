"""The report as one page that opens offline: its blocks in order, the answer first.

The page holds no script, loads nothing from outside, and every text in it is escaped.
"""

import base64
import hashlib
import re
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup, escape

from lensbench.report.draw import Drawing
from lensbench.report.draw.panels import ACCENT, STYLES
from lensbench.report.draw.strips import THIRD_NAMES
from lensbench.report.page.document import Cards, Part, Report
from lensbench.report.text.words import texts

_UNIT_NAMES: Final = {"percent": "percent", "lpmm": "lp/mm", "lwph": "LW/PH", "cypx": "cycles/pixel"}
_LETTERS: Final = re.compile(r"[a-z0-9]+")
_QUOTED: Final = re.compile(r"«[^»]{1,16}»")
_BEFORE_UNIT: Final = re.compile(r"(?<=\d) (?=(?:mm|%|lp/mm|LW/PH|px|um|cm|m|s)(?!\w))|(?<=\S) (?=· f/)")
_OPTION: Final = re.compile(r"(?<!\S)(\(?--[a-z][a-z-]*\)?)")
_MOST_PAIRS: Final = 3  # that are named among the anchors one by one
_PLAIN: Final = {"frame", "surely", "probably"}
"""Words that the glossary explains, but that need no mark in a sentence."""


def page_of(report: Report, drawings: Mapping[str, Drawing]) -> str:
    """Page of a report, as text to be written in UTF-8; `drawings` are its plots by their key.

    The content policy allows this page's own style sheet, and pictures that stand in the page itself.
    """
    style = _style()
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; form-action 'none'"
    )
    # Drawings are built from elements, hence already escaped.
    wide, narrow = (
        {key: Markup(getattr(drawing, shape)) for key, drawing in drawings.items()}  # noqa: S704
        for shape in ("svg", "narrow")
    )
    return _template().render(
        report=report,
        page_anchors=_page_anchors(report),
        several=any(isinstance(block, Cards) for block in report.blocks),
        pictures=wide,
        narrow=narrow,
        style=Markup(style),  # noqa: S704
        policy=policy,
        meanings=list(texts("meanings").items()),
    )


@cache
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("lensbench.report.out", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "anchors": _anchors,
        "cell": _cell,
        "kept": kept_together,
        "slug": _slug,
        "terms": _terms,
        "thirds": lambda strips: [
            (line.third, THIRD_NAMES[line.third].removesuffix(" third")) for line in strips.strips[0].lines
        ],
        "units": lambda strips: [(scale.key, _UNIT_NAMES[scale.key]) for scale in strips.scales],
    }
    return environment.get_template("page.html")


def _slug(title: str) -> str:
    return "-".join(_LETTERS.findall(title.lower()))


def _anchors(part: Part) -> list[tuple[str, str]]:
    """What the line of anchors leads to: each anchor and its words."""
    titled = [
        (block.key if isinstance(block, Part) else f"{part.key}-{_slug(title)}", title)
        for block in part.blocks
        if (title := getattr(block, "title", "")) and not getattr(block, "minor", False)
    ]
    return [
        (anchor, texts("evidence.anchor") if anchor.endswith("-evidence") else title)
        for anchor, title in titled
    ]


def _page_anchors(report: Report) -> list[tuple[str, str]]:
    """The same for a page without lenses of its own: its parts, and what stands within the only one."""
    pairs = [block for block in report.blocks if isinstance(block, Part)]
    anchors: list[tuple[str, str]] = []
    for block in report.blocks:
        if isinstance(block, Part):
            own = [(block.key, block.title)] if len(pairs) <= _MOST_PAIRS else []
            anchors += _anchors(block) if len(pairs) == 1 else own or [(block.key, "Pair by pair")]
        elif (title := getattr(block, "title", "")) and not getattr(block, "minor", False):
            anchors.append((_slug(title), title))
    return list({words: (anchor, words) for anchor, words in reversed(anchors)}.values())[::-1]


def kept_together(words: str) -> str:
    """Text whose figures stay with their units, and whose stops, focal lengths and short quotations are not broken.

    >>> kept_together("24 mm is 3 % softer").replace("\N{NO-BREAK SPACE}", "~")
    '24~mm is 3~% softer'
    """
    quoted = _QUOTED.sub(lambda match: match[0].replace(" ", "\N{NO-BREAK SPACE}"), words)
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", quoted)


def _cell(words: str) -> Markup:
    """Text of a table's cell: figures stay with their units, and an option of the command line is not broken."""
    parts = _OPTION.split(kept_together(words))
    return Markup("").join(
        Markup('<span class="option">{}</span>').format(part) if number % 2 else escape(part)
        for number, part in enumerate(parts)
    )


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
    sheet = files("lensbench.report.out").joinpath("templates", "style.css").read_text(encoding="utf-8")
    light = "\n".join(_line_rules(role, style.color) for role, style in STYLES.items())
    dark = "\n".join(_line_rules(role, style.color_on_dark) for role, style in STYLES.items())
    accents = [f":root {{ --accent: {color}; }}" for color in (ACCENT.color, ACCENT.color_on_dark)]
    on_dark = f"@media screen and (prefers-color-scheme: dark) {{\n{accents[1]}\n{dark}\n}}\n"
    return f"{sheet}{accents[0]}\n{light}\n{on_dark}"


def _line_rules(role: str, color: str) -> str:
    strokes = ", ".join(f".{kind}.{role}" for kind in ("curve", "bar", "whisker", "best"))
    return f"{strokes} {{ stroke: {color}; }} .mark.{role}, .dot.{role} {{ fill: {color}; }}"
