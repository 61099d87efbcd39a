"""The charts as PDF pages: a sheet, and a wall set.

Of a sheet, the field of targets and, in its margins, brackets at the frames' corners, and words. A bracket stands
outside its frame, inner sides on the frame's borders, all in the margin: where a border lies inside the field, the
bracket's shorter arm runs outwards along it. Each ratio has a line of its own.

Of a wall set, a first page that says where to hang without damage, then the pages themselves.
"""

from math import hypot, inf, isinf
from pathlib import Path
from textwrap import wrap
from typing import Final

from lensbench.chart.draw.page import Corner, Page, bar, device_gray, rectangle
from lensbench.chart.layout.parts import Frame, Layout, turned
from lensbench.chart.layout.wall import MARGIN_MM, Hanging, Hung, WallPage

_ON_PRINTING: Final = (
    "Print at actual size (100 %), never fitted to the page: matte paper, finest quality, black ink only. "
    "Then measure the line below."
)
_ON_HANGING: Final = (
    "Fix the print flat on a rigid board, lit evenly by two lamps, one from each side at 45°. "
    "Lamps grow hot: keep them off paper."
)
_ON_SHOOTING: Final = (
    "Face the chart squarely, and focus on the fans at its centre.",
    "Fill the picture up to the brackets of its ratio:",
)


def draw(layout: Layout, out: Path) -> None:
    """Write one sheet as a PDF page over any file that is there; a SettingError where that cannot be."""
    page = Page(layout.paper_mm, title=f"lensbench {layout.name}")
    for target in layout.targets:
        page.target(target, device_gray(layout.dark_reflectance))
    for marker in layout.markers:
        page.marker(marker)
    for tone in layout.tones:
        page.tone(tone)
    for outline in _focusing_bars(layout):
        page.fill(outline)
    for frame in layout.frames:
        for corner in ((-1.0, -1.0), (-1.0, 1.0), (1.0, -1.0), (1.0, 1.0)):
            for outline in _bracket(layout, frame, corner):
                page.fill(outline)
    _draw_words(page, layout)
    page.write(out)


def _focusing_bars(layout: Layout) -> list[list[Corner]]:
    """Four fans of bars around the centre target, coarser outwards: in good focus the finest stand apart."""
    radius_mm = next(target.radius_mm for target in layout.targets if target.center_mm == (0.0, 0.0))
    widest_mm = 0.93 * layout.quiet_radius_mm
    bars: list[list[Corner]] = []
    inner_mm, thickness_mm = 1.12 * radius_mm, radius_mm / 110.0
    while inner_mm + thickness_mm < widest_mm:
        outer_mm, half_mm = inner_mm + thickness_mm, 0.42 * (inner_mm - 0.55 * radius_mm)
        upper = [(-inner_mm, -half_mm), (-inner_mm, half_mm), (-outer_mm, half_mm), (-outer_mm, -half_mm)]
        lower = [(-row, col) for row, col in upper]
        bars += [upper, lower, [(col, row) for row, col in upper], [(col, row) for row, col in lower]]
        inner_mm, thickness_mm = outer_mm + thickness_mm, 1.22 * thickness_mm
    return bars


_LINES: Final[dict[str, tuple[tuple[tuple[float, float], ...], tuple[float, float]]]] = {
    "3:2": (((0.0, 1.0),), (inf, 0.0)),
    "4:3": (((0.0, 0.7), (1.6, 2.3)), (inf, 0.0)),
    "16:9": (((0.0, 1.0),), (2.2, 2.2)),
    "1:1": (((0.0, 1.0),), (1.0, 1.0)),
}
"""Ratio -> strokes, from and to, outwards from the frame; dash and gap. In thicknesses of a plain line."""
_THICKNESS: Final = 0.003  # of the page's height
_ARM, _SHORT_ARM = 11.0, 7.0  # in thicknesses: three dashes, or six dots; two, or four
_SAME_BORDER_MM: Final = 1.0  # a frame whose border lies nearer to the field's than this is bounded by it


def _bracket(layout: Layout, frame: Frame, corner: Corner) -> list[list[Corner]]:
    """Outlines of the bracket at one corner of a frame, which is given as (-1 or 1 down, -1 or 1 right)."""
    unit_mm = _THICKNESS * layout.paper_mm[0]
    strokes, dash = _LINES[frame.ratio]
    half_mm = [size_mm / 2.0 for size_mm in frame.size_mm]
    at_border = [reach - half < _SAME_BORDER_MM for reach, half in zip(_reach(layout), half_mm, strict=True)]
    outlines = []
    for axis in (0, 1):  # the arm along the border that crosses this axis, strokes stacked along it
        along = 1 - axis
        for low, high in strokes:
            # Strokes meet at the corner: mirrored in order where one arm runs inwards and one outwards.
            meeting = high if all(at_border) else strokes[-1][1] - low
            inwards = (-1.0, _ARM, -meeting)
            run, length, start = inwards if at_border[axis] else (1.0, _SHORT_ARM, strokes[-1][1] - high)
            for first, last in _dashes(start, length, dash):
                ends: list[Corner] = []
                for stroke, reach in ((low, first), (low, last), (high, last), (high, first)):
                    point = [0.0, 0.0]
                    point[axis] = corner[axis] * (half_mm[axis] + stroke * unit_mm)
                    point[along] = corner[along] * (half_mm[along] + run * reach * unit_mm)
                    ends.append((point[0], point[1]))
                outlines.append(ends)
    return outlines


def _dashes(start: float, end: float, dash: tuple[float, float]) -> list[Corner]:
    """From and to of each dash of a line that goes to `end` past the corner, whose first dash begins there."""
    drawn, gap = dash
    if isinf(drawn):
        return [(start, end)]
    firsts = [number * (drawn + gap) for number in range(round((end + gap) / (drawn + gap)))]
    return [(min(first, start) if first == 0.0 else first, first + drawn) for first in firsts]


def _draw_words(page: Page, layout: Layout) -> None:
    """Set the margins' words: what the sheet is, how to print it, how to photograph it."""
    text_mm = min(max(0.0092 * layout.paper_mm[0], 1.36), 5.6)
    reach_row, narrowest_mm = _reach(layout)[0], min(frame.size_mm[1] for frame in layout.frames)
    reach_mm = narrowest_mm / 2.0 - (_ARM + 4.0) * _THICKNESS * layout.paper_mm[0]  # free of brackets
    for up, text in enumerate((_ON_HANGING, _ON_PRINTING, _title(layout))):
        anchor = (-reach_row - (0.6 + 1.22 * up) * text_mm, -reach_mm)
        page.note(text, anchor, size_mm=text_mm, room_mm=2.0 * reach_mm)
    row_mm, length_mm = reach_row + 2.1 * text_mm, 100.0 if layout.paper_mm[1] >= 200.0 else 50.0
    page.ruler((row_mm, -reach_mm), length_mm)
    below_mm = row_mm + 1.25 * text_mm
    page.note(f"This line is {length_mm:g} mm long.", (below_mm, -reach_mm), size_mm=text_mm)
    beside_mm = -reach_mm + length_mm + 2.0 * text_mm
    room_mm = reach_mm - beside_mm
    for up, text in enumerate(reversed(_ON_SHOOTING), start=1):
        page.note(text, (below_mm - 1.3 * up * text_mm, beside_mm), size_mm=text_mm, room_mm=room_mm)
    _draw_legend(page, layout, (below_mm, beside_mm), text_mm=min(text_mm, room_mm / 27.0))


def _draw_legend(page: Page, layout: Layout, start: Corner, *, text_mm: float) -> None:
    """Name the brackets' lines, each ratio beside a piece of its own."""
    unit_mm = _THICKNESS * layout.paper_mm[0]
    row_mm, left_mm = start
    for frame in layout.frames:
        strokes, dash = _LINES[frame.ratio]
        lowest_mm = row_mm - 0.35 * text_mm + strokes[-1][1] * unit_mm / 2.0
        for low, high in strokes:
            for first, last in _dashes(0.0, _SHORT_ARM, dash):
                size_mm = ((high - low) * unit_mm, (last - first) * unit_mm)
                page.fill(bar(lowest_mm - high * unit_mm, left_mm + first * unit_mm, *size_mm))
        left_mm += _SHORT_ARM * unit_mm + 0.6 * text_mm
        page.note(frame.ratio, (row_mm, left_mm), size_mm=text_mm)
        left_mm += 3.6 * text_mm


def _title(layout: Layout) -> str:
    contrast = (
        "dark quarters solid black"
        if isinf(layout.contrast)
        else f"dark quarters drawn for {layout.contrast:g}:1 (only the photograph tells the printed contrast)"
    )
    height_mm, width_mm = layout.paper_mm
    return f"lensbench {layout.name}, page {width_mm:g} x {height_mm:g} mm, {contrast}"


def _reach(layout: Layout) -> Corner:
    """Half-height and half-width of the field that the frames cover together."""
    heights, widths = zip(*(frame.size_mm for frame in layout.frames), strict=True)
    return (max(heights) / 2.0, max(widths) / 2.0)


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
    """Write a wall set, the page for hanging and one page a target, over any file that is there.

    The dark quarters' reflectance is told with paper white as 1: 0 is black ink. A SettingError where the file cannot
    be written.
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
