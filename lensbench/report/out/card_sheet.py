"""Pocket cards drawn: 85 x 54 mm each, as a bank's, eight to a page of A4 or Letter, with cut marks around.

A bar reaches from the first to the last stop that keeps 90 % of the best one: solid where that is sure, hollow where it
is only probable; a ring stands at the best stop. Black and white printers lose nothing.
"""

import io
import math
from collections.abc import Iterator, Sequence
from typing import Any, Final

from reportlab.lib.colors import HexColor, white
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth

from lensbench.model.measured import PocketRow
from lensbench.model.setting import f_stop
from lensbench.model.sweep import POCKET_PERCENT
from lensbench.model.units import Paper
from lensbench.report.draw.panels import ACCENT
from lensbench.report.page.card import PocketCard, stops_below
from lensbench.report.text.words import stop_range, texts
from lensbench.storage.pdf import BOLD, FAINT, INK, LEAST_PT, PAPERS_PT, REGULAR, register_fonts
from lensbench.storage.tagged import TaggedCanvas, element

CARD_MM: Final = (85.0, 54.0)
"""Width and height."""
_COLUMNS, _ROWS = 2, 4
SUBJECT: Final = "Pocket cards of measured lenses; print at actual size"
_ACCENT, _RULE = HexColor(ACCENT.color), HexColor("#d8d4ca")
_INSET_MM: Final = 4.0
_COLUMNS_MM: Final = {True: (19.5, 57.5, 61.5), False: (27.0, 64.0, 69.5)}
"""From the card's left, of a zoom and of another lens: where the stops begin and end, and where the best one stands."""
_TICKS_MM, _FIRST_ROW_MM, _LEGEND_MM = 15.6, 16.8, 51.0
"""From the card's top: baselines of the stops' names and of the legend, and between them the upper end of the rows."""
_WHOLE_STOPS: Final = (1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0)
"""As lenses name them (ISO 517)."""
_ROW_MM: Final = (4.2, 8.0)  # least and greatest height of a row
_WARNING_MM: Final = 3.3
_BAR_MM, _RING_MM = 1.7, 1.35
_MARK_MM: Final = (2.0, 5.0)  # a cut mark: how far from the cards it begins, and how long it is
_HEAD_PT, _SMALL_PT = 10.0, LEAST_PT


def cards_pdf(cards: Sequence[PocketCard], *, paper: Paper = "A4") -> bytes:
    """PDF of pocket cards, the same bytes for the same cards; a lens of many focal lengths takes several."""
    register_fonts()
    content = io.BytesIO()
    canvas: Any = TaggedCanvas(
        content, pagesize=PAPERS_PT[paper], invariant=1, initialFontName=REGULAR, lang="en"
    )
    canvas.setTitle("Pocket cards")
    canvas.setAuthor("lensbench")
    canvas.setSubject(SUBJECT)
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.setViewerPreference("DisplayDocTitle", "true")
    canvas.showOutline()
    pieces = [piece for card in cards for piece in _pieces(card)]
    for start in range(0, len(pieces), _COLUMNS * _ROWS):
        _page(canvas, pieces[start : start + _COLUMNS * _ROWS], PAPERS_PT[paper], start)
    canvas.save()
    return content.getvalue()


def _pieces(card: PocketCard) -> Iterator[tuple[PocketCard, tuple[PocketRow, ...], str]]:
    """A card with the rows that fit on it, and «2 of 3» where one does not hold them all."""
    room_mm = _LEGEND_MM - 3.0 - _FIRST_ROW_MM - _WARNING_MM * len(_warning_lines(card))
    most = max(int(room_mm / _ROW_MM[0]), 1)
    count = max(math.ceil(len(card.rows) / most), 1)
    share = math.ceil(len(card.rows) / count)
    for number in range(count):
        rows = card.rows[number * share : (number + 1) * share]
        yield card, rows, f"{number + 1} of {count}" if count > 1 else ""


def _page(
    canvas: Any,
    page: Sequence[tuple[PocketCard, tuple[PocketRow, ...], str]],
    size_pt: tuple[float, float],
    first: int,
) -> None:
    left_mm = (size_pt[0] / mm - _COLUMNS * CARD_MM[0]) / 2.0
    top_mm = (size_pt[1] / mm - _ROWS * CARD_MM[1]) / 2.0
    for place, (card, rows, part) in enumerate(page):
        row, column = divmod(place, _COLUMNS)
        canvas.saveState()
        canvas.translate((left_mm + column * CARD_MM[0]) * mm, size_pt[1] - (top_mm + row * CARD_MM[1]) * mm)
        key = f"card-{first + place}"
        canvas.bookmarkHorizontal(key, 0, 0)
        canvas.addOutlineEntry(" ".join(filter(None, (card.lens, part))), key, 0)
        _card(canvas, card, rows, part)
        canvas.restoreState()
    with canvas.artifact():
        _cut_marks(canvas, len(page), (left_mm, size_pt[1] / mm - top_mm))
        canvas.setFont(REGULAR, LEAST_PT)
        canvas.setFillColor(FAINT)
        canvas.drawString(left_mm * mm, 10 * mm, "Print at actual size (100 %); cut along the marks.")
        canvas.drawRightString(size_pt[0] - left_mm * mm, 10 * mm, "Made by lensbench")
    canvas.showPage()


def _cut_marks(canvas: Any, cards: int, corner_mm: tuple[float, float]) -> None:
    """Hairlines around the cards of a page, in line with every edge of one."""
    left_mm, top_mm = corner_mm
    right_mm = left_mm + min(cards, _COLUMNS) * CARD_MM[0]
    bottom_mm = top_mm - math.ceil(cards / _COLUMNS) * CARD_MM[1]
    canvas.setStrokeColor(INK)
    canvas.setLineWidth(0.25)
    gap_mm, long_mm = _MARK_MM
    for column in range(min(cards, _COLUMNS) + 1):
        at_pt = (left_mm + column * CARD_MM[0]) * mm
        for edge_mm, away in ((top_mm, 1.0), (bottom_mm, -1.0)):
            ends = (edge_mm + away * gap_mm, edge_mm + away * (gap_mm + long_mm))
            canvas.line(at_pt, ends[0] * mm, at_pt, ends[1] * mm)
    for row in range(math.ceil(cards / _COLUMNS) + 1):
        at_pt = (top_mm - row * CARD_MM[1]) * mm
        for edge_mm, away in ((left_mm, -1.0), (right_mm, 1.0)):
            ends = (edge_mm + away * gap_mm, edge_mm + away * (gap_mm + long_mm))
            canvas.line(ends[0] * mm, at_pt, ends[1] * mm, at_pt)


def _card(canvas: Any, card: PocketCard, rows: tuple[PocketRow, ...], part: str) -> None:
    """One card, from its upper left corner."""
    width_mm = CARD_MM[0] - 2.0 * _INSET_MM
    part_mm = stringWidth(part, REGULAR, _SMALL_PT) / mm + 2.0 * bool(part)
    with canvas.tagged(element("H1")):
        _write(canvas, card.lens, (7.6, _INSET_MM), size_pt=_HEAD_PT, bold=True, room_mm=width_mm - part_mm)
        _write(canvas, part, (7.6, CARD_MM[0] - _INSET_MM), size_pt=_SMALL_PT, faint=True, right=True)
    with canvas.tagged(element("P")):
        _write(canvas, card.about, (10.8, _INSET_MM), size_pt=_SMALL_PT, faint=True, room_mm=width_mm)
    lines, warnings = _warning_lines(card), element("P")
    if rows:
        with canvas.tagged(element("Figure"), alt=" ".join(_in_words(card, row) for row in rows)):
            _rows(canvas, card, rows, _LEGEND_MM - 3.0 - _WARNING_MM * len(lines))
    for number, line in enumerate(lines, 1 - len(lines)):
        with canvas.tagged(warnings):
            at_mm = _LEGEND_MM - 3.8 + number * _WARNING_MM
            _write(canvas, line, (at_mm, _INSET_MM), size_pt=_SMALL_PT, bold=True)


def _rows(canvas: Any, card: PocketCard, rows: Sequence[PocketRow], bottom_mm: float) -> None:
    """Rows of a card down to the warnings, with the stops' names above and the legend below."""
    height_mm = min((bottom_mm - _FIRST_ROW_MM) / len(rows), _ROW_MM[1])
    places = _places(card)
    if any(math.isfinite(row.percent) for row in rows) and _is_zoom(card):
        right_mm = CARD_MM[0] - _INSET_MM
        _write(
            canvas,
            texts("card.legend")["of_best"],
            (_TICKS_MM, right_mm),
            size_pt=_SMALL_PT,
            faint=True,
            right=True,
        )
    _ticks(canvas, places, _FIRST_ROW_MM + height_mm * len(rows))
    for number, row in enumerate(rows):
        _row(canvas, card, row, _FIRST_ROW_MM + (number + 0.5) * height_mm)
    _legend(canvas, card)


def _in_words(card: PocketCard, row: PocketRow) -> str:
    """«24 mm: best f/5.6; keeps 90 %: f/4 to f/8; 97 % of sharpest.»."""
    signs = texts("card.legend")
    parts = [f"{card.name(row)}: {signs['best' if row.claimed else 'unclaimed']} {f_stop(row.best_f_number)}"]
    if row.enough is not None:
        kept = {"keeps": row.enough.surely, "probably_keeps": row.enough.probably}
        sign, stops = next(((sign, stops) for sign, stops in kept.items() if stops), ("", ()))
        tested = sorted(row.stops)
        parts += [f"{signs[sign].format(kept=POCKET_PERCENT)}: {stop_range(stops, tested)}"] if stops else []
    parts += [f"{row.percent:.0f} % {signs['of_best']}"] if math.isfinite(row.percent) else []
    return f"{'; '.join(parts)}."


def _warning_lines(card: PocketCard) -> list[str]:
    room_pt = (CARD_MM[0] - 2.0 * _INSET_MM) * mm
    return [line for words in card.warnings for line in simpleSplit(words, BOLD, _SMALL_PT, room_pt)]


def _places(card: PocketCard) -> dict[float, float]:
    """Place of every stop of a card, in mm from its left, at true distances."""
    exact = {stop: value if value > 0.0 else stop for row in card.rows for stop, value in row.stops.items()}
    logs = {stop: math.log2(value) for stop, value in sorted(exact.items())}
    first, last = min(logs.values()), max(logs.values())
    first_mm, last_mm, _ = _COLUMNS_MM[_is_zoom(card)]
    if first == last:
        return dict.fromkeys(logs, (first_mm + last_mm) / 2.0)
    return {
        stop: first_mm + (last_mm - first_mm) * (log - first) / (last - first) for stop, log in logs.items()
    }


def _ticks(canvas: Any, places: dict[float, float], bottom_mm: float) -> None:
    """Name and line of every stop; of stops too near each other fewer of them, whole stops first."""
    canvas.setStrokeColor(_RULE)
    canvas.setLineWidth(0.4)
    taken_mm: list[tuple[float, float]] = []
    for stop in sorted(places, key=lambda stop: stop not in _WHOLE_STOPS):
        at_mm, half_mm = places[stop], stringWidth(f_stop(stop), REGULAR, _SMALL_PT) / mm / 2.0
        if all(abs(at_mm - other_mm) > half_mm + other_half_mm + 0.8 for other_mm, other_half_mm in taken_mm):
            canvas.line(at_mm * mm, -(_FIRST_ROW_MM - 0.6) * mm, at_mm * mm, -bottom_mm * mm)
            _write(canvas, f_stop(stop), (_TICKS_MM, at_mm - half_mm), size_pt=_SMALL_PT, faint=True)
            taken_mm.append((at_mm, half_mm))


def _row(canvas: Any, card: PocketCard, row: PocketRow, middle_mm: float) -> None:
    places, base_mm = _places(card), middle_mm + 0.8
    first_mm, _, setting_mm = _COLUMNS_MM[_is_zoom(card)]
    room_mm = first_mm - _INSET_MM - 2.0
    _write(canvas, card.name(row), (base_mm, _INSET_MM), size_pt=_SMALL_PT, room_mm=room_mm)
    enough = row.enough
    if enough is not None:
        kept = [places[stop] for stop in enough.probably]
        if kept:
            _bar(canvas, min(kept), max(kept), middle_mm, solid=False)
        for first, last in _runs(row, enough.surely):
            _bar(canvas, places[first], places[last], middle_mm, solid=True)
    canvas.setStrokeColor(INK)
    canvas.setLineWidth(0.9)
    for stop in stops_below(row):
        at_mm, half_mm = places[stop], 0.7
        for slope in (1.0, -1.0):
            start, end = (
                (at_mm - half_mm, middle_mm - slope * half_mm),
                (at_mm + half_mm, middle_mm + slope * half_mm),
            )
            canvas.line(start[0] * mm, -start[1] * mm, end[0] * mm, -end[1] * mm)
    if row.best_f_number in places:
        _ring(canvas, places[row.best_f_number], middle_mm, claimed=row.claimed)
    _write(canvas, f_stop(row.best_f_number), (base_mm, setting_mm), size_pt=_SMALL_PT, bold=True)
    if _is_zoom(card) and math.isfinite(row.percent):
        right_mm = CARD_MM[0] - _INSET_MM
        _write(canvas, f"{row.percent:.0f} %", (base_mm, right_mm), size_pt=_SMALL_PT, faint=True, right=True)


def _runs(row: PocketRow, kept: Sequence[float]) -> Iterator[tuple[float, float]]:
    """First and last of the kept stops that were tested one after the other."""
    run: list[float] = []
    for stop in sorted(row.stops):
        if stop in kept:
            run.append(stop)
        elif run:
            yield run[0], run[-1]
            run = []
    if run:
        yield run[0], run[-1]


def _bar(canvas: Any, first_mm: float, last_mm: float, middle_mm: float, *, solid: bool) -> None:
    left_pt, width_pt = (first_mm - _BAR_MM / 2.0) * mm, (last_mm - first_mm + _BAR_MM) * mm
    canvas.setStrokeColor(_ACCENT)
    canvas.setFillColor(_ACCENT if solid else white)
    canvas.setLineWidth(0.7)
    bottom_pt = -(middle_mm + _BAR_MM / 2.0) * mm
    canvas.roundRect(left_pt, bottom_pt, width_pt, _BAR_MM * mm, _BAR_MM / 2.0 * mm, stroke=1, fill=1)


def _ring(canvas: Any, at_mm: float, middle_mm: float, *, claimed: bool) -> None:
    """Ring at the best stop; dashed where no winner is claimed."""
    canvas.saveState()
    canvas.setStrokeColor(_ACCENT)
    canvas.setFillColor(white)
    canvas.setLineWidth(1.4)
    if not claimed:
        canvas.setDash([1.6, 1.2])
    canvas.circle(at_mm * mm, -middle_mm * mm, _RING_MM * mm, stroke=1, fill=1)
    canvas.restoreState()


def _legend(canvas: Any, card: PocketCard) -> None:
    """What the signs mean, from left to right as far as there are any."""
    middle_mm, at_mm = _LEGEND_MM - 0.65, _INSET_MM + _RING_MM
    signs = texts("card.legend")
    for claimed in sorted({row.claimed for row in card.rows}, reverse=True):
        _ring(canvas, at_mm, middle_mm, claimed=claimed)
        words = signs["best" if claimed else "unclaimed"]
        at_mm = _write(canvas, words, (_LEGEND_MM, at_mm + 2.2), size_pt=_SMALL_PT, faint=True) + 3.2
    told = [row.enough for row in card.rows if row.enough is not None]
    solid = any(enough.surely for enough in told)
    bars = [(True, signs["keeps"].format(kept=POCKET_PERCENT))] * solid
    hollow = any(len(enough.probably) > len(enough.surely) for enough in told)
    bars += [(False, signs["probably" if solid else "probably_keeps"].format(kept=POCKET_PERCENT))] * hollow
    for is_sure, words in bars:
        _bar(canvas, at_mm, at_mm + 2.4, middle_mm, solid=is_sure)
        at_mm = _write(canvas, words, (_LEGEND_MM, at_mm + 4.2), size_pt=_SMALL_PT, faint=True) + 3.2


def _is_zoom(card: PocketCard) -> bool:
    return len({row.focal_length_mm for row in card.rows}) > 1


def _write(
    canvas: Any,
    words: str,
    at_mm: tuple[float, float],
    *,
    size_pt: float,
    bold: bool = False,
    faint: bool = False,
    right: bool = False,
    room_mm: float = math.inf,
) -> float:
    """Words at (row, column) from the card's upper left corner, smaller where they need it, and shorter at last.

    Gives the column where they end. [mm]
    """
    font, room_pt = BOLD if bold else REGULAR, room_mm * mm
    width_pt = stringWidth(words, font, size_pt)
    if width_pt > room_pt:
        size_pt = max(size_pt * room_pt / width_pt, LEAST_PT)
        while len(words) > 1 and stringWidth(words, font, size_pt) > room_pt:
            words = f"{words.removesuffix('…')[:-1].rstrip()}…"
    canvas.setFont(font, size_pt)
    canvas.setFillColor(FAINT if faint else INK)
    place = (at_mm[1] * mm, -at_mm[0] * mm)
    if right:
        canvas.drawRightString(*place, words)
    else:
        canvas.drawString(*place, words)
    return at_mm[1] + (0.0 if right else stringWidth(words, font, size_pt) / mm)
