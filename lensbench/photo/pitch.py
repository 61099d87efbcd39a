"""The pixel pitch, out of what the metadata say of the sensor's size."""

import math
from typing import Final

from lensbench.records import Metadata
from lensbench.units import pixel_pitch_um_from_equivalent

__all__ = ["pixel_pitch_um"]

_PITCH_LIMITS_UM: Final = (0.5, 25.0)
_PITCH_AGREEMENT: Final = 0.05
_SAME_PICTURE: Final = 0.03


def pixel_pitch_um(metadata: Metadata, size_px: tuple[int, int]) -> float | None:
    """Give the pixel pitch that the metadata implies for a picture of this size, or None.

    From the focal-plane resolution and from the 35-mm-equivalent focal length; where both are there they
    must agree within 5 % and the equivalent's rounding, else neither is believed.
    """
    plane = _pitch_from_focal_plane(metadata, size_px)
    equivalent = _pitch_from_equivalent(metadata, size_px)
    if plane is None or equivalent is None:
        return plane or equivalent
    rounding = 0.5 / (metadata.focal_length_35mm_mm or math.inf)
    agree = abs(math.log(plane / equivalent)) <= _PITCH_AGREEMENT + rounding
    return plane if agree else None


def _pitch_from_focal_plane(metadata: Metadata, size_px: tuple[int, int]) -> float | None:
    width_mm, width_px = metadata.sensor_width_mm, metadata.sensor_width_px
    if width_mm is None:
        return None
    columns = size_px[1]
    # A raw file shows a few columns more than the picture that the resolution refers to.
    same = width_px is not None and abs(width_px / columns - 1.0) < _SAME_PICTURE
    return _possible_pitch(1000.0 * width_mm / (width_px if same and width_px else columns))


def _pitch_from_equivalent(metadata: Metadata, size_px: tuple[int, int]) -> float | None:
    focal, equivalent = metadata.focal_length_mm, metadata.focal_length_35mm_mm
    if focal is None or equivalent is None:
        return None
    return _possible_pitch(pixel_pitch_um_from_equivalent(focal, equivalent, size_px))


def _possible_pitch(pitch_um: float) -> float | None:
    return pitch_um if _PITCH_LIMITS_UM[0] <= pitch_um <= _PITCH_LIMITS_UM[1] else None
