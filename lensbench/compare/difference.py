"""The difference of two lenses at one setting, with its interval and its verdicts.

Welch's interval is taken on log MTF50, so a difference is a share of the figure. With more than two lenses all pairs at
one setting hold together: the studentised range in place of Student's t (Games and Howell).

References
----------
B. L. Welch, Biometrika 34, 28 (1947).
F. E. Satterthwaite, Biometrics Bulletin 2, 110 (1946), the degrees of freedom.
P. A. Games, J. F. Howell, J. Educ. Stat. 1, 113 (1976): all pairs, unequal variances.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from scipy import stats

from lensbench.edge import JUST_SEEN_JND, Sight
from lensbench.model.compare import CompareRow
from lensbench.model.setting import Setting
from lensbench.model.sweep import INDIFFERENCE

__all__ = ["MeanUncertainty", "compare_row", "half_width"]


_NAN: Final = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanUncertainty:
    """How well a mean log MTF50 is known."""

    variance: float
    dof: float
    """Degrees of freedom of the variance; infinite where it was assumed."""


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
        return _NAN
    total = first.variance + second.variance
    shares = first.variance**2 / first.dof + second.variance**2 / second.dof
    dof = total**2 / shares if shares > 0.0 else math.inf
    if rivals <= 2:
        return float(stats.t.ppf(0.975, dof) * math.sqrt(total))
    return _range_limit(rivals, _rounded_down(dof)) * math.sqrt(0.5 * total)


def _rounded_down(dof: float) -> float:
    """Two digits of it, so that limits need not be computed anew for every row; the interval grows a little."""
    if math.isinf(dof):
        return dof
    step = 10.0 ** (math.floor(math.log10(dof)) - 1)
    return max(math.floor(dof / step) * step, 1.0)


@lru_cache(maxsize=256)
def _range_limit(rivals: int, dof: float) -> float:
    return float(stats.studentized_range.ppf(0.95, rivals, dof))


def compare_row(
    setting: Setting | None,
    zone: str,
    figures: tuple[float, float],
    shots: tuple[int, int],
    *,
    half_width: float,
    sight: Sight | None = None,
    log_picture_ratio: float = _NAN,
) -> CompareRow:
    """One row.

    Parameters
    ----------
    setting, zone : Setting, str
        Of the first lens; None for a mean over several settings.
    figures, shots : pairs
        Of the first and of the second lens.
    half_width : float
        Half of the interval of their log ratio.
    sight : Sight, optional
        The quality ruler at the SFR halfway between both.
    log_picture_ratio : float
        Logarithm of the second's MTF50 over the first's in pictures of one height: what an eye sees.
    """
    difference = math.log(figures[1] / figures[0])
    low, high = math.expm1(difference - half_width), math.expm1(difference + half_width)
    ends = (log_picture_ratio - half_width, log_picture_ratio + half_width)
    between = [sight.between(one) if sight else _NAN for one in (log_picture_ratio, *ends)]
    return CompareRow(
        focal_length_mm=setting.focal_length_mm if setting else None,
        f_number=setting.f_number if setting else _NAN,
        zone=zone,
        first=figures[0],
        second=figures[1],
        first_shots=shots[0],
        second_shots=shots[1],
        difference_percent=100.0 * math.expm1(difference),
        ci95_percent=(100.0 * low, 100.0 * high),
        verdict=_verdict(low, high),
        difference_jnd=between[0],
        ci95_jnd=(between[1], between[2]),
        visible_from_percent=100.0 * sight.just_seen() if sight else _NAN,
        seen=_seen(between[1], between[2]) if sight else "",
    )


def _verdict(low: float, high: float) -> str:
    """Judge an interval of the second over the first, less one."""
    if low >= -INDIFFERENCE and high <= INDIFFERENCE:
        return "equal"
    if low > 0.0:
        return "second"
    return "first" if high < 0.0 else "can't tell"


def _seen(low_jnd: float, high_jnd: float) -> str:
    """Judge an interval of the second less the first on the ruler."""
    if low_jnd >= JUST_SEEN_JND:
        return "second"
    if high_jnd <= -JUST_SEEN_JND:
        return "first"
    return "none" if low_jnd > -JUST_SEEN_JND and high_jnd < JUST_SEEN_JND else "can't tell"
