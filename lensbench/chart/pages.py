"""Which pages of a wall set a picture shows, and roughly where each lies: from the markers, page by page."""

from collections import Counter
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.chart.coding import page_marker
from lensbench.chart.reading import ReadMarkers
from lensbench.chart.shapes import Marker
from lensbench.chart.wall import WallPage, wall_page
from lensbench.units import FloatArray

__all__ = ["SightedPage", "corners_mm", "pages_of"]

_NEAR_SIDES: Final = 0.6
"""Of a marker's side: how far its middle may lie from where another marker of its page puts it."""
_LARGEST_SKEW: Final = 0.4


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


def corners_mm(marker: Marker) -> FloatArray:
    """Give a marker's corners on its page, shape (4, 2), in the reader's order: clockwise from the upper left."""
    half = marker.side_mm / 2.0
    return np.asarray(marker.center_mm) + half * np.array([(-1, -1), (-1, 1), (1, 1), (1, -1)])


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
    pages = [_sighted(wall_page(paper, number), seen, corners_px) for number, seen in sorted(members.items())]
    return [page for page in pages if page is not None], corners_px


def _sighted(page: WallPage, seen: list[tuple[int, int]], corners_px: FloatArray) -> SightedPage | None:
    """Fit a page to the largest set of its markers that agree."""
    flat = [corners_mm(page.markers[place]) for _, place in seen]
    quads = [corners_px[index] for index, _ in seen]
    best: list[int] = []
    for one, other in zip(flat, quads, strict=True):
        agreeing = _agreeing(_affine(one, other), flat, quads)
        best = max(best, agreeing, key=len)
    if not best:
        return None
    fit = _affine(np.concatenate([flat[k] for k in best]), np.concatenate([quads[k] for k in best]))
    if not _believable(fit[:, :2]):
        return None
    return SightedPage(
        page=page,
        matrix=fit[:, :2],
        middle_px=fit[:, 2],
        markers=tuple(seen[k][0] for k in best),
        marker_ids=tuple(page.markers[seen[k][1]].marker_id for k in best),
    )


def _agreeing(fit: FloatArray, flat: list[FloatArray], quads: list[FloatArray]) -> list[int]:
    agreeing = []
    for number, (one, quad) in enumerate(zip(flat, quads, strict=True)):
        placed = fit[:, :2] @ one.mean(axis=0) + fit[:, 2]
        side_px = np.linalg.norm(quad[0] - quad[2]) / np.sqrt(2.0)
        if np.linalg.norm(placed - quad.mean(axis=0)) <= _NEAR_SIDES * side_px:
            agreeing.append(number)
    return agreeing


def _affine(points_mm: FloatArray, points_px: FloatArray) -> FloatArray:
    """Give the least-squares affine map, shape (2, 3)."""
    design = np.column_stack((points_mm, np.ones(len(points_mm))))
    fit, *_ = np.linalg.lstsq(design, points_px, rcond=None)
    return np.asarray(fit.T, dtype=np.float64)


def _believable(matrix: FloatArray) -> bool:
    """Tell whether a map is neither mirrored nor more squeezed than a page seen at an angle."""
    large, small = np.linalg.svd(matrix, compute_uv=False)
    return bool(np.linalg.det(matrix) > 0.0 and small > _LARGEST_SKEW * large)
