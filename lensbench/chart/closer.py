"""Where pages of a wall should be that were not seen: a closer look there is enough, and none where none is missing."""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from lensbench.chart.coding import MOST_PAGES
from lensbench.chart.pages import SightedPage
from lensbench.chart.places import PLACES
from lensbench.chart.reading import ByteArray, ReadMarkers, read_markers
from lensbench.units import FloatArray

__all__ = ["Window", "read_windows", "windows_of_missing"]

_FEWEST: Final = 6
"""Pages to tell the plan's place from."""
_LARGEST_STRAY: Final = 0.5
"""Of a page's height: pages that stray further from the plan are not looked for by it."""
_BEYOND: Final = 2
"""Numbers above the highest seen that are looked for too."""
_REACH: Final = 0.8
"""Of a page's height: half a window's side, its stray not counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A part of the picture, in its own pixels; `last` is not in it."""

    first_px: tuple[int, int]
    last_px: tuple[int, int]


def windows_of_missing(pages: list[SightedPage], size_px: tuple[int, int]) -> list[Window] | None:
    """Give where to look for the pages that should be in the picture and were not seen; None where it can't be told."""
    if len(pages) < _FEWEST:
        return None
    shares = np.array([PLACES[page.page.number - 1].share for page in pages])
    seen_px = np.array([page.middle_px for page in pages])
    heights_px = np.array(
        [page.page.paper_mm[0] * np.sqrt(abs(np.linalg.det(page.matrix))) for page in pages]
    )
    height_px = float(heights_px.max())
    cv2.setRNGSeed(1)
    found, _ = cv2.findHomography(shares, seen_px, cv2.RANSAC, _LARGEST_STRAY * height_px)
    if found is None:
        return None
    plan: FloatArray = np.asarray(found, np.float64)
    stray_px = np.hypot(*(_placed(plan, shares) - seen_px).T)
    if stray_px.max() > _LARGEST_STRAY * height_px:
        return None
    numbers = {page.page.number for page in pages}
    missing = [
        number for number in range(1, min(max(numbers) + _BEYOND, MOST_PAGES) + 1) if number not in numbers
    ]
    reach_px = _REACH * height_px + float(stray_px.max())
    placed = _placed(plan, np.array([PLACES[number - 1].share for number in missing]).reshape(-1, 2))
    return [window for place in placed if (window := _window(place, reach_px, size_px)) is not None]


def _placed(plan: FloatArray, shares: FloatArray) -> FloatArray:
    raised = np.column_stack((shares, np.ones(len(shares)))) @ plan.T
    placed: FloatArray = raised[:, :2] / raised[:, 2:]
    return placed


def _window(place: FloatArray, reach_px: float, size_px: tuple[int, int]) -> Window | None:
    """Give the window around a place whose middle lies in the picture, cut at its borders."""
    rows, cols = size_px
    if not ((place > 0.0).all() and place[0] < rows and place[1] < cols):
        return None
    top, left = (max(int(at - reach_px), 0) for at in place)
    bottom, right = (min(int(at + reach_px), most) for at, most in zip(place.tolist(), size_px, strict=True))
    return Window(first_px=(top, left), last_px=(bottom, right))


def read_windows(grey: ByteArray, windows: list[Window], *, factor: int) -> ReadMarkers:
    """Read the markers inside windows of an overview; corners are counted from the overview's first pixel."""
    ids: list[int] = []
    corners: list[FloatArray] = []
    for window in windows:
        top, left = (first // factor for first in window.first_px)
        bottom, right = (last // factor for last in window.last_px)
        read = read_markers(np.ascontiguousarray(grey[top:bottom, left:right]))
        new = [index for index, marker_id in enumerate(read.ids) if marker_id not in ids]
        ids += [read.ids[index] for index in new]
        corners.append(read.corners[new] + (top, left))
    return ReadMarkers(ids=tuple(ids), corners=np.concatenate([np.empty((0, 4, 2)), *corners]))
