"""Conversions between the units of spatial frequency and of length on the sensor.

Everything is computed in cycles per pixel; these functions translate at the border.
"""

from typing import Final, Literal, TypeVar

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Quantity = TypeVar("Quantity", float, FloatArray)

Paper = Literal["A4", "Letter"]
"""What reports and cards are printed on."""

FULL_FRAME_DIAGONAL_MM: Final = 43.2666  # 36 mm x 24 mm, to which 35-mm equivalents refer
PITCH_LIMITS_UM: Final = (0.3, 100.0)
"""What a user may give as the pixel pitch; wider than any sensor's. Common practice, no source. [um]"""
_ON_ITS_SIDE: Final = 5  # EXIF orientations from here on exchange rows and columns (EXIF 2.32, 274)


def lpmm_from_cypx(frequency_cypx: Quantity, pixel_pitch_um: float) -> Quantity:
    """Give line pairs per millimetre on the sensor: lp/mm = 1000 f / pitch.

    >>> lpmm_from_cypx(0.25, 4.0)
    62.5
    """
    return frequency_cypx * (1000.0 / pixel_pitch_um)


def lwph_from_cypx(frequency_cypx: Quantity, picture_height_px: int) -> Quantity:
    """Give line widths per picture height: two line widths a cycle.

    >>> lwph_from_cypx(0.25, 4000)
    2000.0
    """
    return frequency_cypx * (2.0 * picture_height_px)


def picture_height_px(size_px: tuple[int, int], *, orientation: int = 1) -> int:
    """Height of a picture as it is viewed, turned by its EXIF orientation: of prints, and of LW/PH.

    >>> picture_height_px((4000, 6000)), picture_height_px((4000, 6000), orientation=6)
    (4000, 6000)
    """
    return size_px[1] if orientation >= _ON_ITS_SIDE else size_px[0]


def pixel_pitch_um_from_equivalent(
    focal_length_mm: float, focal_length_35mm_mm: float, size_px: tuple[int, int]
) -> float:
    """Give the pixel pitch that a 35-mm-equivalent focal length implies, in micrometres.

    The equivalent is rounded to whole millimetres in metadata, so the result is good to 1-3 %.
    """
    diagonal_px = float(np.hypot(*size_px))
    diagonal_mm = FULL_FRAME_DIAGONAL_MM * focal_length_mm / focal_length_35mm_mm
    return 1000.0 * diagonal_mm / diagonal_px


_NOMINAL_THIRD_STOPS: Final = (
    "0.7 0.8 0.9 0.95 1.0 1.1 1.2 1.4 1.6 1.7 1.8 2.0 2.2 2.5 2.8 3.2 3.5 4.0 4.5 5.0 5.6 6.3 7.1 8.0 9.0 "
    "10 11 13 14 16 18 20 22 25 29 32 36 40 45 51 57 64"
)
_NOMINAL_HALF_STOPS: Final = "1.3 2.4 3.3 4.8 6.7 9.5 19 27 38 54"
_NOMINAL_F_NUMBERS: Final = np.array(
    sorted(float(text) for text in (_NOMINAL_THIRD_STOPS + " " + _NOMINAL_HALF_STOPS).split())
)


def nominal_f_number(f_number: float) -> float:
    """Give the engraved f-number nearest to a recorded one, or the recorded one when none is near.

    Within a sixth of a stop of an engraved third or half stop; common practice, no source.

    >>> nominal_f_number(5.657)
    5.6
    """
    steps = np.abs(np.log2(_NOMINAL_F_NUMBERS / f_number))
    nearest = int(np.argmin(steps))
    return float(_NOMINAL_F_NUMBERS[nearest]) if steps[nearest] <= 1.0 / 12.0 else f_number
