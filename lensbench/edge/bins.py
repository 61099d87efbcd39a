"""Samples pooled in narrow bins of distance from the edge, with the moments that make the pooling exact."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.edge.family import HALF
from lensbench.units import FloatArray

__all__ = ["SIZE", "Bins", "Noise", "pool", "stack_bins"]

SIZE: Final = 2 * HALF + 1
_REACH_SIGMA: Final = 3.5
_FLOOR_OF_STEP: Final = 1e-4
"""Least noise taken, as a part of the step: below it rounding and the shapes' own table decide."""
_WILD: Final = 8.0
"""A bin whose scatter is this many times the plateau's median holds a speck, and tells nothing of the noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Variance of one sample on each plateau; in between it grows linearly with the signal (photon noise)."""

    dark_variance: float
    bright_variance: float

    def variance_at(self, profile: FloatArray) -> FloatArray:
        """Give a sample's variance where the edge profile is 0 (dark) to 1 (bright)."""
        span = self.bright_variance - self.dark_variance
        return self.dark_variance + span * np.clip(profile, 0.0, 1.0)

    def snr(self, step: float) -> float:
        """Give the step over the rms noise of the two plateaus."""
        return float(step / np.sqrt(0.5 * (self.dark_variance + self.bright_variance)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bins:
    """Pooled samples of one region, or of several when stacked: the last axis has SIZE bins, many of them empty."""

    count: FloatArray
    value: FloatArray
    """Mean of the samples; 0 in an empty bin."""
    offset_px: FloatArray
    """Mean distance from the bin's middle."""
    half_square_px2: FloatArray
    """Half the mean squared distance from the bin's middle."""
    along_px: FloatArray
    """Mean place along the edge."""
    scatter: FloatArray
    """Sum of squared departures from the bin's mean, light along the edge taken out."""
    freedom: FloatArray
    """Degrees of freedom of the scatter."""
    place: npt.NDArray[np.intp]
    """Bin of every sample, the nearest one for those beyond the range (one region only)."""

    def noise(self, *, step_px: float, sigma_px: float, step: float) -> Noise:
        """Estimate both plateaus' noise from the scatter within bins well away from the edge."""
        filled = np.flatnonzero(self.freedom > 0)
        if filled.size == 0:
            floor = float(np.square(_FLOOR_OF_STEP * step))
            return Noise(dark_variance=floor, bright_variance=floor)
        distance = (filled - HALF) * step_px
        reach = min(_REACH_SIGMA * sigma_px + 1.0, 0.6 * float(np.abs(distance).max()))
        sides = [_plateau(self, filled[distance < -reach]), _plateau(self, filled[distance > reach])]
        known = [side for side in sides if np.isfinite(side)]
        floor = float(np.square(_FLOOR_OF_STEP * step))
        typical = float(np.mean(known)) if known else floor
        dark, bright = (max(side if np.isfinite(side) else typical, floor) for side in sides)
        return Noise(dark_variance=dark, bright_variance=bright)


def _plateau(bins: Bins, places: npt.NDArray[np.intp]) -> float:
    scatter, freedom = bins.scatter[places], bins.freedom[places]
    if freedom.sum() < 10:
        return float("nan")
    single = scatter / freedom
    sound = single <= _WILD * max(float(np.median(single)), 1e-300)
    return float(scatter[sound].sum() / freedom[sound].sum())


def pool(distance_px: FloatArray, along_px: FloatArray, value: FloatArray, *, step_px: float) -> Bins:
    """Pool samples in bins of distance, with their moments; samples beyond the range are left out."""
    place = distance_px * (1.0 / step_px)
    place += HALF + 0.5
    index = place.astype(np.intp)
    place_of_all = index
    if index.min() < 0 or index.max() >= SIZE:
        inside = (place >= 0.0) & (place < SIZE)
        place_of_all = np.clip(index, 0, SIZE - 1)
        index, place, value, along_px = index[inside], place[inside], value[inside], along_px[inside]
    place -= index
    place -= 0.5
    count = np.bincount(index, minlength=SIZE).astype(np.float64)
    share = 1.0 / np.maximum(count, 1.0)

    def total(weight: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(index, weight, SIZE), np.float64)

    sum_value, sum_along = total(value), total(along_px)
    scatter = total(value * value) - sum_value * sum_value * share
    along_scatter = total(along_px * along_px) - sum_along * sum_along * share
    shared = total(along_px * value) - sum_along * sum_value * share
    freedom = np.maximum(count - 1.0, 0.0)
    return Bins(
        count=count,
        value=sum_value * share,
        offset_px=total(place) * share * step_px,
        half_square_px2=total(place * place) * share * (0.5 * step_px**2),
        along_px=sum_along * share,
        scatter=_without_slope(scatter, along_scatter, shared),
        freedom=freedom,
        place=place_of_all,
    )


def _without_slope(scatter: FloatArray, along_scatter: FloatArray, shared: FloatArray) -> FloatArray:
    """Take the light's slope along the edge, one for each side, out of the scatter within bins."""
    rest = scatter.copy()
    for side in (slice(0, HALF), slice(HALF, SIZE)):
        spread = float(along_scatter[side].sum())
        if spread > 0:
            slope = float(shared[side].sum()) / spread
            rest[side] += slope * (slope * along_scatter[side] - 2.0 * shared[side])
    return np.maximum(rest, 0.0)


def stack_bins(bins: Sequence[Bins]) -> Bins:
    """Stack the bins of several regions along a first axis."""
    return Bins(
        count=np.stack([one.count for one in bins]),
        value=np.stack([one.value for one in bins]),
        offset_px=np.stack([one.offset_px for one in bins]),
        half_square_px2=np.stack([one.half_square_px2 for one in bins]),
        along_px=np.stack([one.along_px for one in bins]),
        scatter=np.stack([one.scatter for one in bins]),
        freedom=np.stack([one.freedom for one in bins]),
        place=np.empty(0, np.intp),
    )
