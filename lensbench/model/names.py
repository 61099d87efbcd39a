"""Names of stops, focal lengths and shutter speeds as cameras and lenses bear them, and lists as one reads them aloud.

The only spellers of the package: every room that names a setting does it by these.
"""

from collections.abc import Sequence
from math import isfinite, log2
from typing import Final

from lensbench.model.units import nominal_f_number

_FRACTIONS: Final = (
    *(32000, 25600, 20000, 16000, 12800, 10000, 8000, 6400, 5000, 4000, 3200, 2500, 2000, 1600, 1250, 1000),
    *(800, 640, 500, 400, 320, 250, 200, 160, 125, 100, 80, 60, 50, 40, 30, 25, 20, 15, 13, 10, 8, 6, 5, 4),
)
_SECONDS: Final = (
    *(0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.3, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.0, 8.0, 10.0, 13.0, 15.0, 20.0),
    *(25.0, 30.0),
)
_DIAL: Final = {1.0 / part: f"1/{part} s" for part in _FRACTIONS} | {time: f"{time:g} s" for time in _SECONDS}
"""Exposure time -> its name on a camera's dial, in thirds of a stop; common practice, no source. [s]"""
_NEAR_STOPS: Final = 0.34


def f_stop(f_number: float | None) -> str:
    """F-stop as engraved.

    >>> f_stop(5.657)
    'f/5.6'
    """
    if f_number is None or not isfinite(f_number):
        return "unknown f-stop"
    return f"f/{nominal_f_number(f_number) if f_number > 0.0 else f_number:g}"


def focal_length(focal_length_mm: float | None) -> str:
    """Focal length in millimetres, without needless digits.

    >>> focal_length(35.0)
    '35 mm'
    """
    if focal_length_mm is None or not isfinite(focal_length_mm):
        return "unknown focal length"
    return f"{round(focal_length_mm, 1):g} mm"


def shutter_speed(exposure_s: float) -> str:
    """Nearest shutter speed of a camera's dial; a time far from all of them in seconds.

    >>> shutter_speed(1 / 128), shutter_speed(2.1), shutter_speed(95.0)
    ('1/125 s', '2 s', '95 s')
    """
    if not exposure_s > 0.0:
        return f"{exposure_s:g} s"
    nearest = min(_DIAL, key=lambda time: abs(log2(time / exposure_s)))
    return _DIAL[nearest] if abs(log2(nearest / exposure_s)) < _NEAR_STOPS else f"{exposure_s:.3g} s"


def listed(names: Sequence[str]) -> str:
    """Join names as one reads them aloud.

    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join(part for part in (", ".join(names[:-1]), *names[-1:]) if part)
