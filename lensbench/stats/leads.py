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
from lensbench.stats.spread import Uncertainty, range_quantile, rounded_dof

_MEAN_SHARE: Final = (
    0.9  # of the risk that means take; lone settings get the rest, and what both have in common
)
_FLOOR_SDS: Final = 3.0
_LEAST_SD: Final = 0.003  # no test weighs more than one that scatters by so much
_HIGHEST: Final = 200.0
_ENDLESS_DOF: Final = 1e9


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
    """1 where the first of a pair is surely ahead, -1 where the other one is, else 0.

    All its leads share the error `common`; of several `rivals` all pairs hold together.
    """
    risk = float(special.ndtr(-range_quantile(math.inf, rivals=rivals)))
    sd = np.sqrt(np.maximum(common.variance + leads.scatter_sd**2 + leads.shared_sd**2, 1e-16))
    found = np.zeros(len(sd), np.int64)
    share = _MEAN_SHARE if len(sd) > 1 else 1.0
    from_here = _reach(leads, common, sd, leads.scatter_sd, share * risk)
    likely = np.abs(leads.log_ratio) > from_here  # no lead below this is told, whatever the others are
    if len(sd) == 1 or not likely.any():
        found[likely] = np.sign(leads.log_ratio[likely])
        return found
    of_mean = _means_sd(leads, np.arange(len(sd)), common.variance)[0][-1]
    shared = (np.sqrt(common.variance) / np.array([of_mean, *np.sort(sd)])).clip(0.0, 0.99).round(2)
    alone = _lone_times(tuple(shared.tolist()), rounded_dof(common.dof), risk) * from_here
    for sign in (1, -1):
        ratio = sign * leads.log_ratio
        rest = np.flatnonzero(ratio <= alone)
        near = rest[ratio[rest] > from_here[rest]]
        held = [test for test in near if _held(leads, ratio, test, rest, common, risk)]
        found[ratio > alone] = sign
        found[held] = sign
    return found


def _reach(
    leads: Leads, common: Uncertainty, sd: FloatArray, scatter_sd: FloatArray, risk: float
) -> FloatArray:
    """Student's one-sided limits of figures of these sds, of which the scatter is known by few shots."""
    doubt = scatter_sd**4 / leads.dof + common.variance**2 / common.dof
    dof = np.minimum(sd**4 / np.maximum(doubt, 1e-300), _ENDLESS_DOF)
    return np.asarray(special.stdtrit(dof, 1.0 - risk) * sd, np.float64)


@lru_cache(maxsize=1024)
def _lone_times(shared: tuple[float, ...], dof: float, risk: float) -> float:
    """Limit of lone tests over that of means, all together at one-sided risk; the mean of all is the first."""
    together = float(special.stdtrit(min(dof, _ENDLESS_DOF), 1.0 - _MEAN_SHARE * risk))

    def excess(times: float) -> float:
        limits = together * np.array([1.0, *[times] * (len(shared) - 1)])
        return probability_all_below(limits, shared=shared, dof=dof) - (1.0 - risk)

    return float(optimize.brentq(excess, 0.1, _HIGHEST, xtol=1e-3))


def _weights(leads: Leads) -> FloatArray:
    """Of tests in a mean: what is common to all is no reason to prefer one."""
    return np.asarray(1.0 / (leads.scatter_sd**2 + leads.shared_sd**2 + _LEAST_SD**2), np.float64)


def _means_sd(leads: Leads, members: IntArray, common_variance: float) -> tuple[FloatArray, FloatArray]:
    """Sd of the weighted mean of the first one, two, ... of some tests, and of its scatter; both (members,)."""
    weights = _weights(leads)[members]
    of_stop = leads.stop[members][:, None] == np.unique(leads.stop[members])
    scatter = np.cumsum((weights * leads.scatter_sd[members])[:, None] * of_stop, axis=0)
    scatter_sd = np.sqrt(np.sum(scatter**2, axis=1)) / np.cumsum(weights)
    shared_sd = np.cumsum(weights * leads.shared_sd[members]) / np.cumsum(weights)
    return np.sqrt(common_variance + scatter_sd**2 + shared_sd**2), scatter_sd


def _held(
    leads: Leads, ratio: FloatArray, test: int, rest: IntArray, common: Uncertainty, risk: float
) -> bool:
    """Whether a test's lead holds in the mean with any others: the lowest one, two, ... of the rest are the worst."""
    others = rest[rest != test]
    members = np.array([test, *others[np.argsort(ratio[others])]])
    sd, scatter_sd = _means_sd(leads, members, common.variance)
    limit = _reach(leads, common, sd, scatter_sd, _MEAN_SHARE * risk)
    weights = np.tril(np.tile(_weights(leads)[members], (len(members), 1)))
    own = (leads.scatter_sd**2 + leads.shared_sd**2)[members]
    depth = _FLOOR_SDS * own**1.5 / (own + common.variance)
    raised = np.maximum(ratio[members], limit[:, None] - depth)
    mean = np.sum(weights * raised, axis=1) / weights.sum(axis=1)
    return bool(np.all(mean > limit))
