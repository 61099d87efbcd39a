"""From an SFR or an ESF to figures: MTF50 and its kin, rise distance, overshoot."""

from typing import Final

import numpy as np

from lensbench.units import FloatArray

__all__ = ["LEVELS_PERCENT", "crossing_cypx", "falling_slope", "overshoots_percent", "rise_10_90_px"]

LEVELS_PERCENT: Final = (50, 30, 20, 10)


def crossing_cypx(frequency_cypx: FloatArray, sfr: FloatArray, level: float) -> float:
    """Give the first frequency at which an SFR falls to a level, by a cubic through its neighbours; NaN without one.

    >>> f = np.linspace(0, 1, 101)
    >>> round(crossing_cypx(f, np.exp(-2 * (np.pi * 0.5 * f) ** 2), 0.5), 5)
    0.37478
    """
    below = np.flatnonzero(sfr < level)
    if below.size == 0 or below[0] == 0:
        return float("nan")
    last = int(below[0])
    start = min(max(last - 2, 0), max(sfr.size - 4, 0))
    window = slice(start, start + 4)
    x, y = frequency_cypx[window], sfr[window] - level
    low, high = float(frequency_cypx[last - 1]), float(frequency_cypx[last])
    u = (x - low) / (high - low)
    coefficients = np.asarray(np.polynomial.polynomial.polyfit(u, y, min(3, x.size - 1)), np.float64)
    return low + (high - low) * _root(coefficients, float(sfr[last - 1] - level), float(sfr[last] - level))


def _root(coefficients: FloatArray, at_start: float, at_end: float) -> float:
    """Find the polynomial's root in [0, 1] by safeguarded Newton steps from the straight line's."""
    derivative = coefficients[1:] * np.arange(1, coefficients.size)
    u = at_start / (at_start - at_end)
    for _ in range(4):
        value = np.polynomial.polynomial.polyval(u, coefficients)
        slope = np.polynomial.polynomial.polyval(u, derivative)
        if slope >= 0:
            break
        u = float(np.clip(u - value / slope, 0.0, 1.0))
    return float(u)


def falling_slope(frequency_cypx: FloatArray, sfr: FloatArray, at_cypx: float) -> float:
    """Give the SFR's slope per cy/px around a frequency, from its neighbours on the grid."""
    place = int(np.clip(np.searchsorted(frequency_cypx, at_cypx), 1, frequency_cypx.size - 2))
    span = frequency_cypx[place + 1] - frequency_cypx[place - 1]
    return float((sfr[place + 1] - sfr[place - 1]) / span)


def rise_10_90_px(position_px: FloatArray, esf: FloatArray) -> float:
    """Give the distance between the crossings of 10 and 90 percent nearest to the edge; NaN where one is missing."""
    middle = int(np.argmin(np.abs(position_px)))
    low = _nearest_crossing(position_px[middle::-1], esf[middle::-1], 0.1)
    high = _nearest_crossing(position_px[middle:], esf[middle:], 0.9)
    return high - low


def _nearest_crossing(position_px: FloatArray, esf: FloatArray, level: float) -> float:
    beyond = np.flatnonzero((esf > level) != (esf[0] > level))
    if beyond.size == 0:
        return float("nan")
    last = int(beyond[0])
    x, y = position_px[last - 1 : last + 1], esf[last - 1 : last + 1] - level
    return float(x[0] - y[0] * (x[1] - x[0]) / (y[1] - y[0]))


def overshoots_percent(esf: FloatArray) -> tuple[float, float]:
    """Give how far an ESF rises above its bright and falls below its dark plateau, in percent of the step."""
    return float(100.0 * max(esf.max() - 1.0, 0.0)), float(100.0 * max(-esf.min(), 0.0))
