"""Thin-lens distances, magnification and depth of field.

Distances are millimetres: object distances run from the front principal plane, chart distances from the chart
to the sensor. A real lens has a gap between its principal planes, so chart distances are good to a few
centimetres.

References
----------
Thin-lens relations and depth-of-field formulas as in any optics textbook; the check values are derived.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.model.units import FloatArray
from lensbench.optics.budget import GREEN_UM

_AIRY_ZERO: Final = 2.439_34
"""Twice the first zero of J1 over pi: the diameter of the first dark ring. [wavelength x f-number]"""

_FOCUS_SHIFT_FOR_1_PERCENT: Final = 0.371
"""In units of wavelength times f-number squared."""


def magnification(*, focal_length_mm: float, object_distance_mm: float) -> float:
    """Image size over object size: m = f / (u - f).

    >>> magnification(focal_length_mm=50.0, object_distance_mm=2550.0)
    0.02
    """
    return focal_length_mm / (object_distance_mm - focal_length_mm)


def object_distance_mm(*, focal_length_mm: float, magnification: float) -> float:
    """Object's distance at a magnification: u = f (1 + 1/m)."""
    return focal_length_mm * (1.0 + 1.0 / magnification)


def image_distance_mm(*, focal_length_mm: float, magnification: float) -> float:
    """Image's distance at a magnification: v = f (1 + m)."""
    return focal_length_mm * (1.0 + magnification)


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


def hyperfocal_mm(*, focal_length_mm: float, f_number: float, disc_mm: float) -> float:
    """Nearest focus distance whose depth reaches infinity: H = f^2 / (N c) + f.

    Parameters
    ----------
    focal_length_mm, f_number : float
        The lens.
    disc_mm : float
        Largest blur disc allowed on the sensor. [mm]
    """
    return focal_length_mm**2 / (f_number * disc_mm) + focal_length_mm


def near_limit_mm(focus_mm: npt.ArrayLike, *, focal_length_mm: float, hyperfocal_mm: float) -> FloatArray:
    """Near end of the depth of field: s (H - f) / (H + s - 2 f)."""
    focus = np.asarray(focus_mm, dtype=np.float64)
    return focus * (hyperfocal_mm - focal_length_mm) / (hyperfocal_mm + focus - 2.0 * focal_length_mm)


def far_limit_mm(focus_mm: npt.ArrayLike, *, focal_length_mm: float, hyperfocal_mm: float) -> FloatArray:
    """Far end of the depth of field: s (H - f) / (H - s), infinite from s = H on."""
    focus = np.asarray(focus_mm, dtype=np.float64)
    gap = hyperfocal_mm - focus
    safe = np.where(gap > 0.0, gap, 1.0)
    return np.where(gap > 0.0, focus * (hyperfocal_mm - focal_length_mm) / safe, np.inf)


def near_to_far(focus_mm: npt.ArrayLike, *, focal_length_mm: float, hyperfocal_mm: float) -> FloatArray:
    """Depth in front of the focus over that behind: (H - s) / (H + s - 2 f), 0 from s = H on.

    It is one to two only at s = (H + 2 f) / 3, and goes to one to one near by: the «one-third rule» is no
    rule.
    """
    focus = np.asarray(focus_mm, dtype=np.float64)
    ratio = (hyperfocal_mm - focus) / (hyperfocal_mm + focus - 2.0 * focal_length_mm)
    return np.maximum(ratio, 0.0)


def third_rule_distance_mm(*, focal_length_mm: float, hyperfocal_mm: float) -> float:
    """Only focus distance with one third of the depth in front and two behind: (H + 2 f) / 3."""
    return (hyperfocal_mm + 2.0 * focal_length_mm) / 3.0


def blur_disc_mm(
    distance_mm: npt.ArrayLike, *, focus_mm: float, focal_length_mm: float, f_number: float
) -> FloatArray:
    """Diameter of the blur disc on the sensor: f^2 |s - s0| / (N s (s0 - f)).

    Parameters
    ----------
    distance_mm : array of any shape
        Object distances; infinity is allowed. [mm]
    focus_mm : float
        Distance focused on. [mm]
    focal_length_mm, f_number : float
        The lens.
    """
    nearness = 1.0 / np.asarray(distance_mm, dtype=np.float64)
    scale = focal_length_mm**2 / (f_number * (focus_mm - focal_length_mm))
    return scale * np.abs(1.0 - focus_mm * nearness)


def w20_waves_from_focus_shift(focus_shift_um: float, *, f_number: float, wavelength_um: float) -> float:
    """Wavefront error at the pupil's rim from a focus shift: dz / (8 wavelength N^2)."""
    return focus_shift_um / (8.0 * wavelength_um * f_number**2)


def tilt_focus_shift_um(height_mm: float, *, magnification: float, tilt_deg: float) -> float:
    """Focus shift at the sensor that a tilted chart causes at an image height: h m tan(tilt).

    To first order: the chart's depth h tan(tilt) / m, times the longitudinal magnification m^2; derived.
    """
    return 1000.0 * height_mm * magnification * float(np.tan(np.deg2rad(tilt_deg)))


def tilt_deg_for_focus_shift(height_mm: float, *, magnification: float, focus_shift_um: float) -> float:
    """Tilt of the chart that shifts the focus by so much at an image height; undoes the above."""
    return float(np.rad2deg(np.arctan(focus_shift_um / (1000.0 * height_mm * magnification))))


def focus_shift_for_loss_um(
    f_number: float, *, loss_percent: float = 1.0, wavelength_um: float = GREEN_UM
) -> float:
    """Focus shift at the sensor that costs a perfect lens so much of its MTF50: 0.371 sqrt(loss) wl N^2.

    From the exact transfer of a defocused circular pupil (Hopkins 1955); the loss grows with the square of the
    shift, within 1 % up to a loss of 5 %. A pixel's own blur makes the lens more tolerant.

    >>> round(focus_shift_for_loss_um(2.8), 2)
    1.57
    """
    return _FOCUS_SHIFT_FOR_1_PERCENT * float(np.sqrt(loss_percent)) * wavelength_um * f_number**2


def chart_depth_mm(focus_shift_um: float, *, magnification: float) -> float:
    """Depth at the chart that shifts the focus by so much: dz / m^2, the longitudinal magnification."""
    return focus_shift_um / 1000.0 / magnification**2


def airy_diameter_um(*, f_number: float, wavelength_um: float) -> float:
    """Diameter of the Airy pattern's first dark ring: 2.44 wavelength N."""
    return _AIRY_ZERO * wavelength_um * f_number


def print_blur_px(print_sigma_mm: float, *, magnification: float, pixel_pitch_um: float) -> float:
    """Sigma on the sensor of a print's own edge blur: sigma m / p.

    >>> print_blur_px(0.02, magnification=0.02, pixel_pitch_um=4.0)
    0.1
    """
    return print_sigma_mm * magnification * 1000.0 / pixel_pitch_um
