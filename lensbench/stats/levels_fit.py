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
import numpy.typing as npt
from scipy import stats

from lensbench.model.units import FloatArray

_CONFIDENCE: Final = 0.95
_FEWEST_FREE: Final = 2
"""Residual degrees of freedom that must be left when drift is fitted too."""
_ALONE: Final = 1e-9
_UNLIKELY: Final = 0.01
_WORTH: Final = 2.0
"""Degrees of freedom that the common variance is worth in each level's."""
_NAN: Final = float("nan")

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Which shot stood under what, all of shape (shots,)."""

    level: IntArray
    """0 is the reference."""
    setting: IntArray
    order: FloatArray


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
    levels, settings = int(layout.level.max()), np.unique(layout.setting)
    columns = [layout.setting == setting for setting in settings]
    columns += [layout.level == level for level in range(1, levels + 1)]
    design = np.column_stack(columns).astype(np.float64)
    drift = np.column_stack([design, layout.order - layout.order.mean()])
    with_drift = bool(
        len(values) - drift.shape[1] >= _FEWEST_FREE and np.linalg.matrix_rank(drift) == drift.shape[1]
    )
    root = np.sqrt(_weights(design, values, layout.level))
    design = drift if with_drift else design
    first = len(settings)
    confidence = 1.0 - (1.0 - _CONFIDENCE) / max(levels, 1)
    parts = _parts(design * root[:, None], values * root, layout.level)
    last = _difference(parts, design.shape[1] - 1, confidence=_CONFIDENCE) if with_drift else None
    kinds = range(levels + 1)
    return Fitted(
        levels=tuple(_difference(parts, first + k, confidence=confidence) for k in range(levels)),
        drift=last,
        sd=tuple(float((parts.sd / root)[layout.level == kind][0]) for kind in kinds),
        dof=tuple(float(parts.left[layout.level == kind].sum()) for kind in kinds),
    )


def _weights(design: FloatArray, values: FloatArray, level: IntArray) -> FloatArray:
    """Weigh shots by the scatter of their level where levels scatter differently beyond doubt; else all alike.

    Else one shaken kind of shots would tell the drift of all. Each level's variance is drawn towards the common one, as
    though that had been seen in two shots more.
    """
    maker = np.eye(len(values)) - design @ np.linalg.pinv(design)
    residual, left = maker @ values, np.diagonal(maker)
    squares, dof = np.bincount(level, weights=residual**2), np.bincount(level, weights=left)
    known = dof > 1.0 - _ALONE
    if np.count_nonzero(known) < 2 or not np.all(squares[known] > 0.0):
        return np.ones(len(values))
    variance = squares[known] / dof[known]
    most, least = int(np.argmax(variance)), int(np.argmin(variance))
    chance = stats.f.sf(variance[most] / variance[least], dof[known][most], dof[known][least])
    if chance * max(np.count_nonzero(known) - 1, 1) > _UNLIKELY:
        return np.ones(len(values))
    common = float(np.exp(np.average(np.log(variance), weights=dof[known])))
    drawn = (_WORTH * common + squares) / (_WORTH + dof)
    return np.asarray((common / drawn)[level], np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Parts:
    """What all differences of one fit share."""

    inverse: FloatArray
    values: FloatArray
    residual: FloatArray
    maker: FloatArray
    """Turns values into residuals."""
    left: FloatArray
    """Share of each shot's own variance that its residual keeps."""
    sd: FloatArray
    """Of each shot, from the residuals of its level."""


def _parts(design: FloatArray, values: FloatArray, level: IntArray) -> _Parts:
    inverse = np.asarray(np.linalg.pinv(design), np.float64)
    maker = np.eye(len(values)) - design @ inverse
    residual, left = maker @ values, np.diagonal(maker)
    squares = np.bincount(level, weights=residual**2) / np.maximum(np.bincount(level, weights=left), 1e-9)
    return _Parts(
        inverse=inverse, values=values, residual=residual, maker=maker, left=left, sd=np.sqrt(squares)[level]
    )


def _difference(parts: _Parts, column: int, *, confidence: float) -> Difference:
    """One column's coefficient with an interval that allows unequal scatter."""
    share = parts.inverse[column]
    value = float(share @ parts.values)
    alone = (parts.left <= _ALONE) & (np.abs(share) > _ALONE)
    if np.any(alone) or not np.isfinite(value):
        return Difference(value=value, half=_NAN)  # a level of one shot: its scatter is unknown
    scale = np.where(parts.left > _ALONE, share / np.sqrt(np.maximum(parts.left, _ALONE)), 0.0)
    spread = parts.sd[:, None] * parts.maker * scale
    trace, squares = np.sum(spread**2), np.sum((spread.T @ spread) ** 2)
    dof = max(float(trace**2 / squares), 1.0) if squares > 0.0 else 1.0
    sd = float(np.sqrt(np.sum((scale * parts.residual) ** 2)))
    return Difference(value=value, half=float(stats.t.ppf(0.5 + 0.5 * confidence, dof)) * sd)
