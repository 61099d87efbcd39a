"""How squarely the camera stood, what that does to the focus over the picture, and how much asymmetry it could cause.

A tilted chart shifts the focus by h m tan(tilt) at image height h, to both sides the opposite way. That costs both
sides alike where the centre is in focus; it tells them apart where the focus is off anyway, or where the field is
curved. How far off the outer field can be is bounded by how much softer it is than the sharpest zone. So the tilt's
effect has no known sign, but a largest size; it goes into the asymmetry's variance as an even distribution within it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, hypot, isfinite, radians, sin, tan
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.condition.field import is_upside_down, judged, sides_reach
from lensbench.focus import fall_table, pupil_q
from lensbench.model.condition import CameraTilt, ConditionFinding, Subject
from lensbench.model.shot import ShotResult
from lensbench.model.units import FloatArray

_MATTERS: Final = 0.03  # Loss of MTF50 at the sides. Common practice, no source.
_UNKNOWN_TILT_DEG: Final = 1.0  # sd of a tilt that the picture hides. Common practice, no source.
_USUAL_MAGNIFICATION: Final = 1.0 / 40.0
_USUAL_PITCH_UM: Final = 4.3
_USUAL_F_NUMBER: Final = 5.6
_FOCUS_DOUBT: Final = 0.03  # loss of MTF50 that a refocused shot may have by its focus anyway
_DISCS: Final = np.geomspace(1e-3, 60.0, 400)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusSlope:
    """How the focus slopes over the picture because the chart is tilted."""

    um: FloatArray  # sensor less sharp image at one half-diagonal to the right, and below, shape (2,). [um]
    sd_um: FloatArray  # shape (2,)


def tilt_finding(results: Sequence[ShotResult]) -> ConditionFinding:
    """How squarely the camera stood, and what that costs the sides at the widest stop."""
    known = [result for result in results if isfinite(result.tilt.yaw_deg + result.tilt.pitch_deg)]
    limit = 100.0 * _MATTERS
    if not known:
        return ConditionFinding(subject=Subject.TILT, limit=limit)
    known = [result for result in known if not is_upside_down(result)] or known
    widest = min(result.metadata.f_number or np.inf for result in known)
    widest = widest if isfinite(widest) else _USUAL_F_NUMBER
    slope = mean_slope(known)
    size, doubt = np.abs(slope.um), 2.0 * slope.sd_um
    low, loss, high = (
        _loss(FocusSlope(um=um, sd_um=np.zeros(2)), known, f_number=widest)
        for um in (np.maximum(size - doubt, 0.0), size, size + doubt)
    )
    sure = float(np.linalg.norm(size)) > float(np.linalg.norm(doubt))
    angles = {
        name: float(np.median([getattr(result.tilt, name) for result in known]))
        for name in ("yaw_deg", "yaw_sd_deg", "pitch_deg", "pitch_sd_deg")
    }
    return ConditionFinding(
        subject=Subject.TILT,
        verdict=judged(loss, sure=sure, limit=_MATTERS, at_most=high, bound=2.0 * _MATTERS),
        limit=limit,
        value=100.0 * loss + 0.0,
        ci95=(100.0 * low + 0.0, 100.0 * high),  # no -0.0
        details=CameraTilt(f_number=widest, **angles),
    )


def focus_slope(result: ShotResult) -> FocusSlope:
    """Slope of the focus in one photograph, from its geometry; with a wide sd where the tilt is not known."""
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
    # Turns (right, down) of the chart into the picture's: a camera rolled clockwise sees the chart turned
    # counter-clockwise. Quarter turns are in the tilt already.
    roll_deg = tilt.roll_deg
    rest = radians(roll_deg - 90.0 * round(roll_deg / 90.0)) if isfinite(roll_deg) else 0.0
    turn = np.array([[cos(rest), sin(rest)], [-sin(rest), cos(rest)]])
    return FocusSlope(
        um=scale_um * turn @ on_chart, sd_um=scale_um * np.sqrt(np.square(turn) @ np.square(sd))
    )


def mean_slope(results: Sequence[ShotResult]) -> FocusSlope:
    """Mean of several shots; their sds are taken to be common, as the chart hangs as it hangs."""
    slopes = [focus_slope(result) for result in results]
    return FocusSlope(
        um=np.mean([slope.um for slope in slopes], axis=0),
        sd_um=np.mean([slope.sd_um for slope in slopes], axis=0),
    )


def tilt_asymmetry_bound(slope: FocusSlope, results: Sequence[ShotResult], *, f_number: float) -> FloatArray:
    """Largest asymmetry, as log MTF50 of one side less the other's, that a slope could cause; shape (2,)."""
    outer, fall = _outer_level(results)
    if not isfinite(outer):
        return np.full(2, np.inf)
    table = fall_table(pupil_q(results[0], f_number))
    discs_px = _discs_px(slope, results[0], f_number=f_number)
    peak = outer + fall
    off_px = float(np.interp(fall, peak - table.at(_DISCS / np.exp(peak), peak), _DISCS / np.exp(peak)))
    return np.abs(table.at(off_px + discs_px, peak) - table.at(np.abs(off_px - discs_px), peak))


def _loss(slope: FocusSlope, results: Sequence[ShotResult], *, f_number: float) -> float:
    """Share of MTF50 that the tilt costs the sides where the centre is in focus."""
    outer, _ = _outer_level(results)
    if not isfinite(outer):
        return float("nan")
    disc_px = float(np.linalg.norm(_discs_px(slope, results[0], f_number=f_number)))
    return fall_table(pupil_q(results[0], f_number)).loss(disc_px, outer)


def _discs_px(slope: FocusSlope, result: ShotResult, *, f_number: float) -> FloatArray:
    """Blur discs at the sides, for the slope and its doubt together."""
    working = optics.working_f_number(f_number, magnification=result.magnification or _USUAL_MAGNIFICATION)
    both_um = np.hypot(slope.um, slope.sd_um) * sides_reach(result.size_px)
    return np.asarray(both_um / (working * (result.pixel_pitch_um or _USUAL_PITCH_UM)), np.float64)


def _outer_level(results: Sequence[ShotResult]) -> tuple[float, float]:
    """Mean log MTF50 of the outer zone, and by how much defocus may have lowered it."""
    means = {}
    for zone in ("inner", "middle", "outer"):
        figures = [result.summary[zone].mtf50_cypx for result in results if zone in result.summary]
        means[zone] = float(np.mean(np.log(figures or [np.nan])))
    if not isfinite(means["outer"]):
        return float("nan"), float("nan")
    sharpest = max(value for value in means.values() if isfinite(value))
    return means["outer"], sharpest - means["outer"] + _FOCUS_DOUBT
