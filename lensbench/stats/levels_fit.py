"""Differences between levels with settings, and drift from shot to shot, taken out by one linear fit.

y = setting + level + drift x order. Shots of different levels may scatter differently (a hand shakes, a tripod does
not), so the variance is taken from each shot's own residual, with Satterthwaite's degrees of freedom at the levels' own
variances; without drift and for two levels that is Welch's test. Where levels surely scatter differently, the steadier
shots weigh more.

Shots taken in a row may share what changes between rows: a focus, a mounting. That variance is averaged over its
likelihood beside the scatter within (restricted: of the residuals), beforehand about as large as one assumed, since few
rows often lie close by luck; it is added as far as the rows, and the drift fitted through them, carry it into a
difference. Where each level stands in one row, nothing can show it, and it is assumed as far as the scatter within the
rows does not hold it already.

References
----------
R. M. Bell, D. F. McCaffrey, Survey Methodology 28, 169 (2002); G. W. Imbens, M. Kolesar, Rev. Econ. Stat. 98, 701
(2016): the small-sample variance and its degrees of freedom (formulas from memory, checked against Welch's).
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import special

from lensbench.model.shot import IntArray
from lensbench.model.units import FloatArray
from lensbench.stats.spread import Uncertainty, f_chance, pooled_dof

_CONFIDENCE: Final = 0.95
_FEWEST_FREE: Final = 2  # residual degrees of freedom that must be left when drift is fitted too
_ALONE: Final = 1e-9
_UNLIKELY: Final = 0.01
_WORTH: Final = 2.0  # degrees of freedom that a common or an assumed variance is worth
_ROWS_DIFFER: Final = 0.25  # chance beforehand that shots of a row share what other rows don't
_ROWS_FACTOR: Final = 2.0  # by which what they share is as good as that assumed, one sd
_ROWS_DOF: Final = 4.0  # degrees of freedom that what stands between rows is worth at least
_SURE: Final = 0.05  # chance below which it is said that rows differ


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

    def rows(self, *parts: IntArray) -> IntArray:
        """Number of the unbroken row, of shots alike in these parts, that each shot stands in.

        Where nobody knows the order, all that are alike may have been taken in one row.
        """
        known = len(np.unique(self.order)) == len(self.order)
        sorting = np.lexsort(parts[::-1] if not known else (self.order,))
        changes = np.any([np.diff(part[sorting]) != 0 for part in parts], axis=0)
        numbers = np.empty(len(self.order), np.int64)
        numbers[sorting] = np.concatenate([[0], np.cumsum(changes)])
        return numbers

    @property
    def in_a_row(self) -> bool:
        """Whether each level was shot in one row, so that nothing tells the change from what happened between."""
        return len(self.order) > self.levels + 1 and int(self.rows(self.level).max()) == self.levels

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
    rows_sd: float
    """Scatter between rows of shots, where it surely exceeds that within; else 0."""


def fit_levels(values: FloatArray, layout: Layout, *, unseen_sd: float = 0.0) -> Fitted:
    """Differences of levels and drift, with settings fitted beside them, from what was measured on each shot.

    `unseen_sd` is assumed to stand between rows of shots where each level was shot in one. Differences in percent take
    logarithms.
    """
    plain, drifting = layout.design(drift=False), layout.design(drift=True)
    columns = drifting.shape[1]
    with_drift = len(values) - columns >= _FEWEST_FREE and np.linalg.matrix_rank(drifting) == columns
    design = drifting if with_drift else plain
    root = np.sqrt(_Fit(values, plain, layout.level, np.ones(len(values))).weights())
    fit = _Fit(values, design, layout.level, root)
    first, kinds = plain.shape[1] - layout.levels, range(layout.levels + 1)
    confidence = 1.0 - (1.0 - _CONFIDENCE) / max(layout.levels, 1)
    rows = _rows(values, layout, drift=with_drift, unseen_sd=unseen_sd)
    return Fitted(
        levels=tuple(fit.difference(first + k, confidence, rows) for k in range(layout.levels)),
        drift=fit.difference(design.shape[1] - 1, _CONFIDENCE) if with_drift else None,
        sd=tuple(float((fit.sd / root)[layout.level == kind][0]) for kind in kinds),
        dof=tuple(float(fit.left[layout.level == kind].sum()) for kind in kinds),
        rows_sd=float(np.sqrt(rows.between.variance)) if rows.surely else 0.0,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Rows:
    """Rows of shots: which shot stands in which, and what stands between them beyond the scatter within."""

    member: FloatArray
    """1 where a shot stands in a row, else 0; shape (shots, rows)."""
    between: Uncertainty
    surely: bool = False

    def added(self, share: FloatArray) -> Uncertainty:
        """What the variance of a sum of shots, each by its share, lacks."""
        carried = float(np.sum((share @ self.member) ** 2))
        return replace(self.between, variance=self.between.variance * carried)


def _rows(values: FloatArray, layout: Layout, *, drift: bool, unseen_sd: float) -> _Rows:
    """Judge rows of shots."""
    row = layout.rows(layout.level, layout.setting)
    member = (row[:, None] == np.unique(row)).astype(np.float64)
    of_rows = np.column_stack([member, layout.order - layout.order.mean()]) if drift else member
    square, dof = _left_over(values, of_rows)
    within = square / dof if dof else 0.0
    if layout.in_a_row:
        assumed = max(unseen_sd**2 - within, 0.0)
        return _Rows(member=member, between=Uncertainty(variance=assumed, dof=np.inf))
    design = layout.design(drift=drift)
    all_square, all_dof = _left_over(values, design)
    between = max(all_square - square, 0.0) / max(
        all_dof - dof, 1
    )  # by rounding, the whole may be the lesser
    usual_sd = unseen_sd or float(np.sqrt(between))
    if not (within > 0.0 and all_dof > dof and usual_sd > 0.0):
        return _Rows(member=member, between=Uncertainty(variance=0.0, dof=np.inf))
    return _Rows(
        member=member,
        between=_between_rows(values, design, member, usual_sd=usual_sd),
        surely=f_chance(between / within, all_dof - dof, dof) <= _SURE,
    )


def _between_rows(
    values: FloatArray, design: FloatArray, member: FloatArray, *, usual_sd: float
) -> Uncertainty:
    """Variance between rows, averaged over what the residuals leave likely; the scatter within may have any size."""
    free = np.linalg.svd(design)[0][:, np.linalg.matrix_rank(design) :]
    carried, turn = np.linalg.eigh(free.T @ member @ member.T @ free)
    square = (turn.T @ free.T @ values) ** 2
    within = np.mean(square) * np.geomspace(1e-3, 10.0, 25)
    factor = np.geomspace(0.25, 16.0, 15)
    between = np.append(0.0, (usual_sd * factor) ** 2)
    before = np.exp(-0.5 * (np.log(factor) / np.log(_ROWS_FACTOR)) ** 2)
    before = np.append(1.0 - _ROWS_DIFFER, _ROWS_DIFFER * before / before.sum())
    total = within[:, None, None] + between[:, None] * carried.clip(0.0)
    log_likelihood = -0.5 * np.sum(np.log(total) + square / total, axis=-1)
    chance = (np.exp(log_likelihood - log_likelihood.max()) * before).sum(axis=0)
    mean = float(np.average(between, weights=chance))
    doubt = float(np.average((between - mean) ** 2, weights=chance))
    return Uncertainty(variance=mean, dof=max(2.0 * mean**2 / doubt, _ROWS_DOF))


def _left_over(values: FloatArray, design: FloatArray) -> tuple[float, int]:
    """Sum of the squares that a design leaves of some values, and their degrees of freedom."""
    residual = values - design @ (np.linalg.pinv(design) @ values)
    return float(residual @ residual), len(values) - int(np.linalg.matrix_rank(design))


class _Fit:
    """One least-squares fit, each shot weighed by a root, and what its residuals tell of the scatter."""

    def __init__(self, values: FloatArray, design: FloatArray, level: IntArray, root: FloatArray) -> None:
        self.values, self.level, self.root = values * root, level, root
        design = design * root[:, None]
        self.inverse = np.asarray(np.linalg.pinv(design), np.float64)
        self.maker = np.eye(len(values)) - design @ self.inverse  # turns values into residuals
        self.residual = self.maker @ self.values
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
        chance = f_chance(variance[most] / variance[least], dof[most], dof[least])
        if chance * max(int(np.count_nonzero(known)) - 1, 1) > _UNLIKELY:
            return even
        common = float(np.exp(np.average(np.log(variance), weights=dof)))
        drawn = (_WORTH * common + self.squares) / (_WORTH + self.dof)
        return np.asarray((common / drawn)[self.level], np.float64)

    def difference(self, column: int, confidence: float, rows: "_Rows | None" = None) -> Difference:
        """One column's coefficient with an interval that allows unequal scatter, and what is added to its variance."""
        share = self.inverse[column]
        value = float(share @ self.values)
        alone = (self.left <= _ALONE) & (np.abs(share) > _ALONE)
        if np.any(alone) or not np.isfinite(value):
            return Difference(value=value, half=float("nan"))  # a level of one shot: its scatter is unknown
        scale = np.where(self.left > _ALONE, share / np.sqrt(np.maximum(self.left, _ALONE)), 0.0)
        spread = self.sd[:, None] * self.maker * scale
        trace, squares = np.sum(spread**2), np.sum((spread.T @ spread) ** 2)
        dof = max(float(trace**2 / squares), 1.0) if squares > 0.0 else 1.0
        variance = float(np.sum((scale * self.residual) ** 2))
        if rows is not None and rows.between.variance > 0.0:
            added = rows.added(share * self.root)
            dof = pooled_dof((variance, added.variance), (dof, added.dof))
            variance += added.variance
        return Difference(
            value=value, half=float(special.stdtrit(dof, 0.5 + 0.5 * confidence) * np.sqrt(variance))
        )
