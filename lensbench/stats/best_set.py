"""The best setting, and all that can't be told from it: plain means of the shots decide, not the curve through them.

For every setting the upper limit of its distance from the best of the others is Hsu's, at 95 % for all together,

    theta_i - max over j of theta_j  <=  min over j of (D_ij + q_i s_ij),

with q_i the one-sided critical value of all comparisons with setting i together: Dunnett's. Means of shots are
independent, so differences from one of them share its noise alone: their correlations have the form b_j b_l, and a
double integral settles the probability, exactly. (`scipy.stats.dunnett` takes samples with one variance and no means;
`scipy.stats.multivariate_t` integrates one limit at a time by random points.)

A setting leaves the set of the best only when another is surely better: so the set holds the true best with 95 %
confidence, however many there are. Settings within the indifference of the best by their means belong to it, too.

As good is what surely lies within the indifference of every other. Such a claim is false only if some one setting is
better by more, so each comparison by itself at 5 % keeps the claim at 5 % (Berger), whichever the data made the best.
Its limit comes from what each of the two may err by itself, as their own intervals have it (Zou and Donner): focus
errors lean to one side, and a focus that all shots of a stop share shows in no variance.

References
----------
J. C. Hsu, Ann. Stat. 9, 1026 (1981); Multiple Comparisons: Theory and Methods, Chapman & Hall (1996), chapters 3, 4.
C. W. Dunnett, J. Am. Stat. Assoc. 50, 1096 (1955).
R. L. Berger, Technometrics 24, 295 (1982), intersection-union tests (from memory).
G. Y. Zou, A. Donner, Stat. Med. 27, 1693 (2008), a difference's limits from those of its two parts (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import Final

import numpy as np
from scipy import optimize, special

from lensbench.model.errors import Note
from lensbench.model.setting import Setting
from lensbench.model.shot import BoolArray
from lensbench.model.sweep import INDIFFERENCE, Behind, BestSetting, SharpEnough
from lensbench.model.units import FloatArray
from lensbench.stats.scatter import CREEP_LEAN, Spread, ZoneSeries
from lensbench.stats.spread import rounded_dof
from lensbench.stats.stop_curve import Curve

CONFIDENCE: Final = 0.95
ENOUGH_PERCENT: Final = (95.0, 90.0, 80.0)  # shares of the best that may be sharp enough
_CURSE_SHARE: Final = 0.5
_NODES: Final = 48
_MARGIN: Final = 0.01  # of the bounds of a limit, for the integral's own error
_ENDLESS_DOF: Final = 1e9

ZoneCurve = tuple[tuple[Setting, ...], ZoneSeries, Curve]
"""The settings of one focal length, their shots in one zone, and what is believed of them."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Distances:
    """How far each setting may lie from the best of the others: log ratios."""

    low: FloatArray  # shape (settings,), each at 95 %
    high: FloatArray  # all at 95 % together; below 0 only where another is surely better

    @property
    def may_be_best(self) -> BoolArray:
        """Settings that no other is surely better than; the highest mean always belongs to them."""
        return np.asarray(self.high >= 0.0, np.bool_)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidates:
    """Settings that compete, and what is known of each; every array has the shape (settings,)."""

    settings: tuple[Setting, ...]
    mean: FloatArray
    """Log MTF50 by the shots of each alone: these compete."""
    variance: FloatArray
    """Of the means; they err independently."""
    dof: float
    """Degrees of freedom of the variances' scale; infinite where it is known."""
    value: FloatArray
    """Log MTF50 as it is reported: where the curve of the stops lends strength, that curve's."""
    value_sd: FloatArray
    value_low: FloatArray
    """Ends of the values' 95 % intervals; NaN where nothing told the spread."""
    value_high: FloatArray
    errs_down: FloatArray
    """How far each value may lie above the truth, and below it, at 5 % to that side; NaN as before."""
    errs_up: FloatArray
    at_border: BoolArray
    """At the first or last f-number tested at its focal length."""

    @property
    def best(self) -> int:
        """Place of the setting of lowest expected loss: the one with the highest value."""
        return int(np.argmax(self.value))

    @property
    def distances(self) -> Distances:
        """How far each may lie from the best of the others."""
        return Distances(
            low=least_ahead(self.value, self.errs_down, self.errs_up),
            high=most_ahead(self.mean, self.variance, self.dof),
        )

    def at(self, places: BoolArray) -> "Candidates":
        """Some of them."""
        return Candidates(
            settings=tuple(setting for setting, kept in zip(self.settings, places, strict=True) if kept),
            mean=self.mean[places],
            variance=self.variance[places],
            dof=self.dof,
            value=self.value[places],
            value_sd=self.value_sd[places],
            value_low=self.value_low[places],
            value_high=self.value_high[places],
            errs_down=self.errs_down[places],
            errs_up=self.errs_up[places],
            at_border=self.at_border[places],
        )


def candidates(curves: Sequence[ZoneCurve], spread: Spread) -> Candidates:
    """Curves of several focal lengths side by side as one list of competing settings."""
    ends = [np.isin(np.arange(len(names)), (0, len(names) - 1)) for names, _, _ in curves]
    means = np.concatenate([series.means for _, series, _ in curves])
    values = np.concatenate([curve.estimate for _, _, curve in curves])
    return Candidates(
        settings=tuple(setting for names, _, _ in curves for setting in names),
        mean=means,
        variance=np.concatenate([spread.variance_of_means(series) for _, series, _ in curves]),
        dof=spread.dof,
        value=values,
        value_sd=np.concatenate(
            [(CREEP_LEAN if series.crept else 1.0) * curve.sd for _, series, curve in curves]
        ),
        value_low=np.concatenate([curve.low for _, _, curve in curves]),
        value_high=np.concatenate([curve.high for _, _, curve in curves]),
        errs_down=np.concatenate([curve.errs_down for _, _, curve in curves]),
        errs_up=np.concatenate([curve.errs_up for _, _, curve in curves]),
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

    The one of lowest expected loss is the one with the highest value, which is freed of what is left of the
    winner's curse, and claimed only where shots were repeated. The shots alone say what can't be told from it.
    """
    best, distances = candidates.best, candidates.distances
    near = candidates.value >= candidates.value[best] + np.log1p(-INDIFFERENCE)
    sure = np.full(len(near), spread.repeated)
    good = sure & (np.minimum(distances.low, 0.0) >= np.log1p(-INDIFFERENCE))
    good[best] = True
    tied = distances.may_be_best | near | good
    value = value_of_pick(candidates)
    moved = value - candidates.value[best] if spread.repeated else float("nan")
    ends = moved + candidates.value_low[best], moved + candidates.value_high[best]
    return BestSetting(
        focal_length_mm=candidates.settings[best].focal_length_mm,
        f_number=candidates.settings[best].f_number,
        zone=selection.place,
        mtf50_cypx=float(np.exp(value)),
        ci95_cypx=(float(np.exp(ends[0])), float(np.exp(ends[1]))),
        tied=_named(candidates, tied),
        as_good=_named(candidates, good),
        behind=_behind(candidates, distances, known=spread.known),
        at_border=bool(candidates.at_border[best]),
        reservations=selection.reservations,
        take=taken(candidates.settings[best], _named(candidates, tied & near), selection.tie),
        take_rule=selection.tie.value,
        sharp_enough=_sharp_enough(candidates, distances, sure=spread.repeated),
    )


def _named(candidates: Candidates, places: BoolArray) -> tuple[Setting, ...]:
    return tuple(setting for setting, inside in zip(candidates.settings, places, strict=True) if inside)


def _behind(candidates: Candidates, distances: Distances, *, known: bool) -> tuple[Behind, ...]:
    """How much softer each is than the best of the others, and by how much at least and at most."""
    if len(candidates.settings) < 2:
        return ()
    softer = []
    for place, setting in enumerate(candidates.settings):
        ahead = candidates.value[place] - np.delete(candidates.value, place).max()
        ends = (distances.high[place], distances.low[place]) if known else (np.nan, np.nan)
        percent, least, most = (float(-100.0 * np.expm1(value)) for value in (ahead, *ends))
        softer.append(
            Behind(
                focal_length_mm=setting.focal_length_mm,
                f_number=setting.f_number,
                percent=percent,
                ci95_percent=(min(least, percent), max(most, percent)) if known else (least, most),
            )
        )
    return tuple(softer)


def _sharp_enough(candidates: Candidates, distances: Distances, *, sure: bool) -> tuple[SharpEnough, ...]:
    """Every stop that keeps a share of the best one's sharpness, the best itself among them."""
    if len({setting.focal_length_mm for setting in candidates.settings}) > 1:
        return ()
    behind = candidates.value - candidates.value[candidates.best]
    least = np.where(sure, np.minimum(distances.low, 0.0), -np.inf)
    stops = np.array([setting.f_number for setting in candidates.settings])
    found = []
    for percent in ENOUGH_PERCENT:
        surely, probably = (ahead >= np.log(percent / 100.0) for ahead in (least, behind))
        surely[candidates.best] |= sure and bool(surely.any())
        found.append(
            SharpEnough(
                level_percent=percent,
                surely=tuple(stops[surely].tolist()),
                probably=tuple(stops[probably].tolist()),
            )
        )
    return tuple(found)


def most_ahead(mean: FloatArray, variance: FloatArray, dof: float) -> FloatArray:
    """How far each setting may be ahead of the best of the others, at 95 % for all together; shape (settings,).

    Parameters
    ----------
    mean, variance : float arrays, shape (settings,)
        Log MTF50 by the shots alone and the variance of its error; errors are independent, and the variances' ratios
        taken as known.
    dof : float
        Degrees of freedom of their scale; infinite where it is known.
    """
    count, whole, high = len(mean), rounded_dof(dof), np.full(len(mean), np.inf)
    for own in range(count if count > 1 else 0):
        others = np.arange(count) != own
        sd = np.sqrt(np.maximum(variance[own] + variance[others], 1e-16))
        shared = np.sort(np.sqrt(variance[own] / (variance[own] + variance[others])))
        limit = critical_value(
            shared=tuple((0.05 * (shared / 0.05).round()).clip(0.0, 0.95).tolist()), dof=whole
        )
        high[own] = np.min(mean[own] - mean[others] + limit * sd)
    return high


def least_ahead(value: FloatArray, errs_down: FloatArray, errs_up: FloatArray) -> FloatArray:
    """How far each setting is at least ahead of the best of the others (mostly behind it), at 95 % each.

    Parameters
    ----------
    value : float array, shape (settings,)
        Log MTF50 as it is believed.
    errs_down, errs_up : float arrays, shape (settings,)
        How far it may lie above the truth and below it, at 5 % to that side.
    """
    if len(value) == 1:
        return np.zeros(1)
    limits = value[:, None] - value - np.hypot(errs_down[:, None], errs_up)
    np.fill_diagonal(limits, np.inf)
    return np.asarray(limits.min(axis=1), np.float64)


def value_of_pick(candidates: Candidates) -> float:
    """Log MTF50 of the best setting without the winner's curse.

    The highest of several estimates is one that erred upwards, on average: by the mean error of whichever comes out
    highest where errors are laid anew about the estimates, an integral over each one's error with all others below.
    Half of that is taken off: the estimates already lie further apart than the truth, and in simulated shoots the whole
    would take off too much.
    """
    sd = np.maximum(candidates.value_sd, 1e-8)
    nodes, weights = special.roots_hermitenorm(_NODES)
    curse = 0.0
    for own in range(len(sd)):
        reached = candidates.value[own] + sd[own] * nodes[:, None]
        below = special.ndtr((reached - np.delete(candidates.value, own)) / np.delete(sd, own)).prod(axis=1)
        curse += float(sd[own] * np.sum(weights * nodes * below) / np.sqrt(2.0 * np.pi))
    return float(candidates.value[candidates.best]) - _CURSE_SHARE * curse


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


def probability_all_below(limit: float | FloatArray, *, shared: tuple[float, ...], dof: float) -> float:
    """Probability, good to 1e-5, that every studentised difference from a control stays below a limit, or its own.

    `shared` is, for each comparison, the share of the control's noise in the difference's: b_j = sqrt(v / (v + v_j)) of
    the variances of the control and of the other; sqrt(1/2) for equal ones.
    """
    correlation = np.asarray(shared, dtype=np.float64)
    common, common_weight = special.roots_hermitenorm(_NODES)
    spread, spread_weight = np.ones(1), np.ones(1)
    if np.isfinite(dof):
        nodes, weights = special.roots_legendre(_NODES)
        spread, spread_weight = np.sqrt(special.chdtri(dof, 0.5 * (1.0 - nodes)) / dof), 0.5 * weights
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
    if len(shared) == 1:
        return float(special.stdtrit(min(dof, _ENDLESS_DOF), CONFIDENCE))
    # Between the limit of one comparison and Bonferroni's.
    ends = special.stdtrit(min(dof, _ENDLESS_DOF), [CONFIDENCE, 1.0 - (1.0 - CONFIDENCE) / len(shared)])
    return float(
        optimize.brentq(
            lambda limit: probability_all_below(limit, shared=shared, dof=dof) - CONFIDENCE,
            ends[0] - _MARGIN,
            ends[1] + _MARGIN,
            xtol=1e-4,
        )
    )
