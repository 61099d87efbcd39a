"""What stands in a sheet's margins, as data: framing marks, the printed length, and words."""

from dataclasses import dataclass, replace
from math import inf, isinf
from typing import Final, Literal

from lensbench.chart.layout.shapes import Layout

__all__ = ["Note", "Pennant", "Ruler", "notes", "pennants", "ruler", "ruler_at"]


Corner = tuple[float, float]

_SAME_MARK_MM: Final = 1.0
"""Frames whose borders lie nearer to each other than this share a mark."""

_ON_PRINTING: Final = (
    "Print at actual size (100 %), never fitted to the page: matte paper, finest quality, black ink only. "
    "Then measure the line below."
)
_ON_HANGING: Final = (
    "Fix the print flat on a rigid board, lit evenly by two lamps, one from each side at 45°. "
    "Lamps grow hot: keep them off paper."
)
_ON_SHOOTING: Final = (
    "Face the chart squarely; fill the picture up to",
    "the marks of its ratio. Focus on the middle fans.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One line of text."""

    text: str
    anchor: Corner
    """Start (or end) of the base line. [mm]"""
    size_mm: float
    room_mm: float = inf
    """The line is made smaller when longer than this."""
    turn_deg: float = 0.0
    """Counter-clockwise."""
    side: Literal["left", "right"] = "left"
    """Which end of the text stands at the anchor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pennant:
    """A framing mark: a triangle whose straight side is the border of the frame."""

    outline: tuple[Corner, Corner, Corner]
    label: Note


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruler:
    """A printed length."""

    length_mm: float
    bars: tuple[tuple[Corner, ...], ...]
    """Rectangles: the line, and a division every tenth; its ends are `length_mm` apart."""


def pennants(layout: Layout) -> list[Pennant]:
    """Give the framing marks: each border of each frame, at both ends, in the margin."""
    reach_row, reach_col = _reach(layout)
    size_mm = _text_mm(layout)
    columns = _shared([(frame.size_mm[1] / 2.0, frame.ratio) for frame in layout.frames])
    rows = _shared([(frame.size_mm[0] / 2.0, frame.ratio) for frame in layout.frames])
    upright = [_pennant(border, edge, reach_row, size_mm) for border in columns for edge in _EDGES]
    lying = [_pennant(border, edge, reach_col, size_mm) for border in rows for edge in _EDGES]
    return [*upright, *(_swapped(mark) for mark in lying)]


_EDGES: Final = ((-1.0, -1.0), (-1.0, 1.0), (1.0, -1.0), (1.0, 1.0))
"""(which margin, which of a frame's two borders)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Border:
    """Where frames end, from the sheet's middle, and how far inwards the next frame ends."""

    place_mm: float
    ratios: str
    room_mm: float


def _shared(ends: list[tuple[float, str]]) -> list[_Border]:
    """Join the names of frames that share a border; outermost first."""
    joined: list[tuple[float, str]] = []
    for place_mm, ratio in sorted(ends, key=lambda end: -end[0]):
        if joined and joined[-1][0] - place_mm < _SAME_MARK_MM:
            joined[-1] = (joined[-1][0], f"{joined[-1][1]}  {ratio}")
        else:
            joined.append((place_mm, ratio))
    following = [*(place_mm for place_mm, _ in joined[1:]), 0.0]
    return [
        _Border(place_mm=place_mm, ratios=ratios, room_mm=place_mm - inner_mm)
        for (place_mm, ratios), inner_mm in zip(joined, following, strict=True)
    ]


def _pennant(border: _Border, edge: tuple[float, float], reach_mm: float, size_mm: float) -> Pennant:
    """Mark a frame's left or right border in the upper or lower margin, its name towards the middle.

    Where the next mark stands too near, the name goes further out.
    """
    out, side = edge
    col = side * border.place_mm
    base = out * (reach_mm + 0.4 * size_mm)
    room_mm = border.room_mm - 1.9 * size_mm
    crowded = room_mm < 2.0 * size_mm
    line = base + (0.95 if out > 0 else -0.15) * size_mm + (out * 1.4 * size_mm if crowded else 0.0)
    return Pennant(
        outline=((base, col), (base + out * 1.2 * size_mm, col), (base, col + side * 0.9 * size_mm)),
        label=Note(
            text=border.ratios,
            anchor=(line, col - side * 0.5 * size_mm),
            size_mm=size_mm,
            room_mm=inf if crowded else room_mm,
            side="left" if side < 0 else "right",
        ),
    )


def _swapped(mark: Pennant) -> Pennant:
    """Turn a mark of the upper or lower margin into one of the left or right margin."""
    first, second, third = (corner[::-1] for corner in mark.outline)
    return Pennant(
        outline=(first, second, third),
        label=replace(
            mark.label,
            anchor=mark.label.anchor[::-1],
            turn_deg=90.0,
            side="right" if mark.label.side == "left" else "left",
        ),
    )


def ruler(layout: Layout) -> Ruler:
    """Give the printed length: 100 mm, or 50 mm on a narrow page, in the lower margin at the left."""
    return ruler_at(_lower_left(layout), 100.0 if layout.paper_mm[1] >= 200.0 else 50.0)


def ruler_at(start: Corner, length_mm: float) -> Ruler:
    """Give a printed length that begins at a point and runs to the right, its divisions upwards."""
    row_mm, left_mm = start
    thin_mm = 0.15
    line = _bar(row_mm, left_mm, thin_mm, length_mm)
    divisions = [
        _bar(
            row_mm - (1.6 if step % 5 == 0 else 0.9),
            left_mm
            + step * length_mm / 10.0
            - (thin_mm if step == 10 else 0.0 if step == 0 else thin_mm / 2),
            1.6 if step % 5 == 0 else 0.9,
            thin_mm,
        )
        for step in range(11)
    ]
    return Ruler(length_mm=length_mm, bars=(line, *divisions))


def _bar(top: float, left: float, height: float, width: float) -> tuple[Corner, ...]:
    return ((top, left), (top, left + width), (top + height, left + width), (top + height, left))


def notes(layout: Layout) -> list[Note]:
    """Give the words in the margins: what the sheet is, how to print it, how to photograph it."""
    size_mm = 0.8 * _text_mm(layout)
    reach_row, _ = _reach(layout)
    reach_mm = _free_reach(layout)
    above = [
        Note(
            text=text,
            anchor=(-reach_row - (0.9 + 1.3 * up) * size_mm, -reach_mm),
            size_mm=size_mm,
            room_mm=2.0 * reach_mm,
        )
        for up, text in enumerate((_ON_HANGING, _ON_PRINTING, _title(layout)))
    ]
    row_mm, left_mm = _lower_left(layout)
    length_mm = ruler(layout).length_mm
    measured = Note(
        text=f"This line is {length_mm:g} mm long.",
        anchor=(row_mm + 1.25 * size_mm, left_mm),
        size_mm=size_mm,
    )
    beside_mm = left_mm + length_mm + 2.0 * size_mm
    below = [
        Note(
            text=text,
            anchor=(row_mm + (1.25 - 1.3 * up) * size_mm, beside_mm),
            size_mm=size_mm,
            room_mm=reach_mm - beside_mm,
        )
        for up, text in enumerate(reversed(_ON_SHOOTING))
    ]
    return [*above, measured, *below]


def _title(layout: Layout) -> str:
    contrast = (
        "dark quarters solid black"
        if isinf(layout.contrast)
        else f"dark quarters drawn for {layout.contrast:g}:1 (only the photograph tells the printed contrast)"
    )
    height_mm, width_mm = layout.paper_mm
    return f"lensbench {layout.name}, page {width_mm:g} x {height_mm:g} mm, {contrast}"


def _text_mm(layout: Layout) -> float:
    """Give the size of the ratios' lettering."""
    return min(max(0.0115 * layout.paper_mm[0], 1.7), 7.0)


def _reach(layout: Layout) -> Corner:
    """Give the half-height and half-width of the field that the frames cover together."""
    heights, widths = zip(*(frame.size_mm for frame in layout.frames), strict=True)
    return (max(heights) / 2.0, max(widths) / 2.0)


def _free_reach(layout: Layout) -> float:
    """Give how far from the middle the upper and lower margins are free of framing marks."""
    narrowest_mm = min(frame.size_mm[1] for frame in layout.frames)
    text_mm = _text_mm(layout)
    crowded = _reach(layout)[1] - narrowest_mm / 2.0 < 4.0 * text_mm
    return narrowest_mm / 2.0 - (8.0 if crowded else 4.0) * text_mm


def _lower_left(layout: Layout) -> Corner:
    """Give where the printed length begins."""
    return (_reach(layout)[0] + 1.7 * _text_mm(layout), -_free_reach(layout))
