"""A setting of a lens, nominal f-number and focal length, and the names that cameras and lenses give to such figures.

An unknown focal length is None: equal to itself and hashable, so that a setting is a key whatever is known of it. How
settings are put in order, which focal lengths count as one, and how a setting is spelled, stands here alone.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from lensbench.model.units import nominal_f_number

FOCAL_MATCH: Final = 0.03  # log ratio below which focal lengths are equal. Common practice, no source.


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """A focal length and an f-number, by the names of their groups."""

    focal_length_mm: float | None  # None where unknown
    f_number: float  # 0 where unknown, as cameras write it without contacts: such a shot never counts

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


def f_stop(f_number: float | None) -> str:
    """F-stop as engraved.

    >>> f_stop(5.657)
    'f/5.6'
    """
    if f_number is None or not math.isfinite(f_number):
        return "unknown f-stop"
    return f"f/{nominal_f_number(f_number) if f_number > 0.0 else f_number:g}"


def focal_length(focal_length_mm: float | None) -> str:
    """Focal length in millimetres, without needless digits.

    >>> focal_length(35.0)
    '35 mm'
    """
    if focal_length_mm is None or not math.isfinite(focal_length_mm):
        return "unknown focal length"
    return f"{round(focal_length_mm, 1):g} mm"


_FRACTIONS: Final = (
    "32000 25600 20000 16000 12800 10000 8000 6400 5000 4000 3200 2500 2000 1600 1250 1000 800 640 500 400 320 250 200 "
    "160 125 100 80 60 50 40 30 25 20 15 13 10 8 6 5 4"
)
_SECONDS: Final = "0.3 0.4 0.5 0.6 0.8 1 1.3 1.6 2 2.5 3.2 4 5 6 8 10 13 15 20 25 30"
_DIAL: Final = {1.0 / int(part): f"1/{part} s" for part in _FRACTIONS.split()} | {
    float(time): f"{time} s" for time in _SECONDS.split()
}
"""Exposure time -> its name on a camera's dial, in thirds of a stop; common practice, no source. [s]"""
_NEAR_STOPS: Final = 0.34
_SPEEDS: Final = (
    "50 64 80 100 125 160 200 250 320 400 500 640 800 1000 1250 1600 2000 2500 3200 4000 5000 6400 8000 10000 12800 "
    "16000 20000 25600 32000 40000 51200 64000 80000 102400"
)
_ISO: Final = tuple(float(speed) for speed in _SPEEDS.split())
"""ISO speeds of a camera's dial, in thirds of a stop; common practice, no source."""


def shutter_speed(exposure_s: float) -> str:
    """Nearest shutter speed of a camera's dial; a time far from all of them in seconds.

    >>> shutter_speed(1 / 128), shutter_speed(2.1), shutter_speed(95.0)
    ('1/125 s', '2 s', '95 s')
    """
    if not exposure_s > 0.0:
        return f"{exposure_s:g} s"
    return _DIAL.get(dial_time_s(exposure_s), f"{exposure_s:.3g} s")


def dial_time_s(exposure_s: float, *, shorter: bool = False) -> float:
    """Nearest exposure time of a camera's dial, or the next not longer one; a time far from all of them stays.

    >>> dial_time_s(1 / 128), dial_time_s(1 / 75, shorter=True)
    (0.008, 0.0125)
    """
    times = [time for time in _DIAL if not shorter or time <= 1.01 * exposure_s]
    nearest = min(times or _DIAL, key=lambda time: abs(math.log2(time / exposure_s)))
    return nearest if abs(math.log2(nearest / exposure_s)) < _NEAR_STOPS else exposure_s


def dial_iso(iso: float) -> float:
    """Nearest ISO speed of a camera's dial; one far from all of them stays.

    >>> dial_iso(222.0)
    200.0
    """
    nearest = min(_ISO, key=lambda speed: abs(math.log2(speed / iso)))
    return nearest if abs(math.log2(nearest / iso)) < _NEAR_STOPS else iso


def listed(names: Sequence[str]) -> str:
    """Join names as one reads them aloud.

    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join(part for part in (", ".join(names[:-1]), *names[-1:]) if part)
