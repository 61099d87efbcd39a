"""The sheet as data, in millimetres: drawn, simulated, and looked for in a picture, all from this one form.

Coordinates are (row, column) from the sheet's centre, rows down, columns to the right, as the page is read.
A target is a disc cut by two lines at right angles through its centre, its quarters dark and light in turn.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from math import atan2, cos, degrees, inf, radians, sin
from typing import Final

from lensbench.chart.coding import MARKERS_PER_QUADRANT, marker_ids, paper_from_ids
from lensbench.chart.papers import Paper, paper_named
from lensbench.chart.placing import Disc, corner_discs, inner_discs, marker_places
from lensbench.errors import ChartError, SettingError

__all__ = [
    "ARMS",
    "DEFAULT_CONTRAST",
    "Frame",
    "Layout",
    "Marker",
    "Target",
    "layout_from_markers",
    "paper_size_mm",
    "sheet",
]

ARMS: Final = (1, 2, 3, 4)

_RATIOS: Final = ((3, 2), (4, 3), (16, 9), (1, 1))
_LOWEST_CONTRAST, _HIGHEST_CONTRAST = 1.5, 20.0
DEFAULT_CONTRAST: Final = 4.0
"""4:1: the lowest contrast at which processing seldom acts (ISO 12233:2017, 6.3, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A quadrant target; the quarters between arms 1 and 2 and between arms 3 and 4 are dark."""

    name: str
    """T01, T02, ... from the centre outwards."""
    center_mm: tuple[float, float]
    radius_mm: float
    turn_deg: float
    """Angle of the first line from vertical, in [-90, 90), positive when its upper end leans to the right.

    The first line runs along the sheet's radius give or take 5 to 10 degrees, the second across it.
    """

    def arm_direction(self, arm: int) -> tuple[float, float]:
        """Give the unit vector (down, right) from the crossing along an arm.

        Arm 1 is the upper end of the first line; 2, 3 and 4 follow counter-clockwise as the page is read.
        """
        angle = radians(self.turn_deg - 90.0 * (arm - 1))
        return (-cos(angle), sin(angle))


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """A square marker, upright on the page, of the dictionary named in `coding`."""

    marker_id: int
    center_mm: tuple[float, float]
    side_mm: float
    """With its black border, which is one module of seven wide."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The part of the sheet that a picture of this ratio should show."""

    ratio: str
    size_mm: tuple[float, float]
    """(height, width)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Everything on one sheet that matters to a measurement."""

    name: str
    """As the chart prints it: «sheet A3»."""
    paper: str
    paper_mm: tuple[float, float]
    """(height, width)."""
    targets: tuple[Target, ...]
    markers: tuple[Marker, ...]
    frames: tuple[Frame, ...]
    quiet_radius_mm: float
    """Around the sheet's centre, this disc holds the centre target and the focusing aid only."""
    dark_reflectance: float
    """Of the dark quarters, paper white being 1: nominal, for only a photograph tells the printed one."""
    light_reflectance: float = 1.0
    marker_reflectance: float = 0.0

    @property
    def contrast(self) -> float:
        """Nominal bright over dark; infinite for solid black."""
        return self.light_reflectance / self.dark_reflectance if self.dark_reflectance > 0.0 else inf


def paper_size_mm(name: str) -> tuple[float, float]:
    """Give a page's (height, width) in mm, lying on its long side.

    Raises
    ------
    SettingError
        The name is not known, or the size is out of range.

    >>> paper_size_mm("Letter")
    (215.9, 279.4)
    """
    return paper_named(name).size_mm


def sheet(paper: str, *, solid: bool = False, contrast: float = DEFAULT_CONTRAST) -> Layout:
    """Lay out one sheet.

    Parameters
    ----------
    paper : str
        A4 to A0, Letter, Legal, Tabloid, or WIDTHxHEIGHT in whole millimetres.
    solid : bool
        Dark quarters in solid ink instead of grey.
    contrast : float
        Bright over dark, 1.5 to 20; not used when solid.

    Raises
    ------
    SettingError
        The paper is not known, or too narrow, or the contrast is out of range.
    """
    if not solid and not _LOWEST_CONTRAST <= contrast <= _HIGHEST_CONTRAST:
        raise SettingError(
            f"contrast {contrast:g} is out of range: give {_LOWEST_CONTRAST:g} to {_HIGHEST_CONTRAST:g}, "
            "or --solid for black"
        )
    return _lay_out(paper_named(paper), 0.0 if solid else 1.0 / contrast)


def layout_from_markers(ids: Iterable[int]) -> Layout:
    """Give the layout that these markers' ids belong to; its reflectances are the nominal ones.

    Raises
    ------
    ChartError
        The ids are none of ours, or too few of them are seen to spell the size of the page.
    """
    paper = paper_from_ids(ids)
    if paper is None:
        raise ChartError(
            "the markers seen do not tell which chart this is: show at least half of the chart, in focus"
        )
    return _lay_out(paper, 1.0 / DEFAULT_CONTRAST)


@lru_cache(maxsize=32)
def _lay_out(paper: Paper, dark_reflectance: float) -> Layout:
    frames = _frames(paper)
    halves = [(_tenths(frame.size_mm[0] / 2.0), _tenths(frame.size_mm[1] / 2.0)) for frame in frames]
    extent = (max(row for row, _ in halves), max(col for _, col in halves))
    width = 2 * halves[0][1]
    gap = max(10, width // 250)
    inner_radius, corner_radius = round(0.036 * width), round(0.029 * width)
    corners = corner_discs(halves, radius=corner_radius, gap=gap)
    inner = inner_discs(halves[0], corners, radius=inner_radius, gap=2 * gap)
    quiet = Disc(row=0, col=0, radius=round(1.62 * inner_radius))
    side = 7 * max(1, round(0.029 * width / 7))
    places = marker_places(
        extent, [*inner, *corners, quiet], side=side, gap=side // 7, count=MARKERS_PER_QUADRANT
    )
    return Layout(
        name=f"sheet {paper.name}",
        paper=paper.name,
        paper_mm=paper.size_mm,
        targets=_targets([*inner, *corners]),
        markers=_markers(paper, places, side / 10.0),
        frames=frames,
        quiet_radius_mm=quiet.radius / 10.0,
        dark_reflectance=dark_reflectance,
    )


def _tenths(length_mm: float) -> int:
    return int(10.0 * length_mm + 1e-6)


def _frames(paper: Paper) -> tuple[Frame, ...]:
    """Give the largest frame of each ratio that leaves room at the border for ticks and print."""
    short_mm = paper.size_mm[0]
    height_mm = short_mm - 2.0 * min(max(0.058 * short_mm, 12.0), 36.0)
    width_mm = paper.size_mm[1] - 2.0 * min(max(0.045 * short_mm, 9.5), 28.0)
    frames = []
    for across, down in _RATIOS:
        fitted_mm = min(width_mm, height_mm * across / down)
        frames.append(Frame(ratio=f"{across}:{down}", size_mm=(fitted_mm * down / across, fitted_mm)))
    return tuple(frames)


def _targets(discs: list[Disc]) -> tuple[Target, ...]:
    """Mirror one quadrant's discs into all four and turn each target; nearest to the centre first."""
    centers = {
        (down * disc.row, right * disc.col): disc.radius
        for disc in discs
        for down in (1, -1)
        for right in (1, -1)
    }
    outwards = sorted(centers, key=lambda place: (place[0] ** 2 + place[1] ** 2, place))
    return tuple(
        Target(
            name=f"T{number:02d}",
            center_mm=(row / 10.0, col / 10.0),
            radius_mm=centers[row, col] / 10.0,
            turn_deg=_turn_deg(row, col),
        )
        for number, (row, col) in enumerate(outwards, start=1)
    )


# Edges whose slope is a simple ratio meet the pixels in few phases only; angles from a row or column. [deg]
_POOR_SLOPES_DEG: Final = tuple(degrees(atan2(rise, run)) for rise, run in ((1, 3), (1, 2), (2, 3)))
_OFFSETS_DEG: Final = tuple(sign * step / 2.0 for step in range(10, 21) for sign in (1, -1))


def _turn_deg(row: int, col: int) -> float:
    """Give the turn of a target: 5 to 10 degrees off the radius, clear of rows, columns and diagonals."""
    if (row, col) == (0, 0):
        return 11.5
    radial_deg = degrees(atan2(col, -row))
    turn_deg = round(2.0 * max((radial_deg + offset for offset in _OFFSETS_DEG), key=_clearance)) / 2.0
    return (turn_deg + 90.0) % 180.0 - 90.0


def _clearance(turn_deg: float) -> tuple[float, float]:
    """Rate a turn: degrees from the nearest row, column or diagonal up to 8, then from a poor slope."""
    within = turn_deg % 90.0
    from_axes = min(abs(within - axis) for axis in (0.0, 45.0, 90.0))
    from_slopes = min(min(abs(within - s), abs(90.0 - within - s)) for s in _POOR_SLOPES_DEG)
    return (round(min(from_axes, 6.0), 6), round(min(from_slopes, 6.0), 6))


def _markers(paper: Paper, places: list[tuple[int, int]], side_mm: float) -> tuple[Marker, ...]:
    """Give the places their ids by quadrant: upper left, upper right, lower right, lower left."""
    quadrants = ((-1, -1), (-1, 1), (1, 1), (1, -1))
    centers = [(down * row / 10.0, right * col / 10.0) for down, right in quadrants for row, col in places]
    return tuple(
        Marker(marker_id=marker_id, center_mm=center_mm, side_mm=side_mm)
        for marker_id, center_mm in zip(marker_ids(paper), centers, strict=True)
    )
