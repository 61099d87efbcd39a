"""What lies behind the residuals along an edge: errors that hang together, and a ragged print.

Noise of a sensor is independent from sample to sample. A JPEG's errors hang together over its blocks, demosaicing's
over a few pixels, and a ragged print displaces the edge itself by amounts that stay alike for some pixels; noise read
off the plateaus then promises too much. So an edge is divided along its length into pieces, and how differently the
pieces pull at the figures is compared with what independent noise would do (the cluster-robust variance: White,
Econometrica 48, 817 (1980); Liang and Zeger, Biometrika 73, 13 (1986); both from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.edge.curves import MTF_LEVELS, Curves, crossings_cypx, moduli_of, mtf_gradients
from lensbench.edge.line import EdgeLine
from lensbench.edge.posterior import pull_of
from lensbench.edge.region import Raggedness, RefinedFit
from lensbench.edge.shapes import SIZE
from lensbench.model.units import FloatArray
from lensbench.optics import gaussian_sigma_px

PIECE_PX: Final = 8.0
"""Side of a JPEG's block."""
_FEWEST_PIECES: Final = 3
_SURE: Final = 3.0
"""Log-likelihood ratio at which errors that hang together are as probable as independent ones."""
_ALIKE: Final = 2.0
"""What is done alike to all pieces of an edge comes on top of what differs between them; seen in simulated JPEGs."""
_ALONG_DEG: Final = 12.0
_NOISELESS_SNR: Final = 2000.0
_BANDS_SDS: Final = 3.0
_SOME: Final = 3
"""Columns or rows so near to an edge hold bands where sums of every third sample scatter by so many sd more."""
_STEEP: Final = 0.15
"""The edge's place is told by samples where the profile is at least this steep, as a part of its steepest."""
_CELL_PX: Final = 1.0
_LAGS: Final = 24
_PLATEAU_SIGMAS: Final = 3.0
_PLATEAU_PX: Final = 2.0
_FEWEST_GRAINS: Final = 60  # samples on a plateau that its grain is told by, and from where on it lies
_BESIDE_PX: Final = 2
_BESIDE: Final = [(d_row, d_col) for d_row in range(3) for d_col in range(-2, 3) if d_row or d_col > 0]
BEND_SD_PER_PX: Final = 1e-4
"""Prior sd of the bend: five times that of 5 % distortion in the corner of a picture with 2500 px half-diagonal."""
_TONE_POWER: Final = 0.05
_NEAR: Final = 0.02
"""Of MTF50, to either side: there the transfer's slope tells how far a change of it moves MTF50."""
_PER_WAVE: Final = 12.0
_FEWEST_CELLS: Final = 8
_RAGGED_SD: Final = 4.0
_LEAST_RAGGED_PX: Final = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Pieces:
    """How the pieces of one edge pull at its figures, against independent noise."""

    ratio: float  # variance between pieces over that of independent noise, mean over the figures
    dof: float
    grain: float = 1.0
    """Variance that neighbouring samples' noise makes by going together, over that of independent noise."""


def pieces_of(fits: Sequence[RefinedFit]) -> list[Pieces]:
    """Scatter of MTF50, 30, 20 and 10 between pieces of each edge, without freedom where it is too short."""
    found = [Pieces(ratio=1.0, dof=0.0, grain=1.0 if fit.points.is_sensor else grain(fit)) for fit in fits]
    long: dict[int, list[int]] = {}
    pieces: dict[int, npt.NDArray[np.intp]] = {}
    for place, fit in enumerate(fits):
        low, high = float(fit.along_px.min()), float(fit.along_px.max())
        count = int((high - low) / PIECE_PX)
        if count >= _FEWEST_PIECES:
            own = ((fit.along_px - low) * (count / (high - low))).astype(np.intp)
            pieces[place] = np.minimum(own, count - 1)
            long.setdefault(fit.posterior.shape.index, []).append(place)
    for places in long.values():
        between = _between([fits[place] for place in places], [pieces[place] for place in places])
        for place, its in zip(places, between, strict=True):
            found[place] = replace(its, grain=found[place].grain)
    return found


def bands_of(fit: RefinedFit) -> Pieces | None:
    """The same between lines of sites that run nearly along the edge; None where none do, or none differs from others.

    Noise that a whole column (or row) of the sensor shares crosses such an edge slowly, and looks like a part of it.
    """
    off_column_deg = abs(fit.line.angle_deg)
    if not fit.points.is_sensor or min(off_column_deg, 90.0 - off_column_deg) > _ALONG_DEG:
        return None
    if fit.noise.snr(fit.posterior.step) > _NOISELESS_SNR:
        return None
    lines = fit.points.col_px if off_column_deg < 45.0 else fit.points.row_px
    first = float(lines.min())
    some, at = (lines[::_SOME] - first).astype(np.intp), fit.bins.place[::_SOME]
    (mean, slope), plateaus = fit.posterior.shape.fine.mean[:2], fit.plateaus
    light = plateaus.dark_slope_per_px + (plateaus.bright_slope_per_px - plateaus.dark_slope_per_px) * mean
    weight = fit.noise.variance_at(mean) ** -0.5
    if fit.ragged is not None:  # where the edge is steep, its strays look like bands
        weight[slope >= _STEEP * float(slope.max())] = 0.0
    rest = fit.points.value[::_SOME] - (fit.bins.value - light * fit.bins.along_px).take(at)
    rest -= light.take(at) * fit.along_px[::_SOME]
    told = weight.take(at)
    total, count = np.bincount(some, rest * told), np.bincount(some, told > 0.0)
    held = max(int(np.count_nonzero(count)), 1)
    square = float((np.square(total) / np.maximum(count, 1.0)).sum()) / held
    if square < 1.0 + _BANDS_SDS * math.sqrt(2.0 / held):
        return None
    return _between([fit], [np.unique((lines - first).astype(np.intp), return_inverse=True)[1]])[0]


def _between(fits: Sequence[RefinedFit], pieces: Sequence[npt.NDArray[np.intp]]) -> list[Pieces]:
    """Scatter of the figures between pieces, the samples' numbers of which are given, of fits of one prior shape."""
    shape = fits[0].posterior.shape
    own = shape.own_frequency_cypx
    sfr = np.repeat(moduli_of([fit.posterior for fit in fits]), len(MTF_LEVELS), axis=0)
    mtf = crossings_cypx(own, sfr, np.tile(MTF_LEVELS, len(fits))).reshape(len(fits), -1)
    gradients = np.stack(
        [mtf_gradients(fit.posterior, np.nan_to_num(its)) for fit, its in zip(fits, mtf, strict=True)]
    )
    # All samples of a bin pull alike, so sums by bin are enough.
    pulls = pull_of(
        [fit.posterior for fit in fits], [fit.bins for fit in fits], [fit.plateaus for fit in fits], gradients
    )
    return [
        _pulled_apart(fit, piece, pull[np.isfinite(its)])
        for fit, piece, pull, its in zip(fits, pieces, pulls, mtf, strict=True)
    ]


def _pulled_apart(fit: RefinedFit, piece: npt.NDArray[np.intp], pulls: FloatArray) -> Pieces:
    if not len(pulls):
        return Pieces(ratio=1.0, dof=0.0)
    count, at = int(piece.max()) + 1, fit.bins.place
    level, slope, bend = fit.posterior.profile()
    position = fit.posterior.shape.fine.position_px
    apart = fit.distance_px - position.take(at)
    residual = fit.points.value - level.take(at) - apart * (slope.take(at) + 0.5 * apart * bend.take(at))
    profile = np.clip((level - fit.posterior.dark) / fit.posterior.step, 0.0, 1.0)
    variance = fit.plateaus.variance_of(profile, position) / fit.noise_factor
    independent = np.square(pulls) @ (np.bincount(at, minlength=SIZE) * variance)
    by_bin = np.bincount(piece * SIZE + at, residual, count * SIZE).reshape(count, SIZE)
    each = pulls @ by_bin.T
    between = count / (count - 1.0) * np.square(each - each.mean(axis=1, keepdims=True)).sum(axis=1)
    ratio = float(np.mean(between / np.maximum(independent, 1e-300)))
    return Pieces(ratio=ratio, dof=count - 1.0)


def grain(fit: RefinedFit) -> float:
    """Power of the plateaus' noise at half of MTF50 along the edge's normal, over independent noise's; at least 1.

    Interpolated colours make neighbours go together: the sum of their correlation over two samples to every side, in
    waves of that length, is the power (Wiener and Khinchin).
    """
    posterior, points = fit.posterior, fit.points
    level, slope, _ = posterior.profile()
    height, width = points.shape
    row, col = points.sites
    site = row * (width + _BESIDE_PX) + col  # the margin keeps the rows' ends apart
    value, held = np.zeros((2, height * (width + _BESIDE_PX)), np.float32)
    start = _PLATEAU_SIGMAS * fit.line.sigma_px + _PLATEAU_PX
    for side in (fit.distance_px < -start, fit.distance_px > start):
        own = np.flatnonzero(side)
        if own.size > _FEWEST_GRAINS:
            at, distance = fit.bins.place.take(own), fit.distance_px.take(own)
            plane = np.stack([np.ones(own.size), fit.along_px.take(own), distance])
            apart = distance - posterior.shape.fine.position_px.take(at)
            told = points.value.take(own) - level.take(at) - slope.take(at) * apart
            gram = plane @ plane.T
            gram[range(3), range(3)] *= 1.0 + 1e-9
            left = told - np.linalg.solve(gram, plane @ told) @ plane
            value[site.take(own)] = left / max(float(left.std()), 1e-300)
            held[site.take(own)] = 1.0
    wave = np.pi * gaussian_sigma_px(1.0) / fit.line.sigma_px
    angle = np.radians(fit.line.angle_deg)
    power = 1.0
    for d_row, d_col in _BESIDE:
        away = d_row * (width + _BESIDE_PX) + d_col
        if away >= value.size:
            continue
        pairs = max(float(held[away:] @ held[:-away]), 1.0)
        phase = np.cos(wave * (d_col * np.cos(angle) + d_row * np.sin(angle)))
        power += 2.0 * float(phase) * float(value[away:] @ value[:-away]) / pairs
    return max(power, 1.0)


def noise_factor(edges: Sequence[Pieces]) -> float:
    """By how much noise that hangs together enlarges the variance of figures; 1 for independent noise.

    What the pieces show beyond the grain is weighed against the grain alone by the likelihood of the ratios seen.
    """
    if not edges:
        return 1.0
    grains = sum(edge.grain for edge in edges) / len(edges)
    dof = sum(edge.dof for edge in edges)
    ratio = sum(edge.dof * edge.ratio for edge in edges) / (dof * grains) if dof else 0.0
    if ratio <= 1.0:
        return grains
    surer = 0.5 * dof * (ratio - 1.0 - np.log(ratio)) - _SURE
    return float(grains * (1.0 + _ALIKE * (ratio - 1.0) / (1.0 + np.exp(-np.clip(surer, -50.0, 50.0)))))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """Where the edge itself lies along its line, cell by cell of a pixel."""

    along_px: FloatArray
    place_px: FloatArray  # towards the dark side
    variance_px2: float  # that noise gives a place

    @property
    def strays_px(self) -> FloatArray:
        """Distances from the course's own parabola."""
        s = self.along_px / float(np.abs(self.along_px).max())
        columns = np.stack([np.ones_like(s), s, s * s])
        parabola = np.linalg.solve(columns @ columns.T, columns @ self.place_px)
        return np.asarray(self.place_px - parabola @ columns, np.float64)

    @property
    def typical_stray_px(self) -> float:
        """Rms of the strays, told by four in five of them: a speck on the edge moves the others little."""
        return float(np.quantile(np.abs(self.strays_px), 0.8)) / 1.2816


def course_of(fit: RefinedFit) -> Course | None:
    """Course of the edge, by the samples where its profile is steep; None where there are too few."""
    distance, along = fit.distance_px, fit.along_px
    level, slope, bend = fit.posterior.profile()
    steep = np.abs(slope) > _STEEP * float(np.abs(slope).max())
    near = np.flatnonzero(steep[fit.bins.place])
    if near.size < _FEWEST_CELLS:
        return None
    at = fit.bins.place[near]
    apart = distance[near] - fit.posterior.shape.fine.position_px[at]
    rate = slope[at] + apart * bend[at]
    residual = fit.points.value[near] - level[at] - apart * (slope[at] + 0.5 * apart * bend[at])
    profile = np.clip((level[at] - fit.posterior.dark) / fit.posterior.step, 0.0, 1.0)
    weight = rate / fit.noise.variance_at(profile)
    first = float(along[near].min())
    cell = ((along[near] - first) / _CELL_PX).astype(np.intp)
    told = np.bincount(cell, rate * weight)
    kept = np.flatnonzero(told > 0.2 * float(np.median(told[told > 0])))
    if kept.size < _FEWEST_CELLS:
        return None
    return Course(
        along_px=np.asarray(first + (kept + 0.5) * _CELL_PX, np.float64),
        place_px=np.bincount(cell, weight * residual)[kept] / told[kept],
        variance_px2=float(np.mean(1.0 / told[kept])),
    )


def raggedness(course: Course) -> Raggedness | None:
    """Raggedness of the edge itself; None where its place scatters no more than noise explains."""
    strays, noise, number = course.strays_px, course.variance_px2, course.place_px.size
    excess = float(strays @ strays) / (number - 3) - noise
    if excess < max(_RAGGED_SD * noise * np.sqrt(2.0 / number), _LEAST_RAGGED_PX**2):
        return None
    cell = np.rint((course.along_px - course.along_px[0]) / _CELL_PX).astype(np.intp)
    place, kept = np.zeros((2, int(cell[-1]) + 1))
    place[cell], kept[cell] = strays, 1.0
    return Raggedness(rms_px=float(np.sqrt(excess)), length_px=_length_px(place, kept, excess))


def straightened(fit: RefinedFit, course: Course, ragged: Raggedness) -> EdgeLine:
    """Line through the course of a ragged edge, bent no more than its strays leave sure.

    A bend laid through strays takes a part of them out, and the edge looks sharper than this stretch is. Strays that
    wander as a random walk does put as much into a parabola as into all that is finer: so they leave the bend, at the
    ends, a variance of theirs over 0.0889, a parabola's mean square about its mean (derived).
    """
    along = course.along_px
    half = 0.5 * max(float(np.ptp(along)), 1.0)
    s = along / half
    own = -fit.line.bright_side * fit.line.bend_per_px * half**2
    curve = own + float(np.polyfit(s, course.place_px, 2)[0])
    variance = ragged.rms_px**2 / 0.0889
    prior = (BEND_SD_PER_PX * half**2) ** 2
    move = curve * prior / (prior + variance) - own
    turn, shift = np.polyfit(s, course.place_px - move * np.square(s), 1)
    return fit.line.moved(float(shift), float(turn), move, scale_px=half)


def common_doubt(fit: RefinedFit, curves: Curves, *, tone_known: bool) -> float:
    """Sd, relative to each figure, of what all samples of an edge share: its strays, and a tone curve assumed.

    A print that strays by r px rms, alike over l px, blurs as a Gaussian whose r^2 is known over a length L to
    sqrt(4 l / L), of a blur s^2 = (0.187 / MTF50)^2 half that share (derived). A tone curve may be off by a power
    of 5 % (common practice, no source): the edge with that power is transformed beside the edge as it is.
    """
    doubt = 0.0
    mtf50 = curves.mtf_cypx[0]
    if not np.isfinite(mtf50):
        return doubt
    if fit.ragged is not None:
        share = (fit.ragged.rms_px / gaussian_sigma_px(mtf50)) ** 2
        doubt = 0.5 * share * float(np.sqrt(4.0 * fit.ragged.length_px / np.ptp(fit.along_px)))
    if not tone_known and fit.posterior.dark > 0.0:
        # So many points in a wave are enough for what both have in common to cancel.
        every = slice(None, None, max(int(1.0 / (_PER_WAVE * mtf50 * fit.posterior.shape.step_px)), 1))
        level = fit.posterior.dark + fit.posterior.step * np.maximum(curves.esf[every], 0.0)
        both = np.stack([level, level ** (1.0 + _TONE_POWER)])
        near = np.array([1.0 - _NEAR, 1.0 + _NEAR])
        plain, bent = _moduli(curves.position_px[every], both, mtf50 * near)
        moved = _NEAR * float((bent - plain).sum() / (plain[0] - plain[1]))
        doubt = float(np.hypot(doubt, np.nan_to_num(moved)))
    return doubt


def _moduli(position_px: FloatArray, edges: FloatArray, frequency_cypx: FloatArray) -> FloatArray:
    """Moduli of the transforms of some edges' differences, 1 at zero: (edges, frequencies)."""
    middle = 0.5 * (position_px[1:] + position_px[:-1])
    waves = np.exp(-2j * np.pi * np.outer(middle, frequency_cypx))
    return np.asarray(
        np.abs(np.diff(edges, axis=1) @ waves) / np.abs(edges[:, -1:] - edges[:, :1]), np.float64
    )


def _length_px(place: FloatArray, kept: FloatArray, variance: float) -> float:
    """Lag at which the autocovariance falls to 1 / e of the variance without noise."""
    for lag in range(1, min(_LAGS, place.size - 1)):
        pairs = float(kept[lag:] @ kept[:-lag])
        if pairs < 4 or place[lag:] @ place[:-lag] / pairs < variance / math.e:
            return lag * _CELL_PX
    return float(min(_LAGS, place.size - 1)) * _CELL_PX
