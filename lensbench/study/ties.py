"""Which of several equally good stops to take: a matter of taste, so the photographer says.

The rule never changes what is found; it only names one of the set.
"""

from collections.abc import Sequence
from enum import StrEnum

import numpy as np

from lensbench.study.findings import Setting

__all__ = ["Tie", "taken"]


class Tie(StrEnum):
    """Which of the equally good stops to take."""

    BEST = "best"
    """That of lowest expected loss."""
    WIDEST = "widest"
    """Most light, least depth of field."""
    MIDDLE = "middle"
    """In the middle of the equally good ones: furthest from where they end."""
    DEEPEST = "deepest"
    """Most depth of field."""


def taken(best: Setting, tied: Sequence[Setting], rule: Tie) -> Setting:
    """Name the setting to take, at the focal length of the best one.

    >>> stops = [Setting(focal_length_mm=35.0, f_number=stop) for stop in (4.0, 5.6, 8.0)]
    >>> taken(stops[0], stops, Tie.MIDDLE).f_number
    5.6
    """
    here = [one for one in tied if one.focal_length_mm == best.focal_length_mm or one == best] or [best]
    here.sort(key=lambda one: one.f_number)
    match rule:
        case Tie.BEST:
            return best
        case Tie.WIDEST:
            return here[0]
        case Tie.DEEPEST:
            return here[-1]
        case Tie.MIDDLE:
            middle = np.sqrt(here[0].f_number * here[-1].f_number)
            return min(here, key=lambda one: abs(np.log(one.f_number / middle)))
