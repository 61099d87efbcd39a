"""The best setting: the one of lowest expected loss, and all that can't be told from it.

The set is Hsu's: a setting leaves it only when another is better beyond the one-sided limit for as many comparisons
as there are settings. It holds the true best with 95 % confidence, however many there are. Settings within the
indifference of the best belong to it whatever the statistics say.

References
----------
J. C. Hsu, Ann. Stat. 9, 1026 (1981); Multiple Comparisons: Theory and Methods, Chapman & Hall (1996).

Settings that compete for the best, held against each other all at once.

Each is believed to lie somewhere, and the beliefs share errors: the curve of one focal length ties its stops
together. For every setting the simultaneous 95 % interval of its distance from the best of the others is Hsu's,

    theta_i - max over j of theta_j  in  min over j of (D_ij -+ q_i s_ij),

with q_i the one-sided critical value of all comparisons with setting i together: Dunnett's, for any correlations. It
is read off a fixed set of normal draws, so that equal figures give equal answers.

References
----------
J. C. Hsu, Ann. Stat. 9, 1026 (1981); Multiple Comparisons: Theory and Methods, Chapman & Hall (1996), chapter 4.

Comparisons of many settings with one: the one-sided critical value of Dunnett's test.

Hsu's multiple comparisons with the best rest on it. The differences from a control share its noise, so their
correlations have the product form b_j b_l, and the probability is a double integral that quadrature settles.

References
----------
C. W. Dunnett, J. Am. Stat. Assoc. 50, 1096 (1955).
J. C. Hsu, Multiple Comparisons: Theory and Methods, Chapman & Hall (1996), chapters 3 and 4.

Which of several equally good stops to take: a matter of taste, so the photographer says.

The rule never changes what is found; it only names one of the set.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import Final

import numpy as np
from scipy import optimize, special, stats

from lensbench.model.shot import BoolArray
from lensbench.model.sweep import INDIFFERENCE, BestSetting, Setting, SharpEnough
from lensbench.model.units import FloatArray
from lensbench.stats.spread import Spread, ZoneSeries
from lensbench.stats.stop_curve import Curve

__all__ = [
    "Question",
    "Rivals",
    "Tie",
    "ZoneCurve",
    "best_setting",
    "cannot_be_told_from_best",
    "critical_value",
    "distances_from_best",
    "probability_all_below",
    "rivals",
    "taken",
    "value_of_pick",
]


CONFIDENCE: Final = 0.95
_DRAWS: Final = 4096
"""Of the errors; the critical value is good to about 0.03 standard errors."""

ZoneCurve = tuple[tuple[Setting, ...], ZoneSeries, Curve]
"""The settings of one focal length, their shots in one zone, and what is believed of them."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rivals:
    """Settings that compete, and what is believed of each."""

    settings: tuple[Setting, ...]
    estimate: FloatArray
    """Log MTF50, shape (settings,)."""
    covariance: FloatArray
    """Of the estimates' errors, shape (settings, settings)."""
    freedom: float
    """Degrees of freedom of the covariance's scale; infinite where it is known."""
    at_border: BoolArray
    """At the first or last f-number tested at its focal length."""

    @property
    def sd(self) -> FloatArray:
        """Standard deviation of each estimate."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def best(self) -> int:
        """Place of the setting of lowest expected loss: the one with the highest estimate."""
        return int(np.argmax(self.estimate))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Distances:
    """How far each setting may lie from the best of the others: log ratios, all at 95 % together."""

    low: FloatArray
    """Shape (settings,); above 0 only where the setting is surely the best."""
    high: FloatArray
    """Below 0 only where another is surely better."""


def rivals(curves: Sequence[ZoneCurve], spread: Spread) -> Rivals:
    """Put the curves of several focal lengths side by side as one list of competing settings.

    Their errors are independent between focal lengths.
    """
    sizes = [len(names) for names, _, _ in curves]
    covariance = np.zeros((sum(sizes), sum(sizes)))
    for (_, _, curve), end, size in zip(curves, np.cumsum(sizes), sizes, strict=True):
        covariance[end - size : end, end - size : end] = curve.covariance
    return Rivals(
        settings=tuple(setting for names, _, _ in curves for setting in names),
        estimate=np.concatenate([curve.estimate for _, _, curve in curves]),
        covariance=covariance,
        freedom=spread.freedom,
        at_border=np.concatenate([np.isin(np.arange(size), (0, size - 1)) for size in sizes]),
    )


def distances_from_best(these: Rivals) -> Distances:
    """Give the simultaneous interval of every setting's distance from the best of the others."""
    count = len(these.settings)
    if count == 1:
        return Distances(low=np.zeros(1), high=np.full(1, np.inf))
    errors = _errors(these)
    if np.isfinite(these.freedom):
        errors = errors / _scales(these.freedom)[:, None]
    variance = np.diag(these.covariance)
    low, high = np.empty(count), np.empty(count)
    for place in range(count):
        others = np.arange(count) != place
        between = variance + variance[place] - 2.0 * these.covariance[place]
        sd = np.sqrt(np.maximum(between[others], 1e-16))
        worst = np.max((errors[:, others] - errors[:, [place]]) / sd, axis=1)
        reach = float(np.quantile(worst, CONFIDENCE)) * sd
        ahead = these.estimate[place] - these.estimate[others]
        low[place], high[place] = np.min(ahead - reach), np.min(ahead + reach)
    return Distances(low=low, high=high)


def value_of_pick(these: Rivals) -> float:
    """Give log MTF50 of the best setting without the winner's curse.

    The highest of several estimates is one that erred upwards, on average. By how much is seen where the errors are
    drawn anew about the estimates and the highest taken each time. Half of that is taken off: the estimates already
    lie further apart than the truth, and in simulated shoots the whole would take off too much.
    """
    errors = _errors(these)
    picked = np.argmax(these.estimate + errors, axis=1)
    curse = float(np.mean(np.take_along_axis(errors, picked[:, None], axis=1)))
    return float(these.estimate[these.best]) - _CURSE_SHARE * curse


_CURSE_SHARE: Final = 0.5


def _errors(these: Rivals) -> FloatArray:
    """Draw errors with the estimates' covariance, shape (draws, settings)."""
    values, vectors = np.linalg.eigh(these.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    drawn: FloatArray = _draws(len(values)) @ root.T
    return drawn


@lru_cache(maxsize=8)
def _draws(count: int) -> FloatArray:
    """Give standard normal draws, the same ones every time, in pairs of opposite sign."""
    half = np.random.default_rng(20).normal(size=(_DRAWS // 2, count))
    return np.concatenate([half, -half])


@lru_cache(maxsize=32)
def _scales(freedom: float) -> FloatArray:
    """Give the estimated standard deviation over the true one, evenly through its distribution, shuffled."""
    share = (np.arange(_DRAWS) + 0.5) / _DRAWS
    scales = np.sqrt(stats.chi2.ppf(share, freedom) / freedom)
    shuffled: FloatArray = np.random.default_rng(21).permutation(scales)
    return shuffled


_NODES: Final = 48
_LARGEST: Final = 200.0


def probability_all_below(limit: float, *, shared: tuple[float, ...], freedom: float) -> float:
    """Give the probability that every studentised difference from a control stays below a limit.

    Parameters
    ----------
    limit : float
        In standard errors of the difference.
    shared : tuple of float
        For each comparison the share of the control's noise in the difference's: b_j = sqrt(v / (v + v_j)) of
        the variances of the control and of the other; sqrt(1/2) for equal ones.
    freedom : float
        Degrees of freedom of the common standard deviation; infinite where it is known.

    Returns
    -------
    float
        0 to 1, good to 1e-5.
    """
    correlation = np.asarray(shared, dtype=np.float64)
    common, common_weight = special.roots_hermitenorm(_NODES)
    spread, spread_weight = _spread_nodes(freedom)
    below = special.ndtr(
        (limit * spread[:, None, None] + correlation * common[:, None]) / np.sqrt(1.0 - correlation**2)
    ).prod(axis=-1)
    return float(spread_weight @ below @ (common_weight / np.sqrt(2.0 * np.pi)))


def _spread_nodes(freedom: float) -> tuple[FloatArray, FloatArray]:
    """Give nodes and weights over the estimated standard deviation, as a share of the true one."""
    if not np.isfinite(freedom):
        return np.ones(1), np.ones(1)
    nodes, weights = special.roots_legendre(_NODES)
    share = np.sqrt(stats.chi2.ppf(0.5 * (nodes + 1.0), freedom) / freedom)
    return np.asarray(share, dtype=np.float64), 0.5 * np.asarray(weights, dtype=np.float64)


@lru_cache(maxsize=2048)
def critical_value(*, shared: tuple[float, ...], freedom: float, confidence: float = 0.95) -> float:
    """Give the one-sided critical value of Dunnett's test, in standard errors of a difference.

    >>> round(critical_value(shared=(0.5**0.5,), freedom=float("inf")), 3)
    1.645
    """

    def excess(limit: float) -> float:
        return probability_all_below(limit, shared=shared, freedom=freedom) - confidence

    return float(optimize.brentq(excess, 0.0, _LARGEST, xtol=1e-5))


class Tie(StrEnum):
    """Which of the equally good stops to take."""

    BEST = "best"
    """That of lowest expected loss."""
    WIDEST = "widest"
    """Most light, least depth of field."""
    MIDDLE = "middle"
    """In the middle of the equally good ones: furthest from where they end."""
    DEEPEST = "deepest"
    """Most depth of field."""


def taken(best: Setting, tied: Sequence[Setting], rule: Tie) -> Setting:
    """Name the setting to take, at the focal length of the best one.

    >>> stops = [Setting(focal_length_mm=35.0, f_number=stop) for stop in (4.0, 5.6, 8.0)]
    >>> taken(stops[0], stops, Tie.MIDDLE).f_number
    5.6
    """
    here = [one for one in tied if one.focal_length_mm == best.focal_length_mm or one == best] or [best]
    here.sort(key=lambda one: one.f_number)
    match rule:
        case Tie.BEST:
            return best
        case Tie.WIDEST:
            return here[0]
        case Tie.DEEPEST:
            return here[-1]
        case Tie.MIDDLE:
            middle = np.sqrt(here[0].f_number * here[-1].f_number)
            return min(here, key=lambda one: abs(np.log(one.f_number / middle)))


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
    if len({setting.focal_length_mm for setting in these.settings}) > 1:
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
