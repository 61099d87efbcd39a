"""Thin-lens distances and magnification, the f-number near by, and what a focus error or the print costs there.

Distances are millimetres: object distances run from the front principal plane, chart distances from the chart to the
sensor. A real lens has a gap between its principal planes, so chart distances are good to a few centimetres.

References
----------
Thin-lens relations as in any optics textbook; the check values are derived.
"""

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.model.units import FloatArray
from lensbench.optics.blur import diffraction_q

GREEN_UM: Final = 0.54
"""Middle of the green channel; common practice, no source."""
_FOCUS_SHIFT_FOR_1_PERCENT: Final = 0.371  # in units of wavelength times f-number squared


def working_f_number(f_number: float, *, magnification: float, pupil_ratio: float = 1.0) -> float:
    """F-number that diffraction and depth see near by: N (1 + m / P), N as engraved, for a distant object.

    P is the diameter of the exit pupil over that of the entrance pupil.
    """
    return f_number * (1.0 + magnification / pupil_ratio)


def working_q(
    f_number: float,
    *,
    pixel_pitch_um: float,
    magnification: float | None = None,
    wavelength_um: float = GREEN_UM,
) -> float:
    """Wavelength x working f-number over pixel pitch: the reciprocal of the cutoff in cycles per pixel.

    An unknown magnification (None or NaN) counts as far away.

    >>> round(working_q(8.0, pixel_pitch_um=4.0, magnification=0.25, wavelength_um=0.55), 6)
    1.375
    """
    near = magnification if magnification is not None and math.isfinite(magnification) else 0.0
    working = working_f_number(f_number, magnification=near)
    return diffraction_q(f_number=working, pixel_pitch_um=pixel_pitch_um, wavelength_um=wavelength_um)


def magnification(*, focal_length_mm: float, object_distance_mm: float) -> float:
    """Image size over object size: m = f / (u - f).

    >>> magnification(focal_length_mm=50.0, object_distance_mm=2550.0)
    0.02
    """
    return focal_length_mm / (object_distance_mm - focal_length_mm)


def object_distance_mm(*, focal_length_mm: float, magnification: float) -> float:
    """Object's distance at a magnification: u = f (1 + 1/m)."""
    return focal_length_mm * (1.0 + 1.0 / magnification)


def chart_distance_mm(*, focal_length_mm: float, magnification: float) -> float:
    """Distance from the chart to the sensor: f (2 + m + 1/m).

    >>> chart_distance_mm(focal_length_mm=50.0, magnification=0.02)
    2601.0
    """
    return focal_length_mm * (2.0 + magnification + 1.0 / magnification)


def magnification_at_chart_distance(*, focal_length_mm: float, chart_distance_mm: float) -> float:
    """Magnification at a chart-to-sensor distance: 1 or less, NaN below four focal lengths."""
    half = chart_distance_mm / focal_length_mm / 2.0 - 1.0
    return float(1.0 / (half + np.sqrt(half**2 - 1.0))) if half >= 1.0 else float("nan")


def blur_disc_mm(
    distance_mm: npt.ArrayLike, *, focus_mm: float, focal_length_mm: float, f_number: float
) -> FloatArray:
    """Diameter of the blur disc on the sensor: f^2 |s - s0| / (N s (s0 - f)), objects at s (any shape), focus on s0.

    Infinity is allowed for s.
    """
    nearness = 1.0 / np.asarray(distance_mm, dtype=np.float64)
    scale = focal_length_mm**2 / (f_number * (focus_mm - focal_length_mm))
    return scale * np.abs(1.0 - focus_mm * nearness)


def tilt_deg_for_focus_shift(height_mm: float, *, magnification: float, focus_shift_um: float) -> float:
    """Tilt of the chart that shifts the focus at the sensor by so much at an image height h: dz = h m tan(tilt).

    To first order: the chart's depth h tan(tilt) / m, times the longitudinal magnification m^2; derived.
    """
    return float(np.rad2deg(np.arctan(focus_shift_um / (1000.0 * height_mm * magnification))))


def focus_shift_for_loss_um(
    f_number: float, *, loss_percent: float = 1.0, wavelength_um: float = GREEN_UM
) -> float:
    """Focus shift at the sensor that costs a perfect lens so much of its MTF50: 0.371 sqrt(loss) wl N^2.

    From the exact transfer of a defocused circular pupil (Hopkins 1955); the loss grows with the square of the shift,
    within 1 % up to a loss of 5 %. A pixel's own blur makes the lens more tolerant.

    >>> round(focus_shift_for_loss_um(2.8), 2)
    1.57
    """
    return _FOCUS_SHIFT_FOR_1_PERCENT * float(np.sqrt(loss_percent)) * wavelength_um * f_number**2


def chart_depth_mm(focus_shift_um: float, *, magnification: float) -> float:
    """Depth at the chart that shifts the focus by so much: dz / m^2, the longitudinal magnification."""
    return focus_shift_um / 1000.0 / magnification**2


def print_blur_px(print_sigma_mm: float, *, magnification: float, pixel_pitch_um: float) -> float:
    """Sigma on the sensor of a print's own edge blur: sigma m / p.

    >>> print_blur_px(0.02, magnification=0.02, pixel_pitch_um=4.0)
    0.1
    """
    return print_sigma_mm * magnification * 1000.0 / pixel_pitch_um
