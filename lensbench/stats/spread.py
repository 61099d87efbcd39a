"""How well a mean is known by the scatter of its shots, and whether two means differ.

Three shots tell their own spread badly, so where each setting keeps a variance of its own (`moderated`), it is drawn
towards that of the others. Welch's interval allows two means their own variances. With more than two rivals all pairs
hold together: the studentised range in place of Student's t. A sweep's spread is in `scatter`.

References
----------
G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 3:3 (2004), the moderated variance, with a prior that is fixed.
B. L. Welch, Biometrika 34, 28 (1947), eq. 28.
F. E. Satterthwaite, Biometrics Bulletin 2, 110 (1946), the degrees of freedom.
P. A. Games, J. F. Howell, J. Educ. Stat. 1, 113 (1976): all pairs, unequal variances.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from scipy import special

from lensbench.model.compare import Seen, Verdict
from lensbench.model.units import FloatArray

USUAL_SD: Final = 0.028
"""Spread of the difference between two sides in one refocused shot, as a share of MTF50: 2 % for each side. Common
practice, no source."""
_USUAL_DOF: Final = 2.0
_ENDLESS_DOF: Final = 1e9
_TABLED_DOF: Final = (10.0, 11.0, 12.0, 13.0, 14.0, 16.0, 18.0, 20.0, 24.0, 30.0, 40.0, 60.0, 120.0)
_MOST_SHARED: Final = 6.0  # degrees of freedom that the other settings' spread is worth at most


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertainty:
    """How well a mean log MTF50, or one shot's figure, is known."""

    variance: float
    dof: float
    """Degrees of freedom of the variance."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Repeats:
    """One setting's figures, shape (shots, components), and which belong together."""

    values: FloatArray
    alike: tuple[int, ...]
    """One number a shot: spread is taken within shots of one number (the turned camera is another)."""

    @property
    def groups(self) -> list[FloatArray]:
        """The figures of those alike, by their number."""
        return [self.values[np.array(self.alike) == number] for number in sorted(set(self.alike))]


def moderated(settings: Sequence[Repeats], *, usual_sd: float = USUAL_SD) -> list[Uncertainty]:
    """Variance of one shot's component at every setting, drawn towards that of the others."""
    squares = np.array(
        [float(sum(np.sum((part - part.mean(axis=0)) ** 2) for part in own.groups)) for own in settings]
    )
    dofs = np.array([float(sum((len(part) - 1) * part.shape[1] for part in own.groups)) for own in settings])
    uncertainties = []
    for own in range(len(settings)):
        others = np.arange(len(settings)) != own
        shared = float(dofs[others].sum())
        rest = float(squares[others].sum()) * min(1.0, _MOST_SHARED / shared) if shared else 0.0
        dof = float(dofs[own]) + (min(shared, _MOST_SHARED) + _USUAL_DOF)
        variance = (float(squares[own]) + (rest + _USUAL_DOF * usual_sd**2)) / dof
        uncertainties.append(Uncertainty(variance=variance, dof=dof))
    return uncertainties


def half_width(
    first: Uncertainty | None, second: Uncertainty | None, *, rivals: int = 2, risk: float = 0.05
) -> float:
    """Half of the interval of two means' difference, log MTF50, at 95 %; NaN where a spread is unknown.

    Of several `rivals` all pairs hold together. The `risk` is that the interval misses, to both sides together: 0.1 for
    a difference that is below a limit at 5 %.
    """
    if first is None or second is None:
        return math.nan
    total = first.variance + second.variance
    dof = pooled_dof((first.variance, second.variance), (first.dof, second.dof))
    return range_quantile(dof, rivals=rivals, risk=risk) * math.sqrt(total)


def judged(ends: tuple[float, float], seen: Seen, *, equal_within: float, differs: bool) -> Verdict:
    """Verdict on a difference, by the band that counts as equal, by what an eye sees of it, and whether it is one.

    `ends` are those between which it lies, at 5 % to each side.

    >>> judged((0.5, 2.0), Seen.NONE, equal_within=3.0, differs=True)
    <Verdict.EQUAL: 'equal'>
    """
    low, high = ends
    if seen in {Seen.FIRST, Seen.SECOND, Seen.VISIBLE}:
        return Verdict.VISIBLE
    if low >= -equal_within and high <= equal_within:
        return Verdict.EQUAL
    return Verdict.NOT_VISIBLE if seen is Seen.NONE and differs else Verdict.CANNOT_TELL


def range_quantile(dof: float, *, rivals: int, risk: float = 0.05) -> float:
    """Factor of intervals that hold together for the differences of all pairs of rivals (studentised range)."""
    if rivals <= 2:
        return float(special.stdtrit(min(dof, _ENDLESS_DOF), 1.0 - 0.5 * risk))
    # Rounded down, so that limits need not be computed anew for every row; the interval grows by 2 % at most.
    dof = (
        max(math.floor(10.0 * dof) / 10.0, 1.0)
        if dof < _TABLED_DOF[0]
        else max(n for n in _TABLED_DOF if n <= dof)
    )
    return _range_limit(rivals, dof, risk) / math.sqrt(2.0)


@lru_cache(maxsize=256)
def _range_limit(rivals: int, dof: float, risk: float) -> float:
    from scipy import stats  # noqa: PLC0415  heavy, and asked for by rivals alone

    return float(stats.studentized_range.ppf(1.0 - risk, rivals, dof))


def pooled_dof(variances: Sequence[float] | FloatArray, dofs: Sequence[float]) -> float:
    """Degrees of freedom of a sum of independent variances (Satterthwaite); infinite where each is known."""
    shares = sum(variance**2 / dof for variance, dof in zip(variances, dofs, strict=True))
    return float(sum(variances) ** 2 / shares) if shares > 0.0 else math.inf


def rounded_dof(dof: float) -> float:
    """Two digits of degrees of freedom, so that limits need not be computed anew; intervals grow a little.

    >>> rounded_dof(17.96)
    17.0
    """
    if not math.isfinite(dof):
        return dof
    step = 10.0 ** (math.floor(math.log10(dof)) - 1.0)
    return max(float(math.floor(dof / step) * step), 0.5)


def quantile(dof: float, *, tests: int = 1) -> float:
    """Student's factor of a two-sided 95 % interval, or of as many at once (Bonferroni)."""
    return float(special.stdtrit(dof, 1.0 - 0.025 / tests))


def exceeds(mean: FloatArray, covariance: FloatArray, *, dof: float) -> bool:
    """Whether a mean, shape (k,), differs from zero at 5 % (Hotelling's T^2)."""
    size = len(mean)
    squared = float(mean @ np.linalg.solve(covariance, mean)) / size
    return squared > f_limit(0.05, size, dof)


def f_limit(chance: float, above: float, below: float) -> float:
    """Ratio of two variances that chance exceeds so often; either may have endless degrees of freedom."""
    return float(special.fdtri(min(above, _ENDLESS_DOF), min(below, _ENDLESS_DOF), 1.0 - chance))


def f_chance(ratio: float, above: float, below: float) -> float:
    """How often chance exceeds a ratio of two variances of so many degrees of freedom."""
    return float(special.fdtrc(min(above, _ENDLESS_DOF), min(below, _ENDLESS_DOF), ratio))
