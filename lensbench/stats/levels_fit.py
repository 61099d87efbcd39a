"""Differences between levels with settings, and drift from shot to shot, taken out by one linear fit.

y = setting + level + drift x order. Shots of different levels may scatter differently (a hand shakes, a tripod does
not), so the variance is taken from each shot's own residual, with Satterthwaite's degrees of freedom at the levels' own
variances; without drift and for two levels that is Welch's test. Where levels surely scatter differently, the steadier
shots weigh more.

References
----------
R. M. Bell, D. F. McCaffrey, Survey Methodology 28, 169 (2002); G. W. Imbens, M. Kolesar, Rev. Econ. Stat. 98, 701
(2016): the small-sample variance and its degrees of freedom (formulas from memory, checked against Welch's).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import stats

from lensbench.model.shot import IntArray
from lensbench.model.units import FloatArray

_CONFIDENCE: Final = 0.95
_FEWEST_FREE: Final = 2  # residual degrees of freedom that must be left when drift is fitted too
_ALONE: Final = 1e-9
_UNLIKELY: Final = 0.01
_WORTH: Final = 2.0  # degrees of freedom that the common variance is worth in each level's


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Which shot stood under what, all of shape (shots,)."""

    level: IntArray
    """0 is the reference."""
    setting: IntArray
    order: FloatArray

    @property
    def levels(self) -> int:
        """How many there are beside the reference."""
        return int(self.level.max())

    def design(self, *, drift: bool) -> FloatArray:
        """A column for every setting, one for every level but the reference, and one for drift if wanted."""
        columns = [self.setting == setting for setting in np.unique(self.setting)]
        columns += [self.level == level for level in range(1, self.levels + 1)]
        plain = np.column_stack(columns).astype(np.float64)
        return np.column_stack([plain, self.order - self.order.mean()]) if drift else plain

    def cost_of_drift(self) -> float:
        """By how much taking out drift widens the variance of the levels' differences, at most."""
        plain, drifting = self.design(drift=False), self.design(drift=True)
        alone = np.diagonal(np.linalg.pinv(plain.T @ plain))[-self.levels :]
        beside_drift = np.diagonal(np.linalg.pinv(drifting.T @ drifting))[-self.levels - 1 : -1]
        return float(np.max(beside_drift / alone))


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One estimated difference."""

    value: float
    half: float
    """Half of the 95 % interval; NaN where nothing is left to judge by."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """Differences of levels 1, 2, ... against the reference, and the drift from shot to shot."""

    levels: tuple[Difference, ...]
    drift: Difference | None
    """None where too few shots leave no room for it."""
    sd: tuple[float, ...]
    """Scatter of the shots of each level, the reference first, as their residuals show it."""
    dof: tuple[float, ...]
    """Residuals' degrees of freedom that each of these rests on."""


def fit_levels(values: FloatArray, layout: Layout) -> Fitted:
    """Differences of levels and drift, with settings fitted beside them.

    Parameters
    ----------
    values : float array, shape (shots,)
        What was measured; logarithms for differences in percent.
    layout : Layout
        Levels, settings and order of the shots.
    """
    plain, drifting = layout.design(drift=False), layout.design(drift=True)
    columns = drifting.shape[1]
    with_drift = len(values) - columns >= _FEWEST_FREE and np.linalg.matrix_rank(drifting) == columns
    root = np.sqrt(_Fit(plain, values, layout.level).weights())
    fit = _Fit((drifting if with_drift else plain) * root[:, None], values * root, layout.level)
    first, kinds = plain.shape[1] - layout.levels, range(layout.levels + 1)
    confidence = 1.0 - (1.0 - _CONFIDENCE) / max(layout.levels, 1)
    return Fitted(
        levels=tuple(fit.difference(first + k, confidence) for k in range(layout.levels)),
        drift=fit.difference(columns - 1, _CONFIDENCE) if with_drift else None,
        sd=tuple(float((fit.sd / root)[layout.level == kind][0]) for kind in kinds),
        dof=tuple(float(fit.left[layout.level == kind].sum()) for kind in kinds),
    )


class _Fit:
    """One least-squares fit, and what its residuals tell of the scatter."""

    def __init__(self, design: FloatArray, values: FloatArray, level: IntArray) -> None:
        self.values, self.level = values, level
        self.inverse = np.asarray(np.linalg.pinv(design), np.float64)
        self.maker = np.eye(len(values)) - design @ self.inverse  # turns values into residuals
        self.residual = self.maker @ values
        self.left = np.diagonal(self.maker)  # share of each shot's own variance that its residual keeps
        self.squares = np.bincount(level, weights=self.residual**2)
        self.dof = np.bincount(level, weights=self.left)

    @property
    def sd(self) -> FloatArray:
        """Of each shot, from the residuals of its level."""
        return np.asarray(np.sqrt(self.squares / np.maximum(self.dof, _ALONE))[self.level], np.float64)

    def weights(self) -> FloatArray:
        """Weigh shots by the scatter of their level where levels differ in it beyond doubt; else all alike.

        Else one shaken kind of shots would tell the drift of all. Each level's variance is drawn towards the common
        one, as though that had been seen in two shots more.
        """
        known = self.dof > 1.0 - _ALONE
        even = np.ones(len(self.values))
        if np.count_nonzero(known) < 2 or not np.all(self.squares[known] > 0.0):
            return even
        dof = self.dof[known]
        variance = self.squares[known] / dof
        most, least = int(np.argmax(variance)), int(np.argmin(variance))
        chance = stats.f.sf(variance[most] / variance[least], dof[most], dof[least])
        if chance * max(np.count_nonzero(known) - 1, 1) > _UNLIKELY:
            return even
        common = float(np.exp(np.average(np.log(variance), weights=dof)))
        drawn = (_WORTH * common + self.squares) / (_WORTH + self.dof)
        return np.asarray((common / drawn)[self.level], np.float64)

    def difference(self, column: int, confidence: float) -> Difference:
        """One column's coefficient with an interval that allows unequal scatter."""
        share = self.inverse[column]
        value = float(share @ self.values)
        alone = (self.left <= _ALONE) & (np.abs(share) > _ALONE)
        if np.any(alone) or not np.isfinite(value):
            return Difference(value=value, half=float("nan"))  # a level of one shot: its scatter is unknown
        scale = np.where(self.left > _ALONE, share / np.sqrt(np.maximum(self.left, _ALONE)), 0.0)
        spread = self.sd[:, None] * self.maker * scale
        trace, squares = np.sum(spread**2), np.sum((spread.T @ spread) ** 2)
        dof = max(float(trace**2 / squares), 1.0) if squares > 0.0 else 1.0
        sd = float(np.sqrt(np.sum((scale * self.residual) ** 2)))
        return Difference(value=value, half=float(stats.t.ppf(0.5 + 0.5 * confidence, dof)) * sd)
