"""The test with the camera turned by 180 degrees: what stays with the picture, and what goes with chart and wall.

The chart says how the camera stood, so turned shots need no table. Where the chart was turned and not the camera
(the condition column says «chart»), only the print goes with it: the wall, its light and its tilt stay.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from lensbench.study.condition_asymmetry import MATTERS, SettingShots
from lensbench.study.condition_spread import exceeds, moderated, quantile
from lensbench.units import FloatArray

__all__ = ["TurnedTest", "turned_test"]

Outcome = Literal["not done", "stayed", "moved", "both", "open"]
_LEAST_SHARE: Final = 0.5
"""Less than this part of the larger one is no longer called «both»."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnedTest:
    """How the turned test came out."""

    outcome: Outcome
    """stayed: with the picture, hence with lens and camera; moved: with the chart or the wall."""
    words: str
    """One or two sentences."""


def turned_test(settings: Sequence[SettingShots]) -> TurnedTest:
    """Tell apart what stayed with the picture and what moved with the chart, at the widest stop shot both ways.

    Of either, the difference between two sides is told, in percent of MTF50.
    """
    both = [one for one in settings if len(set(one.turned)) == 2]
    if not both:
        return TurnedTest(
            outcome="not done",
            words="Not done: no shots with the camera turned by 180 degrees about its axis are among these.",
        )
    widest = min(both, key=lambda one: one.setting.f_number)
    stayed, moved, factor = _parts(widest)
    spread = moderated([one.repeats for one in both])[both.index(widest)]
    chart_turned = any("chart" in shot.planned.condition.lower() for shot in widest.shots)
    return _judged(stayed, moved, factor * spread.variance, spread.freedom, chart_turned=chart_turned)


def _parts(setting: SettingShots) -> tuple[FloatArray, FloatArray, float]:
    """Give what stayed, what moved, and the factor that makes one shot's variance that of either."""
    turned = np.array(setting.turned, np.bool_)
    values = setting.repeats.values
    upright, over = values[~turned], values[turned]
    up, down = upright.mean(axis=0), over.mean(axis=0)
    return 0.5 * (up + down), 0.5 * (up - down), 0.25 * (1.0 / len(upright) + 1.0 / len(over))


def _judged(
    stayed: FloatArray, moved: FloatArray, variance: float, freedom: float, *, chart_turned: bool
) -> TurnedTest:
    covariance = variance * np.eye(2)
    stays, moves = (
        exceeds(part, covariance, freedom=freedom) and float(np.linalg.norm(part)) >= 0.5 * MATTERS
        for part in (stayed, moved)
    )
    sizes = [float(np.linalg.norm(part)) for part in (stayed, moved)]
    if stays and moves and min(sizes) < _LEAST_SHARE * max(sizes):
        stays, moves = sizes[0] > sizes[1], sizes[1] > sizes[0]
    reach = quantile(freedom) * variance**0.5
    figures = (
        f"{_percent(sizes[0])} ± {_percent(reach)} % stayed on the same side of the picture, "
        f"{_percent(sizes[1])} ± {_percent(reach)} % changed sides"
    )
    outcome: Outcome = "both" if stays and moves else "stayed" if stays else "moved" if moves else "open"
    return TurnedTest(outcome=outcome, words=_words(outcome, figures, chart_turned=chart_turned))


def _words(outcome: Outcome, figures: str, *, chart_turned: bool) -> str:
    what = "chart" if chart_turned else "camera"
    other = "the print" if chart_turned else "the chart, the wall and its light"
    also = (
        " The wall and its tilt were the same both ways: turn the camera to rule them out."
        if chart_turned
        else ""
    )
    told = {
        "stayed": f"What stayed on the same side of the picture goes with lens and camera, not with {other}.",
        "moved": f"What changed sides comes from {other}, not from the lens.",
        "both": f"Part of the asymmetry stayed with the picture, part comes from {other}.",
        "open": "Neither a part that stayed with the picture nor one that changed sides is beyond chance.",
    }[outcome]
    return f"With the {what} turned by 180 degrees, {figures}. {told}{also}"


def _percent(log_size: float) -> str:
    return f"{-100.0 * np.expm1(-log_size):.0f}"
