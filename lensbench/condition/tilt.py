"""What the tilt of the chart does to the focus over the picture, and how much asymmetry it could cause at most.

A tilted chart shifts the focus by h m tan(tilt) at image height h, to both sides the opposite way. That costs both
sides alike where the middle is in focus; it tells them apart where the focus is off anyway, or where the field is
curved. How far off the outer field can be is bounded by how much softer it is than the sharpest zone. So the tilt's
effect has no known sign, but a largest size; it goes into the asymmetry's variance as an even distribution within it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, hypot, isfinite, radians, sin, tan
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.condition.field import sides_reach
from lensbench.focus import fall_table, focus_q
from lensbench.model.shot import ShotResult
from lensbench.model.units import FloatArray

__all__ = ["FocusSlope", "focus_slope", "mean_slope", "tilt_loss", "tilt_sway"]


_UNKNOWN_TILT_DEG: Final = 1.0
"""Standard deviation of a tilt that the picture does not tell. Common practice, no source."""
_USUAL_MAGNIFICATION: Final = 1.0 / 40.0
_USUAL_PITCH_UM: Final = 4.3
_FOCUS_DOUBT: Final = 0.03
"""Loss of MTF50 that a refocused shot may have by its focus anyway."""
_REACHES: Final = np.geomspace(1e-3, 60.0, 400)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusSlope:
    """How the focus slopes over the picture because the chart is tilted."""

    um: FloatArray
    """Sensor plane less plane of the sharp image at one half-diagonal to the right, and below, shape (2,). [um]"""
    sd_um: FloatArray
    """Shape (2,)."""


def focus_slope(result: ShotResult) -> FocusSlope:
    """Work out the slope of one photograph from its geometry; with a wide sd where the tilt is not known."""
    tilt = result.tilt
    rows, cols = result.size_px
    half_diagonal_mm = hypot(rows, cols) / 2.0 * (result.pixel_pitch_um or _USUAL_PITCH_UM) / 1000.0
    scale_um = 1000.0 * half_diagonal_mm * (result.magnification or _USUAL_MAGNIFICATION)
    known = isfinite(tilt.yaw_deg) and isfinite(tilt.pitch_deg)
    on_chart = np.array([tan(radians(tilt.yaw_deg)), -tan(radians(tilt.pitch_deg))]) if known else np.zeros(2)
    sd = [
        radians(sd_deg if known and isfinite(sd_deg) else _UNKNOWN_TILT_DEG * (not known))
        for sd_deg in (tilt.yaw_sd_deg, tilt.pitch_sd_deg)
    ]
    turn = _turn_to_picture(tilt.roll_deg)
    return FocusSlope(
        um=scale_um * turn @ on_chart, sd_um=scale_um * np.sqrt(np.square(turn) @ np.square(sd))
    )


def _turn_to_picture(roll_deg: float) -> FloatArray:
    """Give what turns (right, down) of the chart into the picture's; quarter turns are in the tilt already.

    A camera rolled clockwise sees the chart turned counter-clockwise.
    """
    rest = radians(roll_deg - 90.0 * round(roll_deg / 90.0)) if isfinite(roll_deg) else 0.0
    return np.array([[cos(rest), sin(rest)], [-sin(rest), cos(rest)]])


def mean_slope(results: Sequence[ShotResult]) -> FocusSlope:
    """Give the mean of several shots; their sds are taken to be common, as the chart hangs as it hangs."""
    slopes = [focus_slope(result) for result in results]
    return FocusSlope(
        um=np.mean([one.um for one in slopes], axis=0), sd_um=np.mean([one.sd_um for one in slopes], axis=0)
    )


def tilt_sway(slope: FocusSlope, results: Sequence[ShotResult], *, f_number: float) -> FloatArray:
    """Give the largest asymmetry, as log MTF50 of one side less the other's, that a slope could cause; shape (2,)."""
    outer, fall = _outer_level(results)
    if not isfinite(outer):
        return np.full(2, np.inf)
    first = results[0]
    table = fall_table(
        max(
            round(
                focus_q(f_number, magnification=first.magnification, pixel_pitch_um=first.pixel_pitch_um), 3
            ),
            0.02,
        )
    )
    discs_px = _discs_px(slope, first, f_number=f_number)
    peak = outer + fall
    off_px = float(np.interp(fall, peak - table.at(_REACHES / np.exp(peak), peak), _REACHES / np.exp(peak)))
    return np.abs(table.at(off_px + discs_px, peak) - table.at(np.abs(off_px - discs_px), peak))


def tilt_loss(slope: FocusSlope, results: Sequence[ShotResult], *, f_number: float) -> float:
    """Give the share of MTF50 that the tilt costs the sides where the middle is in focus."""
    outer, _ = _outer_level(results)
    if not isfinite(outer):
        return float("nan")
    first = results[0]
    q = focus_q(f_number, magnification=first.magnification, pixel_pitch_um=first.pixel_pitch_um)
    disc_px = float(np.linalg.norm(_discs_px(slope, first, f_number=f_number)))
    return float(-np.expm1(fall_table(max(round(q, 3), 0.02)).at(np.array([disc_px]), outer)[0] - outer))


def _discs_px(slope: FocusSlope, result: ShotResult, *, f_number: float) -> FloatArray:
    """Give the blur discs at the sides, for the slope and its doubt together."""
    working = optics.working_f_number(f_number, magnification=result.magnification or _USUAL_MAGNIFICATION)
    pitch_um = result.pixel_pitch_um or _USUAL_PITCH_UM
    both_um: FloatArray = np.hypot(slope.um, slope.sd_um) * sides_reach(result.size_px)
    return both_um / (working * pitch_um)


def _outer_level(results: Sequence[ShotResult]) -> tuple[float, float]:
    """Give the mean log MTF50 of the outer zone, and by how much defocus may have lowered it."""
    logs = {
        zone: np.log(
            [result.summary[zone].mtf50_cypx for result in results if zone in result.summary] or [np.nan]
        )
        for zone in ("inner", "middle", "outer")
    }
    means = {zone: float(np.mean(values)) for zone, values in logs.items()}
    if not isfinite(means["outer"]):
        return float("nan"), float("nan")
    sharpest = max(value for value in means.values() if isfinite(value))
    return means["outer"], sharpest - means["outer"] + _FOCUS_DOUBT
