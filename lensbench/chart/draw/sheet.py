"""The sheet as a PDF page: the field of targets and, in its margins, brackets at the frames' corners and words.

A bracket stands outside its frame, inner sides on the frame's borders, all in the margin: where a border of the frame
lies inside the field, the bracket's shorter arm runs outwards along it. Each ratio has a line of its own.
"""

from math import inf, isinf
from pathlib import Path
from typing import Final

from lensbench.chart.draw.page import Corner, Page, bar, device_gray
from lensbench.chart.layout.parts import Frame, Layout

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
    """Write one sheet as a PDF page.

    Parameters
    ----------
    layout : Layout
        What to draw.
    out : Path
        The file to write; one that exists is replaced.

    Raises
    ------
    SettingError
        The file cannot be written there.
    """
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
    reach_row, reach_mm = _reach(layout)[0], _free_reach(layout)
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


def _free_reach(layout: Layout) -> float:
    """How far from the centre the upper and lower margins are free of brackets."""
    narrowest_mm = min(frame.size_mm[1] for frame in layout.frames)
    return narrowest_mm / 2.0 - (_ARM + 4.0) * _THICKNESS * layout.paper_mm[0]
