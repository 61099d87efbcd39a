"""The figures of a shot that an effect is judged by, and from which difference on one sees it."""

from collections.abc import Sequence
from functools import cache
from typing import Final

import numpy as np

from lensbench.edge.perception import Viewing, acutance, ruler_jnd, ruler_mtf
from lensbench.records import Edge, ShotResult
from lensbench.study.effect_records import Visible
from lensbench.units import FloatArray

__all__ = [
    "NOISE_VISIBLE_PERCENT",
    "OVERSHOOT_VISIBLE_POINTS",
    "noise_percent",
    "overshoot_percent",
    "visible_from",
]

NOISE_VISIBLE_PERCENT: Final = 20.0
"""Half a stop of ISO changes noise by this much: common practice, no source."""
OVERSHOOT_VISIBLE_POINTS: Final = 5.0
"""Common practice, no source."""

_SCREEN: Final = Viewing(picture_height_px=1000, print_height_mm=250.0, distance_mm=600.0)
"""A picture on a screen pixel for pixel, the pixels 0.25 mm wide, seen from 60 cm."""
_RULER_K: Final = (0.01, 0.26)
"""Where the ruler's polynomial holds. [degree]"""
_GRID_CYPX: Final = np.linspace(0.0, 1.0, 81)
_SOFTENED: Final = np.linspace(1.0, 0.5, 51)
_NAN: Final = float("nan")


def noise_percent(result: ShotResult) -> float:
    """Give the noise on the edges' plateaus (rms) in percent of the bright one, the median over the edges."""
    return _median(
        [
            100.0 * (edge.bright_level - edge.dark_level) / (edge.snr * edge.bright_level)
            for edge in _edges(result)
            if edge.snr > 0.0 and edge.bright_level > 0.0
        ]
    )


def overshoot_percent(result: ShotResult) -> float:
    """Give the larger of over- and undershoot, the median over the edges."""
    return _median([max(edge.overshoot_percent, edge.undershoot_percent) for edge in _edges(result)])


def visible_from(results: Sequence[ShotResult]) -> Visible:
    """Give the loss of MTF50 that makes one just noticeable difference on the quality ruler.

    The mean SFR of some shots is stretched until the ruler's reading falls by 1 JND, for a picture seen pixel for
    pixel on a screen: the strictest way of looking at one.
    """
    sfr = _mean_sfr(results)
    how = (
        "one just noticeable difference of the quality ruler (ISO 20462-3, its curve from memory), for a picture seen "
        "pixel for pixel on a screen with 0.25 mm pixels from 60 cm; prints forgive more"
    )
    if sfr is None:
        return Visible(percent=5.0, how="5 %, common practice, no source: the SFR is not at hand")
    first = _jnd(sfr)
    for scale in _SOFTENED[1:]:
        stretched = np.interp(_GRID_CYPX / scale, _GRID_CYPX, sfr, right=0.0)
        if first - _jnd(stretched) >= 1.0:
            return Visible(percent=round(100.0 * (1.0 - float(scale)), 1), how=how)
    return Visible(percent=50.0, how=f"{how}; less than half of MTF50 would not be seen")


def _jnd(sfr: FloatArray) -> float:
    """Give the ruler's reading of an SFR, matched by acutance; from 32 for the crispest down to 0."""
    ladder, reading = _ruler()
    return float(np.interp(_acutance(sfr), ladder, reading))


def _acutance(sfr: FloatArray) -> float:
    return acutance(_GRID_CYPX, sfr, np.zeros_like(sfr), viewing=_SCREEN).value


@cache
def _ruler() -> tuple[FloatArray, FloatArray]:
    """Give acutance and reading of the ruler's pictures, the softest first."""
    steps = np.geomspace(*_RULER_K, 60)[::-1]
    pictures = [ruler_mtf(_GRID_CYPX * _SCREEN.cpd_per_cypx, float(k)) for k in steps]
    return np.array([_acutance(one) for one in pictures]), np.array([ruler_jnd(float(k)) for k in steps])


def _edges(result: ShotResult) -> list[Edge]:
    return [chart_edge.edge for chart_edge in result.edges if chart_edge.edge.measured]


def _median(values: Sequence[float]) -> float:
    known = [value for value in values if np.isfinite(value)]
    return float(np.median(known)) if known else _NAN


def _mean_sfr(results: Sequence[ShotResult]) -> FloatArray | None:
    curves = [
        np.interp(_GRID_CYPX, edge.frequency_cypx, edge.sfr, right=0.0)
        for result in results
        for edge in _edges(result)
        if edge.sfr.size >= 4 and np.isfinite(edge.sfr).all()
    ]
    return np.asarray(np.mean(curves, axis=0), np.float64) if curves else None
