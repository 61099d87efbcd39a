"""The speed from which shake no longer shows: the share of shaken shots against the shutter speed.

A shot counts as shaken when its MTF50 lies below that of the fast speeds by more than can be put down to scatter or
seen. Hands shake by chance, so the share of such shots rises with the time by a logistic curve; its place and width
are found by Bayes' rule on a grid with flat priors, which also serves where the fast speeds show none and the slow
ones only shaken shots.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.study.effect_records import ShutterSpeed
from lensbench.units import FloatArray

__all__ = ["SpeedShot", "no_shake_speed", "speed_name"]

_SURE_SHARE: Final = 0.1
"""One shot in ten may still show shake: common practice, no source."""
_FAST_SHARE: Final = 1.0 / 3.0
"""The fastest third of the speeds, two at least, is taken for sharp."""
_FEWEST_SPEEDS: Final = 3
_FEWEST_SHOTS: Final = 8
_WIDTHS_STOPS: Final = (0.1, 1.5)
_BEYOND_STOPS: Final = 2.0
_NAN: Final = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedShot:
    """One shot: its time, and the logarithm of its sharpness free of settings."""

    exposure_s: float
    log_mtf50: float


def no_shake_speed(shots: Sequence[SpeedShot], *, shows_from: float) -> ShutterSpeed | None:
    """Find the slowest speed at which nine shots of ten show no shake.

    Parameters
    ----------
    shots : sequence of SpeedShot
        Three speeds and eight shots at least; else nothing is found.
    shows_from : float
        Loss of MTF50, as a share, from which shake shows.
    """
    speeds = sorted({shot.exposure_s for shot in shots})
    if len(speeds) < _FEWEST_SPEEDS or len(shots) < _FEWEST_SHOTS:
        return None
    fast = speeds[: max(2, int(len(speeds) * _FAST_SHARE))]
    sharp = float(np.median([shot.log_mtf50 for shot in shots if shot.exposure_s in fast]))
    limit = sharp + float(np.log1p(-shows_from))
    shaken = np.array([shot.log_mtf50 < limit for shot in shots])
    time_stops = np.log2([shot.exposure_s for shot in shots])
    shares = tuple(
        (speed, int(here.sum()), int(shaken[here].sum()))
        for speed in speeds
        if (here := time_stops == np.log2(speed)).any()
    )
    middle, low, high = _place(time_stops, shaken) if shaken.any() and not shaken.all() else (_NAN,) * 3
    return ShutterSpeed(
        exposure_s=middle,
        ci95_s=(low, high),
        shows_from_percent=100.0 * shows_from,
        shares=shares,
        sentence=_sentence(middle, low, high, speeds=speeds, percent=100.0 * shows_from),
    )


def _place(time_stops: FloatArray, shaken: FloatArray) -> tuple[float, float, float]:
    """Give the time at which one shot in ten is shaken: median and 95 % limits. [s]."""
    nodes = np.linspace(time_stops.min() - _BEYOND_STOPS, time_stops.max() + _BEYOND_STOPS, 200)
    widths = np.geomspace(*_WIDTHS_STOPS, 20)
    to_tenth = np.log(1.0 / _SURE_SHARE - 1.0)
    score = (time_stops - nodes[:, None, None]) / widths[:, None] - to_tenth
    log_likelihood = -np.logaddexp(0.0, np.where(shaken, -score, score)).sum(axis=-1)
    weight = np.exp(log_likelihood - log_likelihood.max()).sum(axis=1)
    share = np.cumsum(weight) / weight.sum()
    low, middle, high = np.interp([0.025, 0.5, 0.975], share, nodes)
    return float(2.0**middle), float(2.0**low), float(2.0**high)


def speed_name(exposure_s: float) -> str:
    """Give a shutter speed as it is engraved.

    >>> speed_name(0.004), speed_name(0.5), speed_name(2.0)
    ('1/250 s', '0.5 s', '2 s')
    """
    return f"1/{1.0 / exposure_s:.0f} s" if exposure_s < 0.3 else f"{exposure_s:.2g} s"


def _sentence(middle: float, low: float, high: float, *, speeds: Sequence[float], percent: float) -> str:
    interval = (
        f"95 % interval {speed_name(high)} to {speed_name(low)}; a loss of {percent:.0f} % counts as shake"
    )
    if np.isfinite(middle) and middle < speeds[0]:
        return (
            f"Even at {speed_name(speeds[0])}, the fastest speed, more than one shot in ten seems to show shake: the "
            f"limit lies near {speed_name(middle)} ({interval}). Take faster speeds, or look for another cause such as "
            "focus."
        )
    if np.isfinite(middle):
        return f"At {speed_name(middle)} and faster, nine shots of ten show no shake ({interval})."
    return (
        f"No speed from {speed_name(speeds[0])} to {speed_name(speeds[-1])} showed shake of {percent:.0f} %: the limit "
        "lies at a slower speed than any tested."
    )
