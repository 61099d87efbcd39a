"""The difference of two lenses at one setting, with its interval and its verdict.

Welch's interval is taken on log MTF50, so a difference is a share of the figure.

References
----------
B. L. Welch, Biometrika 34, 28 (1947).
F. E. Satterthwaite, Biometrics Bulletin 2, 110 (1946), the degrees of freedom.
"""

import math
from dataclasses import dataclass
from typing import Final

from scipy import stats

from lensbench.study.compare_records import CompareRow
from lensbench.study.findings import INDIFFERENCE, Setting

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


def half_width(first: Doubt | None, second: Doubt | None) -> float:
    """Give half of Welch's 95 % interval of a difference of log MTF50; NaN where a spread is unknown."""
    if first is None or second is None:
        return _NAN
    total = first.variance + second.variance
    freedom = total**2 / (first.variance**2 / first.freedom + second.variance**2 / second.freedom)
    return float(stats.t.ppf(0.975, freedom) * math.sqrt(total))


def compared(
    setting: Setting,
    zone: str,
    figures: tuple[float, float],
    shots: tuple[int, int],
    *,
    half_width: float,
) -> CompareRow:
    """Give one row, from the figures of both and half the interval of their log ratio."""
    difference = math.log(figures[1] / figures[0])
    low, high = math.expm1(difference - half_width), math.expm1(difference + half_width)
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
    )


def _verdict(low: float, high: float) -> str:
    """Judge an interval of the second over the first, less one."""
    if low >= -INDIFFERENCE and high <= INDIFFERENCE:
        return "equal"
    if low > 0.0:
        return "second"
    return "first" if high < 0.0 else "can't tell"
