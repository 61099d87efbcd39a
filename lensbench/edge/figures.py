"""From SFRs or ESFs to figures: MTF50 and its kin, rise distance, overshoot; several edges at a time."""

from typing import Final

import numpy as np

from lensbench.units import FloatArray

__all__ = ["LEVELS", "crossing_cypx", "crossings_cypx", "overshoots_percent", "rises_10_90_px", "slopes_at"]

LEVELS: Final = (0.5, 0.3, 0.2, 0.1)


def crossing_cypx(frequency_cypx: FloatArray, sfr: FloatArray, level: float) -> float:
    """Give the first frequency at which one SFR falls to a level; NaN without one.

    >>> f = np.linspace(0, 1, 101)
    >>> round(crossing_cypx(f, np.exp(-2 * (np.pi * 0.5 * f) ** 2), 0.5), 5)
    0.37478
    """
    return float(crossings_cypx(frequency_cypx, sfr[None], level)[0])


def crossings_cypx(frequency_cypx: FloatArray, sfr: FloatArray, level: float) -> FloatArray:
    """Give the first frequency at which each SFR falls to a level, by a cubic through its four neighbours.

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
    found = below.any(axis=1) & (last > 0)
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
    return np.where(found, frequency_cypx[0] + (start + u) * spacing, np.nan)


_CUBIC: Final[FloatArray] = np.linalg.inv(np.vander(np.arange(4.0), increasing=True))
"""Turns four values at 0, 1, 2, 3 into the coefficients of the cubic through them."""


def slopes_at(frequency_cypx: FloatArray, sfr: FloatArray, at_cypx: FloatArray) -> FloatArray:
    """Give each SFR's slope per cy/px around one frequency of its own, from its neighbours on the grid."""
    spacing = frequency_cypx[1] - frequency_cypx[0]
    place = np.nan_to_num((at_cypx - frequency_cypx[0]) / spacing)
    left = np.clip(np.rint(place).astype(np.intp) - 1, 0, sfr.shape[1] - 3)
    rows = np.arange(sfr.shape[0])
    slopes: FloatArray = (sfr[rows, left + 2] - sfr[rows, left]) / (2.0 * spacing)
    return slopes


def rises_10_90_px(position_px: FloatArray, esf: FloatArray) -> FloatArray:
    """Give the distance between each ESF's crossings of 10 and 90 percent that lie nearest to the edge.

    position_px is evenly spaced with the edge in its middle; esf has shape (edges, n). NaN where one is missing.
    """
    middle = position_px.size // 2
    spacing = float(position_px[1] - position_px[0])
    high = _reached(esf[:, middle:], 0.9, spacing)
    low = _reached(1.0 - esf[:, middle::-1], 0.9, spacing)
    return high + low


def _reached(esf: FloatArray, level: float, spacing: float) -> FloatArray:
    beyond = esf > level
    last = np.argmax(beyond, axis=1)
    found = beyond.any(axis=1) & (last > 0)
    rows = np.arange(esf.shape[0])
    before, after = esf[rows, np.maximum(last - 1, 0)], esf[rows, last]
    share = (level - before) / np.where(after > before, after - before, 1.0)
    return np.where(found, (last - 1.0 + share) * spacing, np.nan)


def overshoots_percent(esf: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give how far each ESF rises above its bright and falls below its dark plateau, in percent of the step."""
    over = 100.0 * np.maximum(esf.max(axis=1) - 1.0, 0.0)
    return over, 100.0 * np.maximum(-esf.min(axis=1), 0.0)
