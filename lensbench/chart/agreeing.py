"""The map that most points agree on, where some of them may be anywhere: random-sample consensus, then all that agree.

A robust fit that begins with least squares over everything may stay where a few far strays have pulled it; a map
through a handful of points that many others confirm does not know them. The draws are the same at every call.
"""

from typing import Final

import cv2
import numpy as np

from lensbench.chart.mapping import Mapping, fit_mapping
from lensbench.errors import ChartError
from lensbench.units import FloatArray

__all__ = ["agreed_affine", "agreed_mapping"]

_FEWEST_FOR_MAPPING: Final = 5
"""Four points fit some homography whatever they are; only a fifth can confirm it."""
_FEWEST_FOR_AFFINE: Final = 4
"""Three fit some affine map."""


def agreed_mapping(
    points_mm: FloatArray, points_px: FloatArray, *, stray_mm: float, size_px: tuple[int, int]
) -> Mapping | None:
    """Fit homography and distortion to the points that agree on one homography.

    Parameters
    ----------
    points_mm, points_px : float arrays, shape (n, 2)
        The same points on the chart and in the picture.
    stray_mm : float
        How far from its place on the chart a point that agrees may be seen: distortion and error together.
    size_px : (rows, columns)
        Of the picture.

    Returns
    -------
    Mapping or None
        None where fewer than five points, or fewer than half of them, agree, or all lie on one line.
    """
    if len(points_mm) < _FEWEST_FOR_MAPPING:
        return None
    to_mm, agreeing = cv2.findHomography(points_px, points_mm, cv2.RANSAC, stray_mm)
    if to_mm is None:
        return None
    good = np.asarray(agreeing, np.bool_).ravel()
    if good.sum() < max(_FEWEST_FOR_MAPPING, len(points_mm) / 2.0):
        return None
    try:
        start = np.linalg.inv(np.asarray(to_mm, np.float64))
        return fit_mapping(points_mm[good], points_px[good], start=start, size_px=size_px)
    except (ChartError, np.linalg.LinAlgError):  # all on one line
        return None


def agreed_affine(points: FloatArray, points_px: FloatArray, *, stray_px: float) -> FloatArray | None:
    """Give the affine map, shape (2, 3), of the points, shape (n, 2), that agree within a distance on one.

    None where fewer than four of them, or fewer than half, agree, or all lie on one line.
    """
    if len(points) < _FEWEST_FOR_AFFINE:
        return None
    affine, agreeing = cv2.estimateAffine2D(
        points, points_px, method=cv2.RANSAC, ransacReprojThreshold=stray_px
    )
    if affine is None or np.count_nonzero(agreeing) < max(_FEWEST_FOR_AFFINE, len(points) / 2.0):
        return None
    return np.asarray(affine, np.float64)
