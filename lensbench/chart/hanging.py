"""Where the pages of a wall set hang: from the camera's sensor and its distance, to the centimetre."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from math import cos, radians, sin
from typing import Final

from lensbench import optics
from lensbench.chart.places import PLACES
from lensbench.chart.shapes import Frame
from lensbench.chart.wall import MARGIN_MM, Hung, arrow_turn_deg, hung, wall_page
from lensbench.errors import SettingError

__all__ = ["USUAL_DISTANCE", "Hanging", "hanging"]

Point = tuple[float, float]

USUAL_DISTANCE: Final = 50.0
"""Focal lengths from wall to sensor."""
_NEAREST, _FURTHEST = 10.0, 1000.0
_INSET: Final = 0.012
"""Of the frame's width: how far the outermost targets keep from its border, for aim and for rims that must show."""
_SEARCH_STEP: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hanging:
    """A wall set and where its pages hang, in millimetres from the wall's middle."""

    sensor_mm: Point
    """(height, width)."""
    focal_lengths: float
    """Distance from wall to sensor."""
    frame_mm: Point
    """(height, width) of the wall that the picture shows."""
    pages: tuple[Hung, ...]

    @property
    def frames(self) -> tuple[Frame, ...]:
        """The frame as a layout has it."""
        return (Frame(ratio=f"{self.sensor_mm[1]:g}:{self.sensor_mm[0]:g}", size_mm=self.frame_mm),)

    def distance_mm(self, focal_length_mm: float) -> float:
        """Give the distance from wall to sensor for a focal length."""
        return self.focal_lengths * focal_length_mm


def hanging(
    pages: int,
    *,
    paper: str,
    sensor_mm: Point = (24.0, 36.0),
    focal_lengths: float = USUAL_DISTANCE,
) -> Hanging:
    """Plan where pages hang so that they reach the corners and edges of the frame.

    The frame that a lens sees at a number of focal lengths is the same for every lens: sensor over
    magnification, with 1/m + m + 2 focal lengths from wall to sensor.

    Parameters
    ----------
    pages : int
        1 to 29.
    paper : str
        A4, A3, Letter or Tabloid.
    sensor_mm : (height, width)
        Of the camera's sensor.
    focal_lengths : float
        From the wall to the sensor, 10 to 1000.

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
    if not _fit(plan.pages):
        raise SettingError(_too_close(pages, paper, sensor_mm, focal_lengths))
    return plan


def _planned(pages: int, paper: str, sensor_mm: Point, focal_lengths: float) -> Hanging:
    magnification = optics.magnification_at_chart_distance(
        focal_length_mm=1.0, chart_distance_mm=focal_lengths
    )
    height_mm, width_mm = (side / magnification for side in sensor_mm)
    flat = [wall_page(paper, number) for number in range(1, pages + 1)]
    inset_mm = flat[0].target.radius_mm + _INSET * width_mm
    reach = (height_mm / 2.0 - inset_mm, width_mm / 2.0 - inset_mm)
    placed = []
    for page in flat:
        down, right = PLACES[page.number - 1].share
        center_mm = (down * reach[0], right * reach[1])
        placed.append(hung(page, center_mm, turn_deg=arrow_turn_deg(center_mm)))
    return Hanging(
        sensor_mm=sensor_mm,
        focal_lengths=focal_lengths,
        frame_mm=(height_mm, width_mm),
        pages=tuple(placed),
    )


def _too_close(pages: int, paper: str, sensor_mm: Point, focal_lengths: float) -> str:
    fitting = next(
        (count for count in range(pages - 1, 0, -1) if _fits(count, paper, sensor_mm, focal_lengths)), 0
    )
    away = focal_lengths
    while not _fits(pages, paper, sensor_mm, away) and away < _FURTHEST:
        away = _SEARCH_STEP * (away // _SEARCH_STEP + 1.0)
    instead = f", or hang {fitting}" if fitting else ""
    return (
        f"{pages} pages of {paper} do not fit into the frame at {focal_lengths:g} focal lengths: "
        f"stand at {away:g} focal lengths{instead}"
    )


def _fits(pages: int, paper: str, sensor_mm: Point, focal_lengths: float) -> bool:
    return _fit(_planned(pages, paper, sensor_mm, focal_lengths).pages)


def _fit(pages: Sequence[Hung]) -> bool:
    """Tell whether no page's print lies over another's, nor beyond the middle."""
    outlines = [_outline(page) for page in pages]
    beyond = any(
        page.center_mm[axis] * PLACES[page.page.number - 1].share[axis] < 0.0
        for page in pages
        for axis in (0, 1)
    )
    return not beyond and not any(_overlap(one, other) for one, other in combinations(outlines, 2))


def _outline(page: Hung) -> list[Point]:
    """Give the corners of a page where it hangs, without its blank margin."""
    half_height, half_width = (side / 2.0 - MARGIN_MM + 3.0 for side in page.page.paper_mm)
    angle = radians(page.turn_deg)
    up, right = (-cos(angle), sin(angle)), (sin(angle), cos(angle))
    row, col = page.center_mm
    return [
        (
            row + y * half_height * up[0] + x * half_width * right[0],
            col + y * half_height * up[1] + x * half_width * right[1],
        )
        for y, x in ((1, -1), (1, 1), (-1, 1), (-1, -1))
    ]


def _overlap(one: list[Point], other: list[Point]) -> bool:
    """Tell whether two convex outlines overlap: no side of either parts them."""
    for outline in (one, other):
        for (r1, c1), (r2, c2) in pairwise([*outline, outline[0]]):
            normal = (c2 - c1, r1 - r2)
            first = [normal[0] * r + normal[1] * c for r, c in one]
            second = [normal[0] * r + normal[1] * c for r, c in other]
            if max(first) <= min(second) or max(second) <= min(first):
                return False
    return True
