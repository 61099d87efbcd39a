"""The best setting: the one of lowest expected loss, and all that can't be told from it.

For every setting the simultaneous 95 % interval of its distance from the best of the others is Hsu's,

    theta_i - max over j of theta_j  in  min over j of (D_ij -+ q_i s_ij),

with q_i the one-sided critical value of all comparisons with setting i together: Dunnett's, for any correlations. The
curve of one focal length ties the errors of its stops together; there q_i is read off a fixed set of normal draws, so
that equal figures give equal answers. Independent means, as of a few lenses with few degrees of freedom, where draws
would err by 2 %, have it exactly: differences from a control share its noise, so their correlations have the form
b_j b_l, and a double integral settles the probability. (`scipy.stats.dunnett` takes samples with one variance and no
means; `scipy.stats.multivariate_t` integrates one limit at a time by random points.)

A setting leaves the set of the best only when another is surely better: so the set holds the true best with 95 %
confidence, however many there are. Settings within the indifference of the best belong to it whatever the statistics
say.

References
----------
J. C. Hsu, Ann. Stat. 9, 1026 (1981); Multiple Comparisons: Theory and Methods, Chapman & Hall (1996), chapters 3, 4.
C. W. Dunnett, J. Am. Stat. Assoc. 50, 1096 (1955).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import Final

import numpy as np
from scipy import linalg, optimize, special, stats

from lensbench.model.errors import Note
from lensbench.model.setting import Setting
from lensbench.model.shot import BoolArray
from lensbench.model.sweep import INDIFFERENCE, BestSetting, SharpEnough
from lensbench.model.units import FloatArray
from lensbench.stats.spread import Spread, ZoneSeries
from lensbench.stats.stop_curve import Curve

CONFIDENCE: Final = 0.95
ENOUGH_PERCENT: Final = (95.0, 90.0, 80.0)  # shares of the best that may be sharp enough
_DRAWS: Final = 4096  # of the errors; the critical value is good to about 0.03 standard errors
_CURSE_SHARE: Final = 0.5
_NODES: Final = 48
_LARGEST: Final = 200.0

ZoneCurve = tuple[tuple[Setting, ...], ZoneSeries, Curve]
"""The settings of one focal length, their shots in one zone, and what is believed of them."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Distances:
    """How far each setting may lie from the best of the others: log ratios, all at 95 % together."""

    low: FloatArray  # shape (settings,); above 0 only where the setting is surely the best
    high: FloatArray  # below 0 only where another is surely better

    @property
    def may_be_best(self) -> BoolArray:
        """Settings that no other is surely better than; the highest estimate always belongs to them."""
        return np.asarray(self.high >= 0.0, np.bool_)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidates:
    """Settings that compete, and what is believed of each."""

    settings: tuple[Setting, ...]
    estimate: FloatArray
    """Log MTF50, shape (settings,)."""
    covariance: FloatArray
    """Of the estimates' errors, shape (settings, settings)."""
    dof: float
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

    @property
    def distances(self) -> Distances:
        """How far each may lie from the best of the others."""
        return distances_from_best(self.estimate, self.covariance, self.dof)


def candidates(curves: Sequence[ZoneCurve], spread: Spread) -> Candidates:
    """Curves of several focal lengths side by side as one list of competing settings.

    Their errors are independent between focal lengths.
    """
    ends = [np.isin(np.arange(len(names)), (0, len(names) - 1)) for names, _, _ in curves]
    return Candidates(
        settings=tuple(setting for names, _, _ in curves for setting in names),
        estimate=np.concatenate([curve.estimate for _, _, curve in curves]),
        covariance=linalg.block_diag(*(curve.covariance for _, _, curve in curves)),
        dof=spread.dof,
        at_border=np.concatenate(ends),
    )


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """What is asked of a list of settings, and what keeps the answer from being claimed."""

    place: str
    """The zone or purpose for which they compete."""
    tie: Tie = Tie.BEST
    reservations: tuple[Note, ...] = ()
    """Why no winner is claimed; empty where one is."""


def best_setting(candidates: Candidates, spread: Spread, selection: Selection) -> BestSetting:
    """Best setting, and all that can't be told from it.

    The one of lowest expected loss is the one with the highest estimate; the estimate comes from the smoothed curve,
    which borrows from the neighbours, and its value is freed of what is left of the winner's curse.

    Parameters
    ----------
    candidates : Candidates
        At least one.
    spread : Spread
        Of one refocused shot.
    selection : Selection
        For what they compete.
    """
    best, estimate, distances = candidates.best, candidates.estimate, candidates.distances
    tied = distances.may_be_best | (estimate >= estimate[best] + np.log1p(-INDIFFERENCE))
    tied[best] = True
    named = tuple(setting for setting, inside in zip(candidates.settings, tied, strict=True) if inside)
    value = value_of_pick(candidates)
    half_width = spread.quantile * candidates.sd[best] if spread.known else float("nan")
    return BestSetting(
        focal_length_mm=candidates.settings[best].focal_length_mm,
        f_number=candidates.settings[best].f_number,
        zone=selection.place,
        mtf50_cypx=float(np.exp(value)),
        ci95_cypx=(float(np.exp(value - half_width)), float(np.exp(value + half_width))),
        tied=named,
        at_border=bool(candidates.at_border[best]),
        reservations=selection.reservations,
        take=taken(candidates.settings[best], named, selection.tie),
        take_rule=selection.tie.value,
        sharp_enough=_sharp_enough(candidates, distances, sure=spread.repeated),
    )


def _sharp_enough(candidates: Candidates, distances: Distances, *, sure: bool) -> tuple[SharpEnough, ...]:
    if len({setting.focal_length_mm for setting in candidates.settings}) > 1:
        return ()
    behind = candidates.estimate - candidates.estimate[candidates.best]
    least = np.where(sure, np.minimum(distances.low, 0.0), -np.inf)
    return tuple(
        SharpEnough(
            level_percent=percent,
            surely=_stops(candidates, least >= np.log(percent / 100.0)),
            probably=_stops(candidates, behind >= np.log(percent / 100.0)),
        )
        for percent in ENOUGH_PERCENT
    )


def _stops(candidates: Candidates, inside: BoolArray) -> tuple[float, ...]:
    """F-numbers of the settings inside."""
    return tuple(setting.f_number for setting, kept in zip(candidates.settings, inside, strict=True) if kept)


def distances_from_best(estimate: FloatArray, covariance: FloatArray, dof: float) -> Distances:
    """Simultaneous interval of every setting's distance from the best of the others.

    Parameters
    ----------
    estimate : float array, shape (settings,)
        Log MTF50.
    covariance : float array, shape (settings, settings), or (settings,) for independent errors
        Of the estimates' errors; its ratios are taken as known. From variances alone the critical values are exact.
    dof : float
        Degrees of freedom of its scale; infinite where it is known.
    """
    count = len(estimate)
    if count == 1:
        return Distances(low=np.zeros(1), high=np.full(1, np.inf))
    matrix = covariance if covariance.ndim == 2 else np.diag(covariance)
    errors = None if covariance.ndim == 1 else _errors(covariance)
    if errors is not None and np.isfinite(dof):
        errors = errors / _scales(dof)[:, None]
    variance = np.diag(matrix)
    low, high = np.empty(count), np.empty(count)
    for own in range(count):
        others = np.arange(count) != own
        sd = np.sqrt(np.maximum((variance + variance[own] - 2.0 * matrix[own])[others], 1e-16))
        if errors is None:
            shared = np.sort(np.sqrt(variance[own] / (variance[own] + variance[others])))
            limit = critical_value(shared=tuple(shared.clip(0.0, 0.999).round(3).tolist()), dof=dof)
        else:
            worst = np.max((errors[:, others] - errors[:, [own]]) / sd, axis=1)
            limit = float(np.quantile(worst, CONFIDENCE))
        ahead = estimate[own] - estimate[others]
        low[own], high[own] = np.min(ahead - limit * sd), np.min(ahead + limit * sd)
    return Distances(low=low, high=high)


def value_of_pick(candidates: Candidates) -> float:
    """Log MTF50 of the best setting without the winner's curse.

    The highest of several estimates is one that erred upwards, on average. By how much is seen where the errors are
    drawn anew about the estimates and the highest taken each time. Half of that is taken off: the estimates already
    lie further apart than the truth, and in simulated shoots the whole would take off too much.
    """
    errors = _errors(candidates.covariance)
    picked = np.argmax(candidates.estimate + errors, axis=1)
    curse = float(np.mean(np.take_along_axis(errors, picked[:, None], axis=1)))
    return float(candidates.estimate[candidates.best]) - _CURSE_SHARE * curse


def _errors(covariance: FloatArray) -> FloatArray:
    """Errors drawn with the estimates' covariance, shape (draws, settings)."""
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(_draws(len(values)) @ root.T, np.float64)


@lru_cache(maxsize=8)
def _draws(count: int) -> FloatArray:
    """Draws of unit variance, the same ones every time, in pairs of opposite sign."""
    half = np.random.default_rng(20).normal(size=(_DRAWS // 2, count))
    return np.concatenate([half, -half])


@lru_cache(maxsize=32)
def _scales(dof: float) -> FloatArray:
    """Estimated standard deviation over the true one, evenly through its distribution, shuffled."""
    share = (np.arange(_DRAWS) + 0.5) / _DRAWS
    return np.random.default_rng(21).permutation(np.sqrt(stats.chi2.ppf(share, dof) / dof))


def taken(best: Setting, tied: Sequence[Setting], rule: Tie) -> Setting:
    """Which stop to take, at the focal length of the best one.

    >>> stops = [Setting(focal_length_mm=35.0, f_number=stop) for stop in (4.0, 5.6, 8.0)]
    >>> taken(stops[0], stops, Tie.MIDDLE).f_number
    5.6
    """
    alike = {best, *(setting for setting in tied if setting.focal_length_mm == best.focal_length_mm)}
    stops = sorted(alike, key=lambda setting: setting.f_number)
    match rule:
        case Tie.BEST:
            return best
        case Tie.WIDEST:
            return stops[0]
        case Tie.DEEPEST:
            return stops[-1]
        case Tie.MIDDLE:
            middle = np.sqrt(stops[0].f_number * stops[-1].f_number)
            return min(stops, key=lambda setting: abs(np.log(setting.f_number / middle)))


def probability_all_below(limit: float, *, shared: tuple[float, ...], dof: float) -> float:
    """Probability, good to 1e-5, that every studentised difference from a control stays below a limit.

    `shared` is, for each comparison, the share of the control's noise in the difference's: b_j = sqrt(v / (v + v_j)) of
    the variances of the control and of the other; sqrt(1/2) for equal ones.
    """
    correlation = np.asarray(shared, dtype=np.float64)
    common, common_weight = special.roots_hermitenorm(_NODES)
    spread, spread_weight = np.ones(1), np.ones(1)
    if np.isfinite(dof):
        nodes, weights = special.roots_legendre(_NODES)
        spread, spread_weight = np.sqrt(stats.chi2.ppf(0.5 * (nodes + 1.0), dof) / dof), 0.5 * weights
    below = special.ndtr(
        (limit * spread[:, None, None] + correlation * common[:, None]) / np.sqrt(1.0 - correlation**2)
    ).prod(axis=-1)
    return float(spread_weight @ below @ (common_weight / np.sqrt(2.0 * np.pi)))


@lru_cache(maxsize=2048)
def critical_value(*, shared: tuple[float, ...], dof: float) -> float:
    """One-sided critical value of Dunnett's test, in standard errors of a difference.

    >>> round(critical_value(shared=(0.5**0.5,), dof=float("inf")), 3)
    1.645
    """
    return float(
        optimize.brentq(
            lambda limit: probability_all_below(limit, shared=shared, dof=dof) - CONFIDENCE,
            0.0,
            _LARGEST,
            xtol=1e-5,
        )
    )
