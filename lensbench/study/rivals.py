"""Settings that compete for the best, held against each other all at once.

Each is believed to lie somewhere, and the beliefs share errors: the curve of one focal length ties its stops
together. For every setting the simultaneous 95 % interval of its distance from the best of the others is Hsu's,

    theta_i - max over j of theta_j  in  min over j of (D_ij -+ q_i s_ij),

with q_i the one-sided critical value of all comparisons with setting i together: Dunnett's, for any correlations. It
is read off a fixed set of normal draws, so that equal figures give equal answers.

References
----------
J. C. Hsu, Ann. Stat. 9, 1026 (1981); Multiple Comparisons: Theory and Methods, Chapman & Hall (1996), chapter 4.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from scipy import stats

from lensbench.records import BoolArray
from lensbench.study.curves import Curve, Spread, ZoneSeries
from lensbench.study.findings import Setting
from lensbench.units import FloatArray

__all__ = ["CONFIDENCE", "Distances", "Rivals", "ZoneCurve", "distances_from_best", "rivals", "value_of_pick"]

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
