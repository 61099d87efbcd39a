"""The figures of a shot that an effect is judged by, and from which difference on one sees it."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from lensbench.records import Edge, ShotResult
from lensbench.study.effect_records import Visible
from lensbench.study.responses import RESPONSE_CYPX
from lensbench.study.visible import RULER, look_of, sight_of
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


def visible_from(
    results: Sequence[ShotResult], *, print_and_eye_mm: tuple[float, float] | None = None
) -> Visible:
    """Give the loss of MTF50 that makes one just noticeable difference on the quality ruler.

    The mean SFR of some shots is stretched until the ruler's reading falls by 1 JND: for the way of looking that is
    given, or for a picture seen pixel for pixel on a screen, the strictest one.
    """
    sfr = _mean_sfr(results)
    height_px = min(results[0].size_px)
    look = look_of(height_px, print_and_eye_mm=print_and_eye_mm)
    how = f"{RULER}, for {look.how}; smaller prints and greater distances forgive more"
    if sfr is None:
        return Visible(percent=5.0, how="5 %, common practice, no source: the SFR is not at hand")
    lost = sight_of(sfr, viewing=look.viewing(height_px)).just_seen(loss=True)
    if math.isnan(lost):
        return Visible(percent=50.0, how=f"{how}; less than half of MTF50 would not be seen")
    return Visible(percent=round(100.0 * lost, 1), how=how)


def _edges(result: ShotResult) -> list[Edge]:
    return [chart_edge.edge for chart_edge in result.edges if chart_edge.edge.measured]


def _median(values: Sequence[float]) -> float:
    known = [value for value in values if np.isfinite(value)]
    return float(np.median(known)) if known else _NAN


def _mean_sfr(results: Sequence[ShotResult]) -> FloatArray | None:
    curves = [
        np.interp(RESPONSE_CYPX, edge.frequency_cypx, edge.sfr, right=0.0)
        for result in results
        for edge in _edges(result)
        if edge.sfr.size >= 4 and np.isfinite(edge.sfr).all()
    ]
    return np.asarray(np.mean(curves, axis=0), np.float64) if curves else None
