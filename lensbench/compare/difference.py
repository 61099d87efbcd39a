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

from lensbench.edge import JUST_SEEN_JND, RulerReading
from lensbench.model.compare import CompareRow, Seen, Verdict
from lensbench.model.sweep import INDIFFERENCE, Setting

__all__ = ["FOCAL_MATCH", "Doubt", "apart", "compared", "half_width"]


FOCAL_MATCH: Final = 0.03
"""Focal lengths that differ by less than this share count as equal. Common practice, no source."""
_NAN: Final = float("nan")


def apart(one_mm: float, other_mm: float) -> float:
    """Give how far two focal lengths are apart, as a share; zero for two unknown ones."""
    if math.isnan(one_mm) and math.isnan(other_mm):
        return 0.0
    return abs(math.log(one_mm / other_mm)) if one_mm > 0.0 and other_mm > 0.0 else math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """How well a mean log MTF50 is known."""

    variance: float
    freedom: float
    """Degrees of freedom of the variance."""


def half_width(first: Doubt | None, second: Doubt | None, *, rivals: int = 2) -> float:
    """Give half of a 95 % interval of a difference of log MTF50; NaN where a spread is unknown.

    Parameters
    ----------
    first, second : Doubt
        Of the two means.
    rivals : int
        How many lenses compete; all their pairs hold together at 95 %.
    """
    if first is None or second is None:
        return _NAN
    total = first.variance + second.variance
    freedom = total**2 / (first.variance**2 / first.freedom + second.variance**2 / second.freedom)
    if rivals <= 2:
        return float(stats.t.ppf(0.975, freedom) * math.sqrt(total))
    return _range_limit(rivals, _rounded_down(freedom)) * math.sqrt(0.5 * total)


def _rounded_down(freedom: float) -> float:
    """Keep two digits, so that limits need not be computed anew for every row; the interval grows a little."""
    step = 10.0 ** (math.floor(math.log10(freedom)) - 1)
    return max(math.floor(freedom / step) * step, 1.0)


@lru_cache(maxsize=256)
def _range_limit(rivals: int, freedom: float) -> float:
    return float(stats.studentized_range.ppf(0.95, rivals, freedom))


def compared(
    setting: Setting,
    zone: str,
    figures: tuple[float, float],
    shots: tuple[int, int],
    *,
    half_width: float,
    sight: RulerReading | None = None,
    log_picture_ratio: float = _NAN,
) -> CompareRow:
    """Give one row.

    Parameters
    ----------
    setting, zone : Setting, str
        Of the first lens.
    figures, shots : pairs
        Of the first and of the second lens.
    half_width : float
        Half of the interval of their log ratio.
    sight : RulerReading, optional
        The quality ruler at the SFR halfway between both.
    log_picture_ratio : float
        Logarithm of the second's MTF50 over the first's in pictures of one height: what an eye sees.
    """
    difference = math.log(figures[1] / figures[0])
    low, high = math.expm1(difference - half_width), math.expm1(difference + half_width)
    ends = (log_picture_ratio - half_width, log_picture_ratio + half_width)
    between = [sight.between(one) if sight else _NAN for one in (log_picture_ratio, *ends)]
    return CompareRow(
        focal_length_mm=setting.focal_length_mm,
        f_number=setting.f_number,
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
        seen=_seen(between[1], between[2]) if sight else Seen.UNKNOWN,
    )


def _verdict(low: float, high: float) -> Verdict:
    """Judge an interval of the second over the first, less one."""
    if low >= -INDIFFERENCE and high <= INDIFFERENCE:
        return Verdict.EQUAL
    if low > 0.0:
        return Verdict.SECOND
    return Verdict.FIRST if high < 0.0 else Verdict.CANNOT_TELL


def _seen(low_jnd: float, high_jnd: float) -> Seen:
    """Judge an interval of the second less the first on the ruler."""
    if low_jnd >= JUST_SEEN_JND:
        return Seen.SECOND
    if high_jnd <= -JUST_SEEN_JND:
        return Seen.FIRST
    return Seen.NONE if low_jnd > -JUST_SEEN_JND and high_jnd < JUST_SEEN_JND else Seen.CANNOT_TELL
