"""The pages of a wall set as data: on each, one large target with its own markers; and pages as they hang.

A page hangs anywhere, with its arrow to the wall's middle. Its place and turn come from the picture, and its
millimetres from its own markers.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import atan2, degrees
from typing import Final

from lensbench.chart.coding import MOST_PAGES, WALL_PAPERS, page_marker_ids
from lensbench.chart.layout import RATIOS, clear_turn_deg
from lensbench.chart.papers import paper_named
from lensbench.chart.places import PLACES
from lensbench.chart.shapes import Frame, Layout, Marker, Target, Tone, tone_row, turned
from lensbench.errors import SettingError

__all__ = [
    "MARGIN_MM",
    "Hung",
    "WallPage",
    "arrow_turn_deg",
    "hung",
    "page_name",
    "wall_layout",
    "wall_page",
]

Point = tuple[float, float]

MARGIN_MM: Final = 10.0
"""At the border of a page nothing is printed: office printers do not reach it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WallPage:
    """One page, upright, in millimetres from its middle."""

    number: int
    paper: str
    paper_mm: Point
    """(height, width): the page stands on its short side."""
    target: Target
    markers: tuple[Marker, ...]
    """Upper left, upper right, lower right."""
    tones: tuple[Tone, ...]


def page_name(number: int) -> str:
    """Name the target of a page.

    >>> page_name(7)
    'P07'
    """
    return f"P{number:02d}"


@lru_cache(maxsize=128)
def wall_page(paper: str, number: int) -> WallPage:
    """Lay out one page of a wall set.

    Parameters
    ----------
    paper : str
        A4, A3, Letter or Tabloid.
    number : int
        1 to 29.

    Raises
    ------
    SettingError
        The paper or the number is none of these.
    """
    named = paper_named(paper)
    if named.name not in WALL_PAPERS:
        known = ", ".join(WALL_PAPERS)
        raise SettingError(f"pages of a wall set are printed on {known}, not on {named.name}")
    if not 1 <= number <= MOST_PAGES:
        raise SettingError(f"a wall set has 1 to {MOST_PAGES} pages, not {number}")
    width_mm, height_mm = named.size_mm
    side_mm = 7.0 * round(0.2 * width_mm / 7.0)
    row_mm, col_mm = (size / 2.0 - MARGIN_MM - side_mm / 2.0 for size in (height_mm, width_mm))
    corners = ((-row_mm, -col_mm), (-row_mm, col_mm), (row_mm, col_mm))
    ids = page_marker_ids(named.name, number)
    return WallPage(
        number=number,
        paper=named.name,
        paper_mm=(height_mm, width_mm),
        target=Target(
            name=page_name(number),
            center_mm=(0.0, 0.0),
            radius_mm=float(round(0.428 * width_mm)),
            turn_deg=_turn_deg(number),
        ),
        markers=tuple(
            Marker(marker_id=marker_id, center_mm=corner, side_mm=side_mm)
            for marker_id, corner in zip(ids, corners, strict=True)
        ),
        tones=_tones(height_mm, width_mm),
    )


def _tones(height_mm: float, width_mm: float) -> tuple[Tone, ...]:
    """Give the row of tones: lower left, above the printed length."""
    step_mm, side_mm = round(0.083 * width_mm, 1), round(0.066 * width_mm, 1)
    row_mm = height_mm / 2.0 - MARGIN_MM - 9.0 - side_mm / 2.0
    return tone_row((row_mm, side_mm / 2.0 + MARGIN_MM - width_mm / 2.0), step_mm=step_mm, side_mm=side_mm)


def arrow_turn_deg(center_mm: Point) -> float:
    """Give a page's turn, clockwise from upright, when its arrow points to the wall's middle.

    >>> arrow_turn_deg((500.0, 0.0)), arrow_turn_deg((0.0, 700.0))
    (0.0, -90.0)
    """
    row, col = center_mm
    return degrees(atan2(0.0 - col, row)) if (row, col) != (0.0, 0.0) else 0.0


_FRAME_INSET: Final = 0.06
"""Of a frame's width: how far from its border the outermost targets hang, usually."""


def _turn_deg(number: int) -> float:
    """Turn a page's target so that its arms are clear of the pixels' axes for frames of every usual ratio."""
    down, right = PLACES[number - 1].share
    turns = []
    for across, along in RATIOS:
        row, col = (along / across / 2.0 - _FRAME_INSET) * down, (0.5 - _FRAME_INSET) * right
        turns.append(arrow_turn_deg((row, col)))
    return clear_turn_deg(turns) - round(2.0 * turns[0]) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hung:
    """A page on the wall, in the wall's millimetres."""

    page: WallPage
    center_mm: Point
    turn_deg: float
    """Clockwise from upright."""
    scale: float = 1.0
    """Of the print: 1.001 is 0.1 % too large."""

    @property
    def target(self) -> Target:
        """The target where it hangs."""
        flat = self.page.target
        return replace(
            flat,
            center_mm=self._placed(flat.center_mm),
            radius_mm=flat.radius_mm * self.scale,
            turn_deg=flat.turn_deg + self.turn_deg,
        )

    @property
    def markers(self) -> tuple[Marker, ...]:
        """The markers where they hang."""
        return tuple(
            replace(
                flat,
                center_mm=self._placed(flat.center_mm),
                side_mm=flat.side_mm * self.scale,
                turn_deg=self.turn_deg,
            )
            for flat in self.page.markers
        )

    @property
    def tones(self) -> tuple[Tone, ...]:
        """The tones where they hang."""
        return tuple(
            replace(
                flat,
                center_mm=self._placed(flat.center_mm),
                side_mm=flat.side_mm * self.scale,
                turn_deg=self.turn_deg,
            )
            for flat in self.page.tones
        )

    def _placed(self, point_mm: Point) -> Point:
        row, col = (self.scale * mm for mm in point_mm)
        return turned((row, col), self.turn_deg, about=self.center_mm)


def hung(page: WallPage, center_mm: Point, *, turn_deg: float, scale: float = 1.0) -> Hung:
    """Hang a page: its middle at a place of the wall, turned clockwise."""
    return Hung(page=page, center_mm=center_mm, turn_deg=turn_deg, scale=scale)


def wall_layout(
    pages: Sequence[Hung], *, size_mm: Point, frames: tuple[Frame, ...] = (), dark_reflectance: float = 0.0
) -> Layout:
    """Give a wall of pages as one layout, as it hangs or as a picture shows it.

    Parameters
    ----------
    pages : sequence of Hung
        At least one; all of one paper.
    size_mm : (height, width)
        Of the wall that they cover.
    """
    return Layout(
        name=f"wall of {pages[0].page.paper} pages",
        paper=pages[0].page.paper,
        paper_mm=size_mm,
        targets=tuple(page.target for page in pages),
        markers=tuple(marker for page in pages for marker in page.markers),
        frames=frames,
        quiet_radius_mm=0.0,
        dark_reflectance=dark_reflectance,
        tones=tuple(tone for page in pages for tone in page.tones),
    )
