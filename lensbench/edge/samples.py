"""The samples of one region, and samples pooled in narrow bins of distance from the edge.

Each bin keeps the moments of its samples' positions, so that pooling leaves no trace in a fit, and their scatter, from
which the noise of both plateaus and the light along the edge are read.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.edge.shapes import BIN_STARTS, BIN_WIDTHS, HALF, MIDDLES, SIZE
from lensbench.model.shot import Samples
from lensbench.model.units import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Points:
    """The usable samples of one region; positions count from the region's centre."""

    row_px: FloatArray
    col_px: FloatArray
    value: FloatArray
    shape: tuple[int, int]
    """Of the region: rows, columns."""
    is_sensor: bool = True
    rounding_sd: tuple[float, float] = (0.0, 0.0)
    light_known: bool = False
    """Whether the light's slope was known, and taken out."""

    @property
    def sites(self) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """Row and column of every sample in the region."""
        height, width = self.shape
        row = np.rint(self.row_px + 0.5 * (height - 1)).astype(np.intp)
        return row, np.rint(self.col_px + 0.5 * (width - 1)).astype(np.intp)

    def kept(self, places: npt.NDArray[np.intp]) -> "Points":
        """The samples at these places."""
        row, col, value = (own.take(places) for own in (self.row_px, self.col_px, self.value))
        return replace(self, row_px=row, col_px=col, value=value)


def points_of(region: Samples) -> Points:
    """List the present samples of a region."""
    height, width = region.values.shape
    held = np.flatnonzero(region.present)
    row = held // width
    col = held - row * width
    value = region.values.ravel()
    rounding_sd = region.rounding_sd if any(region.rounding_sd) else _rounding_sd(value)
    value = value.take(held).astype(np.float64, copy=False)
    middle_row, middle_col = 0.5 * (height - 1), 0.5 * (width - 1)
    if region.light_slope_per_px is not None:
        by_row, by_col = region.light_slope_per_px
        value *= np.exp(-by_row * (np.arange(height) - middle_row)).take(row)
        value *= np.exp(-by_col * (np.arange(width) - middle_col)).take(col)
    return Points(
        row_px=row - middle_row,
        col_px=col - middle_col,
        value=value,
        shape=(height, width),
        is_sensor=region.is_sensor,
        rounding_sd=rounding_sd,
        light_known=region.light_slope_per_px is not None,
    )


def _rounding_sd(value: FloatArray) -> tuple[float, float]:
    """What rounding to whole codes adds, where so few different values stand that they must be codes."""
    some = value[:: max(value.size // _CODES_SEEN, 1)]
    steps = np.diff(np.sort(some))
    steps = steps[steps > 0.0]
    if not 0 < steps.size < _FEW_CODES * some.size:
        return 0.0, 0.0
    step = float(np.median(steps)) / np.sqrt(12.0)
    return step, step


_CODED_REACH_PX: Final = 3.5
"""Over which the variance of a JPEG's errors falls by e; seen in simulated ones of quality 60 to 95."""
_CODES_SEEN: Final = 500
_FEW_CODES: Final = 0.3
_REACH_SIGMA: Final = 3.5
_FLOOR_OF_STEP: Final = 1e-4
"""Least noise taken, as a part of the step: below it rounding and the shapes' own table decide."""
_ENOUGH_FREEDOM: Final = 150.0
_WILD: Final = 8.0
"""A bin whose scatter is this many times the plateau's median holds dust, and tells nothing of the noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Variance of one sample on each plateau; in between it grows linearly with the signal (photon noise)."""

    dark_variance: float
    bright_variance: float

    def variance_at(self, profile: FloatArray) -> FloatArray:
        """Variance of a sample where the edge profile is 0 (dark) to 1 (bright)."""
        span = self.bright_variance - self.dark_variance
        return self.dark_variance + span * np.clip(profile, 0.0, 1.0)

    def enlarged(self, factor: float) -> "Noise":
        """Noise of so many times the variance."""
        return Noise(dark_variance=factor * self.dark_variance, bright_variance=factor * self.bright_variance)

    def snr(self, step: float) -> float:
        """Step over the rms noise of the two plateaus."""
        return float(step / np.sqrt(0.5 * (self.dark_variance + self.bright_variance)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Plateaus:
    """What the two sides away from the edge tell: noise, and the light's slope along the edge."""

    noise: Noise
    dark_slope_per_px: float
    bright_slope_per_px: float
    dark_slope_sd_per_px: float
    bright_slope_sd_per_px: float
    light_known: bool = False
    """Whether the light's slope was known from elsewhere, and taken out."""
    rough: float = 0.0
    """Variance that coding added at the edge, over that of the noise; it fades with the distance (`coding`)."""
    lost: float = 0.0
    """Prior size of what coding took of the finest detail, as a part of the step."""

    def variance_of(self, profile: FloatArray, distance_px: FloatArray) -> FloatArray:
        """Variance of samples where the edge profile is 0 to 1, so far from the edge."""
        return self.noise.variance_at(profile) * roughness(self.rough, distance_px)


def roughness(rough: FloatArray | float, distance_px: FloatArray) -> FloatArray:
    """By how much coding raises the variance so far from the edge: blocks that hold a part of it are the rough ones."""
    return np.asarray(1.0 + rough * np.exp(-np.abs(distance_px) / _CODED_REACH_PX), np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    variance: float
    slope: float
    slope_sd: float


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
    """Sum of squared departures of the values from the bin's mean."""
    along_scatter_px2: FloatArray
    """The same of the places along the edge."""
    shared_px: FloatArray
    """Sum of the products of both departures."""
    place: npt.NDArray[np.intp]
    """Bin of every sample, the nearest one for those beyond the range (one region only)."""

    def plateaus(
        self, *, step_px: float, sigma_px: float, step: float, least_sd: tuple[float, float] = (0.0, 0.0)
    ) -> Plateaus:
        """Estimate both plateaus' noise and light from the scatter within bins well away from the edge."""
        filled = np.flatnonzero(self.count)
        distance = (filled - HALF) * step_px
        reach = min(_REACH_SIGMA * sigma_px + 1.0, 0.6 * float(np.abs(distance).max(initial=0.0)))
        dark = _side(self, filled[distance < -reach], step_px)
        bright = _side(self, filled[distance > reach], step_px)
        floor = float(np.square(_FLOOR_OF_STEP * step))
        known = [side.variance for side in (dark, bright) if np.isfinite(side.variance)]
        typical = sum(known) / len(known) if known else floor

        def variance(side: _Side, least: float) -> float:
            return max(side.variance if np.isfinite(side.variance) else typical, floor, least * least)

        return Plateaus(
            noise=Noise(
                dark_variance=variance(dark, least_sd[0]), bright_variance=variance(bright, least_sd[1])
            ),
            dark_slope_per_px=dark.slope,
            bright_slope_per_px=bright.slope,
            dark_slope_sd_per_px=dark.slope_sd,
            bright_slope_sd_per_px=bright.slope_sd,
        )


def _side(bins: Bins, places: npt.NDArray[np.intp], step_px: float) -> _Side:
    """Regress values on places along the edge within bins, and see what scatter is left."""
    held = places[bins.count[places] > 1.5]
    freedom = bins.count[held] - 1.0
    if freedom.sum() < 4:
        return _Side(variance=_sparse_variance(bins, places, step_px), slope=0.0, slope_sd=0.0)
    scatter = bins.scatter[held]
    single = scatter / freedom
    typical = float(np.partition(single, single.size // 2)[single.size // 2])
    sound = single <= _WILD * max(typical, 1e-300)
    kept = held[sound]
    spread = max(float(bins.along_scatter_px2[kept].sum()), 1e-12)
    shared = float(bins.shared_px[kept].sum())
    slope = shared / spread
    rest = max(float(scatter[sound].sum()) - slope * shared, 0.0)
    degrees = max(float(freedom[sound].sum()) - 1.0, 1.0)
    variance = rest / degrees if degrees >= _ENOUGH_FREEDOM else _sparse_variance(bins, places, step_px)
    if not np.isfinite(variance):
        return _Side(variance=variance, slope=0.0, slope_sd=0.0)
    # Half the slope is allowed as its error: a bend of the plateau across the edge passes for a little of it.
    slope_sd = float(np.hypot(np.sqrt(max(variance, 0.0) / spread), 0.5 * slope))
    return _Side(variance=variance, slope=slope, slope_sd=slope_sd)


def _sparse_variance(bins: Bins, places: npt.NDArray[np.intp], step_px: float) -> float:
    """Estimate the noise where most bins hold one sample: from what a level, two slopes and a 1/d tail leave over."""
    for _ in range(2):
        count, value = bins.count[places], bins.value[places]
        rest = count.sum() - 4.0
        if rest < 6 or places.size < 6:
            return float("nan")
        distance = (places - HALF) * step_px + bins.offset_px[places]
        columns = np.stack(
            [np.ones_like(value), distance - distance.mean(), bins.along_px[places], 1.0 / distance]
        )
        gram = (columns * count) @ columns.T
        gram[range(4), range(4)] *= 1.0 + 1e-9
        residual = value - np.linalg.solve(gram, (columns * count) @ value) @ columns
        own = bins.scatter[places] + count * np.square(residual)
        variance = float(own.sum() / rest)
        sound = own <= 20.0 * variance * count
        if sound.all():
            break
        places = places[sound]
    return variance


def pool(distance_px: FloatArray, along_px: FloatArray, value: FloatArray, *, step_px: float) -> Bins:
    """Pool samples in bins of distance, with their moments; samples beyond the range are left out."""
    place = distance_px * (1.0 / step_px)
    place += HALF + 0.5
    size, inside = SIZE, slice(None)
    if (
        place.size and not 0.0 <= place.min() <= place.max() < SIZE
    ):  # a bin at either end takes what lies beyond
        place += 1.0
        np.minimum(np.maximum(place, 0.5, out=place), SIZE + 1.5, out=place)
        size, inside = SIZE + 2, slice(1, -1)
    index = place.astype(np.intp)
    place -= index
    place -= 0.5

    def total(weight: FloatArray | None) -> FloatArray:
        return np.asarray(np.bincount(index, weight, size)[inside], np.float64)

    count = total(None)
    share = 1.0 / np.maximum(count, 1.0)
    base = float(value.mean()) if value.size else 0.0
    from_base = value - base  # squares of large levels would swallow a small step
    sum_value, sum_along = total(from_base), total(along_px)
    return Bins(
        count=count,
        value=np.where(count > 0.0, sum_value * share + base, 0.0),
        offset_px=total(place) * share * step_px,
        half_square_px2=total(np.square(place, out=place)) * share * (0.5 * step_px**2),
        along_px=sum_along * share,
        scatter=np.maximum(total(from_base * from_base) - sum_value * sum_value * share, 0.0),
        along_scatter_px2=np.maximum(total(along_px * along_px) - sum_along * sum_along * share, 0.0),
        shared_px=total(along_px * from_base) - sum_along * sum_value * share,
        place=index if size == SIZE else np.minimum(np.maximum(index - 1, 0), SIZE - 1),
    )


def stack_bins(bins: Sequence[Bins], step_px: float) -> Bins:
    """Stack the bins of several regions along a first axis, as the fit takes them: wide ones in the tails.

    Moments are counted from the new bins' middles, so the joining leaves no trace.
    """
    count = np.stack([region.count for region in bins])
    away = (np.arange(SIZE) - spread_out(MIDDLES)) * step_px
    offset = np.stack([region.offset_px for region in bins])
    half_square = np.stack([region.half_square_px2 for region in bins]) + away * (offset + 0.5 * away)
    value = np.stack([region.value for region in bins])
    along = np.stack([region.along_px for region in bins])
    scatter = np.stack([region.along_scatter_px2 for region in bins]) + count * np.square(along)
    number, values, offsets, half_squares, alongs = (
        _joined(sums)
        for sums in (count, count * value, count * (offset + away), count * half_square, count * along)
    )
    share = 1.0 / np.maximum(number, 1.0)
    middle = alongs * share
    return Bins(
        count=number,
        value=values * share,
        offset_px=offsets * share,
        half_square_px2=half_squares * share,
        along_px=middle,
        along_scatter_px2=np.maximum(_joined(scatter) - alongs * middle, 0.0),
        scatter=np.empty(0),
        shared_px=np.empty(0),
        place=np.empty(0, np.intp),
    )


def spread_out(fitted: FloatArray) -> FloatArray:
    """For each fine bin, what belongs to the bin of the fit that holds it."""
    return np.asarray(np.repeat(fitted, BIN_WIDTHS, axis=-1), np.float64)


def _joined(fine: FloatArray) -> FloatArray:
    return np.asarray(np.add.reduceat(fine, BIN_STARTS, axis=-1), np.float64)
