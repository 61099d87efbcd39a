"""What the markers of a sheet say: the paper and the place, so that one photograph gives the scale in mm.

A sheet bears 24 markers of OpenCV's 5x5 dictionary of 1000, numbered quadrant by quadrant.

- On a page with a name, every marker alone tells page and place: id = 24 x (number of the page) + place.
- On a page of any other size, a marker tells its place and 4 of 32 bits: id = 192 + 16 x place + value.
  The 8 values spell width (11 bits), height (11 bits) and a check (10 bits); each is borne by three markers
  in different quadrants, so that any half of the sheet spells the whole.
- Ids from 576 to 923 stand on the pages of a wall set, three a page: 576 + 87 x (number of the paper)
  + 3 x (number of the page - 1) + place. One marker tells all.
- Ids from 924 on are free.

The pattern of a marker, from OpenCV's own dictionary.
"""

import zlib
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np

from lensbench.chart.layout.papers import LONGEST_MM, NAMED_PAPERS, SHORTEST_MM, Paper, paper_named
from lensbench.model.shot import BoolArray

DICTIONARY: Final = "DICT_5X5_1000"
"""OpenCV's name of the marker family."""

MARKERS_PER_QUADRANT: Final = 6
MARKERS: Final = 4 * MARKERS_PER_QUADRANT

_SIZED_BASE: Final = 192  # room for eight named pages
_VALUES: Final = 16
_DIGITS: Final = 8
_WALL_BASE: Final = _SIZED_BASE + MARKERS * _VALUES
"""Ids below stand on sheets."""

MARKERS_PER_PAGE: Final = 3
MOST_PAGES: Final = 29
"""Of a wall set."""
WALL_PAPERS: Final = ("A4", "A3", "Letter", "Tabloid")
"""Papers of a wall set's pages; their order is part of the markers' code: append only."""
_IDS_A_PAPER: Final = MARKERS_PER_PAGE * MOST_PAGES
FIRST_FREE_ID: Final = _WALL_BASE + _IDS_A_PAPER * len(WALL_PAPERS)


@dataclass(frozen=True, slots=True, kw_only=True)
class PageMarker:
    """What a marker on a page of a wall set says."""

    paper: str
    number: int
    """Of the page, from 1."""
    place: int
    """0 upper left, 1 upper right, 2 lower right."""


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
    digits = _digits(round(paper.size_mm[1]), round(paper.size_mm[0]))
    return tuple(_SIZED_BASE + _VALUES * place + digits[place % _DIGITS] for place in range(MARKERS))


def place_of(marker_id: int) -> int | None:
    """Place (0 to 23) that an id stands for on any sheet, or None when it is not a sheet's."""
    if 0 <= marker_id < _SIZED_BASE:
        return marker_id % MARKERS
    if _SIZED_BASE <= marker_id < _WALL_BASE:
        return (marker_id - _SIZED_BASE) // _VALUES
    return None


def paper_from_ids(ids: Iterable[int]) -> Paper | None:
    """Page on which most of these markers stand, or None when they do not spell one.

    A misread id among true ones does no harm: the page with more votes wins, and each digit of a written size
    goes by majority and is checked.
    """
    seen = Counter(ids)
    named = Counter[int]()
    for marker_id, times in seen.items():
        if 0 <= marker_id < _SIZED_BASE:
            named[marker_id // MARKERS] += times
    sized = {marker_id: n for marker_id, n in seen.items() if _SIZED_BASE <= marker_id < _WALL_BASE}
    page, votes = named.most_common(1)[0] if named else (0, 0)
    if votes >= max(1, sum(sized.values())):
        return NAMED_PAPERS[page]
    return _spelled(sized)


def _spelled(sized: dict[int, int]) -> Paper | None:
    votes: list[Counter[int]] = [Counter() for _ in range(_DIGITS)]
    for marker_id, times in sized.items():
        place, value = divmod(marker_id - _SIZED_BASE, _VALUES)
        votes[place % _DIGITS][value] += times
    if not all(votes):
        return None
    word = 0
    for digit in votes:
        word = word * _VALUES + digit.most_common(1)[0][0]
    width_mm, height_mm = word >> 21, (word >> 10) & 0x7FF
    in_range = SHORTEST_MM <= height_mm <= width_mm <= LONGEST_MM
    if not in_range or word & 0x3FF != _check(width_mm, height_mm):
        return None
    return paper_named(f"{width_mm}x{height_mm}")


def _digits(width_mm: int, height_mm: int) -> tuple[int, ...]:
    word = (width_mm << 21) | (height_mm << 10) | _check(width_mm, height_mm)
    return tuple((word >> (4 * (_DIGITS - 1 - digit))) & 0xF for digit in range(_DIGITS))


def _check(width_mm: int, height_mm: int) -> int:
    return zlib.crc32(f"{width_mm}x{height_mm}".encode("ascii")) & 0x3FF


MODULES: Final = 7
"""Modules along a marker's side: five of code and one of black border at each end."""


def dictionary() -> Any:
    """OpenCV's dictionary of the markers on our charts."""
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))


def marker_modules(marker_id: int) -> BoolArray:
    """Marker's modules as the page is read, shape (7, 7), border included: True is ink."""
    return np.asarray(cv2.aruco.generateImageMarker(dictionary(), marker_id, MODULES, borderBits=1) < 128)
