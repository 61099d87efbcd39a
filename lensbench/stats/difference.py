"""Differences of means: their intervals, and whether they differ from zero.

Welch's interval allows two means their own variances. With more than two rivals all pairs hold together: the
studentised range in place of Student's t (Games and Howell).

References
----------
B. L. Welch, Biometrika 34, 28 (1947), eq. 28.
F. E. Satterthwaite, Biometrics Bulletin 2, 110 (1946), the degrees of freedom.
P. A. Games, J. F. Howell, J. Educ. Stat. 1, 113 (1976): all pairs, unequal variances.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import stats

from lensbench.model.units import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanUncertainty:
    """How well a mean log MTF50 is known."""

    variance: float
    dof: float
    """Degrees of freedom of the variance."""


def half_width(first: MeanUncertainty | None, second: MeanUncertainty | None, *, rivals: int = 2) -> float:
    """Half of a 95 % interval of a difference of log MTF50; NaN where a spread is unknown.

    Parameters
    ----------
    first, second : MeanUncertainty
        Of the two means.
    rivals : int
        How many lenses compete; all their pairs hold together at 95 %.
    """
    if first is None or second is None:
        return math.nan
    total = first.variance + second.variance
    dof = pooled_dof((first.variance, second.variance), (first.dof, second.dof))
    if rivals <= 2:
        return quantile(dof) * math.sqrt(total)
    # Two digits are kept, so that limits need not be computed anew for every row; the interval grows a little.
    if math.isfinite(dof):
        step = 10.0 ** (math.floor(math.log10(dof)) - 1)
        dof = max(math.floor(dof / step) * step, 1.0)
    return _range_limit(rivals, dof) * math.sqrt(0.5 * total)


@lru_cache(maxsize=256)
def _range_limit(rivals: int, dof: float) -> float:
    return float(stats.studentized_range.ppf(0.95, rivals, dof))


def pooled_dof(variances: Sequence[float] | FloatArray, dofs: Sequence[float]) -> float:
    """Degrees of freedom of a sum of independent variances (Satterthwaite); infinite where each is known."""
    shares = sum(variance**2 / dof for variance, dof in zip(variances, dofs, strict=True))
    return float(sum(variances) ** 2 / shares) if shares > 0.0 else math.inf


def quantile(dof: float, *, tests: int = 1) -> float:
    """Student's factor of a two-sided 95 % interval, or of as many at once (Bonferroni)."""
    return float(stats.t.ppf(1.0 - 0.025 / tests, dof))


def exceeds(mean: FloatArray, covariance: FloatArray, *, dof: float, tests: int = 1) -> bool:
    """Whether a mean, shape (k,), differs from zero at 5 %, divided among several tests (Hotelling's T^2)."""
    size = len(mean)
    squared = float(mean @ np.linalg.solve(covariance, mean)) / size
    return squared > float(stats.f.ppf(1.0 - 0.05 / tests, size, dof))
