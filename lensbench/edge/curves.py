"""From fitted shapes to SFR and ESF with standard deviations, and to their figures; several edges at a time.

Figures are MTF50 and its kin, the rise distance and overshoots.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.edge.posterior import LEVELS, SHIFT, Posterior
from lensbench.edge.shapes import OUTPUT_FREQUENCY_CYPX, ComplexArray, prior_shape
from lensbench.model.units import FloatArray

MTF_LEVELS: Final = (0.5, 0.3, 0.2, 0.1)
Places = npt.NDArray[np.intp]

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


def transfer_of(posterior: Posterior) -> ComplexArray:
    """Complex transfer along the edge normal, on the prior shape's own grid then the output grid."""
    transfer: ComplexArray = posterior.coefficient @ _columns_otf(posterior.shape.index) / posterior.step
    return transfer


def curves_of(posteriors: Sequence[Posterior], reach_px: Sequence[float]) -> list[Curves]:
    """SFR, ESF and figures of fits that share one prior shape."""
    columns = _columns_otf(posteriors[0].shape.index)
    coefficient = np.stack([posterior.coefficient for posterior in posteriors])
    transfer = coefficient @ columns / coefficient[:, 1:2]
    sfr = np.abs(transfer)
    own = posteriors[0].shape.own_frequency_cypx
    fine, output = sfr[:, : own.size], sfr[:, own.size :]
    mtf = np.stack([crossings_cypx(own, fine, level) for level in MTF_LEVELS], axis=1)
    places, nearest = _places(own, mtf)
    sd = _sfr_sd(posteriors, columns, transfer, places)
    slope = np.stack([np.abs(slopes_at(own, fine, own[at])) for at in nearest.T], axis=1)
    mtf_sd = np.where(np.isfinite(mtf), sd[:, -len(MTF_LEVELS) :] / np.maximum(slope, 1e-9), np.nan)
    output_sd = _on_output_grid(sd[:, : -len(MTF_LEVELS)])
    position, esf = posteriors[0].shape.fine.position_px, _esf(posteriors, coefficient)
    low, high = crossings_px(position, esf)
    rise_sd = _rise_sd_px(posteriors, low, high)
    curves = []
    for i, reach in enumerate(reach_px):
        inside = np.abs(position) <= reach
        over, under = overshoots_percent(esf[i : i + 1, inside])
        curves.append(
            Curves(
                fine_frequency_cypx=own,
                fine_sfr=fine[i],
                sfr=output[i],
                sfr_sd=output_sd[i],
                mtf_cypx=four(mtf[i]),
                mtf_sd_cypx=four(mtf_sd[i]),
                position_px=position[inside],
                esf=esf[i, inside],
                rise_10_90_px=float(high[i] - low[i]),
                rise_10_90_sd_px=float(rise_sd[i]),
                overshoot_percent=float(over[0]),
                undershoot_percent=float(under[0]),
            )
        )
    return curves


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


def _rise_sd_px(posteriors: Sequence[Posterior], low: FloatArray, high: FloatArray) -> FloatArray:
    """Sd of the distance between the crossings of 10 and 90 percent, from the ESF's own slope there. [px]."""
    table = posteriors[0].shape.fine
    middle, spacing = table.position_px.size // 2, float(table.position_px[1] - table.position_px[0])
    shapes = np.concatenate([table.mean[1][None], table.modes[0]])
    slopes = np.concatenate([table.mean[1][None], table.modes[1]])
    sd = np.full(len(posteriors), np.nan)
    for i, posterior in enumerate(posteriors):
        if not np.isfinite(high[i] - low[i]):
            continue
        at = middle + np.rint(np.array([low[i], high[i]]) / spacing).astype(np.intp)
        weights = np.concatenate([posterior.coefficient[1:2], posterior.coefficient[LEVELS:]])
        rate = weights @ slopes[:, at]
        gradient = np.zeros((2, posterior.coefficient.size))
        gradient[:, SHIFT] = shapes[0, at]
        gradient[:, LEVELS:] = shapes[1:, at].T
        own = gradient[1] / rate[1] - gradient[0] / rate[0]
        sd[i] = float(np.linalg.norm(own @ posterior.spread))
    return sd


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


def _sfr_sd(
    posteriors: Sequence[Posterior], columns: ComplexArray, transfer: ComplexArray, places: Places
) -> FloatArray:
    """Propagate the coefficients' covariance to |M|: shape (edges, places)."""
    step = np.array([posterior.step for posterior in posteriors])[:, None]
    picked = np.take_along_axis(transfer, places, axis=1)
    modulus = np.maximum(np.abs(picked), 1e-12)
    scale = 1.0 / (modulus * step)
    real, imaginary = picked.real * scale, picked.imag * scale
    own = len(MTF_LEVELS)
    shared, last = places[0, :-own], places[:, -own:]
    gradient = np.empty((len(posteriors), columns.shape[0], places.shape[1]))
    gradient[:, :, :-own] = columns.real[:, shared] * real[:, None, :-own]
    gradient[:, :, :-own] += columns.imag[:, shared] * imaginary[:, None, :-own]
    at_own = columns[:, last].transpose(1, 0, 2)
    gradient[:, :, -own:] = at_own.real * real[:, None, -own:] + at_own.imag * imaginary[:, None, -own:]
    gradient[:, 1] -= modulus / step
    variance = [
        np.square(posterior.spread.T @ own).sum(axis=0)
        for posterior, own in zip(posteriors, gradient, strict=True)
    ]
    return np.asarray(np.sqrt(variance), np.float64)


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


def crossings_cypx(frequency_cypx: FloatArray, sfr: FloatArray, level: float) -> FloatArray:
    """First frequency at which each SFR falls to a level, by a cubic through its four neighbours.

    Parameters
    ----------
    frequency_cypx : array, shape (n,)
        Evenly spaced, from 0.
    sfr : array, shape (edges, n)
        Starts above the level.
    level : float
        0 to 1.

    Returns
    -------
    array, shape (edges,)
        NaN where the SFR never falls to the level.
    """
    below = sfr < level
    last = np.argmax(below, axis=1)
    crossed = below.any(axis=1) & (last > 0)
    start = np.clip(last - 2, 0, sfr.shape[1] - 4)
    picked = np.take_along_axis(sfr, start[:, None] + np.arange(4), axis=1) - level
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
