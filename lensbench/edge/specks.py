"""Specks of dust and hot pixels: samples that no edge explains."""

from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.edge.bins import Bins, Noise
from lensbench.edge.family import HALF
from lensbench.edge.points import Points
from lensbench.edge.posterior import Posterior
from lensbench.records import BoolArray
from lensbench.units import FloatArray

__all__ = ["sound_samples"]

_OUTLIER_SD: Final = 5.0
_MOST_OUTLIERS: Final = 0.03
_LEAST_SPECK: Final = 0.006
"""A speck differs from the fit by at least this part of the step."""


def sound_samples(
    points: Points, distance_px: FloatArray, posterior: Posterior, bins: Bins, noise: Noise
) -> BoolArray | None:
    """Mark the samples that are no specks: within 5 sd of the fit, and not beside one that is not.

    None where all are sound, or where so many are not that the edge itself must be strange.
    """
    level, slope, bend = posterior.profile()
    step_px = posterior.rung.step_px
    index = bins.place
    profile = np.clip((level - posterior.dark) / posterior.step, 0.0, 1.0)
    variance = noise.dark_variance + (noise.bright_variance - noise.dark_variance) * profile
    limit = np.sqrt(np.maximum(_OUTLIER_SD**2 * variance, (_LEAST_SPECK * posterior.step) ** 2))
    empty = bins.count == 0
    quick = np.where(empty, np.inf, 0.95 * limit + 0.5 * step_px * np.abs(slope))
    apart = points.value - level[index]
    suspect = np.flatnonzero(np.abs(apart, out=apart) > quick[index])
    if suspect.size == 0 or suspect.size > 2 * _MOST_OUTLIERS * points.value.size:
        return None
    at = index[suspect]
    apart = distance_px[suspect] - (at - HALF) * step_px
    expected = level[at] + apart * (slope[at] + 0.5 * apart * bend[at])
    outliers = suspect[np.abs(points.value[suspect] - expected) > limit[at]]
    if outliers.size == 0 or outliers.size > _MOST_OUTLIERS * points.value.size:
        return None
    return _away_from(points, outliers)


def _away_from(points: Points, outliers: npt.NDArray[np.intp]) -> BoolArray:
    """Mark the samples that are neither outliers nor next to one."""
    height, width = points.shape
    row = np.rint(points.row_px + 0.5 * (height - 1)).astype(np.intp)
    col = np.rint(points.col_px + 0.5 * (width - 1)).astype(np.intp)
    mask = np.zeros((height + 2, width + 2), bool)
    for d_row in (0, 1, 2):
        for d_col in (0, 1, 2):
            mask[row[outliers] + d_row, col[outliers] + d_col] = True
    return ~mask[row + 1, col + 1]
