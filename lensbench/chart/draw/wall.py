"""The wall set as a PDF: a first page that says where to hang without damage, then the pages themselves."""

from math import hypot
from pathlib import Path
from textwrap import wrap
from typing import Final

from lensbench.chart.draw.page import Corner, Page, device_gray, rectangle
from lensbench.chart.layout.parts import turned
from lensbench.chart.layout.wall import MARGIN_MM, Hanging, Hung, WallPage

_RULER_MM: Final = 100.0
_LETTERS: Final = 14.5  # letter heights that the longest line beside the arrow runs to
_LINE_MM: Final = 0.25
_FEW: Final = 14  # pages that two columns of the table hold
_FOCAL_LENGTHS_MM: Final = (24, 35, 50, 85, 135, 200)
_WRAP: Final = 116  # characters a line

_HOW: Final = (
    """Nothing has to be exact: a few centimetres and a few degrees do no harm, for each page is found by itself.
    But each must lie flat, and all in one plane: a wall without bumps, or rigid boards behind the pages. Hang
    page 1 upright; turn the arrows of all others to it.""",
    """Without damage: low-tack painter's tape at the four corners, tried first where nobody looks, and left on for
    a short time; no tape on wallpaper, fresh paint or limewash. Ask before you hang on a wall that is not yours,
    and keep to the rules of the house: escape routes and fire doors stay free.""",
    """Safely: stand on a firm ladder, never on a chair, with somebody to hold it, and reach no further than your
    belt. Two lamps at 45° from left and right, as far off as the camera; lamps grow hot: keep them away from paper
    and curtains, and lay no cable where people walk.""",
    """Print at actual size (100 %), on matte paper, at the finest setting, in black ink only; then measure the line
    on each page. Aim the camera at the centre of page 1 and face the wall squarely.""",
)


def draw_wall(plan: Hanging, out: Path, *, dark_reflectance: float = 0.0) -> None:
    """Write a wall set: the page for hanging, and one page a target.

    Parameters
    ----------
    plan : Hanging
        The pages and where they hang.
    out : Path
        The file to write; one that exists is replaced.
    dark_reflectance : float
        Of the dark quarters, paper white being 1: 0 is black ink.

    Raises
    ------
    SettingError
        The file cannot be written there.
    """
    sheets = [hung.page for hung in plan.pages]
    page = Page(sheets[0].paper_mm, title=f"lensbench wall set, {len(sheets)} pages {sheets[0].paper}")
    _draw_hanging(page, plan)
    for sheet in sheets:
        page.next_page()
        _draw_page(page, sheet, of=len(sheets), dark_reflectance=dark_reflectance)
    page.write(out)


def _draw_page(page: Page, sheet: WallPage, *, of: int, dark_reflectance: float) -> None:
    page.target(sheet.target, device_gray(dark_reflectance))
    for marker in sheet.markers:
        page.marker(marker)
    for tone in sheet.tones:
        page.tone(tone)
    height_mm, width_mm = sheet.paper_mm
    base_mm, left_mm = height_mm / 2.0 - MARGIN_MM, MARGIN_MM - width_mm / 2.0
    page.ruler((base_mm - 4.5, left_mm), _RULER_MM)
    top, bottom = MARGIN_MM - height_mm / 2.0, -sheet.target.radius_mm - 8.0
    half, neck = 0.16 * (bottom - top), top + 0.42 * (bottom - top)
    right = [(top, 0.0), (neck, 2.0 * half), (neck, 0.8 * half), (bottom, 0.8 * half)]
    page.fill([*right, *((row, -col) for row, col in reversed(right[1:]))])
    _write_beside_arrow(page, sheet, top, of)
    beside_mm = left_mm + _RULER_MM + 3.0
    room_mm = sheet.markers[2].center_mm[1] - sheet.markers[2].side_mm / 2.0 - 4.0 - beside_mm
    under = f"This line is {_RULER_MM:g} mm long. Print at actual size (100 %), black ink, matte paper."
    page.note(under, (base_mm, left_mm), size_mm=2.6, room_mm=_RULER_MM + room_mm)
    page.note(f"lensbench wall, {sheet.paper}", (base_mm - 4.0, beside_mm), size_mm=2.6, room_mm=room_mm)


def _write_beside_arrow(page: Page, sheet: WallPage, top_mm: float, of: int) -> None:
    """Page number at the arrow's left, and at its right where it points to."""
    room_mm = 2.0 * abs(sheet.markers[0].center_mm[1]) - sheet.markers[0].side_mm
    beside_mm, text_mm = 0.17 * room_mm, 0.031 * room_mm
    side_mm = room_mm / 2.0 - beside_mm - 5.0
    line_mm = min(text_mm, side_mm / _LETTERS)
    number_mm = top_mm + 0.8 * beside_mm
    page.note(str(sheet.number), (number_mm, -beside_mm), size_mm=beside_mm, from_right=True)
    page.note(f"of {of}", (number_mm + 1.5 * text_mm, -beside_mm), size_mm=text_mm, from_right=True)
    lines = (
        ("This arrow up.", "Page 1 marks the centre.", "All other arrows point to it.")
        if sheet.number == 1
        else ("Arrow to the centre", "of the wall (page 1).", sheet.place.words)
    )
    for line, text in enumerate(lines):
        anchor = (top_mm + 1.2 * text_mm + 1.5 * line * line_mm, beside_mm)
        page.note(text, anchor, size_mm=line_mm, room_mm=side_mm)


def _draw_hanging(page: Page, plan: Hanging) -> None:
    """Draw the page that tells where to hang: heading, map, table, advice."""
    height_mm, width_mm = plan.pages[0].page.paper_mm
    unit = width_mm / 210.0
    top, left = MARGIN_MM - height_mm / 2.0, MARGIN_MM - width_mm / 2.0
    room_mm = width_mm - 2.0 * MARGIN_MM
    for number, (text, size) in enumerate(_heading(plan)):
        anchor = (top + (6.0 + 6.5 * number) * unit, left)
        page.note(text, anchor, size_mm=size * unit, room_mm=room_mm)
    corners = [
        turned(corner, hung.turn_deg, about=hung.center_mm)
        for hung in plan.pages
        for corner in rectangle(hung.page.paper_mm)
    ]
    reach = [
        max(frame / 2.0, *(abs(corner[axis]) for corner in corners))
        for axis, frame in enumerate(plan.frame_mm)
    ]
    scale = min(room_mm / 2.0 / reach[1], 56.0 * unit / reach[0])
    middle = top + 27.0 * unit + scale * reach[0]
    _outline(page, [(middle + scale * row, scale * col) for row, col in rectangle(plan.frame_mm)])
    for hung in plan.pages:
        _draw_small(page, hung, (middle + scale * hung.center_mm[0], scale * hung.center_mm[1]), scale)
    _draw_table(page, plan, corner=(middle + scale * reach[0] + 7.0 * unit, left), unit=unit)
    lines = [line for part in _HOW for line in (*wrap(" ".join(part.split()), _WRAP), "")][:-1]
    line_mm = height_mm / 2.0 - MARGIN_MM
    for text in reversed(lines):
        page.note(text or " ", (line_mm, left), size_mm=2.95 * unit, room_mm=room_mm)
        line_mm -= (4.0 if text else 1.8) * unit


def _heading(plan: Hanging) -> list[tuple[str, float]]:
    """Lines and their sizes."""
    height_mm, width_mm = plan.sensor_mm
    metres = ", ".join(f"{focal} mm: {plan.distance_mm(focal) / 1000.0:.2f} m" for focal in _FOCAL_LENGTHS_MM)
    frame_cm = " x ".join(f"{side / 10.0:.0f}" for side in reversed(plan.frame_mm))
    sensor = f"For a sensor of {width_mm:g} x {height_mm:g} mm"
    away = f"{plan.focal_lengths:g} focal lengths from the wall"
    return [
        (f"Where to hang the {len(plan.pages)} pages", 5.6),
        (f"{sensor}: {away}, the picture shows {frame_cm} cm of it.", 3.4),
        (f"Wall to sensor: {metres}.", 3.2),
    ]


def _draw_small(page: Page, hung: Hung, center: Corner, scale: float) -> None:
    """Draw a page on the map, with its arrow and number."""
    height, width = (scale * side for side in hung.page.paper_mm)
    half_row, half_col = height / 2.0, width / 2.0
    _outline(page, [turned(corner, hung.turn_deg, about=center) for corner in rectangle((height, width))])
    tip = [(-0.92 * half_row, 0.0), (-0.55 * half_row, 0.3 * half_col), (-0.55 * half_row, -0.3 * half_col)]
    page.fill([turned(corner, hung.turn_deg, about=center) for corner in tip])
    size_mm, number = 1.1 * half_col, str(hung.page.number)
    anchor = (center[0] + 0.37 * size_mm, center[1] - 0.31 * size_mm * len(number))
    page.note(number, anchor, size_mm=size_mm)


def _outline(page: Page, corners: list[Corner]) -> None:
    """Draw a closed line as thin filled bars."""
    for (r1, c1), (r2, c2) in zip(corners, [*corners[1:], corners[0]], strict=True):
        length = hypot(r2 - r1, c2 - c1)
        down, right = _LINE_MM / 2.0 * (c2 - c1) / length, _LINE_MM / 2.0 * (r1 - r2) / length
        there = [(r1 + down, c1 + right), (r2 + down, c2 + right)]
        page.fill([*there, (r2 - down, c2 - right), (r1 - down, c1 - right)])


def _draw_table(page: Page, plan: Hanging, *, corner: Corner, unit: float) -> None:
    """Set the places as text, in columns: number, place, centimetres from the centre of page 1."""
    many = len(plan.pages) > _FEW
    size_mm, step_mm, columns = (2.4 if many else 3.1) * unit, 4.5 * unit, 3 if many else 2
    rows = -(-len(plan.pages) // columns)
    width_mm = (plan.pages[0].page.paper_mm[1] - 2.0 * MARGIN_MM) / columns
    page.note("Centre of each page, in cm from the centre of page 1:", corner, size_mm=size_mm)
    for index, hung in enumerate(plan.pages):
        column, row = divmod(index, rows)
        line, left = corner[0] + (row + 1.3) * step_mm, corner[1] + column * width_mm
        cells = (
            (str(hung.page.number), 0.0, 0.08),
            (hung.page.place.words, 0.09, 0.43),
            (_place_cm(hung), 0.54, 0.44),
        )
        for text, at, room in cells:
            page.note(text, (line, left + at * width_mm), size_mm=size_mm, room_mm=room * width_mm)


def _place_cm(hung: Hung) -> str:
    """Say a place in whole centimetres."""
    row_cm, col_cm = (round(mm / 10.0) for mm in hung.center_mm)
    down = f"{abs(row_cm)} {'down' if row_cm > 0 else 'up'}" if row_cm else ""
    right = f"{abs(col_cm)} {'right' if col_cm > 0 else 'left'}" if col_cm else ""
    return ", ".join(filter(None, (down, right))) or "at the lens's height"
