"""Which pages of a wall set a picture shows, and roughly where each lies: from the markers, page by page."""

from collections import Counter
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.chart.coding import page_marker
from lensbench.chart.reading import ReadMarkers
from lensbench.chart.wall import WallPage, wall_page
from lensbench.units import FloatArray

__all__ = ["SightedPage", "pages_of"]

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
    fit = _affine(points_mm, quads[best].reshape(-1, 2))
    if not _believable(fit[:, :2]):
        return None
    return SightedPage(
        page=page,
        matrix=fit[:, :2],
        middle_px=fit[:, 2],
        markers=tuple(int(read[k]) for k in best),
        marker_ids=tuple(page.markers[seen[k][1]].marker_id for k in best),
    )


def _affine(points_mm: FloatArray, points_px: FloatArray) -> FloatArray:
    """Give the least-squares affine map, shape (2, 3)."""
    design = np.column_stack((points_mm, np.ones(len(points_mm))))
    return np.asarray(np.linalg.solve(design.T @ design, design.T @ points_px).T, dtype=np.float64)


def _believable(matrix: FloatArray) -> bool:
    """Tell whether a map is neither mirrored nor more squeezed than a page seen at an angle."""
    (a, b), (c, d) = matrix.tolist()
    area, square = a * d - b * c, a * a + b * b + c * c + d * d
    # The singular values' product and the sum of their squares.
    return bool(area > 0.0 and area > _LARGEST_SKEW / (1.0 + _LARGEST_SKEW**2) * square)
