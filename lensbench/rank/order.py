"""From aligned spectra to blur, and from blur to order: who is sharper with which odds, and which frames look alike.

In a ring of frequencies frame i holds h_i G + noise. Powers a_i = h_i^2 P + n_i and cross powers c_ij = h_i h_j P
(free of noise, since two frames share none) give the ratio h_i / h_j when the ratio of the noises is known: the
slope of a line with errors in both variables. Its logarithm is fitted with a gain and a Gaussian's fall,
log h_i = g_i - 2 pi^2 f^2 v_i: v is blur variance in square pixels. Other shapes of blur follow this fall near
enough to be put in order. Differences are judged with Student's t on the spread that leaving out pieces shows; over all
pairs the 5 % risk of a false order is shared out by Holm's rule.

References
----------
W. E. Deming, Statistical Adjustment of Data (1943): the slope (formula from memory; checked by a closed form).
R. G. Miller, Biometrika 61, 1 (1974): the jackknife.
S. Holm, Scand. J. Statist. 6, 65 (1979).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Final

import numpy as np
from scipy import stats

from lensbench.model.shot import BoolArray, IntArray, RejectedShot
from lensbench.model.units import FloatArray
from lensbench.rank.frames import ComplexArray, Frame

RING_CYPX: Final = 0.02
QUIET_CYPX: Final = 0.2  # above it quiet pieces hold mostly noise
_NOISY_COHERENCE: Final = 0.4
_SHARED_BY_ALL: Final = 0.8
_FEWEST_QUIET: Final = 6
_STANDS_OUT: Final = 3.0
_TURNS: Final = 4
_FURTHEST: Final = 0.3  # limit of a log transfer that is carried over to the noisy rings
_FEWEST_RINGS: Final = 3
LOWEST_CYPX: Final = 0.03
_LEAST_COHERENCE: Final = 0.25
_MOST_COHERENCE: Final = 0.98  # above it the model errs, not the noise: such rings count no more


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlurFit:
    """Blur of every frame against their mean."""

    variance_px2: FloatArray  # shape (frames,); the mean is zero. [square cells]
    covariance: FloatArray  # shape (frames, frames), from leaving out one piece at a time
    frequency_cypx: float  # where the fit bears most. [cycles/cell]
    pieces: int


def ring_powers(spectra: ComplexArray, *, rings: IntArray) -> FloatArray:
    """Powers and cross powers of spectra (frames, pieces, rows, columns): shape (pieces, rings, frames, frames)."""
    count = int(rings.max()) + 1
    powers = np.zeros((spectra.shape[1], count, spectra.shape[0], spectra.shape[0]))
    for ring in range(count):
        part = spectra[:, :, rings == ring]
        powers[:, ring] = np.real(np.einsum("itk,jtk->tij", part, np.conj(part), optimize=True))
    return powers


def deming_slope(powers: FloatArray, ratio: FloatArray) -> FloatArray:
    """Transfer of frame i over frame j from powers, cross powers beside the diagonal, and their noises' ratio."""
    own = np.diagonal(powers, axis1=-2, axis2=-1)
    difference = own[..., :, None] - ratio * own[..., None, :]
    cross = np.maximum(powers, 1e-12 * np.sqrt(own[..., :, None] * own[..., None, :]))
    return np.asarray(
        (difference + np.sqrt(difference**2 + 4.0 * ratio * cross**2)) / (2.0 * cross), np.float64
    )


def noise_ratio(quiet: FloatArray, transfer: FloatArray) -> FloatArray:
    """Noise power of frame i over frame j, from quiet pieces, shape (pieces, rings, frames, frames).

    What two frames share there is the scene, seen by frame i with the transfer ratio r_ij: n_i = a_i - c_ij r_ij.
    Where the frames share nearly everything even there, noise hardly matters. It is taken for equal unless a frame's
    stands out by three standard deviations: frames of a burst are alike, and a chance ratio would tilt the order.
    """
    total = quiet.sum(axis=0)
    frames = total.shape[-1]
    shared = _coherence(total).mean(axis=1)
    if len(quiet) < _FEWEST_QUIET or float(shared.min()) > _SHARED_BY_ALL:
        return np.ones((frames, frames))
    ring = shared <= max(_NOISY_COHERENCE, float(shared.min()))
    noise = np.diagonal(quiet, axis1=-2, axis2=-1)[..., None] - quiet * transfer
    noise = _beside(noise[:, ring].sum(axis=1)).reshape(len(quiet), frames, -1).mean(axis=-1)
    level = _log_level(noise.sum(axis=0))
    without = np.stack([_log_level(noise.sum(axis=0) - piece) for piece in noise])
    pieces = len(noise)
    sd = np.sqrt((pieces - 1.0) / pieces * np.sum((without - without.mean(axis=0)) ** 2, axis=0))
    level = np.where(np.abs(level) > _STANDS_OUT * sd, level, 0.0)
    return np.asarray(np.exp(level[:, None] - level[None, :]), np.float64)


def _log_level(noise: FloatArray) -> FloatArray:
    """Logarithm of noise powers against their median."""
    held = np.log(np.maximum(noise, 0.02 * float(np.abs(noise).max()) + 1e-30))
    return np.asarray(held - np.median(held), np.float64)


def _coherence(total: FloatArray) -> FloatArray:
    """Coherence of every two frames, shape (rings, pairs)."""
    own = np.diagonal(total, axis1=-2, axis2=-1)
    return _beside(total / np.maximum(np.sqrt(own[:, :, None] * own[:, None, :]), 1e-30))


def _beside(square: FloatArray) -> FloatArray:
    """Values beside the diagonal of the last two axes, row by row."""
    others = ~np.eye(square.shape[-1], dtype=np.bool_)
    return np.asarray(square[:, others], np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rings:
    """Rings of frequencies, and what fills them."""

    powers: FloatArray  # of the pieces with detail: shape (pieces, rings, frames, frames)
    quiet: FloatArray  # the same of the quiet pieces
    radius_cypx: FloatArray  # rms frequency, weighted by the power that the frames share. [cycles/cell]
    bins: FloatArray


def fit_blur(rings: Rings) -> BlurFit | None:
    """Fit every frame's blur, with the spread that leaving out pieces shows; None where all is noise."""
    level = np.einsum("trii->t", rings.powers)
    scaled = rings.powers / np.sqrt(np.maximum(level, 1e-30))[:, None, None, None]
    total = scaled.sum(axis=0)
    weight = _weights(total, rings.bins)
    used = weight > 0.0
    if np.count_nonzero(used) < _FEWEST_RINGS:
        return None
    total, scaled, weight, radius = total[used], scaled[:, used], weight[used], rings.radius_cypx[used]
    ratio = _settled_ratio(total, rings, radius, weight)
    variance = _variances(total, radius, weight, ratio)
    without = np.stack([_variances(total - piece, radius, weight, ratio) for piece in scaled])
    apart = without - without.mean(axis=0)
    pieces = len(scaled)
    lever = weight * (radius**2 - np.average(radius**2, weights=weight)) ** 2
    return BlurFit(
        variance_px2=variance,
        covariance=(pieces - 1.0) / pieces * apart.T @ apart,
        frequency_cypx=float(np.sqrt(np.average(radius**2, weights=lever))),
        pieces=pieces,
    )


def _settled_ratio(total: FloatArray, rings: Rings, radius: FloatArray, weight: FloatArray) -> FloatArray:
    """Find noise ratio and transfer by turns, from equal noise on."""
    high = rings.radius_cypx > QUIET_CYPX
    ratio = np.ones(total.shape[1:])
    for _ in range(_TURNS):
        fall = -2.0 * np.pi**2 * _variances(total, radius, weight, ratio)
        gain = np.average(np.log(deming_slope(total, ratio)), axis=0, weights=weight)
        square = rings.radius_cypx[high] ** 2 - np.average(radius**2, weights=weight)
        log_transfer = gain + square[:, None, None] * (fall[:, None] - fall[None, :])
        transfer = np.exp(np.clip(log_transfer, -_FURTHEST, _FURTHEST))
        ratio = noise_ratio(rings.quiet[:, high], transfer)
    return ratio


def _weights(total: FloatArray, bins: FloatArray) -> FloatArray:
    """Weigh each ring by what it tells: bins times signal over noise, from the frames' mean coherence."""
    coherence = _coherence(total)
    mean, worst = coherence.mean(axis=1), coherence.min(axis=1)
    capped = np.minimum(mean, _MOST_COHERENCE)
    clear = (mean > _LEAST_COHERENCE) & (worst > 0.3 * _LEAST_COHERENCE)
    clear &= np.cumprod(clear).astype(np.bool_)  # what comes back beyond the noise is no signal
    return np.asarray(np.where(clear, bins * capped / (1.0 - capped), 0.0), np.float64)


def _variances(total: FloatArray, radius: FloatArray, weight: FloatArray, ratio: FloatArray) -> FloatArray:
    """Fit gain and fall to each frame's mean log ratio against all."""
    log_transfer = np.log(deming_slope(total, ratio)).mean(axis=-1)
    square = -2.0 * np.pi**2 * radius**2
    centered = square - np.average(square, weights=weight)
    slope = (weight * centered) @ log_transfer / np.sum(weight * centered**2)
    return np.asarray(slope - slope.mean(), np.float64)


RISK: Final = 0.05
_SHAPE_SHARE: Final = 0.08  # what the Gaussian fall may miss of a difference: by trial on known blur
_NEIGHBOURS: Final = 1.1  # pieces overlap by half: by trial on equal frames
_LEAST_SD: Final = 1e-4  # of a difference, for frames that are copies. [square cells]


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedFrame:
    """One frame in the order."""

    photo: Path
    rank: int
    """1 is the sharpest; frames of one group bear their place in the list all the same."""
    group: int
    """Frames of one group can't be told from the group's first."""
    detail_percent: float
    """Contrast of fine detail (at `Ranking.frequency_cypx`) against the sharpest frame, less 100 %."""
    ci95_percent: tuple[float, float]
    """95 % interval of that; zeros for the sharpest itself."""
    extra_blur_px: float
    """Sigma of the Gaussian that would make the sharpest frame as soft."""
    shift_px: tuple[float, float]
    """How far the scene lies from where the first frame given has it (down, right)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairOdds:
    """Two frames, one of which seems sharper."""

    sharper: Path
    softer: Path
    probability: float
    """That the order is right, 0.5 to 1."""
    detail_percent: float
    """Contrast of fine detail of the softer against the sharper, less 100 %."""
    ci95_percent: tuple[float, float]
    told_apart: bool
    """After sharing out the risk over all pairs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranking:
    """Frames in order, the sharpest first."""

    frames: tuple[RankedFrame, ...]
    pairs: tuple[PairOdds, ...]
    groups: tuple[tuple[Path, ...], ...]
    told_apart: bool
    """False: no frame can be told from any other, and the order means nothing."""
    channel: str
    sensor_data: bool
    frequency_cypx: float
    pieces: int
    """Places in the scene that were compared."""
    cell_px: int
    """1, or the side of the squares that the samples were averaged over."""
    answer: str
    cautions: tuple[str, ...]
    left_out: tuple[RejectedShot, ...] = ()
    """Photographs that could not be read."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Judged:
    """All differences at once; row i, column j: blur of i less blur of j."""

    difference_px2: FloatArray
    half_px2: FloatArray
    p_value: FloatArray
    told: BoolArray
    fall: float  # log contrast of fine detail by blur variance

    def detail(self, index: int, other: int) -> tuple[float, tuple[float, float]]:
        """Contrast of fine detail against another frame, less 100 %, and its interval; zeros for itself."""
        middle, half = self.difference_px2[index, other], self.half_px2[index, other] * (index != other)
        # Adding zero turns a negative zero into a plain one.
        percent, low, high = (
            100.0 * float(np.expm1(self.fall * float(px2))) + 0.0
            for px2 in (middle, middle + half, middle - half)
        )
        return percent, (low, high)


def holm(p_values: FloatArray, *, risk: float = RISK) -> BoolArray:
    """Which of many p-values hold when the risk of any false one is kept below a limit.

    >>> holm(np.array([0.01, 0.04, 0.03, 0.005])).tolist()
    [True, False, False, True]
    """
    order = np.argsort(p_values)
    limits = risk / np.arange(len(p_values), 0, -1)
    holds = np.cumprod(p_values[order] <= limits).astype(np.bool_)
    apart = np.zeros(len(p_values), np.bool_)
    apart[order] = holds
    return apart


def ordered(paths: Sequence[Path], fit: BlurFit, reference: Frame, *, shifts_cells: FloatArray) -> Ranking:
    """Put frames in order by their fitted blur."""
    judged = _judged(fit)
    order = [int(index) for index in np.argsort(fit.variance_px2, kind="stable")]
    groups = _groups(order, judged.told)
    cell = reference.lattice.cell_px
    pairs = []
    for sharper, softer in combinations(order, 2):
        detail_percent, ci95_percent = judged.detail(softer, sharper)
        pairs.append(
            PairOdds(
                sharper=paths[sharper],
                softer=paths[softer],
                probability=1.0 - 0.5 * float(judged.p_value[softer, sharper]),
                detail_percent=detail_percent,
                ci95_percent=ci95_percent,
                told_apart=bool(judged.told[softer, sharper]),
            )
        )
    frames = []
    for number, index in enumerate(order, start=1):
        detail_percent, ci95_percent = judged.detail(index, order[0])
        more = float(judged.difference_px2[index, order[0]])
        frames.append(
            RankedFrame(
                photo=paths[index],
                rank=number,
                group=next(group for group, members in enumerate(groups, start=1) if index in members),
                detail_percent=detail_percent,
                ci95_percent=ci95_percent,
                extra_blur_px=float(np.sqrt(max(more, 0.0))) * cell,
                shift_px=(float(shifts_cells[index, 0]) * cell, float(shifts_cells[index, 1]) * cell),
            )
        )
    told = bool(judged.told.any())
    return Ranking(
        frames=tuple(frames),
        pairs=tuple(pairs),
        groups=tuple(tuple(paths[index] for index in group) for group in groups),
        told_apart=told,
        channel=reference.channel,
        sensor_data=reference.photograph.sensor_data,
        frequency_cypx=fit.frequency_cypx / cell,
        pieces=fit.pieces,
        cell_px=cell,
        answer=_answer(frames, len(groups[0]), told=told),
        cautions=tuple(_cautions(reference)),
    )


def _judged(fit: BlurFit) -> _Judged:
    variance = np.diagonal(fit.covariance)
    squared = variance[:, None] + variance[None, :] - 2.0 * fit.covariance
    sd = _NEIGHBOURS * np.sqrt(np.maximum(squared, _LEAST_SD**2))
    difference = fit.variance_px2[:, None] - fit.variance_px2[None, :]
    freedom = fit.pieces - 1
    p_value = 2.0 * stats.t.sf(np.abs(difference) / sd, freedom)
    above = np.triu_indices(len(variance), 1)
    told = np.zeros(squared.shape, np.bool_)
    told[above] = holm(p_value[above])
    return _Judged(
        difference_px2=difference,
        half_px2=float(stats.t.ppf(0.975, freedom)) * np.hypot(sd, _SHAPE_SHARE * difference),
        p_value=p_value,
        told=told | told.T,
        fall=-2.0 * np.pi**2 * fit.frequency_cypx**2,
    )


def _groups(order: Sequence[int], told: BoolArray) -> list[list[int]]:
    """Gather frames, sharpest first: one that can't be told from a group's first joins it."""
    groups: list[list[int]] = []
    for index in order:
        if groups and not told[groups[-1][0], index]:
            groups[-1].append(index)
        else:
            groups.append([index])
    return groups


def _answer(frames: Sequence[RankedFrame], sharpest: int, *, told: bool) -> str:
    if not told:
        return (
            f"These {len(frames)} frames can't be told apart: their differences in sharpness lie within the noise "
            "(keep whichever you like, or photograph with less noise and finer detail)."
        )
    best, last = frames[0], frames[-1]
    low, high = last.ci95_percent
    if sharpest == 1:
        first = f"{best.photo.name} is the sharpest of {len(frames)} frames"
    else:
        first = f"{sharpest} of {len(frames)} frames are sharpest and can't be told apart, {best.photo.name} among them"
    return (
        f"{first}; {last.photo.name} is the softest, with {-last.detail_percent:.0f} % less contrast in fine detail "
        f"(95 % interval {-high:.0f} to {-low:.0f} %)."
    )


def _cautions(reference: Frame) -> Iterator[str]:
    yield "The order holds for these frames of this scene; it says nothing of a lens by itself."
    if not reference.photograph.sensor_data:
        yield "Finished pictures: the camera's sharpening and noise reduction are part of what is compared."
    cell = reference.lattice.cell_px
    if cell > 1:
        yield (
            f"Samples were averaged over {cell} x {cell} pixels (the pattern of this sensor's filters), so detail "
            "finer than that is not compared."
        )
