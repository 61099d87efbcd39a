"""From fitted shapes to SFR and ESF with standard deviations, and to their figures; several edges at a time.

Figures are MTF50 and its kin, the rise distance and overshoots.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from scipy import special

from lensbench.edge.posterior import Posterior
from lensbench.edge.shapes import OUTPUT_FREQUENCY_CYPX, ComplexArray, Shapes, prior_shape
from lensbench.edge.system import LEVELS, SHIFT, Places
from lensbench.model.units import FloatArray

MTF_LEVELS: Final = (0.5, 0.3, 0.2, 0.1)

_PERFECT_MTF50_Q: Final = 0.40397
"""MTF50 times q of a perfect lens; no aberrated one of the same q is as sharp."""
_RIM: Final = (0.8, 1.25)
"""Of what a round pupil of a known q sends far, the least and the most that is left in: clipped ones send more."""
_SD_STRIDE: Final = 4  # standard deviations are worked out at every fourth output frequency and interpolated


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curves:
    """SFR, ESF and figures of one edge."""

    fine_frequency_cypx: FloatArray
    """Up to five times the MTF50, beyond the output grid where the edge is sharp."""
    fine_sfr: FloatArray
    sfr: FloatArray
    sfr_sd: FloatArray
    mtf_cypx: tuple[float, float, float, float]
    """At 50, 30, 20 and 10 percent."""
    mtf_sd_cypx: tuple[float, float, float, float]
    position_px: FloatArray
    esf: FloatArray
    """Within the region, 0 on the dark plateau and 1 on the bright one."""
    rise_10_90_px: float
    rise_10_90_sd_px: float
    overshoot_percent: float
    undershoot_percent: float


@cache
def _columns_otf(index: int) -> ComplexArray:
    """OTF of each of a prior shape's columns, on its own grid then the output grid; levels and light have none."""
    shape = prior_shape(index)
    grid = np.concatenate([shape.own_frequency_cypx, OUTPUT_FREQUENCY_CYPX])
    levels = np.zeros((LEVELS, grid.size), complex)
    levels[1] = shape.mean_otf
    levels[SHIFT] = 2j * np.pi * grid * shape.mean_otf
    return np.concatenate([levels, shape.modes_otf])


def moduli_of(posteriors: Sequence[Posterior]) -> FloatArray:
    """Modulus of the transfer of fits that share one prior shape, on its own grid."""
    shape = posteriors[0].shape
    coefficient = np.stack([posterior.coefficient for posterior in posteriors])
    columns = _columns_otf(shape.index)[:, : shape.own_frequency_cypx.size]
    return np.asarray(np.abs(coefficient @ columns / coefficient[:, 1:2]), np.float64)


def curves_of(
    posteriors: Sequence[Posterior], reach_px: Sequence[float], *, q: float | None = None
) -> list[Curves]:
    """SFR, ESF and figures of fits that share one prior shape; q is the pupil's where it is known."""
    columns = _columns_otf(posteriors[0].shape.index)
    coefficient = np.stack([posterior.coefficient for posterior in posteriors])
    transfer = coefficient @ columns / coefficient[:, 1:2]
    modulus = np.abs(transfer)
    own = posteriors[0].shape.own_frequency_cypx
    whole = _mtf(own, modulus)
    position, esf = posteriors[0].shape.fine.position_px, _esf(posteriors, coefficient)
    reach = np.asarray(reach_px)[:, None]
    sfr = _within_reach(posteriors, transfer, esf, reach[:, 0], whole[:, 0], q)
    mtf = _mtf(own, sfr)
    fine, output = sfr[:, : own.size], sfr[:, own.size :]
    places, nearest = _places(own, mtf)
    low, high = crossings_px(position, esf)
    gradient = np.concatenate(
        [
            _sfr_gradient(coefficient[:, 1, None], columns, transfer, places),
            _rise_gradient(posteriors[0].shape.fine, coefficient, low, high)[:, :, None],
        ],
        axis=2,
    )
    sd = np.stack([_sd_of(posterior, own) for posterior, own in zip(posteriors, gradient, strict=True)])
    each = np.repeat(fine, len(MTF_LEVELS), axis=0)
    slope = np.abs(slopes_at(own, each, own[nearest.ravel()])).reshape(mtf.shape)
    mtf_sd = np.where(np.isfinite(mtf), sd[:, -len(MTF_LEVELS) - 1 : -1] / np.maximum(slope, 1e-9), np.nan)
    mtf_sd = np.hypot(mtf_sd, np.nan_to_num(mtf - whole))  # what lies beyond could add as much
    output_sd = np.hypot(_on_output_grid(sd[:, : -len(MTF_LEVELS) - 1]), output - modulus[:, own.size :])
    rise = high - low
    rise_sd = np.where(np.isfinite(rise), sd[:, -1], np.nan)
    within = np.abs(position) <= reach
    over, under = overshoots_percent(np.where(within, esf, 0.5))
    return [
        Curves(
            fine_frequency_cypx=own,
            fine_sfr=fine[i],
            sfr=output[i],
            sfr_sd=output_sd[i],
            mtf_cypx=four(mtf[i]),
            mtf_sd_cypx=four(mtf_sd[i]),
            position_px=position[inside],
            esf=esf[i, inside],
            rise_10_90_px=float(rise[i]),
            rise_10_90_sd_px=float(rise_sd[i]),
            overshoot_percent=float(over[i]),
            undershoot_percent=float(under[i]),
        )
        for i, inside in enumerate(within)
    ]


def _within_reach(
    posteriors: Sequence[Posterior],
    transfer: ComplexArray,
    esf: FloatArray,
    reach_px: FloatArray,
    mtf50_cypx: FloatArray,
    q: float | None,
) -> FloatArray:
    """SFRs of the light up to each region's reach, and of what the pupil's rim alone sends beyond.

    What else a fit puts there is belief, for the plateaus that a region shows have it in them.
    """
    shape, edges = posteriors[0].shape, np.arange(len(posteriors))
    position_px = shape.fine.position_px
    middle, spacing = position_px.size // 2, float(position_px[1] - position_px[0])
    last = np.minimum(np.rint(reach_px / spacing).astype(np.intp), middle)
    beyond = 1.0 - (esf[edges, middle + last] - esf[edges, middle - last])
    # A perfect lens sends 4 q / (pi^3 r) of the light further than r to both sides.
    largest = np.minimum(_PERFECT_MTF50_Q / mtf50_cypx, np.inf if q is None else q * _RIM[1])
    rim = 4.0 * largest / (np.pi**3 * reach_px)
    left = np.clip(beyond, 0.0 if q is None else _RIM[0] / _RIM[1] * rim, rim)
    sfr = np.abs(transfer)
    cut = np.flatnonzero(np.isfinite(left) & (left != beyond))
    if cut.size:
        frequency = np.concatenate([shape.own_frequency_cypx, OUTPUT_FREQUENCY_CYPX])
        turns = 2.0 * np.pi * frequency
        light = np.diff(esf[cut], axis=1)
        light[np.abs(np.arange(2 * middle) + 0.5 - middle) > last[cut, None]] = 0.0
        right, mirrored = light[:, middle:], light[:, middle - 1 :: -1]
        at = np.outer(position_px[middle:-1] + 0.5 * spacing, turns)
        near = (right + mirrored) @ np.cos(at) - 1j * ((right - mirrored) @ np.sin(at))
        near /= np.sinc(spacing * frequency)
        far = turns * reach_px[cut, None]
        # Of tails that fall as 1/x^2 beyond 1: the cosine transform.
        tail = np.cos(far) + far * (special.sici(far)[0] - 0.5 * np.pi)
        sfr[cut] = np.abs(near + left[cut, None] * tail) / (near[:, :1].real + left[cut, None])
    return sfr


def _mtf(own_cypx: FloatArray, sfr: FloatArray) -> FloatArray:
    """Frequencies of all levels, shape (edges, levels), on the first columns of SFRs."""
    each = np.repeat(sfr[:, : own_cypx.size], len(MTF_LEVELS), axis=0)
    return crossings_cypx(own_cypx, each, np.tile(MTF_LEVELS, len(sfr))).reshape(len(sfr), -1)


def mtf_gradients(posterior: Posterior, mtf_cypx: FloatArray) -> FloatArray:
    """Change of each of these figures per unit of each coefficient: shape (figures, columns). [cy/px]."""
    own = posterior.shape.own_frequency_cypx
    columns = _columns_otf(posterior.shape.index)[:, : own.size]
    nearest = np.clip(np.rint(mtf_cypx / (own[1] - own[0])), 1, own.size - 2).astype(np.intp)
    transfer = posterior.coefficient @ columns / posterior.step
    modulus = np.abs(transfer)
    change = (columns[:, nearest] * np.conj(transfer[nearest])).real / modulus[nearest]
    change[1] -= modulus[nearest]
    slope = (modulus[nearest + 1] - modulus[nearest - 1]) / (own[2] - own[0])
    return np.asarray((-change / (posterior.step * slope)).T, np.float64)


def mtf_moved(posterior: Posterior, mtf_cypx: float, otf: ComplexArray) -> FloatArray:
    """Change of a figure per unit of departures from the fit, whose transforms on its own grid are given. [cy/px]."""
    own = posterior.shape.own_frequency_cypx
    at = int(np.clip(np.rint(mtf_cypx / own[1]), 1, own.size - 2))
    near = slice(at - 1, at + 2)
    transfer = posterior.coefficient @ _columns_otf(posterior.shape.index)[:, near] / posterior.step
    modulus = np.abs(transfer)
    slope = (modulus[2] - modulus[0]) / (own[2] - own[0])
    return np.asarray(-(otf[:, at] * np.conj(transfer[1])).real / (modulus[1] * slope), np.float64)


def _rise_gradient(table: Shapes, coefficient: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Change of the distance between the crossings of 10 and 90 percent with each coefficient: (edges, columns)."""
    middle, spacing = table.position_px.size // 2, float(table.position_px[1] - table.position_px[0])
    reached = np.nan_to_num(np.stack([low, high], axis=1))
    at = middle + np.rint(reached / spacing).astype(np.intp)
    modes, slopes = table.modes[0][:, at], table.modes[1][:, at]
    rate = coefficient[:, 1, None] * table.mean[1, at] + np.einsum(
        "em,mes->es", coefficient[:, LEVELS:], slopes
    )
    sign = np.array([-1.0, 1.0]) / np.where(rate == 0.0, np.inf, rate)
    gradient = np.zeros(coefficient.shape)
    gradient[:, SHIFT] = (table.mean[1, at] * sign).sum(axis=1)
    gradient[:, LEVELS:] = np.einsum("mes,es->em", modes, sign)
    return gradient


def four(values: FloatArray) -> tuple[float, float, float, float]:
    """Figures at 50, 30, 20 and 10 percent as plain numbers."""
    first, second, third, fourth = values.tolist()
    return first, second, third, fourth


def _places(own: FloatArray, mtf: FloatArray) -> tuple[Places, Places]:
    """List the columns of frequencies for which sd are wanted: thinned output grid, then each edge's own figures."""
    spacing = own[1] - own[0]
    nearest = np.clip(np.rint(np.nan_to_num(mtf) / spacing), 1, own.size - 2).astype(np.intp)
    output = own.size + np.arange(0, OUTPUT_FREQUENCY_CYPX.size, _SD_STRIDE)
    return np.concatenate([np.broadcast_to(output, (len(mtf), output.size)), nearest], axis=1), nearest


def _sfr_gradient(
    step: FloatArray, columns: ComplexArray, transfer: ComplexArray, places: Places
) -> FloatArray:
    """Change of |M| with each coefficient: shape (edges, columns, places); `step` has shape (edges, 1)."""
    picked = np.take_along_axis(transfer, places, axis=1)
    modulus = np.maximum(np.abs(picked), 1e-12)
    turn = np.conj(picked) / (modulus * step)
    own = len(MTF_LEVELS)
    shared, last = places[0, :-own], places[:, -own:]
    at_own = columns[:, last].transpose(1, 0, 2)
    gradient = np.concatenate(
        [(columns[:, shared] * turn[:, None, :-own]).real, (at_own * turn[:, None, -own:]).real], axis=2
    )
    gradient[:, 1] -= modulus / step
    return gradient


def _sd_of(posterior: Posterior, gradient: FloatArray) -> FloatArray:
    """Standard deviations of figures with these changes per unit of each coefficient, shape (columns, figures)."""
    each = posterior.spread.T @ gradient
    return np.asarray(np.sqrt(np.einsum("ij,ij->j", each, each)), np.float64)


def _on_output_grid(sd: FloatArray) -> FloatArray:
    """Interpolate thinned standard deviations linearly to every output frequency."""
    full = np.empty((sd.shape[0], OUTPUT_FREQUENCY_CYPX.size))
    for ahead in range(_SD_STRIDE):
        share = ahead / _SD_STRIDE
        between = (1.0 - share) * sd[:, :-1] + share * sd[:, 1:]
        full[:, ahead:-1:_SD_STRIDE] = between
    full[:, -1] = sd[:, -1]
    return full


def _esf(posteriors: Sequence[Posterior], coefficient: FloatArray) -> FloatArray:
    table = posteriors[0].shape.fine
    parts = [table.mean[1][None], table.modes[0]]
    weights = np.concatenate([coefficient[:, SHIFT : SHIFT + 1], coefficient[:, LEVELS:]], axis=1)
    esf: FloatArray = table.mean[0] + weights @ np.concatenate(parts) / coefficient[:, 1:2]
    return esf


def crossing_cypx(frequency_cypx: FloatArray, sfr: FloatArray, level: float) -> float:
    """First frequency at which one SFR falls to a level; NaN without one.

    >>> f = np.linspace(0, 1, 101)
    >>> round(crossing_cypx(f, np.exp(-2 * (np.pi * 0.5 * f) ** 2), 0.5), 5)
    0.37478
    """
    return float(crossings_cypx(frequency_cypx, sfr[None], level)[0])


def crossings_cypx(frequency_cypx: FloatArray, sfr: FloatArray, level: float | FloatArray) -> FloatArray:
    """First frequency at which each SFR falls to a level, by a cubic through four points; NaN where it never does.

    Frequencies are evenly spaced from 0; the SFRs, shape (edges, n), start above the level, 0 to 1, which is one for
    all or one for each.
    """
    levels = np.reshape(level, (-1, 1))
    below = sfr < levels
    last = np.argmax(below, axis=1)
    crossed = below.any(axis=1) & (last > 0)
    start = np.clip(last - 2, 0, sfr.shape[1] - 4)
    picked = np.take_along_axis(sfr, start[:, None] + np.arange(4), axis=1) - levels
    cubic = picked @ _CUBIC.T
    place = last - start
    rows = np.arange(sfr.shape[0])
    high, low = picked[rows, np.maximum(place - 1, 0)], picked[rows, place]
    u = place - 1.0 + high / np.where(high > low, high - low, 1.0)
    for _ in range(3):
        value = cubic[:, 0] + u * (cubic[:, 1] + u * (cubic[:, 2] + u * cubic[:, 3]))
        slope = cubic[:, 1] + u * (2.0 * cubic[:, 2] + u * 3.0 * cubic[:, 3])
        u = np.clip(u - value / np.where(slope < 0, slope, -np.inf), place - 1.0, place)
    spacing = frequency_cypx[1] - frequency_cypx[0]
    return np.where(crossed, frequency_cypx[0] + (start + u) * spacing, np.nan)


_CUBIC: Final[FloatArray] = np.linalg.inv(np.vander(np.arange(4.0), increasing=True))
"""Turns four values at 0, 1, 2, 3 into the coefficients of the cubic through them."""


def slopes_at(frequency_cypx: FloatArray, sfr: FloatArray, at_cypx: FloatArray) -> FloatArray:
    """Each SFR's slope per cy/px around one frequency of its own, from its neighbours on the grid."""
    spacing = frequency_cypx[1] - frequency_cypx[0]
    place = np.nan_to_num((at_cypx - frequency_cypx[0]) / spacing)
    left = np.clip(np.rint(place).astype(np.intp) - 1, 0, sfr.shape[1] - 3)
    rows = np.arange(sfr.shape[0])
    slopes: FloatArray = (sfr[rows, left + 2] - sfr[rows, left]) / (2.0 * spacing)
    return slopes


def crossings_px(position_px: FloatArray, esf: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where each ESF crosses 10 and 90 percent nearest to the edge.

    position_px is evenly spaced with the edge in its middle; esf has shape (edges, n). NaN where one is missing.
    """
    middle = position_px.size // 2
    spacing = float(position_px[1] - position_px[0])
    return -_reached(1.0 - esf[:, middle::-1], 0.9, spacing), _reached(esf[:, middle:], 0.9, spacing)


def _reached(esf: FloatArray, level: float, spacing: float) -> FloatArray:
    beyond = esf > level
    last = np.argmax(beyond, axis=1)
    reached = beyond.any(axis=1) & (last > 0)
    rows = np.arange(esf.shape[0])
    before, after = esf[rows, np.maximum(last - 1, 0)], esf[rows, last]
    share = (level - before) / np.where(after > before, after - before, 1.0)
    return np.where(reached, (last - 1.0 + share) * spacing, np.nan)


def overshoots_percent(esf: FloatArray) -> tuple[FloatArray, FloatArray]:
    """How far each ESF rises above its bright and falls below its dark plateau, in percent of the step."""
    over = 100.0 * np.maximum(esf.max(axis=1) - 1.0, 0.0)
    return over, 100.0 * np.maximum(-esf.min(axis=1), 0.0)
