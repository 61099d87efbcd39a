"""What the photographer has: a lens and a camera, and the focal lengths and stops that are worth testing."""

from dataclasses import dataclass
from math import exp, hypot, log
from typing import Final

from lensbench.errors import SettingError

__all__ = ["CameraGear", "LensGear", "exact_f_number", "full_stops", "zoom_marks"]

_FULL_STOPS: Final = (0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0, 45.0, 64.0)
_HALF_A_THIRD: Final = 1.12
"""A full stop this near to the widest one is not shot beside it."""
_MARKS_MM: Final = (
    *(8, 10, 12, 14, 16, 18, 20, 24, 28, 35, 40, 50, 55, 70, 85, 100, 105, 120, 135, 150, 180, 200),
    *(250, 300, 400, 500, 600, 800),
)
"""Focal lengths engraved on zoom rings. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LensGear:
    """A lens as its owner knows it."""

    name: str = ""
    focal_range_mm: tuple[float, float]
    widest_f_number: float
    narrowest_f_number: float = 16.0
    closest_mm: float | None = None
    """Closest distance, from the subject to the sensor's mark, as engraved."""

    def __post_init__(self) -> None:
        short_mm, long_mm = self.focal_range_mm
        if not 0.0 < short_mm <= long_mm:
            raise SettingError(f"focal range {short_mm:g}-{long_mm:g} mm: give SHORT-LONG, both above 0")
        if not 0.5 <= self.widest_f_number <= self.narrowest_f_number <= 128.0:
            raise SettingError(
                f"stops f/{self.widest_f_number:g} to f/{self.narrowest_f_number:g}: the widest must lie between 0.5 "
                "and the narrowest, and that below 128"
            )

    @property
    def zooms(self) -> bool:
        """Whether it has more than one focal length."""
        return self.focal_range_mm[1] > 1.03 * self.focal_range_mm[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraGear:
    """A camera by its sensor."""

    name: str = ""
    pitch_um: float
    size_px: tuple[int, int]
    """(rows, columns)."""

    def __post_init__(self) -> None:
        if not 0.3 <= self.pitch_um <= 50.0:
            raise SettingError(f"pixel pitch {self.pitch_um:g} um: give 0.3 to 50")
        if min(self.size_px) < 200 or max(self.size_px) > 40_000:
            raise SettingError(
                f"a sensor of {self.size_px[0]}x{self.size_px[1]} px: give ROWSxCOLS, 200 to 40000"
            )

    @property
    def sensor_mm(self) -> tuple[float, float]:
        """(height, width) of the sensor."""
        rows, cols = self.size_px
        return rows * self.pitch_um / 1000.0, cols * self.pitch_um / 1000.0

    @property
    def half_diagonal_mm(self) -> float:
        """From the sensor's centre to its corner."""
        return hypot(*self.sensor_mm) / 2.0


def exact_f_number(f_number: float) -> float:
    """Give the exact value of an engraved third or half stop, on the scale of powers of the root of two.

    >>> round(exact_f_number(5.6), 3), round(exact_f_number(3.5), 3)
    (5.657, 3.564)
    """
    sixths = 12.0 * log(f_number) / log(2.0)
    return float(2.0 ** (round(sixths) / 12.0))


def full_stops(lens: LensGear) -> tuple[float, ...]:
    """Give the widest stop and the full stops beyond it, to the narrowest.

    >>> full_stops(LensGear(focal_range_mm=(50, 50), widest_f_number=1.8))
    (1.8, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
    """
    beyond = (stop for stop in _FULL_STOPS if stop > _HALF_A_THIRD * lens.widest_f_number)
    return (lens.widest_f_number, *(stop for stop in beyond if stop <= 1.02 * lens.narrowest_f_number))


def zoom_marks(lens: LensGear, *, most: int = 5) -> tuple[float, ...]:
    """Give the focal lengths to test: both ends, and between them engraved ones in even ratios.

    >>> zoom_marks(LensGear(focal_range_mm=(24, 70), widest_f_number=2.8))
    (24, 35, 50, 70)
    """
    short_mm, long_mm = lens.focal_range_mm
    if not lens.zooms:
        return (short_mm,)
    octaves = log(long_mm / short_mm) / log(2.0)
    count = min(max(3, round(2.0 * octaves) + 1), most)
    steps = [short_mm * exp(log(long_mm / short_mm) * step / (count - 1)) for step in range(1, count - 1)]
    inner = [_nearest_mark(step, short_mm, long_mm) for step in steps]
    return tuple(dict.fromkeys((short_mm, *inner, long_mm)))


def _nearest_mark(wanted_mm: float, short_mm: float, long_mm: float) -> float:
    inside = [mark for mark in _MARKS_MM if 1.08 * short_mm < mark < long_mm / 1.08]
    return min(inside or [round(wanted_mm)], key=lambda mark: abs(log(mark / wanted_mm)))
