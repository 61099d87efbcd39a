"""How squarely the camera stood, how far the plane of focus may lean, and what both could do to the sides.

A tilted chart shifts the focus by h m tan(tilt) at image height h, to both sides the opposite way. That costs both
sides alike where the centre is in focus; it tells them apart where the focus is off anyway, by a steady error or a
curved field. How far off the outer field can be, its own blur bounds: no focus error makes a stop softer than it is.
What blurs the narrowest stop beside diffraction blurs every wider one; with that, the error that brings a stop down to
what was measured there is the largest. It holds for that stop alone: a real lens's focus shifts with the stop, so a
curved field lies tens of micrometres further off at one than at another. So the tilt's effect has no known
sign, but a largest size; it goes into the asymmetry's variance as an even distribution within it.

A plane of focus that leans in the lens costs opposite sides alike too, and is not seen in their difference. But then
sharpness falls off along one axis of the picture more than across it, which bounds what it may cost.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import cos, hypot, inf, isfinite, nan, radians, sin, tan
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.condition.field import STEP_DOUBT, SettingShots, is_upside_down, judged, sides_reach
from lensbench.focus import fall_table, pupil_q
from lensbench.model.condition import CameraTilt, ConditionFinding, Subject
from lensbench.model.shot import ShotResult
from lensbench.model.units import FloatArray
from lensbench.stats import quantile

_MATTERS: Final = 0.03  # Loss of MTF50 at the sides. Common practice, no source.
_UNKNOWN_TILT_DEG: Final = 1.0  # sd of a tilt that the picture hides. Common practice, no source.
_USUAL_MAGNIFICATION: Final = 1.0 / 40.0
_USUAL_PITCH_UM: Final = 4.3
_USUAL_F_NUMBER: Final = 5.6
_FOCUS_DOUBT: Final = 0.03  # log MTF50 that a shot's level is known to
_AT_HEIGHT: Final = 0.7
_DISCS: Final = np.geomspace(1e-3, 60.0, 400)
_WAYS: Final = 40
_ERRORS_UM: Final = np.arange(1.0, 120.0, 1.0)
_SIGMAS_PX: Final = np.linspace(0.0, 3.0, 25)


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
    size, doubt = np.abs(slope.um), 2.0 * np.hypot(slope.sd_um, STEP_DOUBT * slope.um)
    low, loss, high = (
        _loss(FocusSlope(um=um, sd_um=np.zeros(2)), known, f_number=widest)
        for um in (np.maximum(size - doubt, 0.0), size, size + doubt)
    )
    angles = {
        name: float(np.median([getattr(result.tilt, name) for result in known]))
        for name in ("yaw_deg", "yaw_sd_deg", "pitch_deg", "pitch_sd_deg")
    }
    return ConditionFinding(
        subject=Subject.TILT,
        verdict=judged(low, high, limit=_MATTERS),
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


def steady_errors_um(settings: Sequence[SettingShots]) -> list[float]:
    """Largest focus error of the outer field that each stop allows, shots of all stops seen together.

    What blurs the sharpest zone at the narrowest stop beside diffraction and that error blurs every wider stop as well.
    The error is each stop's own: where the focus shifts on stopping down, a curved field lies further off at one stop
    than at another.
    """
    known = [setting for setting in settings if isfinite(_outer_level(setting.results))]
    if not known:
        return [inf] * len(settings)
    narrowest = max(known, key=lambda setting: setting.exact_f_number)
    sharpest = max(level for level in _levels(narrowest.results).values() if isfinite(level))
    sigmas_px = _Sharpness.of(narrowest).least_sigmas_px(sharpest)
    allowed_um = []
    for setting in settings:
        level, stop = _outer_level(setting.results) - _FOCUS_DOUBT, _Sharpness.of(setting)
        beyond = np.flatnonzero(stop.log_mtf50(_ERRORS_UM, sigmas_px) < level)
        allowed_um.append(float(beyond[0]) if beyond.size else float(_ERRORS_UM[-1]))
    return allowed_um


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sharpness:
    """What physics allows at one stop."""

    q: float
    um_per_px: float

    @classmethod
    def of(cls, setting: SettingShots) -> "_Sharpness":
        """At the stop of a setting."""
        result, f_number = setting.results[0], setting.exact_f_number
        return cls(q=pupil_q(result, f_number), um_per_px=_um_per_disc_px(result, f_number))

    def log_mtf50(self, error_um: FloatArray, sigma_px: FloatArray) -> FloatArray:
        """Of lenses whose blur is a Gaussian beside diffraction, so far out of focus."""
        peaks = np.interp(sigma_px, _SIGMAS_PX, _peaks(round(self.q, 3)))
        return fall_table(self.q).at(error_um / self.um_per_px, peaks)

    def least_sigmas_px(self, level: float) -> FloatArray:
        """Gaussian that with each of the errors leaves this log MTF50; 0 where the error alone leaves less."""
        levels = self.log_mtf50(_ERRORS_UM[:, None], _SIGMAS_PX)
        return np.array([np.interp(-level, -row, _SIGMAS_PX) for row in levels])


@lru_cache(maxsize=64)
def _peaks(q: float) -> FloatArray:
    """Log MTF50 in focus behind each Gaussian."""
    return np.log([optics.allowed_mtf50_cypx(q, sigma_px=float(sigma_px)) for sigma_px in _SIGMAS_PX])


def tilt_asymmetry_bound(
    slope: FocusSlope, results: Sequence[ShotResult], *, f_number: float, steady_um: float
) -> FloatArray:
    """Largest asymmetry, as log MTF50 of one side less the other's, that a slope could cause; shape (2,).

    The outer field is off focus by `steady_um` at most.
    """
    outer = _outer_level(results)
    if not isfinite(outer):
        return np.full(2, np.inf)
    q, um_per_px = pupil_q(results[0], f_number), _um_per_disc_px(results[0], f_number)
    table = fall_table(q)
    peaks, off_px = _ways_to_level(outer, q)
    may_be = off_px <= max(steady_um / um_per_px, float(off_px[0]))
    peaks, off_px = peaks[may_be, None], off_px[may_be, None]
    side_px = np.hypot(slope.um, slope.sd_um) * sides_reach(results[0].size_px) / um_per_px
    apart = table.at(off_px + side_px, peaks) - table.at(np.abs(off_px - side_px), peaks)
    return np.asarray(np.abs(apart).max(axis=0), np.float64)


def leaning_cost(setting: SettingShots, *, tests: int) -> tuple[float, float]:
    """Share of MTF50 that a leaning plane of focus takes from the sides at height 0.7, and how much it may be at most.

    From the fall of sharpness along one axis beyond that across it, and from how much softer the outer field is than
    the sharpest zone: the smaller bound counts. What leans in the lens may have been set against the chart's tilt.
    """
    results, f_number = setting.results, setting.exact_f_number
    outer, q = _outer_level(results), pupil_q(results[0], f_number)
    if not isfinite(outer):
        return nan, 1.0
    sharpest = max(level for level in _levels(results).values() if isfinite(level))
    size, high = 0.0, sharpest - outer + _FOCUS_DOUBT
    lean = np.mean([shape.lean for shape in setting.shapes], axis=0)
    if np.all(np.isfinite(lean)):
        length = float(np.linalg.norm(lean))
        covariance = np.mean([shape.lean_covariance for shape in setting.shapes], axis=0)
        sd = float(np.sqrt(lean @ covariance @ lean)) / length
        size = 2.0 * _AT_HEIGHT**2 * float(np.sqrt(max(length**2 - sd**2, 0.0)))
        freedom = min(shape.freedom for shape in setting.shapes)
        high = min(high, size + 2.0 * _AT_HEIGHT**2 * quantile(freedom, tests=tests) * sd)
    table, slope = fall_table(q), mean_slope(results)
    chart_px = _AT_HEIGHT * float(np.linalg.norm(np.abs(slope.um) + slope.sd_um))
    chart_px /= _um_per_disc_px(results[0], f_number)
    peak = outer + 0.5 * high  # the outer field before it lost half of that on the mean of both axes
    total_px = float(np.interp(high, peak - table.at(_DISCS / np.exp(peak), peak), _DISCS / np.exp(peak)))
    return -float(np.expm1(-size)), table.loss(total_px + chart_px, peak)


def _ways_to_level(level: float, q: float) -> tuple[FloatArray, FloatArray]:
    """Log MTF50 in focus, from the level up to what physics allows, and the blur discs that bring each down to it."""
    table, allowed = fall_table(q), float(np.log(optics.allowed_mtf50_cypx(q)))
    peaks = np.linspace(level + _FOCUS_DOUBT, max(allowed, level + 2.0 * _FOCUS_DOUBT), _WAYS)
    discs_px = _DISCS * np.exp(-level)
    falls = peaks[:, None] - table.at(discs_px[None, :], peaks[:, None])
    off_px = [float(np.interp(peak - level, fall, discs_px)) for peak, fall in zip(peaks, falls, strict=True)]
    return peaks, np.array(off_px)


def _loss(slope: FocusSlope, results: Sequence[ShotResult], *, f_number: float) -> float:
    """Share of MTF50 that the tilt costs the sides where the centre is in focus."""
    levels, result = _levels(results), results[0]
    # The sides, at 0.7, lie where the middle zone meets the outer one.
    sides = float(
        np.mean([level for zone, level in levels.items() if zone != "inner" and isfinite(level)] or nan)
    )
    if not isfinite(sides):
        return nan
    both_um = np.hypot(slope.um, slope.sd_um) * sides_reach(result.size_px)
    disc_px = float(np.linalg.norm(both_um)) / _um_per_disc_px(result, f_number)
    return fall_table(pupil_q(result, f_number)).loss(disc_px, sides)


def _um_per_disc_px(result: ShotResult, f_number: float) -> float:
    """Focus error that makes a blur disc of one pixel."""
    working = optics.working_f_number(f_number, magnification=result.magnification or _USUAL_MAGNIFICATION)
    return working * (result.pixel_pitch_um or _USUAL_PITCH_UM)


def _outer_level(results: Sequence[ShotResult]) -> float:
    """Mean log MTF50 of the outer zone; NaN where it was not measured."""
    return _levels(results)["outer"]


def _levels(results: Sequence[ShotResult]) -> dict[str, float]:
    """Mean log MTF50 of every zone."""
    levels = {}
    for zone in ("inner", "middle", "outer"):
        figures = [result.summary[zone].mtf50_cypx for result in results if zone in result.summary]
        levels[zone] = float(np.mean(np.log(figures or [nan])))
    return levels
