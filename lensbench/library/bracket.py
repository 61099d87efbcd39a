"""A focus bracket: how many frames at which distances, so that everything from near to far is sharp in one."""

import math
from dataclasses import dataclass
from typing import Final

from lensbench.library.scene import Wanted, sensor_distance_m
from lensbench.library.through_focus import Blur

__all__ = ["MOST_FRAMES", "Bracket", "bracket"]

KEPT: Final = 0.9
"""Between two frames, at least this share of the MTF50 in focus is left."""
MOST_FRAMES: Final = 500


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
    """Least share of the MTF50 in focus between near and far."""


def bracket(
    wanted: Wanted, blur: Blur, *, f_number: float, exact_f_number: float, pitch_um: float
) -> Bracket:
    """Space frames evenly in nearness (1/distance), which is even in the blur disc.

    Parameters
    ----------
    wanted : Wanted
        With the near and the far limit.
    blur : Blur
        The lens at this stop.
    f_number, exact_f_number : float
        By name and for physics.
    pitch_um : float
        [um]
    """
    focal_mm = wanted.focal_length_mm
    near, far = 1.0 / wanted.near_object_mm, 1.0 / wanted.far_object_mm
    allowed_mm = blur.disc_px_for(KEPT) * pitch_um / 1000.0
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
        kept_percent=100.0 * blur.mtf50_cypx(disc_px=worst_px) / blur.mtf50_cypx(),
    )
