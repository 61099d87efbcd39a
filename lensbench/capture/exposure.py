"""Exposure times that keep the light on the sensor the same at every stop."""

import re
from dataclasses import dataclass
from math import isfinite, log2
from typing import Final

from lensbench.capture.gear import exact_f_number
from lensbench.errors import SettingError

__all__ = ["Exposure", "in_thirds", "shutter_name", "thirds_in_words"]

# Engraved times in thirds of a stop, from 1/8000 s to 30 s; common practice, no source.
_FRACTIONS: Final = (
    *(8000, 6400, 5000, 4000, 3200, 2500, 2000, 1600, 1250, 1000, 800, 640, 500, 400, 320, 250, 200, 160),
    *(125, 100, 80, 60, 50, 40, 30, 25, 20, 15, 13, 10, 8, 6, 5, 4),
)
_SECONDS: Final = (
    *(0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.3, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.0, 8.0, 10.0, 13.0, 15.0, 20.0),
    *(25.0, 30.0),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """A metered pair of time and f-number; other stops follow from it."""

    seconds: float
    f_number: float

    def __post_init__(self) -> None:
        if not (isfinite(self.seconds) and self.seconds > 0.0 and 0.5 <= self.f_number <= 128.0):
            raise SettingError(f"an exposure of {self.seconds:g} s at f/{self.f_number:g} cannot be")

    @classmethod
    def parse(cls, text: str) -> "Exposure":
        """Read «1/30@5.6» or «0.5@8».

        Raises
        ------
        SettingError
            It is written otherwise.
        """
        found = re.fullmatch(
            r"\s*(?:(\d+)\s*/\s*)?(\d+(?:\.\d+)?)\s*s?\s*@\s*(?:f/)?(\d+(?:\.\d+)?)\s*", text
        )
        if found is None or float(found[2]) == 0.0:
            raise SettingError(f"exposure '{text}': write TIME@STOP, such as 1/30@5.6")
        upper = float(found[1]) if found[1] else None
        seconds = float(found[2]) if upper is None else upper / float(found[2])
        return cls(seconds=seconds, f_number=float(found[3]))

    def seconds_at(self, f_number: float) -> float:
        """Give the time for the same light at another engraved stop: t (N / N0)^2, by the exact f-numbers.

        >>> Exposure(seconds=1 / 32, f_number=5.6).seconds_at(16)
        0.25
        """
        ratio = exact_f_number(f_number) / exact_f_number(self.f_number)
        return round(self.seconds * ratio**2, 9)


def shutter_name(seconds: float) -> str:
    """Name the nearest time of a camera's dial.

    >>> shutter_name(1 / 32), shutter_name(2.1)
    ('1/30 s', '2 s')
    """
    names = {1.0 / n: f"1/{n} s" for n in _FRACTIONS} | {s: f"{s:g} s" for s in _SECONDS}
    nearest = min(names, key=lambda time: abs(log2(time / seconds)))
    return names[nearest] if abs(log2(nearest / seconds)) < 0.34 else f"{seconds:.3g} s"


def in_thirds(stops: float) -> int:
    """Round a number of stops to thirds, as cameras are set; never to nothing."""
    return max(1, round(3.0 * abs(stops)))


def thirds_in_words(thirds: int) -> str:
    """Say a number of thirds of a stop as a photographer does.

    >>> thirds_in_words(2), thirds_in_words(3), thirds_in_words(7)
    ('two thirds of a stop', 'one stop', '2 1/3 stops')
    """
    whole, rest = divmod(thirds, 3)
    if whole == 0:
        return ("", "a third of a stop", "two thirds of a stop")[rest]
    if rest == 0:
        return "one stop" if whole == 1 else f"{whole} stops"
    return f"{whole} {rest}/3 stops"
