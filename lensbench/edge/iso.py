"""The standard's method, e-SFR after ISO 12233:2014, for comparison with figures that others measured.

Steps taken from the published text: line by line centroids of the differenced edge, a straight line through them, four
bins a pixel, the difference [-1/2, 0, 1/2], the LSF turned so that its peak is central, a Hamming window, the modulus
of the DFT, and the correction for the difference. From memory of the edition: the [-1/2, 1/2] difference and the second
windowed pass of the centroids, the cut to whole phase rotations, and the cap of 10 on the correction. The bins lie
along the lines, so frequencies are divided by the cosine of the edge's angle. The loss by bin averaging, sinc(f / 4),
and the bias of the window are the standard's own and are not corrected: see docs/method/method.md.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.edge.curves import MTF_LEVELS, crossing_cypx, four, slopes_at
from lensbench.model.errors import EdgeError
from lensbench.model.shot import BoolArray
from lensbench.model.units import FloatArray

BINS_PER_PIXEL: Final = 4
BINS_BESIDE: Final = 16
_CORRECTION_CAP: Final = 10.0
_FEWEST_LINES: Final = 8
_MARGIN_PX: Final = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IsoEdge:
    """The standard's reading of one region."""

    frequency_cypx: FloatArray  # along the edge normal
    sfr: FloatArray
    sfr_sd: FloatArray
    mtf_cypx: tuple[float, float, float, float]  # at 50, 30, 20 and 10 percent
    mtf_sd_cypx: tuple[float, float, float, float]
    esf_position_px: FloatArray  # along the edge normal, towards the bright side
    esf: FloatArray  # bin means, 0 to 1 between the outermost tenths
    empty_bins: int
    """Of the `BINS_BESIDE` bins beside the edge, those that hold no sample: their means are interpolated."""


def measure_iso(
    values: FloatArray, present: BoolArray, *, point: tuple[float, float], angle_deg: float, snr: float
) -> IsoEdge:
    """SFR of one region by the standard's steps.

    `present` says where samples exist (a colour filter array leaves gaps), `point` is a place (row, column) on the edge
    from the region's first sample, and the rough angle is from the columns: beyond 45 degrees the region is transposed
    first. Lines that the edge does not cross inside the region are left out. The SNR, step over noise, serves the
    standard deviations. An EdgeError where too few lines cross the edge.
    """
    slope = -np.tan(np.radians(angle_deg))
    if abs(angle_deg) > 45.0:
        values, present, point, slope = values.T, present.T, point[::-1], 1.0 / slope
    crossed = _crossed(values.shape, point, float(slope))
    values, present = values[crossed], present[crossed]
    row, centroid = _centroids(values, present)
    slope, start = np.polyfit(row, centroid, 1)
    rows = _whole_rotations(values.shape[0], slope)
    values, present = values[rows], present[rows]
    position, esf, empty = _binned(values, present, slope, start + slope * rows.start)
    cosine = float(np.cos(np.arctan(slope)))
    frequency, sfr = _transform(esf)
    frequency = frequency / cosine
    keep = frequency <= 1.0 + 1e-9
    frequency, sfr = frequency[keep], sfr[keep]
    density = np.count_nonzero(present) / present.size
    sd = _sfr_sd(frequency, snr=snr, width_px=values.shape[1], lines=values.shape[0] * density)
    mtf = np.array([crossing_cypx(frequency, sfr, level) for level in MTF_LEVELS])
    slope = slopes_at(frequency, np.repeat(sfr[None], mtf.size, axis=0), mtf)
    mtf_sd = np.where(
        np.isfinite(mtf), np.interp(mtf, frequency, sd) / np.maximum(np.abs(slope), 1e-9), np.nan
    )
    return IsoEdge(
        frequency_cypx=frequency,
        sfr=sfr,
        sfr_sd=sd,
        mtf_cypx=four(mtf),
        mtf_sd_cypx=four(mtf_sd),
        esf_position_px=position * cosine,
        esf=esf,
        empty_bins=empty,
    )


def _crossed(shape: tuple[int, ...], point: tuple[float, float], slope: float) -> slice:
    """Find the lines that the edge crosses well inside the region."""
    place = point[1] + slope * (np.arange(shape[0]) - point[0])
    inside = np.flatnonzero((place >= _MARGIN_PX) & (place <= shape[1] - 1 - _MARGIN_PX))
    if inside.size < _FEWEST_LINES:
        raise EdgeError(f"only {inside.size} lines cross the edge; {_FEWEST_LINES} are needed")
    return slice(int(inside[0]), int(inside[-1]) + 1)


def _centroids(values: FloatArray, present: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Find the edge in each line: centroid of the differences, twice, the second time windowed about a first line."""
    lines = []
    for row in np.flatnonzero(np.count_nonzero(present, axis=1) >= 4):
        cols = np.flatnonzero(present[row])
        middles = np.asarray(0.5 * (cols[1:] + cols[:-1]), np.float64)
        lines.append((row, middles, np.diff(values[row, cols])))
    if len(lines) < _FEWEST_LINES:
        raise EdgeError(f"only {len(lines)} lines cross the edge; {_FEWEST_LINES} are needed")
    rows = np.array([row for row, _, _ in lines], dtype=np.float64)
    width = values.shape[1]
    centers = np.full(rows.size, 0.5 * (width - 1))
    for _ in range(2):
        weights = [
            step * _hamming(cols - center, width)
            for (_, cols, step), center in zip(lines, centers, strict=True)
        ]
        centroids = np.array(
            [
                weight @ cols / weight.sum() if weight.sum() else np.nan
                for (_, cols, _), weight in zip(lines, weights, strict=True)
            ]
        )
        good = np.isfinite(centroids)
        if np.count_nonzero(good) < _FEWEST_LINES:
            raise EdgeError("no edge was found line by line in this region")
        fit = np.polyfit(rows[good], centroids[good], 1)
        centers = np.polyval(fit, rows)
    return rows[good], centroids[good]


def _hamming(distance: FloatArray, width: float) -> FloatArray:
    """Hamming window of full width `width`, zero outside it."""
    window: FloatArray = 0.54 + 0.46 * np.cos(2.0 * np.pi * distance / width)
    return np.where(np.abs(distance) <= 0.5 * width, window, 0.0)


def _whole_rotations(lines: int, slope: float) -> slice:
    """Keep as many lines as make whole rotations of the edge's phase; all of them when there is less than one."""
    rotation = 1.0 / max(abs(slope), 1e-9)
    whole = int(lines / rotation) * rotation
    return slice(0, round(whole)) if whole >= _FEWEST_LINES else slice(0, lines)


def _binned(
    values: FloatArray, present: BoolArray, slope: float, start: float
) -> tuple[FloatArray, FloatArray, int]:
    """Average the samples in quarter-pixel bins of distance along the lines, turned so that the edge rises."""
    height, width = values.shape
    rows, cols = np.nonzero(present)
    count = BINS_PER_PIXEL * width
    middle = 0.5 * (height - 1)
    shift = cols - (start + slope * rows)
    reference = start + slope * middle
    index = np.floor((shift + reference) * BINS_PER_PIXEL + 0.5 * BINS_PER_PIXEL).astype(np.intp)
    inside = (index >= 0) & (index < count)
    index, shift, sample = index[inside], shift[inside], values[rows[inside], cols[inside]]
    number = np.bincount(index, minlength=count)
    total = np.bincount(index, sample, count)
    filled = number > 0
    places = np.arange(count)
    esf = np.interp(places, places[filled], total[filled] / number[filled])
    position = (places + 0.5) / BINS_PER_PIXEL - 0.5 - reference
    beside = np.argsort(np.abs(position))[:BINS_BESIDE]
    empty = int(np.count_nonzero(~filled[beside]))
    tenth = max(count // 10, 1)
    first, last = float(esf[:tenth].mean()), float(esf[-tenth:].mean())
    if first > last:
        position, esf = -position[::-1], esf[::-1]
        first, last = last, first
    if last - first <= 0:
        raise EdgeError("both sides of the region are equally bright; choose a region across an edge")
    return position, (esf - first) / (last - first), empty


def _transform(esf: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Difference, centre, window, transform and correct; frequencies in cycles per pixel along the lines."""
    lsf = np.zeros_like(esf)
    lsf[1:-1] = 0.5 * (esf[2:] - esf[:-2])
    count = lsf.size
    middle = count // 2
    peak = int(np.argmax(lsf))
    lsf = np.roll(lsf, middle - peak)
    modulus = np.abs(np.fft.rfft(lsf * _hamming(np.arange(count, dtype=np.float64) - middle, count)))
    frequency = np.arange(modulus.size) * BINS_PER_PIXEL / count
    loss = np.sinc(2.0 * frequency / BINS_PER_PIXEL)
    correction = 1.0 / np.maximum(np.abs(loss), 1.0 / _CORRECTION_CAP)
    return frequency, modulus / modulus[0] * correction


def _sfr_sd(frequency_cypx: FloatArray, *, snr: float, width_px: float, lines: float) -> FloatArray:
    """(2 pi f / SNR) sqrt(L / (2 lines)), L = 0.3974 width the integral of the squared window (derived)."""
    noise: FloatArray = 2.0 * np.pi * frequency_cypx / snr * np.sqrt(0.3974 * width_px / (2.0 * lines))
    return noise
