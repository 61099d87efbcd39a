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
from lensbench.model.shot import BoolArray, Samples
from lensbench.model.units import FloatArray


@dataclass(slots=True, kw_only=True, eq=False)
class Points:
    """The usable samples of one region; positions count from the region's centre."""

    row_px: FloatArray
    col_px: FloatArray
    value: FloatArray
    shape: tuple[int, int]
    """Of the region: rows, columns."""
    is_sensor: bool = True
    rounding_sd: tuple[float, float] = (0.0, 0.0)
    light_slope_sd_per_px: float | None = None
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
    row, col = np.empty((2, height, width))
    row[:] = (np.arange(height) - 0.5 * (height - 1))[:, None]
    col[:] = np.arange(width) - 0.5 * (width - 1)
    value = region.values
    rounding_sd = region.rounding_sd if any(region.rounding_sd) else _rounding_sd(value.ravel())
    if region.light_slope_per_px is not None:
        by_row, by_col = region.light_slope_per_px
        value = value * np.exp(-by_row * row[:, :1])
        value *= np.exp(-by_col * col[0])
    held = np.flatnonzero(region.present)
    # Copies, whatever the region is a part of: it is let go of.
    row, col, value = (
        own.flatten() if held.size == own.size else own.ravel().take(held) for own in (row, col, value)
    )
    return Points(
        row_px=row,
        col_px=col,
        value=value.astype(np.float64, copy=False),
        shape=(height, width),
        is_sensor=region.is_sensor,
        rounding_sd=rounding_sd,
        light_slope_sd_per_px=None if region.light_slope_per_px is None else region.light_slope_sd_per_px,
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
_DITHERED: Final = 1.0 / 3.0
"""Of the samples' variance, what it takes off rounding's common square, 1/12 of a code: none is left where samples
scatter by half a code (simulated, noise and phase at random)."""
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
        if factor == 1.0:
            return self
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
    light_slope_sd_per_px: float | None = None
    """What is left of the light's slope, as a part of the level, where it was known from elsewhere, and taken out."""
    rough: float = 0.0
    """Variance that coding added at the edge, over that of the noise; it fades with the distance (`coding`)."""
    lost: float = 0.0
    """Prior size of what coding took of the finest detail, as a part of the step."""
    code: tuple[float, float] = (0.0, 0.0)
    """Width of a whole code on the dark and on the bright side, where samples were rounded to such."""
    rounded: tuple[float, float] = (0.0, 0.0)
    """Rms error that rounding made alike at all samples of one level on either side."""

    def variance_of(self, profile: FloatArray, distance_px: FloatArray) -> FloatArray:
        """Variance of samples where the edge profile is 0 to 1, so far from the edge."""
        return self.noise.variance_at(profile) * roughness(self.rough, distance_px)


def roughness(rough: FloatArray | float, distance_px: FloatArray) -> FloatArray:
    """By how much coding raises the variance so far from the edge: blocks that hold a part of it are the rough ones."""
    return np.asarray(1.0 + rough * np.exp(-np.abs(distance_px) / _CODED_REACH_PX), np.float64)


@dataclass(slots=True, kw_only=True, eq=False)
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

    def row(self, number: int, place: npt.NDArray[np.intp]) -> "Bins":
        """One region of several, with the bins of its samples."""
        return Bins(
            count=self.count[number],
            value=self.value[number],
            offset_px=self.offset_px[number],
            half_square_px2=self.half_square_px2[number],
            along_px=self.along_px[number],
            scatter=self.scatter[number],
            along_scatter_px2=self.along_scatter_px2[number],
            shared_px=self.shared_px[number],
            place=place,
        )


def plateaus_of(
    bins: Bins,
    *,
    step_px: float,
    sigma_px: FloatArray,
    step: FloatArray,
    least_sd: FloatArray,
    light_slope_sd_per_px: Sequence[float | None],
) -> list[Plateaus]:
    """Estimate both plateaus' noise and light of several regions from the scatter within bins well away from the edge.

    `bins` are stacked, `sigma_px` and `step` one number for each region, `least_sd` two (dark, bright); the
    last tells what is left of each one's light slope where that was known and taken out.
    """
    position = (np.arange(SIZE) - HALF) * step_px
    farthest = np.where(bins.count > 0.0, np.abs(position), 0.0).max(axis=1)
    reach = np.minimum(_REACH_SIGMA * sigma_px + 1.0, 0.6 * farthest)
    sides = np.stack([_side(bins, side * position > reach[:, None], step_px) for side in (-1.0, 1.0)])
    variance, slope, slope_sd = sides.transpose(1, 2, 0)
    floor = np.square(_FLOOR_OF_STEP * step)[:, None]
    told = np.isfinite(variance)
    total = np.where(told, variance, 0.0).sum(axis=1, keepdims=True)
    typical = np.where(
        told.any(axis=1, keepdims=True), total / np.maximum(told.sum(axis=1), 1)[:, None], floor
    )
    variance = np.maximum(np.where(told, variance, typical), floor)
    rounded = np.maximum(least_sd - _DITHERED * variance / np.maximum(least_sd, 1e-300), 0.0)
    code, variance = np.sqrt(12.0) * least_sd, np.maximum(variance, np.square(least_sd))
    return [
        Plateaus(
            noise=Noise(dark_variance=noise[0], bright_variance=noise[1]),
            dark_slope_per_px=slopes[0],
            bright_slope_per_px=slopes[1],
            dark_slope_sd_per_px=sds[0],
            bright_slope_sd_per_px=sds[1],
            light_slope_sd_per_px=known,
            code=(codes[0], codes[1]),
            rounded=(alike[0], alike[1]),
        )
        for noise, slopes, sds, known, codes, alike in zip(
            variance.tolist(),
            slope.tolist(),
            slope_sd.tolist(),
            light_slope_sd_per_px,
            code.tolist(),
            rounded.tolist(),
            strict=True,
        )
    ]


def _side(bins: Bins, places: BoolArray, step_px: float) -> FloatArray:
    """Regress values on places along the edge within bins, and see what scatter is left.

    The noise's variance (NaN where it can't be told), the slope and its sd, of each region: shape (3, regions).
    """
    held = places & (bins.count > 1.5)
    freedom = np.where(held, bins.count - 1.0, 0.0)
    single = np.where(held, bins.scatter / np.maximum(freedom, 1.0), np.inf)
    middle = np.count_nonzero(held, axis=1)[:, None] // 2
    typical = np.take_along_axis(np.sort(single, axis=1), middle, axis=1)
    kept = (held & (single <= _WILD * np.maximum(typical, 1e-300))).astype(np.float64)
    scatter, alongs, shared, degrees = (
        np.einsum("rb,rb->r", kept, own)
        for own in (bins.scatter, bins.along_scatter_px2, bins.shared_px, freedom)
    )
    spread = np.maximum(alongs, 1e-12)
    slope, degrees = shared / spread, np.maximum(degrees - 1.0, 1.0)
    variance = np.maximum(scatter - slope * shared, 0.0) / degrees
    few = freedom.sum(axis=1) < 4
    for region in np.flatnonzero(few | (degrees < _ENOUGH_FREEDOM)):
        own = bins.row(int(region), np.empty(0, np.intp))
        variance[region] = _sparse_variance(own, np.flatnonzero(places[region] & (own.count > 0.0)), step_px)
    slope[few | ~np.isfinite(variance)] = 0.0
    # Half the slope is allowed as its error: a bend of the plateau across the edge passes for a little of it.
    slope_sd = np.hypot(np.sqrt(np.maximum(variance, 0.0) / spread), 0.5 * slope)
    slope_sd[few | ~np.isfinite(variance)] = 0.0
    return np.stack([variance, slope, slope_sd])


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


def pool_together(
    regions: Sequence[tuple[FloatArray, FloatArray, FloatArray]], *, step_px: float
) -> tuple[Bins, list[npt.NDArray[np.intp]]]:
    """Pool samples of several regions in bins of distance, with their moments; those beyond the range are left out.

    Each region is given by its samples' distances, places along the edge and values. The bins come stacked, and the
    bin of every sample apart.
    """
    sums, base = np.empty((8, len(regions), SIZE)), np.zeros((len(regions), 1))
    places = []
    for number, (distance_px, along_px, value) in enumerate(regions):
        if value.size:
            base[number] = value.mean()
        from_base = value - base[number]  # squares of large levels would swallow a small step
        places.append(_summed(distance_px * (1.0 / step_px), along_px, from_base, sums[:, number]))
    count, values, offsets, squares, alongs, scatter, along_scatter, shared = sums
    share = 1.0 / np.maximum(count, 1.0)
    scatter -= values * values * share
    along_scatter -= alongs * alongs * share
    shared -= alongs * values * share
    values *= share
    values += base
    values[count == 0.0] = 0.0
    offsets *= share * step_px
    squares *= share * (0.5 * step_px**2)
    alongs *= share
    bins = Bins(
        count=count,
        value=values,
        offset_px=offsets,
        half_square_px2=squares,
        along_px=alongs,
        scatter=np.maximum(scatter, 0.0, out=scatter),
        along_scatter_px2=np.maximum(along_scatter, 0.0, out=along_scatter),
        shared_px=shared,
        place=np.empty(0, np.intp),
    )
    return bins, places


_FAR: Final = 65_536.0
"""Bins away from which offsets are summed: one sum then holds them and, in its high digits, how many they are."""


def _summed(
    place: FloatArray, along_px: FloatArray, value: FloatArray, sums: FloatArray
) -> npt.NDArray[np.intp]:
    """Sum the moments of one region's samples by bin, and list their bins; `place` is in bins, and is used up."""
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
    place += _FAR - 0.5
    both = np.bincount(index, place, size)[inside]
    place -= _FAR
    np.rint(both / _FAR, out=sums[0])
    np.subtract(both, _FAR * sums[0], out=sums[2])
    sums[1] = np.bincount(index, value, size)[inside]
    sums[3] = np.bincount(index, np.square(place, out=place), size)[inside]
    sums[4] = np.bincount(index, along_px, size)[inside]
    sums[5] = np.bincount(index, np.square(value, out=place), size)[inside]
    sums[6] = np.bincount(index, np.square(along_px, out=place), size)[inside]
    sums[7] = np.bincount(index, np.multiply(along_px, value, out=place), size)[inside]
    return index if size == SIZE else np.minimum(np.maximum(index - 1, 0), SIZE - 1)


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
