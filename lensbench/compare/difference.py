"""The difference of two lenses at one setting, with its verdicts.

The interval of `stats.half_width` is taken on log MTF50, so a difference is a share of the figure.
"""

import math
from typing import Final

from lensbench.edge import JUST_SEEN_JND, RulerReading
from lensbench.model.compare import CompareRow, Seen, Verdict
from lensbench.model.setting import Setting
from lensbench.model.sweep import INDIFFERENCE

_NAN: Final = float("nan")


def compare_row(
    setting: Setting | None,
    zone: str,
    figures: tuple[float, float],
    shots: tuple[int, int],
    *,
    half_width: float,
    sight: RulerReading | None = None,
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
