"""The best setting: the one of lowest expected loss, and all that can't be told from it.

The set is Hsu's: a setting leaves it only when another is better beyond the one-sided limit for as many comparisons
as there are settings. It holds the true best with 95 % confidence, however many there are. Settings within the
indifference of the best belong to it whatever the statistics say.

References
----------
J. C. Hsu, Ann. Stat. 9, 1026 (1981); Multiple Comparisons: Theory and Methods, Chapman & Hall (1996).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.records import BoolArray
from lensbench.study.curves import Spread
from lensbench.study.dunnett import critical_value
from lensbench.study.findings import INDIFFERENCE, BestSetting, SharpEnough
from lensbench.study.rivals import Distances, Rivals, distances_from_best, value_of_pick
from lensbench.study.ties import Tie, taken
from lensbench.units import FloatArray

__all__ = ["ENOUGH_PERCENT", "Question", "best_setting", "cannot_be_told_from_best"]

ENOUGH_PERCENT: Final = (95.0, 90.0, 80.0)
"""Shares of the best that may be sharp enough."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked of a list of settings, and what keeps the answer from being claimed."""

    place: str
    """The zone or purpose for which they compete."""
    tie: Tie = Tie.BEST
    caution: str = ""
    """Why no winner is claimed; empty where one is."""


def cannot_be_told_from_best(mean: FloatArray, variance: FloatArray, freedom: float) -> BoolArray:
    """Give the settings that may be the best, at 95 % confidence for all comparisons together.

    Parameters
    ----------
    mean : float array, shape (settings,)
        Mean log MTF50 of each setting's shots; independent of each other.
    variance : float array, shape (settings,)
        Of each mean, as estimated; their ratios are taken as known.
    freedom : float
        Degrees of freedom of the estimate.

    Returns
    -------
    bool array, shape (settings,)
        The setting with the highest mean always belongs to it.
    """
    kept = np.ones(len(mean), dtype=np.bool_)
    if len(mean) == 1:
        return kept
    for index, own in enumerate(variance):
        shared = np.sort(np.sqrt(own / (own + np.delete(variance, index)))).clip(0.0, 0.999).round(3)
        limit = critical_value(shared=tuple(shared.tolist()), freedom=freedom)
        kept[index] = bool(np.all(mean - mean[index] <= limit * np.sqrt(own + variance)))
    return kept


def best_setting(these: Rivals, spread: Spread, question: Question) -> BestSetting:
    """Decide which setting is best.

    The one of lowest expected loss is the one with the highest estimate; the estimate comes from the smoothed curve,
    which borrows from the neighbours, and its value is freed of what is left of the winner's curse.

    Parameters
    ----------
    these : Rivals
        At least one.
    spread : Spread
        Of one refocused shot.
    question : Question
        For what they compete.
    """
    best, distances = these.best, distances_from_best(these)
    tied = (distances.high >= 0.0) | (these.estimate >= these.estimate[best] + np.log1p(-INDIFFERENCE))
    tied[best] = True
    named = tuple(setting for setting, inside in zip(these.settings, tied, strict=True) if inside)
    value = value_of_pick(these)
    half_width = spread.quantile * these.sd[best] if spread.known else float("nan")
    return BestSetting(
        focal_length_mm=these.settings[best].focal_length_mm,
        f_number=these.settings[best].f_number,
        zone=question.place,
        mtf50_cypx=float(np.exp(value)),
        ci95_cypx=(float(np.exp(value - half_width)), float(np.exp(value + half_width))),
        tied=named,
        at_border=bool(these.at_border[best]),
        provisional=bool(question.caution),
        caution=question.caution,
        take=taken(these.settings[best], named, question.tie),
        take_rule=question.tie.value,
        sharp_enough=_sharp_enough(these, distances, sure=spread.repeated),
    )


def _sharp_enough(these: Rivals, distances: Distances, *, sure: bool) -> tuple[SharpEnough, ...]:
    if np.ptp(np.nan_to_num([setting.focal_length_mm for setting in these.settings], nan=-1.0)) > 0.0:
        return ()
    behind = these.estimate - these.estimate[these.best]
    least = np.where(sure, np.minimum(distances.low, 0.0), -np.inf)
    return tuple(
        SharpEnough(
            level_percent=percent,
            surely=_run(these, least >= np.log(percent / 100.0)),
            probably=_run(these, behind >= np.log(percent / 100.0)),
        )
        for percent in ENOUGH_PERCENT
    )


def _run(these: Rivals, inside: BoolArray) -> tuple[float, ...]:
    """Give the unbroken run of stops around the best one; nothing where that one is not inside itself."""
    first = last = these.best
    if not inside[first]:
        return ()
    while first > 0 and inside[first - 1]:
        first -= 1
    while last + 1 < len(inside) and inside[last + 1]:
        last += 1
    return tuple(setting.f_number for setting in these.settings[first : last + 1])
