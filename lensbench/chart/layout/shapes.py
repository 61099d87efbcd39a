"""The shapes of a chart as data, in millimetres.

Coordinates are (row, column) from the chart's centre, rows down, columns to the right, as the page is read.
A target is a disc cut by two lines at right angles through its centre, its quarters dark and light in turn.
"""

from dataclasses import dataclass
from math import cos, inf, radians, sin
from typing import Final

ARMS: Final = (1, 2, 3, 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A quadrant target; the quarters between arms 1 and 2 and between arms 3 and 4 are dark."""

    name: str
    """T01, T02, ... from the centre outwards."""
    center_mm: tuple[float, float]
    radius_mm: float
    turn_deg: float
    """Angle of arm 1 from vertical, positive when it leans to the right: in [-90, 90) on a sheet.

    The first line runs along the chart's radius give or take 5 to 10 degrees, the second across it.
    """

    def arm_direction(self, arm: int) -> tuple[float, float]:
        """Direction (down, right) from the crossing along an arm, of length one.

        Arm 1 is the upper end of the first line; 2, 3 and 4 follow counter-clockwise as the page is read.
        """
        angle = radians(self.turn_deg - 90.0 * (arm - 1))
        return (-cos(angle), sin(angle))


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """A square marker of the dictionary named in `coding`."""

    marker_id: int
    center_mm: tuple[float, float]
    side_mm: float
    """With its black border, which is one module of seven wide."""
    turn_deg: float = 0.0
    """Clockwise from upright."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """A square of one even tone, to see whether a picture's tone scale is linear."""

    center_mm: tuple[float, float]
    side_mm: float
    reflectance: float
    """Nominal, paper white being 1; at 1 nothing is printed."""
    turn_deg: float = 0.0
    """Clockwise from upright."""


TONES: Final = (1.0, 0.0, 0.1, 0.2, 0.4, 0.7, 1.0)
"""Reflectances of a row, in its order: bare paper at both ends, so that uneven light along it shows."""


def tone_row(start_mm: tuple[float, float], *, step_mm: float, side_mm: float) -> tuple[Tone, ...]:
    """Row of tones from the centre of its first to the right."""
    row_mm, col_mm = start_mm
    return tuple(
        Tone(
            center_mm=(row_mm, round(col_mm + number * step_mm, 3)), side_mm=side_mm, reflectance=reflectance
        )
        for number, reflectance in enumerate(TONES)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The part of the sheet that a picture of this ratio should show."""

    ratio: str
    size_mm: tuple[float, float]
    """(height, width)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Everything on one sheet that matters to a measurement."""

    name: str
    """As the chart prints it: «sheet A3»."""
    paper: str
    paper_mm: tuple[float, float]
    """(height, width)."""
    targets: tuple[Target, ...]
    markers: tuple[Marker, ...]
    frames: tuple[Frame, ...]
    quiet_radius_mm: float
    """Around the sheet's centre, this disc holds the centre target and the focusing aid only."""
    dark_reflectance: float
    """Of the dark quarters, paper white being 1: nominal, for only a photograph tells the printed one."""
    light_reflectance: float = 1.0
    marker_reflectance: float = 0.0
    tones: tuple[Tone, ...] = ()
    """Row by row, each in the order of `TONES`."""

    @property
    def contrast(self) -> float:
        """Nominal bright over dark; infinite for solid black."""
        return self.light_reflectance / self.dark_reflectance if self.dark_reflectance > 0.0 else inf


def turned(
    point_mm: tuple[float, float], turn_deg: float, *, about: tuple[float, float] = (0.0, 0.0)
) -> tuple[float, float]:
    """Turn a point (down, right) clockwise about the origin, and count it from another origin.

    >>> [round(mm, 9) + 0.0 for mm in turned((-1.0, 0.0), 90.0)]
    [0.0, 1.0]
    """
    (row, col), angle = point_mm, radians(turn_deg)
    if turn_deg == 0.0:
        return (about[0] + row, about[1] + col)
    return (about[0] + row * cos(angle) + col * sin(angle), about[1] - row * sin(angle) + col * cos(angle))
