"""From aligned spectra to blur: how much softer each frame is than each other, whatever their noise and brightness.

In a ring of frequencies f frame i holds h_i G + noise of its own. Of two frames the powers are a = r^2 P + rho n and
b = P + n, the cross power (free of noise, since frames share none) is c = r P; r is the ratio of their transfers, rho
that of their noises. Two noises estimated from the ring must agree, a - r c = rho (b - c / r), so that

    e = (rho (r b - c) - r (a - r c)) / (rho + r^2)

is zero in the mean; its variance is (a b - c^2) / bins. A gain and a Gaussian's fall, log r = g - 2 pi^2 f^2 v, and one
rho are laid through all rings so that e is smallest: the likelihood of the spectra (Whittle), with the scene's power P
and the noise n of every ring taken out. Noise is so estimated where detail is compared; where one frame is much
quieter, r rests on c / (b - n) with its small n alone. v is blur variance in square pixels; other shapes of blur follow
this fall near enough.

Developing (interpolation of colours, compression) leaves no white noise and treats detail below the noise unlike in
unlike frames. Finished pictures therefore get a doubt of each ring that grows with how unlike the frames are: of the
noises' ratio, and of the transfers' in step with the noisier frame's noise. Rings in doubt count less, and the doubt
enters the interval. Its amounts are by trial on developed frames of known blur.

References
----------
P. Whittle, J. R. Statist. Soc. B 15, 125 (1953): the likelihood of spectra (from memory).
R. G. Miller, Biometrika 61, 1 (1974): the jackknife.
"""

import operator
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Final, NamedTuple

import numpy as np
from scipy import optimize

from lensbench.model.shot import IntArray
from lensbench.model.units import FloatArray
from lensbench.rank.frames import ComplexArray

RING_CYPX: Final = 0.02
LOWEST_CYPX: Final = 0.03
_FEWEST_RINGS: Final = 3
_LEAST_COHERENCE: Final = 0.1
_STANDS_OUT: Final = 4.0  # of a ring's coherence, in standard deviations of chance
_MODEL_SHARE: Final = (
    0.04  # of the powers' product (coherence 0.98): nearer than that the model errs, not the noise
)
_INDEPENDENT: Final = 0.3  # of the bins: pieces overlap by half and are windowed
_NEIGHBOURS: Final = 1.1  # what the jackknife misses since pieces overlap: by trial on equal frames
_TINY: Final = 1e-4  # sd of a difference, for frames that are copies. [square cells]
_ROUNDS: Final = 6
_STILL: Final = 1e-4  # change of a parameter that ends the rounds
_ALL_NOISE: Final = 1.5  # log noise ratio that a fit may start from
_WIDEST: Final = 10.0  # sd of a prior of the noises' log ratio, for frames without noise
_RATIO_DOUBT: Final = 0.3  # sd of that log ratio from ring to ring in developed pictures
_TRANSFER_DOUBT: Final = 0.05  # sd of log r, for noise as strong as the scene
_DOUBT_CYPX: Final = 0.08  # how far in frequency such an error keeps its sign


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rings:
    """Rings of frequencies, and what fills them."""

    powers: FloatArray  # shape (pieces, rings, frames, frames)
    radius_cypx: FloatArray  # rms frequency, weighted by the power that the frames share. [cycles/cell]
    bins: FloatArray
    developed: bool  # finished pictures, no sensor samples


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlurFit:
    """Blur of every frame against their mean."""

    variance_px2: FloatArray  # shape (frames,); the mean is zero. [square cells]
    sd_px2: FloatArray  # of each pair's difference, shape (frames, frames)
    frequency_cypx: float  # where the fit bears most. [cycles/cell]
    pieces: int


class _Pair(NamedTuple):
    """Powers and cross power of two frames; the last axis runs over rings."""

    first: FloatArray
    second: FloatArray
    cross: FloatArray


class _Apart(NamedTuple):
    """What one pair tells."""

    difference_px2: float
    sd_px2: float
    lever: FloatArray  # what each ring counts


def ring_powers(spectra: ComplexArray, *, rings: IntArray) -> FloatArray:
    """Powers and cross powers of spectra (frames, pieces, rows, columns): shape (pieces, rings, frames, frames)."""
    count = int(rings.max()) + 1
    powers = np.zeros((spectra.shape[1], count, spectra.shape[0], spectra.shape[0]))
    for ring in range(count):
        part = spectra[:, :, rings == ring]
        powers[:, ring] = np.real(np.einsum("itk,jtk->tij", part, np.conj(part), optimize=True))
    return powers


def fit_blur(rings: Rings) -> BlurFit | None:
    """Fit every frame's blur, with the spread that leaving out pieces shows; None where two frames share only noise."""
    weight = 1.0 / np.sqrt(np.maximum(np.einsum("trii->t", rings.powers), 1e-30))
    scaled = rings.powers * weight[:, None, None, None]
    frames = scaled.shape[-1]
    difference, lever = np.zeros((frames, frames)), np.zeros(scaled.shape[1])
    sd = np.full((frames, frames), _TINY)
    for first, second in combinations(range(frames), 2):
        apart = _apart(scaled[..., [first, second], :][..., [first, second]], rings)
        if apart is None:
            return None
        difference[first, second], difference[second, first] = apart.difference_px2, -apart.difference_px2
        sd[first, second] = sd[second, first] = apart.sd_px2
        lever += apart.lever
    return BlurFit(
        variance_px2=_agreed(difference, sd),
        sd_px2=sd,
        frequency_cypx=float(np.sqrt(np.average(rings.radius_cypx**2, weights=lever))),
        pieces=len(scaled),
    )


def _agreed(difference: FloatArray, sd: FloatArray) -> FloatArray:
    """Blur of each frame against their mean by least squares of all pairs' differences."""
    weight = np.where(np.eye(len(sd), dtype=np.bool_), 0.0, sd**-2.0)
    normal = np.diag(weight.sum(axis=1)) - weight
    # The mean, which differences leave open, is set to zero.
    return np.asarray(np.linalg.solve(normal + weight.mean(), (weight * difference).sum(axis=1)), np.float64)


def _apart(powers: FloatArray, rings: Rings) -> _Apart | None:
    """Fit one pair; powers of shape (pieces, rings, 2, 2)."""
    level = np.einsum("trii->t", powers)
    alone = _INDEPENDENT * level.sum() ** 2 / np.sum(level**2)
    total = _pair_of(powers.sum(axis=0))
    coherence = total.cross / np.sqrt(np.maximum(total.first * total.second, 1e-60))
    clear = coherence > np.maximum(_LEAST_COHERENCE, _STANDS_OUT / np.sqrt(alone * rings.bins))
    used = np.cumprod(clear).astype(np.bool_)  # what comes back beyond the noise is no signal
    if np.count_nonzero(used) < _FEWEST_RINGS:
        return None
    powers, radius, bins = powers[:, used], rings.radius_cypx[used], alone * rings.bins[used]
    total, square = _pair_of(powers.sum(axis=0)), -2.0 * np.pi**2 * radius**2
    theta, doubts = _fitted(total, square=square, bins=bins, developed=rings.developed)
    weight = 1.0 / np.sum(np.square(doubts), axis=0)
    slopes = _slopes(theta, total, square)
    back = np.linalg.inv(_normal(slopes, weight)) @ (slopes * weight[:, None]).T
    without = _without(theta, _pair_of(powers.sum(axis=0) - powers), square=square, weight=weight)
    pieces = len(powers)
    drawn = (pieces - 1.0) / pieces * float(np.sum((without - without.mean()) ** 2))
    like = np.exp(-np.abs(radius[:, None] - radius) / _DOUBT_CYPX)
    doubt = sum(float((back[1] * each) @ like @ (back[1] * each)) for each in doubts[1:])
    bearing = weight * total.cross**2
    lever = np.zeros(used.shape)
    lever[used] = bearing * (square - np.average(square, weights=bearing)) ** 2 / bearing.max()
    return _Apart(
        difference_px2=float(theta[1]),
        sd_px2=float(np.sqrt(_NEIGHBOURS**2 * drawn + doubt + _TINY**2)),
        lever=lever,
    )


def _pair_of(powers: FloatArray) -> _Pair:
    first, second = powers[..., 0, 0], powers[..., 1, 1]
    return _Pair(first, second, np.maximum(powers[..., 0, 1], 1e-6 * np.sqrt(first * second)))


def _fitted(
    pair: _Pair, *, square: FloatArray, bins: FloatArray, developed: bool
) -> tuple[FloatArray, tuple[FloatArray, FloatArray, FloatArray]]:
    """Gain, fall and log noise ratio, with each ring's sd: of chance, of the noises' ratio, of the transfers'."""
    found = []
    for start in _starts(pair, square):
        theta = _settled(start, pair, square=square, bins=bins, developed=developed)
        doubts = _doubts(theta, pair, square=square, bins=bins, developed=developed)
        variance = np.sum(np.square(doubts), axis=0)
        # Twice the log likelihood of the rings, the sign turned.
        cost = float(np.sum(_missed(theta, pair, square) ** 2 / variance + np.log(variance)))
        found.append((cost, theta, doubts))
    _, theta, doubts = min(found, key=operator.itemgetter(0))
    return theta, doubts


def _settled(
    theta: FloatArray, pair: _Pair, *, square: FloatArray, bins: FloatArray, developed: bool
) -> FloatArray:
    """Fit by least squares, from a start, the rings' weights following."""
    for _ in range(_ROUNDS):
        doubts = _doubts(theta, pair, square=square, bins=bins, developed=developed)
        root = 1.0 / np.sqrt(np.sum(np.square(doubts), axis=0) + _missed(theta, pair, square) ** 2 / bins)

        def missed(tried: FloatArray, root: FloatArray = root) -> FloatArray:
            return np.append(root * _missed(tried, pair, square), tried[2] / _WIDEST)

        def slopes(tried: FloatArray, root: FloatArray = root) -> FloatArray:
            prior = np.diag([0.0, 0.0, 1.0 / _WIDEST])[2:]
            return np.vstack([root[:, None] * _slopes(tried, pair, square), prior])

        before = theta
        theta = np.asarray(optimize.least_squares(missed, theta, jac=slopes, x_scale="jac").x, np.float64)
        if np.abs(theta - before).max() < _STILL:
            break
    return theta


def _starts(pair: _Pair, square: FloatArray) -> Iterator[FloatArray]:
    """Starts of the fit: equal blur, and all noise in the one frame or in the other."""
    first, second, cross = pair
    weight = (cross**2 / (first * second)).clip(0.0, 1.0) ** 2
    yield np.array([0.5 * np.log(first[0] / second[0]), 0.0, 0.0])
    for ratio, noise in ((cross / second, _ALL_NOISE), (first / cross, -_ALL_NOISE)):
        gain, fall = np.polynomial.polynomial.polyfit(square, np.log(ratio), 1, w=weight)
        yield np.array([gain, fall, noise])


def _terms(theta: FloatArray, square: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Transfer of the first over the second in each ring, and its noise power over the other's."""
    gain, fall, noise = (theta[..., index, None] for index in range(3))
    return np.exp(np.clip(gain + square * fall, -12.0, 12.0)), np.exp(np.clip(noise, -8.0, 8.0))


def _missed(theta: FloatArray, pair: _Pair, square: FloatArray) -> FloatArray:
    """How far the two noises estimated in each ring disagree: e of the file's head."""
    r, rho = _terms(theta, square)
    two_ways = rho * (r * pair.second - pair.cross) - r * (pair.first - r * pair.cross)
    return np.asarray(two_ways / (rho + r**2), np.float64)


def _slopes(theta: FloatArray, pair: _Pair, square: FloatArray) -> FloatArray:
    """Derivatives of that by gain, fall and log noise ratio, on a last axis."""
    r, rho = _terms(theta, square)
    missed, both = _missed(theta, pair, square), rho + r**2
    by_r = (rho * pair.second - pair.first + 2.0 * r * (pair.cross - missed)) / both
    by_rho = (r * pair.second - pair.cross - missed) / both
    return np.stack([by_r * r, by_r * r * square, by_rho * rho], axis=-1)


def _doubts(
    theta: FloatArray, pair: _Pair, *, square: FloatArray, bins: FloatArray, developed: bool
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Standard deviation of e in each ring: from chance, and what developing adds by noises and by transfers."""
    first, second, cross = pair
    r, rho = _terms(theta, square)
    noise = (first - 2.0 * r * cross + r**2 * second).clip(0.0) / (rho + r**2)  # of the second frame
    # Frames of equal noise and brightness are developed alike; noise counts as such and against the brightness.
    unlike = min(max(abs(theta[2]), abs(theta[2] - 2.0 * theta[0])), 1.0) if developed else 0.0
    ratio = _RATIO_DOUBT * unlike * rho * r * noise / (rho + r**2)
    return _chance(pair, bins), ratio, _TRANSFER_DOUBT * unlike * np.maximum(r, rho / r) * noise


def _chance(pair: _Pair, bins: FloatArray) -> FloatArray:
    """Standard deviation of e in each ring that finitely many bins leave."""
    product = pair.first * pair.second
    return np.asarray(
        np.sqrt(((product - pair.cross**2).clip(0.0) + _MODEL_SHARE * product) / bins), np.float64
    )


def _normal(slopes: FloatArray, weight: FloatArray) -> FloatArray:
    normal = np.einsum("...rp,r,...rq->...pq", slopes, weight, slopes)
    return np.asarray(normal + np.diag([0.0, 0.0, _WIDEST**-2.0]), np.float64)


def _without(theta: FloatArray, pair: _Pair, *, square: FloatArray, weight: FloatArray) -> FloatArray:
    """Fall fitted without each piece, from the whole's by two steps of Gauss and Newton."""
    fitted = np.tile(theta, (len(pair.first), 1))
    prior = np.array([0.0, 0.0, _WIDEST**-2.0])
    for _ in range(2):
        slopes = _slopes(fitted, pair, square)
        down = np.einsum("trp,r,tr->tp", slopes, weight, _missed(fitted, pair, square)) + prior * fitted
        fitted = fitted - np.linalg.solve(_normal(slopes, weight), down[..., None])[..., 0]
    return np.asarray(fitted[:, 1], np.float64)
