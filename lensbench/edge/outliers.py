"""Specks of dust and hot pixels: samples that differ from others at the same distance from the edge.

No model of the edge is asked, for a speck would bend the model: samples in one narrow bin of distance should agree
with each other within the noise, so a bin with too much scatter holds strangers, and its median tells which they are.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.edge.bins import Bins, Plateaus
from lensbench.edge.fit import Posterior
from lensbench.edge.samples import Points
from lensbench.model.shot import BoolArray
from lensbench.model.units import FloatArray

__all__ = ["sound_samples"]


_OUTLIER_SD: Final = 5.0
_MOST_OUTLIERS: Final = 0.03
_MOST_WILD_BINS: Final = 0.4
_WILD_SD: Final = 6.0
_LEAST_SPECK: Final = 0.006
"""A speck differs from its neighbours by at least this part of the step."""
_LEAST_SCATTER: Final = 1e-3
"""Scatter in a bin, as a part of the step, that the line's own error may make."""
_ENOUGH_FOR_MEDIAN: Final = 4


def sound_samples(
    points: Points,
    place: tuple[FloatArray, FloatArray],
    posterior: Posterior,
    bins: Bins,
    plateaus: Plateaus,
) -> BoolArray | None:
    """Mark the samples that are no specks, and not beside one.

    Parameters
    ----------
    points : Points
        The region's samples.
    place : two arrays
        Distance from the edge and place along it, for every sample. [px]
    posterior, bins, plateaus
        The first fit, the pooled samples, and the plateaus' noise and light.

    Returns
    -------
    bool array, or None
        None where all are sound, or where so many are not that the edge itself must be strange.
    """
    wild = _wild_bins(posterior, bins, plateaus)
    held = int(np.count_nonzero(bins.count))
    if wild.size == 0 or wild.size > _MOST_WILD_BINS * held:
        return None
    outliers = _strangers(points, place, posterior, bins, plateaus, wild)
    if outliers.size == 0 or outliers.size > _MOST_OUTLIERS * points.value.size:
        return None
    return _away_from(points, outliers)


def _wild_bins(posterior: Posterior, bins: Bins, plateaus: Plateaus) -> npt.NDArray[np.intp]:
    """List the bins whose samples scatter more than noise, the slope within the bin and the line's error explain."""
    rung, step = posterior.rung, posterior.step
    inside = np.maximum(2.0 * bins.half_square_px2 - np.square(bins.offset_px), 0.0)
    variance = plateaus.noise.variance_at(rung.fine.mean[0])
    variance = variance + np.square(rung.fine.mean[1] * step) * inside + (_LEAST_SCATTER * step) ** 2
    light = max(abs(plateaus.dark_slope_per_px), abs(plateaus.bright_slope_per_px))
    freedom = np.maximum(bins.count - 1.0, 1.0)
    excess = bins.scatter - light * light * bins.along_scatter_px2
    limit = variance * (freedom + _WILD_SD * np.sqrt(2.0 * freedom))
    return np.flatnonzero((excess > limit) & (bins.count > 1.5))


def _strangers(
    points: Points,
    place: tuple[FloatArray, FloatArray],
    posterior: Posterior,
    bins: Bins,
    plateaus: Plateaus,
    wild: npt.NDArray[np.intp],
) -> npt.NDArray[np.intp]:
    """List the samples of wild bins that stand apart from their bin's median (from the fit where a bin holds few)."""
    level, slope, bend = posterior.profile()
    chosen = np.zeros(level.size, bool)
    chosen[wild] = True
    among = np.flatnonzero(chosen[bins.place])
    at = bins.place[among]
    apart = place[0][among] - posterior.rung.fine.position_px[at]
    profile = np.clip((level[at] - posterior.dark) / posterior.step, 0.0, 1.0)
    light = plateaus.dark_slope_per_px + (plateaus.bright_slope_per_px - plateaus.dark_slope_per_px) * profile
    rest = (
        points.value[among]
        - level[at]
        - apart * (slope[at] + 0.5 * apart * bend[at])
        - light * place[1][among]
    )
    for index in wild:
        own = at == index
        if np.count_nonzero(own) >= _ENOUGH_FOR_MEDIAN:
            rest[own] -= np.median(rest[own])
    limit = np.maximum(
        _OUTLIER_SD * np.sqrt(plateaus.noise.variance_at(profile)), _LEAST_SPECK * posterior.step
    )
    return among[np.abs(rest) > limit]


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
