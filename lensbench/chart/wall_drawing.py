"""The wall set as a PDF: a first page that says where to hang, then the pages themselves."""

from pathlib import Path
from typing import Final

from lensbench.chart.hanging import Hanging
from lensbench.chart.hanging_page import draw_hanging
from lensbench.chart.lettering import Note, ruler_at
from lensbench.chart.page import Corner, Page, device_gray
from lensbench.chart.places import PLACES
from lensbench.chart.wall import MARGIN_MM, WallPage

__all__ = ["draw_wall"]

_LENGTH_MM: Final = 100.0
_LETTERS: Final = 14.5
"""Letter heights that the longest line beside the arrow runs to."""


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
    pages = [hung.page for hung in plan.pages]
    page = Page(pages[0].paper_mm, title=f"lensbench wall set, {len(pages)} pages {pages[0].paper}")
    draw_hanging(page, plan)
    for one in pages:
        page.next_page()
        _draw_page(page, one, of=len(pages), dark_reflectance=dark_reflectance)
    page.write(out)


def _draw_page(page: Page, one: WallPage, *, of: int, dark_reflectance: float) -> None:
    page.target(one.target, device_gray(dark_reflectance))
    for marker in one.markers:
        page.marker(marker)
    for tone in one.tones:
        page.tone(tone)
    height_mm, width_mm = one.paper_mm
    row_mm, left_mm = height_mm / 2.0 - MARGIN_MM - 4.5, MARGIN_MM - width_mm / 2.0
    page.ruler(ruler_at((row_mm, left_mm), _LENGTH_MM))
    page.polygon(_arrow(one), 0.0)
    for note in _notes(one, of):
        page.note(note)


def _arrow(one: WallPage) -> list[Corner]:
    """Give the arrow between the upper markers."""
    top, bottom = MARGIN_MM - one.paper_mm[0] / 2.0, -one.target.radius_mm - 8.0
    half = 0.16 * (bottom - top)
    neck = top + 0.42 * (bottom - top)
    right = [(top, 0.0), (neck, 2.0 * half), (neck, 0.8 * half), (bottom, 0.8 * half)]
    return [*right, *((row, -col) for row, col in reversed(right[1:]))]


def _notes(one: WallPage, of: int) -> list[Note]:
    height_mm = one.paper_mm[0]
    room_mm = 2.0 * abs(one.markers[0].center_mm[1]) - one.markers[0].side_mm
    beside_mm = 0.17 * room_mm
    text_mm, figure_mm = 0.031 * room_mm, 0.17 * room_mm
    top_mm = MARGIN_MM - height_mm / 2.0
    side_mm = room_mm / 2.0 - beside_mm - 5.0
    line_mm = min(text_mm, side_mm / _LETTERS)
    lines = (
        ("This arrow up.", "Page 1 marks the middle.", "All other arrows point to it.")
        if one.number == 1
        else ("Arrow to the middle", "of the wall (page 1).", PLACES[one.number - 1].words)
    )
    right = [
        Note(
            text=text,
            anchor=(top_mm + 1.2 * text_mm + 1.5 * line * line_mm, beside_mm),
            size_mm=line_mm,
            room_mm=side_mm,
        )
        for line, text in enumerate(lines)
    ]
    number = Note(
        text=str(one.number), anchor=(top_mm + 0.8 * figure_mm, -beside_mm), size_mm=figure_mm, side="right"
    )
    count = Note(
        text=f"of {of}",
        anchor=(top_mm + 0.8 * figure_mm + 1.5 * text_mm, -beside_mm),
        size_mm=text_mm,
        side="right",
    )
    return [number, count, *right, *_small_print(one)]


def _small_print(one: WallPage) -> list[Note]:
    """Give the words under the printed length and beside it."""
    height_mm, width_mm = one.paper_mm
    base_mm, left_mm, size_mm = height_mm / 2.0 - MARGIN_MM, MARGIN_MM - width_mm / 2.0, 2.6
    beside_mm = left_mm + _LENGTH_MM + 3.0
    room_mm = one.markers[2].center_mm[1] - one.markers[2].side_mm / 2.0 - 4.0 - beside_mm
    under = Note(
        text=f"This line is {_LENGTH_MM:g} mm long. Print at actual size (100 %), black ink, matte paper.",
        anchor=(base_mm, left_mm),
        size_mm=size_mm,
        room_mm=_LENGTH_MM + room_mm,
    )
    which = Note(
        text=f"lensbench wall, {one.paper}",
        anchor=(base_mm - 4.0, beside_mm),
        size_mm=size_mm,
        room_mm=room_mm,
    )
    return [under, which]
