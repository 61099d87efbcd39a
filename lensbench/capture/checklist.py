"""The plan as a page to print and to tick off: embedded font, no scripts, the same bytes for the same plan."""

import html
import io
from collections.abc import Sequence
from importlib.resources import files
from itertools import groupby
from typing import Any, Final

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
)

from lensbench.capture import advice
from lensbench.capture.exposure import shutter_name
from lensbench.capture.planning import ShootPlan, ShotToTake
from lensbench.capture.wording import chart_sentence, distance_rows, headline, print_sentence, tolerance_rows

__all__ = ["checklist_pdf"]

_FONT: Final = "DejaVuSans"
_INK, _FAINT, _HAIR = HexColor("#1f2428"), HexColor("#5b636a"), HexColor("#c9c5ba")
_MARGIN: Final = 15 * mm
_WIDTH: Final = A4[0] - 2 * _MARGIN
_SIZES: Final = {"title": 16.0, "section": 11.0, "body": 8.6, "small": 7.4, "cell": 8.0}
_BOX, _DASH = "\N{BALLOT BOX}", "\N{EN DASH}"
_GAP = "\N{NO-BREAK SPACE}" * 2 + " "
"""Between boxes: plain spaces would be drawn as one."""


def checklist_pdf(plan: ShootPlan) -> bytes:
    """Give the checklist as a PDF: one page for the quick test, a few for a whole shoot."""
    if _FONT not in pdfmetrics.getRegisteredFontNames():
        font = files("lensbench.chart").joinpath("DejaVuSans.ttf").read_bytes()
        pdfmetrics.registerFont(TTFont(_FONT, io.BytesIO(font)))
    content = io.BytesIO()
    document = BaseDocTemplate(
        content,
        pagesize=A4,
        title=headline(plan),
        author="lensbench",
        invariant=1,
        initialFontName=_FONT,
        lang="en",
    )
    frame = Frame(_MARGIN, _MARGIN, _WIDTH, A4[1] - 2 * _MARGIN, 0, 0, 0, 0)
    document.addPageTemplates(PageTemplate(frames=[frame], onPageEnd=_draw_footer))
    document.build(_quick_story(plan) if plan.quick else _story(plan))
    return content.getvalue()


def _story(plan: ShootPlan) -> list[Flowable]:
    return [
        *_head(plan),
        *_section("Hang the chart", [*advice.HANGING, *advice.LIGHT]),
        _grid(*tolerance_rows(plan)),
        *_section("Set the camera", [*advice.TRIPOD, advice.EXPOSURE, *advice.CAMERA]),
        *_section("Focus", advice.FOCUS),
        *_section("Take care", advice.CARE, mark=_DASH),
        *_shots(plan),
        *_section("Then", _afterwards()),
    ]


def _quick_story(plan: ShootPlan) -> list[Flowable]:
    return [
        *_head(plan),
        *_section("Before", [advice.HANGING[0], advice.HANGING[1], advice.LIGHT[0], *advice.TRIPOD]),
        _grid(*tolerance_rows(plan)),
        *_section("Set", [advice.EXPOSURE, *advice.CAMERA, *advice.FOCUS]),
        *_quick_shots(plan),
        *_section("Read it so", [advice.QUICK_SIDES[plan.chart.kind], *advice.QUICK_READING], mark=_DASH),
        *_section("Take care", _quick_care(plan), mark=_DASH),
        *_section("Then", _afterwards()[::2]),
    ]


def _quick_care(plan: ShootPlan) -> list[str]:
    turned = [advice.UPSIDE_DOWN] if plan.chart.kind == "wall" else []
    return [*advice.CARE[:2], *turned, advice.CARE[3]]


def _head(plan: ShootPlan) -> list[Flowable]:
    story: list[Flowable] = [_text(headline(plan), "title"), _text(chart_sentence(plan), "body")]
    story += [_text(remark, "body") for remark in plan.remarks]
    story += [Spacer(0, 1.5 * mm), _grid(*distance_rows(plan)), _text(print_sentence(plan), "small")]
    return story


def _section(title: str, lines: Sequence[str], *, mark: str = _BOX) -> list[Flowable]:
    return [
        KeepTogether(
            [_text(title, "section"), *(_text(f"{mark}  {line}", "body", hang=4.2 * mm) for line in lines)]
        )
    ]


def _shots(plan: ShootPlan) -> list[Flowable]:
    """Give the shots in their order, one line a setting, a box for each shot."""
    story: list[Flowable] = []
    places = groupby(plan.shots, key=lambda shot: (shot.focal_length_mm, shot.condition))
    for (focal_length_mm, condition), members in places:
        title = f"Shots at {focal_length_mm:g} mm" + (f", {condition}" if condition else "")
        rows = [
            _setting_row(list(shots))
            for _, shots in groupby(members, key=lambda shot: (shot.f_number, shot.focus_group))
        ]
        story.append(KeepTogether([_text(title, "section"), _grid(("stop", "time", "shots", ""), rows)]))
    return story


def _quick_shots(plan: ShootPlan) -> list[Flowable]:
    """Give all shots in one table, a line for each way the sheet hangs and focal length, so that one page holds it."""
    rows = []
    for (condition, focal_length_mm), members in groupby(
        plan.shots, key=lambda shot: (shot.condition, shot.focal_length_mm)
    ):
        by_stop = groupby(members, key=lambda shot: shot.f_number)
        cells = (_GAP.join(_setting_row(list(shots))[:3]) for _, shots in by_stop)
        rows.append((condition, f"{focal_length_mm:g} mm", *cells))
    turned = "turn the sheet upside down" if plan.chart.kind == "sheet" else "turn the camera upside down"
    title = _text(f"Shots: focus anew before each; then {turned} and repeat", "section")
    header = ("chart", "focal length", *("" for _ in plan.f_numbers))
    return [KeepTogether([title, _grid(header, rows)])]


def _setting_row(shots: Sequence[ShotToTake]) -> tuple[str, ...]:
    first = shots[0]
    boxes = _GAP.join(_BOX for _ in shots)
    does = "focus anew before each"
    if first.focus_step is not None:
        boxes = _GAP.join(f"{_BOX}\N{NO-BREAK SPACE}{_step_name(shot.focus_step or 0)}" for shot in shots)
        does = "focus bracket, nearer to further, 0 in focus; steps as above"
    return f"f/{first.f_number:g}", shutter_name(first.exposure_s), boxes, does


def _step_name(step: int) -> str:
    return f"{step:+d}".replace("-", "\N{MINUS SIGN}") if step else "0"


def _afterwards() -> tuple[str, ...]:
    watching = (
        "Beside the camera: lensbench check FOLDER --watch --plan shots.csv says at once what to repeat."
    )
    table = (
        "shots.csv lists the shots in this order; the column «file» is filled by «check --fill» or by hand."
    )
    return watching, table, "lensbench sweep FOLDER --shots shots.csv --out result"


def _text(words: str, kind: str, *, hang: float = 0.0) -> Paragraph:
    size = _SIZES[kind]
    style = ParagraphStyle(
        kind,
        fontName=_FONT,
        fontSize=size,
        leading=1.26 * size,
        leftIndent=hang,
        firstLineIndent=-hang,
        textColor=_FAINT if kind == "small" else _INK,
        spaceBefore=6.0 if kind == "section" else 0.0,
        spaceAfter=3.0 if kind in {"title", "section"} else 1.4,
    )
    return Paragraph(html.escape(words, quote=False), style)


def _grid(header: Sequence[str], rows: Sequence[Sequence[str]]) -> Table:
    cells = [
        [_text(cell, "small") for cell in header],
        *([_text(cell, "cell") for cell in row] for row in rows),
    ]
    style: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 1.6),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.0),
        ("LINEBELOW", (0, 0), (-1, 0), 0.7, _INK),
        ("LINEBELOW", (0, 1), (-1, -1), 0.35, _HAIR),
    ]
    return Table(cells, colWidths=_widths(header, rows), repeatRows=1, style=style, hAlign="LEFT")


def _widths(header: Sequence[str], rows: Sequence[Sequence[str]]) -> list[float]:
    longest = [max(len(cell) for cell in column) for column in zip(header, *rows, strict=True)]
    weights = [min(max(length, 8), 60) for length in longest]
    return [_WIDTH * weight / sum(weights) for weight in weights]


def _draw_footer(canvas: Any, document: Any) -> None:
    canvas.setFont(_FONT, 6.5)
    canvas.setFillColor(_FAINT)
    canvas.drawString(
        _MARGIN, 8 * mm, "Made by lensbench plan. Figures from thin-lens optics; see how-to: plan."
    )
    canvas.drawRightString(A4[0] - _MARGIN, 8 * mm, f"page {document.page}")
