"""The picture one wants to take: where to focus, what the light allows, what hands add, and when to bracket.

Distances are metres from the sensor, as a focusing scale has them; thin lens.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.model.errors import SettingError
from lensbench.model.setting import dial_iso, dial_time_s
from lensbench.model.units import FULL_FRAME_DIAGONAL_MM, FloatArray

HABIT_SHAKE_MM: Final = 0.0144
"""Blur of hands on the sensor at a shutter of 1/focal-length: half of the largest disc that a print bears,
diagonal/1500. Common practice, no source: the habit never says how much it lets pass."""
SHAKE_FACTOR: Final = 2.0
"""People and shots differ by this factor to either side. Common practice, no source."""
EYE_MM: Final = 400.0
"""From the eye to a print, whatever its size: people walk up to large ones. Common practice, no source."""
BASE_ISO: Final = 100.0
"""Lowest ISO of most cameras; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What the picture asks for.

    Raises
    ------
    SettingError
        Distances, times or limits that no picture has.
    """

    focal_length_mm: float
    near_m: float
    """Nearest thing that is to be sharp, from the sensor."""
    far_m: float
    """Furthest; infinity is allowed."""
    shutter_s: float | None = None
    """Exposure time that is to be kept; None leaves it to the habit or the light."""
    ev: float | None = None
    """Brightness of the scene as exposure value at ISO 100: 2^EV = N^2 / t."""
    iso_limit: float | None = None
    handheld: bool = False
    zone: str = "frame"
    print_mm: tuple[float, float] | None = None
    """(height, width) of the print, or the other way round; None where the pixels themselves count."""

    def __post_init__(self) -> None:
        nearest_m = 4.0 * self.focal_length_mm / 1000.0
        if not nearest_m < self.near_m <= self.far_m:
            raise SettingError(
                f"near {self.near_m:g} m and far {self.far_m:g} m: near must be above four focal lengths "
                f"({nearest_m:g} m), and far not below near"
            )
        given = (self.focal_length_mm, self.shutter_s, self.ev, self.iso_limit, *(self.print_mm or ()))
        if not all(math.isfinite(one) for one in given if one is not None):
            raise SettingError(
                f"focal length, shutter, EV, ISO limit and print are {given}; give finite numbers"
            )
        if math.isinf(self.near_m):
            raise SettingError("near is infinite; then no depth is needed: ask without --near and --far")
        if self.iso_limit is not None and self.iso_limit < BASE_ISO:
            raise SettingError(f"ISO limit {self.iso_limit:g} lies below ISO {BASE_ISO:g}")

    @property
    def flat(self) -> bool:
        """Whether all of it is equally far away, so that depth does not count."""
        return self.near_m == self.far_m

    @property
    def near_object_mm(self) -> float:
        """Nearest distance, from the front principal plane."""
        return self._object_mm(self.near_m)

    @property
    def far_object_mm(self) -> float:
        """Furthest distance, from the front principal plane."""
        return self._object_mm(self.far_m)

    def _object_mm(self, distance_m: float) -> float:
        if math.isinf(distance_m):
            return math.inf
        focal_mm = self.focal_length_mm
        size = optics.magnification_at_chart_distance(
            focal_length_mm=focal_mm, chart_distance_mm=1000.0 * distance_m
        )
        return optics.object_distance_mm(focal_length_mm=focal_mm, magnification=size)


def focus_object_mm(near_mm: float, far_mm: float) -> float:
    """Distance whose blur discs at both limits are equal: the harmonic mean 2 n F / (n + F).

    It is the same at every stop, and 2 n for an infinite far limit. From D_N = s (H - f) / (H + s - 2 f) and
    D_F = s (H - f) / (H - s), whose reciprocals add up to 2/s: textbook formulas of the depth of field.

    >>> focus_object_mm(2.0, 6.0)
    3.0
    """
    return 2.0 / (1.0 / near_mm + 1.0 / far_mm)


def sensor_distance_m(object_mm: float, *, focal_length_mm: float) -> float:
    """Distance from the sensor, as the focusing scale shows it, in metres."""
    size = optics.magnification(focal_length_mm=focal_length_mm, object_distance_mm=object_mm)
    return optics.chart_distance_mm(focal_length_mm=focal_length_mm, magnification=size) / 1000.0


def disc_px(
    object_mm: float | FloatArray,
    *,
    focus_mm: float,
    focal_length_mm: float,
    f_number: float,
    pitch_um: float,
) -> FloatArray:
    """Blur disc of things at some distances, in pixels."""
    disc_mm = optics.blur_disc_mm(
        object_mm, focus_mm=focus_mm, focal_length_mm=focal_length_mm, f_number=f_number
    )
    return np.asarray(disc_mm * 1000.0 / pitch_um)


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """How one stop is exposed."""

    shutter_s: float | None
    """None where neither the shutter nor the light is known."""
    iso: float | None
    """None where the light is not known."""
    dark_by_stops: float = 0.0
    """How much light is missing at the ISO limit with the shutter asked for; 0 when enough."""


def exposure(wanted: Wanted, *, f_number: float, picture_diagonal_mm: float) -> Exposure:
    """Shutter and ISO of a stop, as cameras have them: in thirds of a stop, by their names on the dial.

    The shutter asked for is kept, but shortened where even ISO 100 would be too bright. Without one, hands take
    1/focal-length (as on full frame) or the next shorter time at the least, and longer only where the ISO limit forces
    it; a tripod takes what ISO 100 needs.
    """
    asked_s, limit = wanted.shutter_s, wanted.iso_limit or math.inf
    if asked_s is None and wanted.handheld:
        asked_s = dial_time_s(
            picture_diagonal_mm / FULL_FRAME_DIAGONAL_MM / wanted.focal_length_mm, shorter=True
        )
    if wanted.ev is None:
        return Exposure(shutter_s=asked_s, iso=None)
    at_base_s = f_number**2 / 2.0**wanted.ev
    if asked_s is None or asked_s >= at_base_s:
        return Exposure(shutter_s=dial_time_s(at_base_s), iso=BASE_ISO)
    iso = BASE_ISO * at_base_s / asked_s
    if iso <= limit:
        return Exposure(shutter_s=asked_s, iso=min(dial_iso(iso), limit))
    if wanted.shutter_s is None:
        return Exposure(shutter_s=dial_time_s(asked_s * iso / limit), iso=limit)
    return Exposure(shutter_s=asked_s, iso=limit, dark_by_stops=math.log2(iso / limit))


def shake_mm(wanted: Wanted, shutter_s: float | None) -> float:
    """Usual blur of hands on the sensor: it grows with focal length times exposure time; 0 on a tripod.

    By the habit 1/focal-length; an angle is an angle, so the sensor's size does not enter.
    """
    if not wanted.handheld or shutter_s is None:
        return 0.0
    return HABIT_SHAKE_MM * wanted.focal_length_mm * shutter_s


KEPT: Final = 0.9
"""Between two frames, at least this share of the MTF50 in focus is left."""
MOST_FRAMES: Final = 500
PRACTICAL_FRAMES: Final = 12
"""Nobody takes, and few stack, a bracket of more. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bracket:
    """Frames at one stop, nearest first."""

    f_number: float
    frames: int
    step_um: float
    """How far the plane of the sharp image moves between two frames, at the sensor; they are equal to 2nd order."""
    focus_m: tuple[float, ...]
    """Where to focus, from the sensor."""
    kept_percent: float
    """Least share of the sweet spot's MTF50 in focus that is left between near and far."""


def bracket(
    wanted: Wanted,
    blur: optics.LensBlur,
    *,
    f_number: float,
    exact_f_number: float,
    pitch_um: float,
    kept: float = KEPT,
) -> Bracket:
    """Frames spaced evenly in nearness (1/distance), which is even in the blur disc, for a lens's blur at a stop.

    `f_number` is the stop's name, `exact_f_number` what physics takes; a share `kept` of the MTF50 in focus is left.
    """
    focal_mm = wanted.focal_length_mm
    near, far = 1.0 / wanted.near_object_mm, 1.0 / wanted.far_object_mm
    allowed_mm = blur.disc_px_for(kept) * pitch_um / 1000.0
    # A disc is f^2 / N x s / (s - f) x |1/s - 1/u|; the factor is greatest at the near limit.
    nearness = allowed_mm * exact_f_number / focal_mm**2 * (1.0 - focal_mm * near)
    frames = min(max(1, math.ceil((near - far) / (2.0 * nearness) - 1e-9)), MOST_FRAMES)
    half = (near - far) / (2.0 * frames)
    planes_mm = [1.0 / (near - (2 * number + 1) * half) for number in range(frames)]
    worst_px = half * focal_mm**2 / exact_f_number / (1.0 - focal_mm * near) * 1000.0 / pitch_um
    images_mm = [1.0 / (1.0 / focal_mm - 1.0 / plane) for plane in planes_mm]
    step_um = 1000.0 * (images_mm[0] - images_mm[-1]) / (frames - 1) if frames > 1 else 0.0
    return Bracket(
        f_number=f_number,
        frames=frames,
        step_um=step_um,
        focus_m=tuple(sensor_distance_m(plane, focal_length_mm=focal_mm) for plane in planes_mm),
        kept_percent=100.0 * replace(blur, disc_px=worst_px).mtf50_cypx / blur.mtf50_cypx,
    )
