"""What lies behind the residuals along an edge: errors that hang together, and a ragged print.

Noise of a sensor is independent from sample to sample. A JPEG's errors hang together over its blocks, demosaicing's
over a few pixels, and a ragged print displaces the edge itself by amounts that stay alike for some pixels; noise read
off the plateaus then promises too much. So an edge is divided along its length into pieces, and how differently the
pieces pull at the figures is compared with what independent noise would do (the cluster-robust variance: White,
Econometrica 48, 817 (1980); Liang and Zeger, Biometrika 73, 13 (1986); both from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.edge.curves import MTF_LEVELS, Curves, crossings_cypx, mtf_gradients, transfer_of
from lensbench.edge.posterior import pull_of
from lensbench.edge.region import Raggedness, RefinedFit
from lensbench.model.units import FloatArray
from lensbench.optics import gaussian_sigma_px

PIECE_PX: Final = 8.0
"""Side of a JPEG's block."""
_FEWEST_PIECES: Final = 3
_SURE: Final = 3.0
"""Log-likelihood ratio at which errors that hang together are as probable as independent ones."""
_ALIKE: Final = 3.0
"""What is done alike to all pieces of an edge comes on top of what differs between them; seen in simulated JPEGs."""
_STEEP: Final = 0.15
"""The edge's place is told by samples where the profile is at least this steep, as a part of its steepest."""
_CELL_PX: Final = 1.0
_LAGS: Final = 24
_TONE_POWER: Final = 0.05
_FEWEST_CELLS: Final = 8
_RAGGED_SD: Final = 4.0
_LEAST_RAGGED_PX: Final = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Pieces:
    """How the pieces of one edge pull at its figures, against independent noise."""

    ratio: float
    """Variance between pieces over that of independent noise, mean over the figures."""
    dof: float


def pieces_of(fit: RefinedFit) -> Pieces | None:
    """Scatter of MTF50, 30, 20 and 10 between pieces of the edge; None where it is too short."""
    distance, along = fit.line.distance_px(fit.points)
    low, high = float(along.min()), float(along.max())
    count = int((high - low) / PIECE_PX)
    if count < _FEWEST_PIECES:
        return None
    own = fit.posterior.shape.own_frequency_cypx
    sfr = np.abs(transfer_of(fit.posterior)[: own.size])[None]
    mtf = np.array([crossings_cypx(own, sfr, level)[0] for level in MTF_LEVELS])
    gradients = mtf_gradients(fit.posterior, mtf[np.isfinite(mtf)])
    if not len(gradients):
        return None
    piece = np.minimum(((along - low) / (high - low) * count).astype(np.intp), count - 1)
    at = fit.bins.place
    pulls = pull_of(fit.posterior, fit.bins, fit.plateaus, gradients)[:, at]
    level, slope, bend = fit.posterior.profile()
    apart = distance - fit.posterior.shape.fine.position_px[at]
    residual = fit.points.value - level[at] - apart * (slope[at] + 0.5 * apart * bend[at])
    profile = np.clip((level[at] - fit.posterior.dark) / fit.posterior.step, 0.0, 1.0)
    independent = np.square(pulls) @ fit.noise.variance_at(profile)
    each = np.stack([np.bincount(piece, pull * residual, count) for pull in pulls])
    between = count / (count - 1.0) * np.square(each - each.mean(axis=1, keepdims=True)).sum(axis=1)
    return Pieces(ratio=float(np.mean(between / np.maximum(independent, 1e-300))), dof=count - 1.0)


def noise_factor(pieces: Sequence[Pieces]) -> float:
    """By how much noise that hangs together enlarges the variance of figures; 1 for independent noise.

    Weighs independent noise (factor 1) against a free factor by the likelihood of the ratios seen.
    """
    dof = sum(edge.dof for edge in pieces)
    if not dof:
        return 1.0
    ratio = sum(edge.dof * edge.ratio for edge in pieces) / dof
    if ratio <= 1.0:
        return 1.0
    surer = 0.5 * dof * (ratio - 1.0 - np.log(ratio)) - _SURE
    return float(1.0 + _ALIKE * (ratio - 1.0) / (1.0 + np.exp(-np.clip(surer, -50.0, 50.0))))


def raggedness(fit: RefinedFit) -> Raggedness | None:
    """Raggedness of the edge itself; None where its place scatters no more than noise explains."""
    distance, along = fit.line.distance_px(fit.points)
    level, slope, bend = fit.posterior.profile()
    steep = np.abs(slope) > _STEEP * float(np.abs(slope).max())
    near = np.flatnonzero(steep[fit.bins.place])
    at = fit.bins.place[near]
    apart = distance[near] - fit.posterior.shape.fine.position_px[at]
    rate = slope[at] + apart * bend[at]
    residual = fit.points.value[near] - level[at] - apart * (slope[at] + 0.5 * apart * bend[at])
    profile = np.clip((level[at] - fit.posterior.dark) / fit.posterior.step, 0.0, 1.0)
    variance = fit.noise.variance_at(profile)
    if near.size < _FEWEST_CELLS:
        return None
    cell = ((along[near] - along[near].min()) / _CELL_PX).astype(np.intp)
    count = int(cell.max()) + 1
    told = np.bincount(cell, rate * rate / variance, count)
    place = np.bincount(cell, rate * residual / variance, count) / np.maximum(told, 1e-300)
    kept = (told > 0.2 * float(np.median(told[told > 0]))).astype(np.float64)
    number = float(kept.sum())
    if number < _FEWEST_CELLS:
        return None
    place = kept * (place - float(kept @ place) / number)
    noise = float(kept @ (1.0 / np.maximum(told, 1e-300))) / number
    excess = float(place @ place) / number - noise
    if excess < max(_RAGGED_SD * noise * np.sqrt(2.0 / number), _LEAST_RAGGED_PX**2):
        return None
    return Raggedness(rms_px=float(np.sqrt(excess)), length_px=_length_px(place, kept, excess))


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
        _, along = fit.line.distance_px(fit.points)
        share = (fit.ragged.rms_px / gaussian_sigma_px(mtf50)) ** 2
        doubt = 0.5 * share * float(np.sqrt(4.0 * fit.ragged.length_px / np.ptp(along)))
    if not tone_known and fit.posterior.dark > 0.0:
        level = fit.posterior.dark + fit.posterior.step * np.maximum(curves.esf, 0.0)
        frequency = np.linspace(0.0, 3.0 * mtf50, 61)
        plain, bent = (
            crossings_cypx(frequency, _modulus(curves.position_px, edge, frequency)[None], 0.5)[0]
            for edge in (level, level ** (1.0 + _TONE_POWER))
        )
        doubt = float(np.hypot(doubt, np.nan_to_num(bent / plain - 1.0)))
    return doubt


def _modulus(position_px: FloatArray, edge: FloatArray, frequency_cypx: FloatArray) -> FloatArray:
    """Modulus of the transform of an edge's differences, 1 at zero."""
    middle = 0.5 * (position_px[1:] + position_px[:-1])
    turned = np.exp(-2j * np.pi * np.outer(frequency_cypx, middle)) @ np.diff(edge)
    return np.asarray(np.abs(turned) / np.abs(turned[0]), np.float64)


def _length_px(place: FloatArray, kept: FloatArray, variance: float) -> float:
    """Lag at which the autocovariance falls to 1 / e of the variance without noise."""
    for lag in range(1, min(_LAGS, place.size - 1)):
        pairs = float(kept[lag:] @ kept[:-lag])
        if pairs < 4 or place[lag:] @ place[:-lag] / pairs < variance / math.e:
            return lag * _CELL_PX
    return float(min(_LAGS, place.size - 1)) * _CELL_PX
