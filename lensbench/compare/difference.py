"""The difference of two lenses at one setting, with its verdicts.

The interval of `stats.half_width` is taken on log MTF50, so a difference is a share of the figure.
"""

import math
from typing import Final

from lensbench.edge import JUST_SEEN_JND, RulerReading
from lensbench.model.compare import CompareRow, Seen, Verdict
from lensbench.model.sweep import INDIFFERENCE, Setting

__all__ = ["FOCAL_MATCH", "apart", "compared"]


FOCAL_MATCH: Final = 0.03
"""Focal lengths that differ by less than this share count as equal. Common practice, no source."""
_NAN: Final = float("nan")


def apart(one_mm: float, other_mm: float) -> float:
    """Give how far two focal lengths are apart, as a share; zero for two unknown ones."""
    if math.isnan(one_mm) and math.isnan(other_mm):
        return 0.0
    return abs(math.log(one_mm / other_mm)) if one_mm > 0.0 and other_mm > 0.0 else math.inf


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
