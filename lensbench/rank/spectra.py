"""From aligned spectra to blur: how each frame's transfer stands to that of the others, noise taken out.

In a ring of frequencies frame i holds h_i G + noise. Powers a_i = h_i^2 P + n_i and cross powers c_ij = h_i h_j P
(free of noise, since two frames share none) give the ratio h_i / h_j when the ratio of the noises is known: the
slope of a line with errors in both variables. Its logarithm is fitted with a gain and a Gaussian's fall,
log h_i = g_i - 2 pi^2 f^2 v_i: v is blur variance in square pixels. Other shapes of blur follow this fall near
enough to be put in order.

References
----------
W. E. Deming, Statistical Adjustment of Data (1943): the slope (formula from memory; checked by a closed form).
R. G. Miller, Biometrika 61, 1 (1974): the jackknife.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.model.units import FloatArray
from lensbench.rank.frames import ComplexArray, IntArray

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
_MOST_COHERENCE: Final = 0.98
"""Above it the model, not the noise, is what errs: such rings count no more than these."""


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
