"""Outliers: dust, hot pixels, columns and hairs, told from patterns that recur along the edge.

No model of the edge is asked, for they would bend the model: samples in one narrow bin of distance should agree with
each other within the noise, so a bin with too much scatter holds strangers, and its median tells which they are. Where
strangers recur all along the edge (the blocks of a JPEG, interpolated colours, a ragged print) they are no specks: then
only what stands out of the scatter that is usual at its distance is one.
"""

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from lensbench.edge.clusters import PIECE_PX, course_of, raggedness
from lensbench.edge.region import RefinedFit, Region
from lensbench.edge.shapes import HALF, SIZE
from lensbench.model.shot import BoolArray
from lensbench.model.units import FloatArray

_OUTLIER_SD: Final = 5.0
_MOST_OUTLIERS: Final = 0.03
_MOST_WILD_BINS: Final = 0.4
_WILD_SD: Final = 6.0
_LEAST_OUTLIER: Final = 0.006  # an outlier differs from its neighbours by at least this part of the step
_STRAYS: Final = 6.0  # an edge's piece may stray by so many times what is typical of it
_LARGEST_ERROR_SD: Final = 6.0  # of a finished picture, over its scatter at the edge
_LARGEST_ERROR: Final = 0.25  # of a finished picture, as a part of the step
_LEAST_SCATTER: Final = 1e-3  # scatter in a bin, as a part of the step, that the line's own error may make
_ENOUGH_FOR_MEDIAN: Final = 4
_STEEP: Final = 0.3
_NEAR_SIGMAS: Final = 4.0
_FEWEST_RECURRING: Final = 4
_LINE_PX: Final = 2.0
_MOST_PIECES: Final = 2.0
_ROUGH: Final = 8.0  # scatter at the edge over what is expected there, from which it is the edge that strays
_RECURRING_SHARE: Final = 0.34  # strangers near the edge in more than this share of its pieces are a pattern
_FEWEST_STEEP: Final = 5
_ZONES_SIGMA: Final = (0.0, 0.8, 2.0, 4.0, 1e9)
"""Zones of distance from the edge whose scatter is judged together."""


def sound_samples(regions: Sequence[Region]) -> list[BoolArray | None]:
    """Mark the samples that are no outliers, and not beside one; note how rough each region's steep part is.

    None where all are sound, or where so many are not that the edge itself must be strange.
    """
    found: list[BoolArray | None] = [None] * len(regions)
    by_shape: dict[int, list[tuple[int, Region, RefinedFit]]] = {}
    for number, region in enumerate(regions):
        if region.fit is not None:
            by_shape.setdefault(region.fit.posterior.shape.index, []).append((number, region, region.fit))
    for group in by_shape.values():
        looks = _looks([fit for _, _, fit in group])
        for place, (number, region, fit) in enumerate(group):
            region.rough_sd = float(looks.rough_sd[place])
            if looks.wild[place].any():
                found[number] = _sound(region, fit, looks.expected[place], looks.excess[place])
    return found


class _Looks(NamedTuple):
    """How samples scatter within the bins of several fits near one shape: (regions, SIZE), `rough_sd` (regions,)."""

    expected: FloatArray
    """Variance that noise, the slope within the bin and the line's error explain."""
    excess: FloatArray
    """Summed squares without what the light along the edge makes of them."""
    wild: BoolArray
    rough_sd: FloatArray
    """Scatter where the edge is steep, beyond what is explained, in standard deviations of it."""


def _looks(fits: Sequence[RefinedFit]) -> _Looks:
    mean = fits[0].posterior.shape.fine.mean
    count, offset, half_square, scatter, alongs = (
        np.stack([getattr(fit.bins, name) for fit in fits])
        for name in ("count", "offset_px", "half_square_px2", "scatter", "along_scatter_px2")
    )
    step = np.array([[fit.posterior.step] for fit in fits])
    dark, bright = np.array([(fit.noise.dark_variance, fit.noise.bright_variance) for fit in fits]).T[
        ..., None
    ]
    expected = dark + (bright - dark) * np.clip(mean[0], 0.0, 1.0) + np.square(_LEAST_SCATTER * step)
    expected += np.square(mean[1] * step) * np.maximum(2.0 * half_square - np.square(offset), 0.0)
    slopes = [(fit.plateaus.dark_slope_per_px, fit.plateaus.bright_slope_per_px) for fit in fits]
    excess = scatter - np.square(np.abs(slopes).max(axis=1, keepdims=True)) * alongs
    steep = np.flatnonzero(mean[1] > _STEEP * float(mean[1].max()))
    held = count[:, steep] > 1.5
    freedom = np.where(held, count[:, steep] - 1.0, 0.0).sum(axis=1)
    told = np.where(held, excess[:, steep] / expected[:, steep], 0.0).sum(axis=1) - freedom
    rough = np.where(held.sum(axis=1) < _FEWEST_STEEP, 0.0, told / np.sqrt(2.0 * np.maximum(freedom, 1.0)))
    return _Looks(expected, excess, _are_wild(count, expected, excess), rough)


def _are_wild(count: FloatArray, expected: FloatArray, excess: FloatArray) -> BoolArray:
    """Which bins' samples scatter more than is expected of them."""
    dof = np.maximum(count - 1.0, 1.0)
    wild: BoolArray = (excess > expected * (dof + _WILD_SD * np.sqrt(2.0 * dof))) & (count > 1.5)
    return wild


def _sound(region: Region, fit: RefinedFit, expected: FloatArray, excess: FloatArray) -> BoolArray | None:
    usual = _zone_scatter(fit, expected, excess)
    # Whatever a file's coding did to the edge, it may do to any block or neighbour beside it.
    least = _LEAST_OUTLIER
    if not region.points.is_sensor:
        usual_error = float(np.sqrt(usual[HALF] * expected[HALF])) / fit.posterior.step
        least = max(least, min(_LARGEST_ERROR_SD * usual_error, _LARGEST_ERROR))
    course = course_of(fit) if region.rough_sd > _WILD_SD else None
    ragged = course is not None and raggedness(course) is not None
    reach = _STRAYS * course.typical_stray_px if course and ragged else 0.0
    strangers = None
    if not region.coding:  # of a coded picture what is usual is known to recur
        wild = np.flatnonzero(_are_wild(fit.bins.count, expected, excess))
        strangers = _strangers(region, fit, wild, usual if ragged else np.ones(SIZE), (least, reach))
        if strangers is not None and strangers.size == 0:
            return None  # nor does any stand out of what is usual, which is more
    if strangers is None or _recur(region, fit, strangers):
        wild = np.flatnonzero(_are_wild(fit.bins.count, usual * expected, excess))
        strangers = _strangers(region, fit, wild, usual, (least, reach))
        rough = not region.points.is_sensor or usual[HALF] > _ROUGH
        if strangers is None or (rough and _recur(region, fit, strangers)):
            return None
    if not 0 < strangers.size <= _MOST_OUTLIERS * region.points.value.size:
        return None
    height, width = region.points.shape
    row, col = region.points.sites
    mask = np.zeros((height + 2, width + 2), bool)
    for d_row in (0, 1, 2):
        for d_col in (0, 1, 2):
            mask[row[strangers] + d_row, col[strangers] + d_col] = True
    return ~mask[row + 1, col + 1]


def _recur(region: Region, fit: RefinedFit, strangers: npt.NDArray[np.intp]) -> bool:
    """Whether strangers recur along the edge: blocks, interpolation or a ragged print, and no specks.

    A hot column or row crosses the edge's surroundings at length too, but stands on one line of sites.
    """
    near = np.abs(region.distance_px[strangers]) < _NEAR_SIGMAS * fit.line.sigma_px + 2.0
    recurring = strangers[near] if region.points.is_sensor else strangers
    if recurring.size < _FEWEST_RECURRING:
        return False
    rows, cols = region.points.row_px[recurring], region.points.col_px[recurring]
    if region.points.is_sensor and min(np.ptp(rows), np.ptp(cols)) <= _LINE_PX:
        return False
    low, high = float(region.along_px.min()), float(region.along_px.max())
    pieces = max(int((high - low) / PIECE_PX), 1)
    held = np.unique(((region.along_px[recurring] - low) / (high - low) * pieces).astype(np.intp))
    return bool(held.size > max(_RECURRING_SHARE * pieces, _MOST_PIECES))


def _zone_scatter(fit: RefinedFit, expected: FloatArray, excess: FloatArray) -> FloatArray:
    """Typical scatter around each bin over what is expected there, at least 1: what most bins show is no stranger."""
    own = np.flatnonzero(fit.bins.count > 1.5)
    position = fit.posterior.shape.fine.position_px
    zone = np.searchsorted(_ZONES_SIGMA, np.abs(position) / fit.line.sigma_px, side="right") - 1
    each, of_own = (excess[own] / (fit.bins.count[own] - 1.0)) / expected[own], zone[own]
    typical = np.ones(len(_ZONES_SIGMA))
    for number in range(len(_ZONES_SIGMA) - 1):
        filled = each[of_own == number]
        if filled.size >= _FEWEST_STEEP:
            typical[number] = max(1.0, float(np.partition(filled, filled.size // 2)[filled.size // 2]))
    return typical[zone]


def _strangers(
    region: Region, fit: RefinedFit, wild: npt.NDArray[np.intp], usual: FloatArray, least: tuple[float, float]
) -> npt.NDArray[np.intp] | None:
    """List the samples of wild bins that stand apart from their bin's median (from the fit where a bin holds few).

    By `least` they do: a part of the step, beyond what an edge displaced by so many px shows. None where so many bins
    are wild that it is no matter of single samples.
    """
    if wild.size > _MOST_WILD_BINS * int(np.count_nonzero(fit.bins.count)):
        return None
    if not wild.size:
        return wild
    posterior, plateaus = fit.posterior, fit.plateaus
    number = np.full(SIZE, -1)
    number[wild] = np.arange(wild.size)
    at = number[fit.bins.place]
    among = np.flatnonzero(at >= 0)
    at = at[among]
    whole = posterior.profile()[0]
    level, slope, bend = (own[wild] for own in posterior.profile())
    profile = np.clip((level - posterior.dark) / posterior.step, 0.0, 1.0)
    limit = np.maximum(
        _OUTLIER_SD * np.sqrt(usual[wild] * fit.noise.variance_at(profile)), least[0] * posterior.step
    )
    away = int(np.ceil(least[1] / posterior.shape.step_px))
    if away:
        beyond = [np.abs(whole[np.clip(wild + side, 0, SIZE - 1)] - level) for side in (-away, away)]
        limit += np.maximum(*beyond)
    light = plateaus.dark_slope_per_px + (plateaus.bright_slope_per_px - plateaus.dark_slope_per_px) * profile
    apart = region.distance_px[among] - posterior.shape.fine.position_px[wild][at]
    rest = region.points.value[among] - level[at] - apart * (slope[at] + 0.5 * apart * bend[at])
    rest -= light[at] * region.along_px[among]
    told = _may_stand_apart(at, rest, limit)
    if told.size < at.size:
        among, at, rest = among[told], at[told], rest[told]
    if not told.size:
        return among
    # By bin, and by value in each: one key is sorted much sooner than two.
    order = np.argsort(at + (rest - rest.min()) * (0.999 / max(float(np.ptp(rest)), 1e-300)))
    first = np.flatnonzero(np.diff(at[order], prepend=-1))
    count = np.diff(first, append=at.size)
    median = 0.5 * (rest[order[first + (count - 1) // 2]] + rest[order[first + count // 2]])
    rest[order] -= np.repeat(np.where(count >= _ENOUGH_FOR_MEDIAN, median, 0.0), count)
    return among[np.flatnonzero(np.abs(rest) > limit[at])]


def _may_stand_apart(at: npt.NDArray[np.intp], rest: FloatArray, limit: FloatArray) -> npt.NDArray[np.intp]:
    """List the samples of those bins in which any may stand so far from the median, without sorting them.

    The median lies within one standard deviation of the mean; few samples are looked at as they are.
    """
    count = np.bincount(at, minlength=limit.size)
    share = (count >= _ENOUGH_FOR_MEDIAN) / np.maximum(count, 1)
    mean = np.bincount(at, rest, limit.size) * share
    square = np.bincount(at, np.square(rest), limit.size) * share
    nearest = limit - np.sqrt(np.maximum(square - np.square(mean), 0.0))
    may = np.zeros(limit.size, bool)
    may[at[np.abs(rest - mean[at]) > nearest[at]]] = True
    return np.flatnonzero(may[at])
