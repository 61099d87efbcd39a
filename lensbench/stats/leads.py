"""Where one of two is surely ahead: at many settings at once, though all of them share an error.

Two lenses that were set up once each differ by an error that all of their settings share, beside the scatter of each
setting's shots. A lens counts as ahead at a setting where that holds against every set of settings that has it among
them (closed testing: in 19 shoots of 20 no setting at all is falsely named, whichever are truly equal). A set is told
from zero by the mean lead of its settings, since what they share is not averaged away and so hardly grows with their
number; or by one setting alone that lies far out. Both together take the risk: conditional on what is shared, the mean
and the settings rise together, so chances of staying below multiply at least (Harris), which leaves one integral, that
of Dunnett's limit. In a mean a setting counts as no lower than the limit, but for up to three of its standard
deviations where scatter is what is in doubt, lest one at which both are equal hides all the others.

References
----------
R. Marcus, E. Peritz, K. R. Gabriel, Biometrika 63, 655 (1976), closed testing.
T. E. Harris, Proc. Camb. Phil. Soc. 56, 13 (1960), the inequality.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from scipy import optimize, special

from lensbench.model.shot import IntArray
from lensbench.model.units import FloatArray
from lensbench.stats.best_set import probability_all_below
from lensbench.stats.spread import Uncertainty, pooled_dof, range_quantile, rounded_dof

_MEAN_SHARE: Final = (
    0.9  # of the risk that means take; lone settings get the rest, and what both have in common
)
_FLOOR_SDS: Final = 3.0
_LEAST_SD: Final = 0.003  # no test weighs more than one that scatters by so much
_HIGHEST: Final = 200.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Leads:
    """By how much one is ahead of another at settings and zones; every array has the shape (tests,)."""

    log_ratio: FloatArray
    scatter_sd: FloatArray
    """Of the shots of both; independent between stops, and the same error in all zones of one, at worst."""
    shared_sd: FloatArray
    """Of what all tests may share beside the common error: a focus that was never made anew."""
    stop: IntArray
    dof: float
    """Of the scatter."""


def surely_ahead(leads: Leads, common: Uncertainty, *, rivals: int) -> IntArray:
    """1 where the first is surely ahead, -1 where the other one is, else 0.

    Parameters
    ----------
    leads : Leads
        Of one pair.
    common : Uncertainty
        Of the error that all leads of the pair share.
    rivals : int
        How many compete; all their pairs hold together.
    """
    own = leads.scatter_sd**2 + leads.shared_sd**2
    sd = np.sqrt(np.maximum(common.variance + own, 1e-16))
    dof = rounded_dof(
        min(pooled_dof((common.variance, float(variance)), (common.dof, leads.dof)) for variance in own)
    )
    risk = float(special.ndtr(-range_quantile(math.inf, rivals=rivals)))
    found = np.zeros(len(sd), np.int64)
    share = _MEAN_SHARE if len(sd) > 1 else 1.0
    together = float(special.stdtrit(min(dof, 1e9), 1.0 - share * risk))
    likely = np.abs(leads.log_ratio) > together * sd  # no lead below this is told, whatever the others are
    if len(sd) == 1 or not likely.any():
        found[likely] = np.sign(leads.log_ratio[likely])
        return found
    of_mean = math.sqrt(_variances(leads, np.arange(len(sd)), common.variance)[-1])
    shared = np.sort(np.sqrt(common.variance) / sd).clip(0.0, 0.99).round(2)
    of_mean = round(min(math.sqrt(common.variance) / of_mean, 0.99), 2)
    alone = _lone_limit(together, (of_mean, *shared.tolist()), dof, risk)
    for sign in (1, -1):
        ratio = sign * leads.log_ratio
        rest = np.flatnonzero(ratio <= alone * sd)
        held = [
            test
            for test in rest[ratio[rest] > together * sd[rest]]
            if _held(leads, ratio, test, rest, sd, common.variance, together)
        ]
        found[ratio > alone * sd] = sign
        found[held] = sign
    return found


@lru_cache(maxsize=1024)
def _lone_limit(together: float, shared: tuple[float, ...], dof: float, risk: float) -> float:
    """Limit of lone tests beside that of their mean, which is the first."""

    def excess(alone: float) -> float:
        limits = np.array([together, *[alone] * (len(shared) - 1)])
        return probability_all_below(limits, shared=shared, dof=dof) - (1.0 - risk)

    return float(optimize.brentq(excess, 0.0, _HIGHEST, xtol=1e-3))


def _weights(leads: Leads) -> FloatArray:
    """Of tests in a mean: what is common to all is no reason to prefer one."""
    return np.asarray(1.0 / (leads.scatter_sd**2 + leads.shared_sd**2 + _LEAST_SD**2), np.float64)


def _variances(leads: Leads, members: IntArray, common_variance: float) -> FloatArray:
    """Variance of the weighted mean of the first one, two, ... of some tests; shape (members,)."""
    weights = _weights(leads)[members]
    of_stop = leads.stop[members][:, None] == np.unique(leads.stop[members])
    scatter = np.cumsum((weights * leads.scatter_sd[members])[:, None] * of_stop, axis=0)
    shared = np.cumsum(weights * leads.shared_sd[members])
    own = (np.sum(scatter**2, axis=1) + shared**2) / np.cumsum(weights) ** 2
    return np.asarray(common_variance + own, np.float64)


def _held(
    leads: Leads,
    ratio: FloatArray,
    test: int,
    rest: IntArray,
    sd: FloatArray,
    common_variance: float,
    together: float,
) -> bool:
    """Whether a test's lead holds in the mean with any others: the lowest one, two, ... of the rest are the worst."""
    others = rest[rest != test]
    members = np.array([test, *others[np.argsort(ratio[others])]])
    limit = together * np.sqrt(_variances(leads, members, common_variance))
    weights = np.tril(np.tile(_weights(leads)[members], (len(members), 1)))
    own_sd = np.hypot(leads.scatter_sd, leads.shared_sd)[members]
    depth = _FLOOR_SDS * (1.0 - common_variance / sd[members] ** 2) * own_sd
    raised = np.maximum(ratio[members], limit[:, None] - depth)
    mean = np.sum(weights * raised, axis=1) / weights.sum(axis=1)
    return bool(np.all(mean > limit))
