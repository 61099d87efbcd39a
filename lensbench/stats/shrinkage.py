"""Variance of repeated figures, drawn towards that of the other settings.

The unit of replication is the refocused shot. Three shots tell their own spread badly, so each setting's variance is
drawn towards that of the other settings, or to a usual one, worth a few degrees of freedom (Smyth 2004, Statistical
Applications in Genetics and Molecular Biology 3:3, with a prior that is fixed).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.model.units import FloatArray

USUAL_SD: Final = 0.028
"""Spread of the difference between two sides in one refocused shot, as a share of MTF50: 2 % for each side. Common
practice, no source."""
_USUAL_DOF: Final = 2.0
_MOST_SHARED: Final = 6.0
"""Degrees of freedom that the other settings' spread is worth at most."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Repeats:
    """One setting's figures, shape (shots, components), and which belong together."""

    values: FloatArray
    alike: tuple[int, ...]
    """One number a shot: spread is taken within shots of one number (the turned camera is another)."""

    @property
    def squares(self) -> float:
        """Sum of squares about the mean of those alike."""
        return float(sum(np.sum((part - part.mean(axis=0)) ** 2) for part in self._parts))

    @property
    def dof(self) -> float:
        """Degrees of freedom of the squares."""
        return float(sum((len(part) - 1) * part.shape[1] for part in self._parts))

    @property
    def _parts(self) -> list[FloatArray]:
        groups = np.array(self.alike)
        return [self.values[groups == group] for group in sorted(set(self.alike))]


@dataclass(frozen=True, slots=True, kw_only=True)
class Moderated:
    """Variance of one shot's component, and its degrees of freedom."""

    variance: float
    dof: float


def moderated(settings: Sequence[Repeats], *, usual_sd: float = USUAL_SD) -> list[Moderated]:
    """Variance of every setting, drawn towards that of the others."""
    squares = np.array([setting.squares for setting in settings])
    dofs = np.array([setting.dof for setting in settings])
    variances = []
    for own in range(len(settings)):
        others = np.arange(len(settings)) != own
        shared = float(dofs[others].sum())
        prior_dof = min(shared, _MOST_SHARED) + _USUAL_DOF
        rest = (float(squares[others].sum()) * min(1.0, _MOST_SHARED / shared) if shared else 0.0) + (
            _USUAL_DOF * usual_sd**2
        )
        dof = float(dofs[own]) + prior_dof
        variances.append(Moderated(variance=(float(squares[own]) + rest) / dof, dof=dof))
    return variances
