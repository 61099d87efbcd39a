"""What every chart is made of, as data in millimetres: papers, markers and what they say, targets, tones, frames.

Coordinates are (row, column) from the chart's centre, rows down, columns to the right, as the page is read.
A target is a disc cut by two lines at right angles through its centre, its quarters dark and light in turn.

Markers say paper and place, so that one photograph gives the scale in mm. They are of OpenCV's 5x5 dictionary of 1000.

- A sheet bears 24, numbered quadrant by quadrant. On a page with a name, every marker alone tells page and place:
  id = 24 x (number of the page) + place.
- On a page of any other size, a marker tells its place and 4 of 32 bits: id = 192 + 16 x place + value.
  The 8 values spell width (11 bits), height (11 bits) and a check (10 bits); each is borne by three markers
  in different quadrants, so that any half of the sheet spells the whole.
- Ids from 576 to 923 stand on the pages of a wall set, three a page: 576 + 87 x (number of the paper)
  + 3 x (number of the page - 1) + place. One marker tells all.
- Ids from 924 on are free.
"""

import re
import zlib
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from math import cos, inf, log, radians, sin
from typing import Any, Final

import cv2
import numpy as np

from lensbench.model.errors import SettingError
from lensbench.model.shot import BoolArray

SHORTEST_MM: Final = 140
LONGEST_MM: Final = 2047
"""Limits of a page of any size: below, the targets are too small; above, the markers' code ends."""


@dataclass(frozen=True, slots=True)
class Paper:
    """A page lying on its long side."""

    name: str  # as the chart prints it: «A3», «Letter», «500x400 mm»
    size_mm: tuple[float, float]  # (height, width), width at least the height. [mm]


# ISO 216:2007 (A series) and ANSI/ASME Y14.1 (Letter 8.5 x 11 in, Tabloid 11 x 17 in); Legal is
# 8.5 x 14 in by common practice, no source.
NAMED_PAPERS: Final = (
    Paper("A4", (210.0, 297.0)),
    Paper("A3", (297.0, 420.0)),
    Paper("A2", (420.0, 594.0)),
    Paper("A1", (594.0, 841.0)),
    Paper("A0", (841.0, 1189.0)),
    Paper("Letter", (215.9, 279.4)),
    Paper("Legal", (215.9, 355.6)),
    Paper("Tabloid", (279.4, 431.8)),
)
"""Their order is part of the markers' code: append only."""


def paper_named(text: str) -> Paper:
    """Page that a user names: A4 to A0, Letter, Legal, Tabloid, or WIDTHxHEIGHT in whole mm.

    The page always lies on its long side, whichever number is given first.

    Raises
    ------
    SettingError
        The name is not known, or a side is not a whole number between 140 and 2047 mm.

    >>> paper_named("a3").size_mm
    (297.0, 420.0)
    >>> paper_named("500x400").name
    '500x400 mm'
    """
    for paper in NAMED_PAPERS:
        if paper.name.lower() == text.strip().lower():
            return paper
    sides = re.fullmatch(r"\s*(\d+)\s*[xX×]\s*(\d+)\s*(?:mm)?\s*", text)
    if sides is None:
        names = ", ".join(paper.name for paper in NAMED_PAPERS)
        raise SettingError(
            f"paper '{text}' is not known: give one of {names}, or WIDTHxHEIGHT in whole millimetres, "
            "such as 500x400"
        )
    short_mm, long_mm = sorted(int(side) for side in sides.groups())
    if short_mm < SHORTEST_MM or long_mm > LONGEST_MM:
        raise SettingError(f"paper '{text}': each side must lie between {SHORTEST_MM} and {LONGEST_MM} mm")
    for paper in NAMED_PAPERS:
        if paper.size_mm == (short_mm, long_mm):
            return paper
    return Paper(f"{long_mm}x{short_mm} mm", (float(short_mm), float(long_mm)))


MARKERS_PER_QUADRANT: Final = 6
MARKERS: Final = 4 * MARKERS_PER_QUADRANT

_SIZED_BASE: Final = 192  # room for eight named pages
_VALUES: Final = 16
_DIGITS: Final = 8
_WALL_BASE: Final = _SIZED_BASE + MARKERS * _VALUES  # ids below stand on sheets

MARKERS_PER_PAGE: Final = 3
MOST_PAGES: Final = 29  # of a wall set
WALL_PAPERS: Final = ("A4", "A3", "Letter", "Tabloid")
"""Papers of a wall set's pages; their order is part of the markers' code: append only."""
_IDS_A_PAPER: Final = MARKERS_PER_PAGE * MOST_PAGES
FIRST_FREE_ID: Final = _WALL_BASE + _IDS_A_PAPER * len(WALL_PAPERS)


@dataclass(frozen=True, slots=True, kw_only=True)
class PageMarker:
    """What a marker on a page of a wall set says."""

    paper: str
    number: int  # of the page, from 1
    place: int  # 0 upper left, 1 upper right, 2 lower right


def page_marker_ids(paper: str, number: int) -> tuple[int, ...]:
    """Ids of the three markers on a page of a wall set."""
    first = _WALL_BASE + _IDS_A_PAPER * WALL_PAPERS.index(paper) + MARKERS_PER_PAGE * (number - 1)
    return tuple(range(first, first + MARKERS_PER_PAGE))


def page_marker(marker_id: int) -> PageMarker | None:
    """Which page of a wall set a marker stands on, or None when it is not of a wall set.

    >>> page_marker(576 + 3 * 6 + 2)
    PageMarker(paper='A4', number=7, place=2)
    """
    if not _WALL_BASE <= marker_id < FIRST_FREE_ID:
        return None
    paper, rest = divmod(marker_id - _WALL_BASE, _IDS_A_PAPER)
    page, place = divmod(rest, MARKERS_PER_PAGE)
    return PageMarker(paper=WALL_PAPERS[paper], number=page + 1, place=place)


def marker_ids(paper: Paper) -> tuple[int, ...]:
    """Id of each of the 24 places on this page."""
    if paper in NAMED_PAPERS:
        base = MARKERS * NAMED_PAPERS.index(paper)
        return tuple(range(base, base + MARKERS))
    width_mm, height_mm = round(paper.size_mm[1]), round(paper.size_mm[0])
    word = (width_mm << 21) | (height_mm << 10) | _check(width_mm, height_mm)
    digits = [(word >> (4 * (_DIGITS - 1 - digit))) & 0xF for digit in range(_DIGITS)]
    return tuple(_SIZED_BASE + _VALUES * place + digits[place % _DIGITS] for place in range(MARKERS))


def paper_from_ids(ids: Iterable[int]) -> Paper | None:
    """Page on which most of these markers stand, or None when they do not spell one; a misread id does no harm."""
    named = Counter[int]()
    digits = [Counter[int]() for _ in range(_DIGITS)]
    for marker_id in ids:
        if 0 <= marker_id < _SIZED_BASE:
            named[marker_id // MARKERS] += 1
        elif _SIZED_BASE <= marker_id < _WALL_BASE:
            place, value = divmod(marker_id - _SIZED_BASE, _VALUES)
            digits[place % _DIGITS][value] += 1
    page, votes = named.most_common(1)[0] if named else (0, 0)
    if votes >= max(1, sum(digit.total() for digit in digits)):
        return NAMED_PAPERS[page]
    if not all(digits):
        return None
    word = 0
    for digit in digits:
        word = word * _VALUES + digit.most_common(1)[0][0]
    width_mm, height_mm = word >> 21, (word >> 10) & 0x7FF
    in_range = SHORTEST_MM <= height_mm <= width_mm <= LONGEST_MM
    if not in_range or word & 0x3FF != _check(width_mm, height_mm):
        return None
    return paper_named(f"{width_mm}x{height_mm}")


def _check(width_mm: int, height_mm: int) -> int:
    return zlib.crc32(f"{width_mm}x{height_mm}".encode("ascii")) & 0x3FF


MODULES: Final = 7  # modules along a marker's side: five of code and one of black border at each end


def dictionary() -> Any:
    """OpenCV's dictionary of the markers on our charts."""
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)


def marker_modules(marker_id: int) -> BoolArray:
    """Marker's modules as the page is read, shape (7, 7), border included: True is ink."""
    return np.asarray(cv2.aruco.generateImageMarker(dictionary(), marker_id, MODULES, borderBits=1) < 128)


ARMS: Final = (1, 2, 3, 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A quadrant target; the quarters between arms 1 and 2 and between arms 3 and 4 are dark."""

    name: str
    """T01, T02, ... from the centre outwards."""
    center_mm: tuple[float, float]
    radius_mm: float
    turn_deg: float
    """Angle of arm 1 from vertical, positive when it leans to the right: in [-90, 90) on a sheet.

    The first line runs along the chart's radius give or take 5 to 10 degrees, the second across it.
    """

    def arm_direction(self, arm: int) -> tuple[float, float]:
        """Direction (down, right) along an arm: 1 is the first line's upper end, the others go on counter-clockwise."""
        angle = radians(self.turn_deg - 90.0 * (arm - 1))
        return (-cos(angle), sin(angle))


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """A square marker of our dictionary."""

    marker_id: int
    center_mm: tuple[float, float]
    side_mm: float
    """With its black border, which is one module of seven wide."""
    turn_deg: float = 0.0
    """Clockwise from upright."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """A square of one even tone, to see whether a picture's tone scale is linear."""

    center_mm: tuple[float, float]
    side_mm: float
    reflectance: float
    """Nominal, paper white being 1; at 1 nothing is printed."""
    turn_deg: float = 0.0
    """Clockwise from upright."""


TONES: Final = (1.0, 0.0, 0.1, 0.2, 0.4, 0.7, 1.0)
"""Reflectances of a row, in its order: bare paper at both ends, so that uneven light along it shows."""


def tone_row(start_mm: tuple[float, float], *, step_mm: float, side_mm: float) -> tuple[Tone, ...]:
    """Row of tones from the centre of its first to the right."""
    row_mm, col_mm = start_mm
    return tuple(
        Tone(
            center_mm=(row_mm, round(col_mm + number * step_mm, 3)), side_mm=side_mm, reflectance=reflectance
        )
        for number, reflectance in enumerate(TONES)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The part of the sheet that a picture of this ratio should show."""

    ratio: str
    size_mm: tuple[float, float]  # (height, width)


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
    tones: tuple[Tone, ...] = ()
    """Row by row, each in the order of `TONES`."""

    @property
    def contrast(self) -> float:
        """Nominal bright over dark; infinite for solid black."""
        return self.light_reflectance / self.dark_reflectance if self.dark_reflectance > 0.0 else inf

    def frame_mm(self, ratio: float) -> tuple[float, float]:
        """The frame (height, width) that is nearest to a picture of this width over height."""
        sizes_mm = [frame.size_mm for frame in self.frames]
        return min(sizes_mm, key=lambda size_mm: abs(log(size_mm[1] / size_mm[0] / ratio)))


def turned(
    point_mm: tuple[float, float], turn_deg: float, *, about: tuple[float, float] = (0.0, 0.0)
) -> tuple[float, float]:
    """Turn a point (down, right) clockwise about the origin, and count it from another origin.

    >>> [round(mm, 9) + 0.0 for mm in turned((-1.0, 0.0), 90.0)]
    [0.0, 1.0]
    """
    (row, col), angle = point_mm, radians(turn_deg)
    if turn_deg == 0.0:
        return (about[0] + row, about[1] + col)
    return (about[0] + row * cos(angle) + col * sin(angle), about[1] - row * sin(angle) + col * cos(angle))
