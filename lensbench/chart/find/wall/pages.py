"""Which pages of a wall set a picture shows, and roughly where each lies: from the markers, page by page.

From those seen follows where the others should be: a closer look there is enough, and none where none is missing.
"""

from collections import Counter
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from lensbench.chart.find.markers import ByteArray, ReadMarkers, read_markers
from lensbench.chart.layout import MOST_PAGES, PLACES, WallPage, page_marker, wall_page
from lensbench.model.units import FloatArray

_NEAR_SIDES: Final = 0.6
"""Of a marker's side: how far its middle may lie from where another marker of its page puts it."""
_LARGEST_SKEW: Final = 0.4
_CORNERS: Final = np.array([(-1.0, -1.0), (-1.0, 1.0), (1.0, 1.0), (1.0, -1.0)])
"""Of a marker in half sides, in the reader's order: clockwise on the page from the upper left."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SightedPage:
    """One page, roughly: an affine map, good to a few hundredths of the page."""

    page: WallPage
    matrix: FloatArray
    """Shape (2, 2): pixels per millimetre, [picture axis, page axis]."""
    middle_px: FloatArray
    """Shape (2,): the target's centre."""
    markers: tuple[int, ...]
    """Indices, among those read, of the markers that agree."""
    marker_ids: tuple[int, ...]


def pages_of(read: ReadMarkers, *, factor: int) -> tuple[list[SightedPage], FloatArray]:
    """Sort the markers by page, and fit each page's place.

    Parameters
    ----------
    read : ReadMarkers
        The markers in a small copy of the picture.
    factor : int
        Pixels of the picture along one of the copy.

    Returns
    -------
    list of SightedPage, array of shape (n, 4, 2)
        The pages of the paper that most markers name, by number; and all markers' corners in full-size pixels.
    """
    corners_px = (read.corners + 0.5) * factor - 0.5
    said = {index: page_marker(marker_id) for index, marker_id in enumerate(read.ids)}
    papers = Counter(what.paper for what in said.values() if what is not None)
    if not papers:
        return [], corners_px
    paper = papers.most_common(1)[0][0]
    members: dict[int, list[tuple[int, int]]] = {}
    for index, what in said.items():
        if what is not None and what.paper == paper:
            members.setdefault(what.number, []).append((index, what.place))
    middles_px = corners_px.mean(axis=1)
    pages = [
        _sighted(wall_page(paper, number), seen, corners_px, middles_px)
        for number, seen in sorted(members.items())
    ]
    return [page for page in pages if page is not None], corners_px


def _sighted(
    page: WallPage, seen: list[tuple[int, int]], corners_px: FloatArray, middles_px: FloatArray
) -> SightedPage | None:
    """Fit a page to the largest set of its markers that agree."""
    read = np.array([index for index, _ in seen])
    flat = np.array([page.markers[place].center_mm for _, place in seen])
    half_mm = page.markers[0].side_mm / 2.0
    quads, middles = corners_px[read], middles_px[read]
    own = quads.transpose(0, 2, 1) @ (_CORNERS / (4.0 * half_mm))
    # placed[i, j]: where marker i, by its own corners alone, puts marker j.
    placed = middles[:, None] + (flat[None] - flat[:, None]) @ own.transpose(0, 2, 1)
    side_px = np.hypot(*(quads[:, 0] - quads[:, 2]).T) / np.sqrt(2.0)
    agree = np.hypot(*np.moveaxis(placed - middles, 2, 0)) <= _NEAR_SIDES * side_px
    best = np.flatnonzero(agree[agree.sum(axis=1).argmax()])
    points_mm = (flat[best, None] + half_mm * _CORNERS).reshape(-1, 2)
    design = np.column_stack((points_mm, np.ones(len(points_mm))))
    fit = np.linalg.solve(design.T @ design, design.T @ quads[best].reshape(-1, 2)).T
    if not _believable(fit[:, :2]):
        return None
    return SightedPage(
        page=page,
        matrix=fit[:, :2],
        middle_px=fit[:, 2],
        markers=tuple(int(read[k]) for k in best),
        marker_ids=tuple(page.markers[seen[k][1]].marker_id for k in best),
    )


def _believable(matrix: FloatArray) -> bool:
    """Whether a map is neither mirrored nor more squeezed than a page seen at an angle."""
    (a, b), (c, d) = matrix.tolist()
    area, square = a * d - b * c, a * a + b * b + c * c + d * d
    # The singular values' product and the sum of their squares.
    return bool(area > 0.0 and area > _LARGEST_SKEW / (1.0 + _LARGEST_SKEW**2) * square)


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
    """Where to look for the pages that should be in the picture and were not seen; None where it can't be told."""
    if len(pages) < _FEWEST:
        return None
    shares = np.array([PLACES[page.page.number - 1].share for page in pages])
    seen_px = np.array([page.middle_px for page in pages])
    heights_px = np.array(
        [page.page.paper_mm[0] * np.sqrt(abs(np.linalg.det(page.matrix))) for page in pages]
    )
    height_px = float(heights_px.max())
    cv2.setRNGSeed(1)
    homography, _ = cv2.findHomography(shares, seen_px, cv2.RANSAC, _LARGEST_STRAY * height_px)
    if homography is None:
        return None
    plan: FloatArray = np.asarray(homography, np.float64)
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
    """Window around a place whose middle lies in the picture, cut at its borders."""
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
