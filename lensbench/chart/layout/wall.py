"""The pages of a wall set as data: on each, one large target with its own markers; and where they hang.

A page hangs anywhere, with its arrow to the wall's centre: its place and turn come from the picture, its millimetres
from its own markers. The plan says to the centimetre where each belongs, from the camera's sensor and its distance.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations
from math import atan2, degrees
from typing import Final, NamedTuple, TypeVar

import cv2

from lensbench import optics
from lensbench.chart.layout.parts import (
    MOST_PAGES,
    WALL_PAPERS,
    Frame,
    Layout,
    Marker,
    Target,
    Tone,
    page_marker_ids,
    paper_named,
    tone_row,
    turned,
)
from lensbench.chart.layout.sheet import RATIOS, clear_turn_deg
from lensbench.model.errors import SettingError


class Place(NamedTuple):
    """Where on the wall a page belongs."""

    words: str
    share: tuple[float, float]
    """(down, right) from the centre, as a share of the way to the outermost page."""


PLACES: Final = (
    Place("centre", (0.0, 0.0)),
    Place("corner, upper left", (-1.0, -1.0)),
    Place("corner, upper right", (-1.0, 1.0)),
    Place("corner, lower right", (1.0, 1.0)),
    Place("corner, lower left", (1.0, -1.0)),
    Place("half-way, upper left", (-0.5, -0.5)),
    Place("half-way, upper right", (-0.5, 0.5)),
    Place("half-way, lower right", (0.5, 0.5)),
    Place("half-way, lower left", (0.5, -0.5)),
    Place("edge, top", (-1.0, 0.0)),
    Place("edge, right", (0.0, 1.0)),
    Place("edge, bottom", (1.0, 0.0)),
    Place("edge, left", (0.0, -1.0)),
    Place("half-way, up", (-0.5, 0.0)),
    Place("half-way, right", (0.0, 0.5)),
    Place("half-way, down", (0.5, 0.0)),
    Place("half-way, left", (0.0, -0.5)),
    Place("top, left of the centre", (-1.0, -0.5)),
    Place("top, right of the centre", (-1.0, 0.5)),
    Place("right, above the centre", (-0.5, 1.0)),
    Place("right, below the centre", (0.5, 1.0)),
    Place("bottom, right of the centre", (1.0, 0.5)),
    Place("bottom, left of the centre", (1.0, -0.5)),
    Place("left, below the centre", (0.5, -1.0)),
    Place("left, above the centre", (-0.5, -1.0)),
    Place("near the corner, upper left", (-0.75, -0.75)),
    Place("near the corner, upper right", (-0.75, 0.75)),
    Place("near the corner, lower right", (0.75, 0.75)),
    Place("near the corner, lower left", (0.75, -0.75)),
)
"""Page 1 first. A set of N pages is the first N; a page's target is turned to suit its place."""

Point = tuple[float, float]
Square = TypeVar("Square", Marker, Tone)

MARGIN_MM: Final = 10.0  # at the border of a page nothing is printed: office printers do not reach it


@dataclass(frozen=True, slots=True, kw_only=True)
class WallPage:
    """One page, upright, in millimetres from its centre."""

    number: int
    paper: str
    paper_mm: Point  # (height, width): the page stands on its short side
    target: Target
    markers: tuple[Marker, ...]  # upper left, upper right, lower right
    tones: tuple[Tone, ...]

    @property
    def place(self) -> Place:
        """Where it belongs."""
        return PLACES[self.number - 1]


@lru_cache(maxsize=128)
def wall_page(paper: str, number: int) -> WallPage:
    """Lay out page 1 to 29 of a wall set on A4, A3, Letter or Tabloid; a SettingError for any other."""
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
    # Lower left, above the printed length.
    step_mm, tone_mm = round(0.083 * width_mm, 1), round(0.066 * width_mm, 1)
    tones_mm = (height_mm / 2.0 - MARGIN_MM - 9.0 - tone_mm / 2.0, tone_mm / 2.0 + MARGIN_MM - width_mm / 2.0)
    return WallPage(
        number=number,
        paper=named.name,
        paper_mm=(height_mm, width_mm),
        target=Target(
            name=f"P{number:02d}",
            center_mm=(0.0, 0.0),
            radius_mm=float(round(0.428 * width_mm)),
            turn_deg=_turn_deg(number),
        ),
        markers=tuple(
            Marker(marker_id=marker_id, center_mm=corner, side_mm=side_mm)
            for marker_id, corner in zip(ids, corners, strict=True)
        ),
        tones=tone_row(tones_mm, step_mm=step_mm, side_mm=tone_mm),
    )


def arrow_turn_deg(center_mm: Point) -> float:
    """Page's turn, clockwise from upright, when its arrow points to the wall's centre.

    >>> arrow_turn_deg((500.0, 0.0)), arrow_turn_deg((0.0, 700.0))
    (0.0, -90.0)
    """
    row, col = center_mm
    return degrees(atan2(0.0 - col, row)) if (row, col) != (0.0, 0.0) else 0.0


_FRAME_INSET: Final = 0.06  # of a frame's width: how far from its border the outermost targets hang, usually


def _turn_deg(number: int) -> float:
    """Turn a page's target so that its arms are clear of the pixels' axes for frames of every usual ratio."""
    down, right = PLACES[number - 1].share
    turns = [
        arrow_turn_deg(((along / across / 2.0 - _FRAME_INSET) * down, (0.5 - _FRAME_INSET) * right))
        for across, along in RATIOS
    ]
    return clear_turn_deg(turns) - round(2.0 * turns[0]) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hung:
    """A page on the wall, in the wall's millimetres."""

    page: WallPage
    center_mm: Point
    turn_deg: float  # clockwise from upright
    scale: float = 1.0  # of the print: 1.001 is 0.1 % too large

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
        return tuple(map(self._hung, self.page.markers))

    @property
    def tones(self) -> tuple[Tone, ...]:
        """The tones where they hang."""
        return tuple(map(self._hung, self.page.tones))

    def _hung(self, flat: Square) -> Square:
        return replace(
            flat,
            center_mm=self._placed(flat.center_mm),
            side_mm=flat.side_mm * self.scale,
            turn_deg=self.turn_deg,
        )

    def _placed(self, point_mm: Point) -> Point:
        row, col = (self.scale * mm for mm in point_mm)
        return turned((row, col), self.turn_deg, about=self.center_mm)


def hung(page: WallPage, center_mm: Point, *, turn_deg: float, scale: float = 1.0) -> Hung:
    """Hang a page: its centre at a place of the wall, turned clockwise."""
    return Hung(page=page, center_mm=center_mm, turn_deg=turn_deg, scale=scale)


def wall_layout(
    pages: Sequence[Hung], *, size_mm: Point, frames: tuple[Frame, ...] = (), dark_reflectance: float = 0.0
) -> Layout:
    """Wall of pages, all of one paper, as one layout of this (height, width), as it hangs or as a picture shows it."""
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


_NEAREST, _USUAL, _FURTHEST = 10.0, 50.0, 1000.0  # focal lengths from wall to sensor
_INSET: Final = 0.012
"""Of the frame's width: how far the outermost targets keep from its border, for aim and for rims that must show."""
_SEARCH_STEP: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hanging:
    """A wall set and where its pages hang, in millimetres from the wall's centre."""

    sensor_mm: Point  # (height, width)
    focal_lengths: float  # distance from wall to sensor
    frame_mm: Point  # (height, width) of the wall that the picture shows
    pages: tuple[Hung, ...]

    @property
    def frames(self) -> tuple[Frame, ...]:
        """The frame as a layout has it."""
        return (Frame(ratio=f"{self.sensor_mm[1]:g}:{self.sensor_mm[0]:g}", size_mm=self.frame_mm),)

    @property
    def fits(self) -> bool:
        """Whether no page's print lies over another's, nor beyond the centre; a page's margin is blank."""
        outlines = []
        for page in self.pages:
            if any(mm * share < 0.0 for mm, share in zip(page.center_mm, page.page.place.share, strict=True)):
                return False
            height_mm, width_mm = (side - 2.0 * MARGIN_MM + 6.0 for side in page.page.paper_mm)
            outlines.append(cv2.boxPoints((page.center_mm[::-1], (width_mm, height_mm), page.turn_deg)))
        pairs = combinations(outlines, 2)
        return not any(cv2.intersectConvexConvex(first, second)[0] > 0.0 for first, second in pairs)

    def distance_mm(self, focal_length_mm: float) -> float:
        """Distance from wall to sensor for a focal length."""
        return self.focal_lengths * focal_length_mm


def hanging(
    pages: int, *, paper: str, sensor_mm: Point = (24.0, 36.0), focal_lengths: float = _USUAL
) -> Hanging:
    """Plan where 1 to 29 pages hang so that they reach the corners and edges of the frame.

    The frame that a lens sees at a number of focal lengths (10 to 1000, from the wall to the sensor) is the same for
    every lens: sensor (height, width) over magnification, with 1/m + m + 2 focal lengths from wall to sensor.

    Raises
    ------
    SettingError
        A setting is out of range, or the pages would overlap; the message tells the distance that suits.
    """
    if not (min(sensor_mm) >= 3.0 and max(sensor_mm) <= 100.0):
        raise SettingError("give the sensor as WIDTHxHEIGHT in millimetres, 3 to 100 each: 36x24")
    if not _NEAREST <= focal_lengths <= _FURTHEST:
        raise SettingError(
            f"{focal_lengths:g} focal lengths from the wall: give {_NEAREST:g} to {_FURTHEST:g}"
        )
    plan = _planned(pages, paper, sensor_mm, focal_lengths)
    if plan.fits:
        return plan
    fewer = range(pages - 1, 0, -1)
    fitting = next((n for n in fewer if _planned(n, paper, sensor_mm, focal_lengths).fits), None)
    away = focal_lengths
    while away < _FURTHEST and not _planned(pages, paper, sensor_mm, away).fits:
        away = _SEARCH_STEP * (away // _SEARCH_STEP + 1.0)
    instead = f", or hang {fitting}" if fitting else ""
    raise SettingError(
        f"{pages} pages of {paper} do not fit into the frame at {focal_lengths:g} focal lengths: "
        f"stand at {away:g} focal lengths{instead}"
    )


def _planned(pages: int, paper: str, sensor_mm: Point, focal_lengths: float) -> Hanging:
    magnification = optics.magnification_at_chart_distance(
        focal_length_mm=1.0, chart_distance_mm=focal_lengths
    )
    height_mm, width_mm = (side / magnification for side in sensor_mm)
    flat = [wall_page(paper, number) for number in range(1, pages + 1)]
    inset_mm = flat[0].target.radius_mm + _INSET * width_mm
    placed = []
    for page in flat:
        down, right = page.place.share
        center_mm = (down * (height_mm / 2.0 - inset_mm), right * (width_mm / 2.0 - inset_mm))
        placed.append(hung(page, center_mm, turn_deg=arrow_turn_deg(center_mm)))
    return Hanging(
        sensor_mm=sensor_mm, focal_lengths=focal_lengths, frame_mm=(height_mm, width_mm), pages=tuple(placed)
    )
