"""What the photographer has, a lens and a camera, what of it is worth testing, and what the trade knows of it.

Common practice, no source, unless one is named.
"""

from dataclasses import dataclass
from math import exp, hypot, log
from typing import Final

from lensbench.model.errors import SettingError

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
    """Exact value of an engraved third or half stop, on the scale of powers of the root of two.

    >>> round(exact_f_number(5.6), 3), round(exact_f_number(3.5), 3)
    (5.657, 3.564)
    """
    sixths = 12.0 * log(f_number) / log(2.0)
    return float(2.0 ** (round(sixths) / 12.0))


def full_stops(lens: LensGear) -> tuple[float, ...]:
    """Widest stop and the full stops beyond it, to the narrowest.

    >>> full_stops(LensGear(focal_range_mm=(50, 50), widest_f_number=1.8))
    (1.8, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
    """
    beyond = (stop for stop in _FULL_STOPS if stop > _HALF_A_THIRD * lens.widest_f_number)
    return (lens.widest_f_number, *(stop for stop in beyond if stop <= 1.02 * lens.narrowest_f_number))


def zoom_marks(lens: LensGear, *, most: int = 5) -> tuple[float, ...]:
    """Focal lengths to test: both ends, and between them engraved ones in even ratios.

    >>> zoom_marks(LensGear(focal_range_mm=(24, 70), widest_f_number=2.8))
    (24, 35, 50, 70)
    """
    short_mm, long_mm = lens.focal_range_mm
    if not lens.zooms:
        return (short_mm,)
    octaves = log(long_mm / short_mm) / log(2.0)
    count = min(max(3, round(2.0 * octaves) + 1), most)
    steps = [short_mm * exp(log(long_mm / short_mm) * step / (count - 1)) for step in range(1, count - 1)]
    marks = [mark for mark in _MARKS_MM if 1.08 * short_mm < mark < long_mm / 1.08]
    inner = [min(marks or [round(step)], key=lambda mark: abs(log(mark / step))) for step in steps]
    return tuple(dict.fromkeys((short_mm, *inner, long_mm)))


TRIPOD: Final = (
    "Tripod, legs spread wide, centre column down; hang no bag that can swing.",
    "Stabiliser off on the tripod, in the lens and in the body; it can wander there.",
    "Self-timer (2 s, better 10 s) or a remote release; hands off, and stand still.",
    (
        "Electronic first curtain (with a mirror: locked up), above all between 1/125 s and 1/4 s. No fully electronic "
        "shutter under lamps that flicker, unless the time is 1/50 s or longer."
    ),
)
CAMERA: Final = (
    "Raw, base ISO, the same ISO throughout; mode M; corrections and sharpening do not matter in raw.",
    "Paper white at half to three quarters of full scale, nowhere clipped.",
    "Hood on, filter off, front element clean (blower first).",
)
LIGHT: Final = (
    "Matte paper, light from two sides at 45 degrees, lamps well apart, room light off.",
    "Even within 10 %: photograph blank paper at the centre and in the corners, or read it off lensbench check.",
    "No shiny spot: nothing bright stands opposite the chart.",
)
HANGING: Final = (
    "Fix the paper flat on a rigid board. On a wall: tape that peels off clean, tried on a hidden spot first.",
    (
        "Square by a mirror: hold a small one flat on the chart's centre, and move the camera until the lens sees "
        "itself in the middle of the picture."
    ),
    "As a control, take it down, hang it again and repeat one setting: what changes is not the lens.",
)
FOCUS: Final = (
    (
        "Focus at the stop you shoot at, magnified on the centre of the chart: on stopping down, spherical aberration "
        "moves the plane of best focus, so the focus found wide open is not the best one at f/4."
    ),
    "Throw the focus off and find it anew before every shot: only then do repeats tell the lens from the focusing.",
)
CARE: Final = (
    "A camera on a tripod topples easily: keep cables, straps, children and pets away, and do not leave it alone.",
    (
        "Lamps grow hot, and run on mains: keep paper and curtains off, cables out of the way, hands dry; let them "
        "cool before you move them."
    ),
    "Up a ladder never alone, never on a chair; do not lean over a stairwell.",
    "Elsewhere than at home: ask before you hang anything or block a corridor, and keep to the rules of the place.",
)
EXPOSURE: Final = (
    "Times as in the table: the same light at every stop. Paper too dark or bright: shift all alike."
)
UPSIDE_DOWN: Final = (
    "Turned upside down the camera hangs by the head's clamp only: lock every knob, and keep its strap round your "
    "hand while you turn it."
)
QUICK_SIDES: Final = {
    "sheet": (
        "Softness that stays on the same side of the picture when the sheet is turned comes from the lens or the "
        "mount; one that changes sides comes from the sheet."
    ),
    "wall": (
        "Softness that stays on the same side of the picture when the camera is turned comes from the lens or the "
        "mount; one that changes sides comes from the wall, its pages or its light."
    ),
}
QUICK_READING: Final = (
    "Still softer on one side at f/8: send it back, or ask for another copy. Better at f/8: ordinary for a wide stop.",
    "A dozen shots do not find the best stop: they tell a sound copy from a bad one. Repeat before you complain.",
)
