"""Comparisons of many settings with one: the one-sided critical value of Dunnett's test.

Hsu's multiple comparisons with the best rest on it. The differences from a control share its noise, so their
correlations have the product form b_j b_l, and the probability is a double integral that quadrature settles.

References
----------
C. W. Dunnett, J. Am. Stat. Assoc. 50, 1096 (1955).
J. C. Hsu, Multiple Comparisons: Theory and Methods, Chapman & Hall (1996), chapters 3 and 4.
"""

from functools import lru_cache
from typing import Final

import numpy as np
from scipy import optimize, special, stats

from lensbench.units import FloatArray

__all__ = ["critical_value", "probability_all_below"]

_NODES: Final = 48
_LARGEST: Final = 200.0


def probability_all_below(limit: float, *, shared: tuple[float, ...], freedom: float) -> float:
    """Give the probability that every studentised difference from a control stays below a limit.

    Parameters
    ----------
    limit : float
        In standard errors of the difference.
    shared : tuple of float
        For each comparison the share of the control's noise in the difference's: b_j = sqrt(v / (v + v_j)) of
        the variances of the control and of the other; sqrt(1/2) for equal ones.
    freedom : float
        Degrees of freedom of the common standard deviation; infinite where it is known.

    Returns
    -------
    float
        0 to 1, good to 1e-5.
    """
    correlation = np.asarray(shared, dtype=np.float64)
    common, common_weight = special.roots_hermitenorm(_NODES)
    spread, spread_weight = _spread_nodes(freedom)
    below = special.ndtr(
        (limit * spread[:, None, None] + correlation * common[:, None]) / np.sqrt(1.0 - correlation**2)
    ).prod(axis=-1)
    return float(spread_weight @ below @ (common_weight / np.sqrt(2.0 * np.pi)))


def _spread_nodes(freedom: float) -> tuple[FloatArray, FloatArray]:
    """Give nodes and weights over the estimated standard deviation, as a share of the true one."""
    if not np.isfinite(freedom):
        return np.ones(1), np.ones(1)
    nodes, weights = special.roots_legendre(_NODES)
    share = np.sqrt(stats.chi2.ppf(0.5 * (nodes + 1.0), freedom) / freedom)
    return np.asarray(share, dtype=np.float64), 0.5 * np.asarray(weights, dtype=np.float64)


@lru_cache(maxsize=2048)
def critical_value(*, shared: tuple[float, ...], freedom: float, confidence: float = 0.95) -> float:
    """Give the one-sided critical value of Dunnett's test, in standard errors of a difference.

    >>> round(critical_value(shared=(0.5**0.5,), freedom=float("inf")), 3)
    1.645
    """

    def excess(limit: float) -> float:
        return probability_all_below(limit, shared=shared, freedom=freedom) - confidence

    return float(optimize.brentq(excess, 0.0, _LARGEST, xtol=1e-5))
