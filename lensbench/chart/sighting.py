"""Seeing the markers in a small grey picture, and telling from them which chart it is and where it lies."""

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from lensbench.chart.layout import Layout, Marker, layout_from_markers
from lensbench.chart.mapping import Mapping, fit_mapping
from lensbench.chart.reading import ReadMarkers
from lensbench.errors import ChartError
from lensbench.units import FloatArray

__all__ = ["FEWEST_MARKERS", "Sighting", "no_chart", "sight_markers"]

FEWEST_MARKERS: Final = 3
"""Fewer that agree are no evidence of a chart: noise yields a marker now and then."""

_LOOSE_FRACTION: Final = 0.02
"""Of the chart's extent in the picture: how far markers may stray from a homography, for lenses distort."""
_NEAR_FRACTION: Final = 0.25
"""Of a marker's side: how far its corners may stray from homography with distortion."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sighting:
    """Which chart was seen, and roughly where."""

    layout: Layout
    mapping: Mapping
    """In full-resolution pixels, good to about one pixel of the overview."""
    marker_ids: tuple[int, ...]
    """The markers that agree with it."""


def sight_markers(read: ReadMarkers, *, factor: int, size_px: tuple[int, int]) -> Sighting:
    """Tell the sheet from the markers read in an overview.

    Parameters
    ----------
    read : ReadMarkers
        From the picture averaged over blocks of factor x factor pixels.
    factor : int
        Pixels of the full picture along one of the overview.
    size_px : (rows, columns)
        Of the full picture.

    Raises
    ------
    ChartError
        Fewer than three markers of one chart agree on its place.
    """
    ids, corners = read.ids, read.corners
    if len(ids) < FEWEST_MARKERS:
        raise ChartError(no_chart(len(ids)))
    layout = layout_from_markers(ids)
    known = {marker.marker_id: marker for marker in layout.markers}
    kept = [index for index, marker_id in enumerate(ids) if marker_id in known]
    if len(kept) < FEWEST_MARKERS:
        raise ChartError(no_chart(len(kept)))
    points_mm = np.array([_corners_mm(known[ids[index]]) for index in kept])
    points_px = (corners[kept] + 0.5) * factor - 0.5
    start, agreeing = _consistent(points_mm, points_px)
    if agreeing.sum() < FEWEST_MARKERS:
        raise ChartError(no_chart(int(agreeing.sum())))
    mapping = fit_mapping(
        points_mm[agreeing].reshape(-1, 2), points_px[agreeing].reshape(-1, 2), start=start, size_px=size_px
    )
    near = _near(mapping, points_mm, points_px)
    if near.sum() < FEWEST_MARKERS:
        raise ChartError(no_chart(int(near.sum())))
    seen = tuple(ids[index] for index, is_near in zip(kept, near, strict=True) if is_near)
    return Sighting(layout=layout, mapping=mapping, marker_ids=seen)


def no_chart(seen: int) -> str:
    """Say that too few markers were read."""
    return (
        f"no chart was found: {seen} of its markers can be read and at least {FEWEST_MARKERS} must; "
        "show the whole chart, in focus and evenly lit"
    )


def _corners_mm(marker: Marker) -> list[tuple[float, float]]:
    """Give a marker's corners in the detector's order: clockwise from the upper left, as the page is read."""
    row, col = marker.center_mm
    half = marker.side_mm / 2.0
    return [(row + down * half, col + right * half) for down, right in ((-1, -1), (-1, 1), (1, 1), (1, -1))]


def _consistent(points_mm: FloatArray, points_px: FloatArray) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Give a homography that most markers agree with, and which do."""
    extent_px = float(np.ptp(points_px.reshape(-1, 2), axis=0).max())
    cv2.setRNGSeed(1)
    homography, _ = cv2.findHomography(
        points_mm.reshape(-1, 2), points_px.reshape(-1, 2), cv2.RANSAC, _LOOSE_FRACTION * extent_px
    )
    if homography is None:
        raise ChartError("no chart was found: the markers seen do not lie as on any chart")
    start = np.asarray(homography, dtype=np.float64)
    placed = cv2.perspectiveTransform(points_mm, start)
    stray = np.hypot(*np.moveaxis(placed - points_px, 2, 0)).max(axis=1)
    return start, stray <= 2.0 * _LOOSE_FRACTION * extent_px


def _near(mapping: Mapping, points_mm: FloatArray, points_px: FloatArray) -> npt.NDArray[np.bool_]:
    """Tell which markers lie where the fitted mapping puts them."""
    placed = mapping.to_px(points_mm.reshape(-1, 2)).reshape(points_px.shape)
    side_px = np.hypot(*(points_px[:, 1] - points_px[:, 0]).T)
    stray = np.hypot(*np.moveaxis(placed - points_px, 2, 0)).max(axis=1)
    near: npt.NDArray[np.bool_] = stray <= _NEAR_FRACTION * side_px
    return near
