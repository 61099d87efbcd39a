"""A setting of a lens, by name: nominal f-number and focal length.

An unknown focal length is None: equal to itself and hashable, so that a setting is a key whatever is known of it. How
settings are put in order, and which focal lengths count as one, is said here and nowhere else.
"""

import math
from dataclasses import dataclass
from typing import Final

FOCAL_MATCH: Final = 0.03
"""Focal lengths whose logarithms differ by less count as equal. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """A focal length and an f-number, by the names of their groups."""

    focal_length_mm: float | None
    """None where unknown."""
    f_number: float
    """0 where unknown, as cameras write it for a lens without contacts: such a shot never counts."""

    def __post_init__(self) -> None:
        if math.isnan(self.f_number) or math.isnan(self.focal_length_mm or 0.0):
            raise ValueError("what is unknown of a setting is None or 0, never NaN")

    @property
    def order(self) -> tuple[float, float]:
        """By focal length, then by f-number; unknown ones first."""
        return focal_order(self.focal_length_mm), self.f_number

    def matches(self, other: "Setting") -> bool:
        """Whether both are one f-number, and focal lengths within 3 %, or both unknown."""
        return self.f_number == other.f_number and same_focal_length(
            self.focal_length_mm, other.focal_length_mm
        )


def focal_order(focal_length_mm: float | None) -> float:
    """Place of a focal length in an ascending list; an unknown one comes first [mm]."""
    return focal_length_mm or 0.0


def log_distance(one_mm: float | None, other_mm: float | None) -> float:
    """Distance of two focal lengths in natural logarithm; 0 for two unknown ones, infinite for one."""
    if one_mm is None or other_mm is None:
        return 0.0 if one_mm is other_mm else math.inf
    return abs(math.log(one_mm / other_mm))


def same_focal_length(one_mm: float | None, other_mm: float | None) -> bool:
    """Whether two focal lengths count as equal; an unknown one equals another unknown one."""
    return log_distance(one_mm, other_mm) <= FOCAL_MATCH
