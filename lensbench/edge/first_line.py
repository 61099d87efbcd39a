"""The first idea of an edge line, without any fit: several regions at a time."""

from collections.abc import Sequence
from functools import cache, lru_cache
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from lensbench.edge.samples import Points
from lensbench.model.errors import EdgeError
from lensbench.model.shot import BoolArray
from lensbench.model.units import FloatArray

Places = npt.NDArray[np.intp]

FEWEST_POINTS: Final = 24
_ENOUGH_POINTS: Final = 800
_ENOUGH_FOR_BAND: Final = 3000
_SMOOTH_SIGMA_PX: Final = 2.0
_BAND: Final = 0.3  # samples this near to the half-way level, as a part of the step, lie on the edge
_FEWEST_BETWEEN: Final = 8
_ENOUGH_BETWEEN: Final = 40
_NOISY: Final = 0.05
_TRUSTED_PX: Final = 6.0  # how far the line that divides dark from bright may be off
_FAR_MEDIANS: Final = 3.0
_SIGMA_OF_SPREAD: Final = 2.2
"""The samples of the band reach 0.84 sigma to each side of a Gaussian edge, and spread 0.4 sigma (derived)."""


class Start(NamedTuple):
    """Angle over the full circle, so that d grows towards the bright side; offset, width and the two levels."""

    angle_rad: float
    offset_px: float
    sigma_px: float
    dark: float
    bright: float


@cache
def strata(number: int) -> FloatArray:
    """Places in 0 to 1, one at random in each of equal parts: no rhythm is shared with rows or columns."""
    return (np.arange(number) + np.random.default_rng(1).random(number)) / number


@lru_cache(maxsize=64)
def _thinned(count: int, most: int) -> npt.NDArray[np.intp]:
    """About `most` of so many samples, one of each stretch at random: a stride may share the rows' rhythm."""
    if count < 2 * most:
        return np.arange(count)
    return (strata(most) * count).astype(np.intp)


def first_lines(regions: Sequence[Points]) -> list[Start | EdgeError]:
    """Find lines from the samples half-way between two levels: their principal axis is a line's direction."""
    starts: list[Start | EdgeError] = [
        EdgeError(f"only {points.value.size} samples in this region; {FEWEST_POINTS} are needed")
        for points in regions
    ]
    own = [i for i, points in enumerate(regions) if points.value.size >= FEWEST_POINTS]
    if not own:
        return starts
    seen = _Seen.of([regions[i] for i in own], [_thinned(regions[i].value.size, _ENOUGH_POINTS) for i in own])
    levels = _two_levels(seen)
    dark, bright = levels
    flat = ~(bright - dark > 1e-9 * np.maximum(np.maximum(np.abs(dark), np.abs(bright)), 1e-300))
    noisy = _noisy(seen, *levels)
    divided: list[FloatArray | None] = [None] * len(own)
    between: list[Places] = []
    for k, i in enumerate(own):
        if flat[k]:
            between.append(_thinned(0, 1))
            continue
        picked, looked = _between(regions[i], float(dark[k]), float(bright[k]))
        if noisy[k] or not _FEWEST_BETWEEN <= picked.size < 0.6 * looked:
            divided[k], picked = _divided(regions[i], seen.of_region(k), picked, dark[k], bright[k])
        between.append(picked)
    geometry = _axes(_Seen.of([regions[i] for i in own], between), *levels)
    distance = _apart(seen, geometry[:, 0], geometry[:, 1])
    half = np.where(distance > 0.0, seen.held, -seen.held)
    falling = ((seen.value - 0.5 * (dark + bright)[:, None]) * half).sum(axis=1) < 0.0
    geometry[falling, 0] += np.pi
    geometry[falling, 1] *= -1.0
    for k, i in enumerate(own):
        start = divided[k]
        if flat[k] or (start is not None and not np.isfinite(start).all()):
            missing = "no line between a dark and a bright side was found in this region"
            starts[i] = EdgeError(EQUALLY_BRIGHT if flat[k] else missing)
            continue
        if start is None or between[k].size >= _ENOUGH_BETWEEN:
            start = geometry[k]
        starts[i] = Start(*(float(number) for number in (*start, dark[k], bright[k])))
    return starts


EQUALLY_BRIGHT: Final = "both sides of the region are equally bright; choose a region across an edge"


class _Seen(NamedTuple):
    """Some samples of each region, padded to one length: arrays of shape (regions, samples)."""

    row_px: FloatArray
    col_px: FloatArray
    value: FloatArray
    held: FloatArray
    """1, and 0 for padding."""

    @classmethod
    def of(cls, regions: Sequence[Points], picked: Sequence[Places]) -> "_Seen":
        seen = np.zeros((4, len(regions), max(places.size for places in picked)))
        for k, (points, places) in enumerate(zip(regions, picked, strict=True)):
            own = seen[:, k, : places.size]
            own[0], own[1] = points.row_px.take(places), points.col_px.take(places)
            own[2], own[3] = points.value.take(places), 1.0
        return cls(*seen)

    def of_region(self, number: int) -> "_Seen":
        """Samples of one region, without padding."""
        own = self.held[number] > 0.0
        return _Seen(*(array[number, own] for array in self))


def _apart(seen: _Seen, angle: FloatArray, offset: FloatArray) -> FloatArray:
    distance = seen.row_px * np.sin(angle)[:, None]
    distance += seen.col_px * np.cos(angle)[:, None]
    distance -= offset[:, None]
    return distance


def _between(points: Points, dark: float, bright: float) -> tuple[Places, int]:
    """List samples half-way between the levels, and how many were looked at."""
    looked = _thinned(points.value.size, _ENOUGH_FOR_BAND)
    value = points.value.take(looked)
    value -= 0.5 * (dark + bright)
    return looked[np.abs(value) < _BAND * (bright - dark)], looked.size


def _axes(between: _Seen, dark: FloatArray, bright: FloatArray) -> FloatArray:
    """Lines along which the samples between the levels lie: angle, offset and width of each."""
    middle, step = 0.5 * (dark + bright), np.maximum(bright - dark, 1e-300)
    off_middle = (between.value - middle[:, None]) * between.held
    weight = between.held * (1.0 - np.square(off_middle / (_BAND * step)[:, None]))
    angle, offset, _ = axes = _principal_axes(between, weight)
    # Noise puts a few samples of the plateaus between the levels: those far from the line are left out.
    apart = np.where(between.held > 0.0, np.abs(_apart(between, angle, offset)), np.inf)
    count = between.held.sum(axis=1).astype(np.intp)
    if apart.shape[1]:
        median = np.take_along_axis(
            np.sort(apart, axis=1), np.minimum(count // 2, apart.shape[1] - 1)[:, None], 1
        )
        near = apart < _FAR_MEDIANS * median + 0.75
        enough = np.count_nonzero(near & (between.held > 0.0), axis=1) >= _FEWEST_BETWEEN
        axes = np.where(enough, _principal_axes(between, weight * near), axes)
    return np.stack([axes[0], axes[1], np.maximum(_SIGMA_OF_SPREAD * axes[2], 0.5)], axis=1)


def _principal_axes(seen: _Seen, weight: FloatArray) -> FloatArray:
    """Angle and offset of the lines along which weighted samples lie, and their rms distance: shape (3, regions)."""
    places = np.stack([seen.held, seen.row_px, seen.col_px], axis=1)
    moments = (weight[:, None] * places) @ places.transpose(0, 2, 1)
    total = np.maximum(moments[:, 0, 0], 1e-300)
    row, col = moments[:, 0, 1] / total, moments[:, 0, 2] / total
    rr = moments[:, 1, 1] / total - row * row
    rc, cc = moments[:, 1, 2] / total - row * col, moments[:, 2, 2] / total - col * col
    angle = -0.5 * np.arctan2(2.0 * rc, rr - cc)
    variance = 0.5 * (rr + cc - np.hypot(rr - cc, 2.0 * rc))
    return np.stack([angle, col * np.cos(angle) + row * np.sin(angle), np.sqrt(np.maximum(variance, 0.0))])


def _two_levels(seen: _Seen) -> tuple[FloatArray, FloatArray]:
    """Means of each region's samples near the dark and near the bright end."""
    held = seen.held > 0.0
    count = np.count_nonzero(held, axis=1)
    tail = np.maximum(count // 12, 1)
    ordered = np.sort(np.where(held, seen.value, np.inf), axis=1)
    low, high = (np.take_along_axis(ordered, at[:, None], 1) for at in (tail, count - 1 - tail))
    quarter = 0.25 * (high - low)
    return (
        _mean_of(seen.value, held & (seen.value <= low + quarter)),
        _mean_of(seen.value, held & (seen.value >= high - quarter)),
    )


def _mean_of(value: FloatArray, which: BoolArray) -> FloatArray:
    return np.asarray(np.where(which, value, 0.0).sum(axis=1) / np.maximum(which.sum(axis=1), 1), np.float64)


def _noisy(seen: _Seen, dark: FloatArray, bright: FloatArray) -> BoolArray:
    """Tell where plateau samples may pass for samples between the levels: noise above a twentieth of the step."""
    step = bright - dark
    share = (seen.value - dark[:, None]) / np.maximum(step, 1e-300)[:, None]
    sides = (seen.held > 0.0) & ((share <= 0.25) | (share > 0.75))
    scatter = np.where(sides, np.minimum(np.abs(share), np.abs(1.0 - share)), 0.0).sum(axis=1)
    return np.asarray(scatter > 0.8 * _NOISY * np.count_nonzero(sides, axis=1))


def _divided(
    points: Points, seen: _Seen, between: Places, dark: float, bright: float
) -> tuple[FloatArray, Places]:
    """Line that divides dark from bright samples best in a linear sense, NaN where none does; what lies by it.

    For noisy regions, and where few samples lie between the levels.
    """
    side = np.where(seen.value > 0.5 * (dark + bright), 1.0, -1.0)
    design = np.stack([seen.held, seen.col_px, seen.row_px])
    level, along_col, along_row = np.linalg.lstsq(design.T, side, rcond=None)[0]
    length = float(np.hypot(along_col, along_row))
    if not length > 1e-9:
        return np.full(3, np.nan), between
    angle, offset = float(np.arctan2(along_row, along_col)), -float(level) / length
    off_line = points.row_px[between] * np.sin(angle) + points.col_px[between] * np.cos(angle)
    return np.array([angle, offset, _SMOOTH_SIGMA_PX]), between[np.abs(off_line - offset) < _TRUSTED_PX]
