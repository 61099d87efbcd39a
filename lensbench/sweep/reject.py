"""Measured shots that must not count: those whose flags reject them, and those out of focus.

Bad focus only ever softens, and softens the whole picture. A shot is rejected when every zone lies far below
the sharper repeats at the same setting, or below the curve that the other f-stops draw (one-sided, so that a
bad shot never condemns its neighbours). Over the f-stops MTF50 can only rise and then fall; a stop softer
than stops on both sides of it is out of focus whatever the model says.
"""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.focus import in_bracket
from lensbench.model.errors import Severity, remark, worst
from lensbench.model.shot import ZONES, RejectedShot, ShotResult
from lensbench.model.sweep import SweepShot
from lensbench.model.units import FloatArray
from lensbench.stats import ASSUMED_SD, PARAMETERS, fit_blur
from lensbench.sweep.countable import by_focal_length

LEAST_LIMIT: Final = 0.10  # softer by less, nobody would reshoot. Common practice, no source.
LEAST_CURVE_LIMIT: Final = 0.15
LIMIT_SD: Final = 5.0
_LEAST_SD: Final = 0.01
_NO_FRAME: Final = "no figure for the whole frame: a third of the picture has none"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeriesShots:
    """All shots of one lens at one focal length."""

    f_number: FloatArray  # exact, one a shot, equal within a setting; shape (shots,)
    log_zones: FloatArray  # log MTF50, shape (shots, zones), the frame last; NaN where a zone was not seen


def reject(shots: Sequence[SweepShot]) -> list[SweepShot]:
    """Mark the measured shots that must not count: flagged, without a figure for the frame, or out of focus.

    In a focus bracket, being out of focus is the purpose: a shot so soft that a third of it has no figure serves the
    others there, if any shot of its series has the whole frame.
    """
    judged = reject_flagged(shots)
    bracketed = in_bracket(judged)
    reasons: dict[int, str] = {}
    for focal in by_focal_length(judged):
        frameless = [shot for shot in focal.members if not np.isfinite(shot.log_mtf50("frame"))]
        whole = len(frameless) < len(focal.members)
        reasons |= {id(shot): _NO_FRAME for shot in frameless if id(shot) not in bracketed or not whole}
    for focal in by_focal_length([shot for shot in judged if id(shot) not in bracketed | reasons.keys()]):
        members = focal.members
        series = SeriesShots(
            f_number=np.array([focal.exact_f_number[shot.planned.setting.f_number] for shot in members]),
            log_zones=np.array([[shot.log_mtf50(zone) for zone in ZONES] for shot in members]),
        )
        softer = misfocused(series, pixel_pitch_um=focal.pixel_pitch_um)
        reasons |= {id(members[index]): reason for index, reason in softer.items()}
    return [
        dataclasses.replace(shot, reason=reasons[id(shot)]) if id(shot) in reasons else shot
        for shot in judged
    ]


def reject_flagged(shots: Sequence[SweepShot]) -> list[SweepShot]:
    """The same shots, those marked whose own flags reject them or that have no figure for the whole frame."""
    return [_with_own_flags(shot) for shot in shots]


def rejections(shots: Sequence[SweepShot]) -> tuple[RejectedShot, ...]:
    """Shots that could not be used, with the reasons; those left out by choice are not among them."""
    return tuple(
        shot.result
        if isinstance(shot.result, RejectedShot)
        else RejectedShot(path=shot.planned.path, reason=shot.reason)
        for shot in shots
        if not shot.used and not shot.planned.by_choice
    )


def _with_own_flags(shot: SweepShot) -> SweepShot:
    if not isinstance(shot.result, ShotResult) or shot.reason:
        return shot
    quality = shot.result.quality
    if worst(quality) is Severity.REJECT:
        reason = "; ".join(one.message for one in quality if one.severity is Severity.REJECT)
        return dataclasses.replace(shot, reason=reason)
    if not any(np.isfinite(shot.log_mtf50(zone)) for zone in ZONES):
        return dataclasses.replace(shot, reason="no figure could be measured")
    return shot


def repeat_sd(series: SeriesShots) -> float:
    """Spread of MTF50 between repeats, as a share, by the two sharpest of each setting: half may hold a bad shot."""
    frame = series.log_zones[:, -1]
    gaps = [
        float(np.diff(np.sort(frame[series.f_number == stop])[-2:])[0])
        for stop in np.unique(series.f_number)
        if np.sum(series.f_number == stop) >= 2
    ]
    if len(gaps) < 3:
        return ASSUMED_SD
    # The median of |difference| of two normal values is 0.6745 sqrt(2) sd.
    return max(_LEAST_SD, float(np.median(gaps) / (0.6745 * np.sqrt(2.0))))


def misfocused(series: SeriesShots, *, pixel_pitch_um: float | None = None) -> dict[int, str]:
    """Shots of one focal length that are out of focus, by index, and why; a known pitch fixes the diffraction."""
    sd = repeat_sd(series)
    limit = max(LEAST_LIMIT, LIMIT_SD * np.sqrt(2.0) * sd)
    reasons: dict[int, str] = {}
    for stop in np.unique(series.f_number):
        members = np.flatnonzero(series.f_number == stop)
        sharp = _sharp(series.log_zones[members])
        for index in members[_far_below(series.log_zones[members], sharp, limit)]:
            reasons[int(index)] = _reason(series.log_zones[index], sharp, limit, "than its repeats")
    return _below_curve(series, reasons, sd, pixel_pitch_um)


def _sharp(log_zones: FloatArray) -> FloatArray:
    """Zones of the sharpest shot: of two or more, all but the sharpest may be out of focus."""
    sharpest: FloatArray = log_zones[int(np.nanargmax(log_zones[:, -1]))]
    return sharpest


def _far_below(log_zones: FloatArray, reference: FloatArray, limit: float) -> FloatArray:
    """Shots that are softer by the limit over the frame, and by half of it in every zone."""
    drop = -np.log1p(-limit)
    with_gaps = np.where(np.isnan(reference - log_zones), np.inf, reference - log_zones)
    below: FloatArray = (with_gaps[:, -1] > drop) & np.all(with_gaps > 0.5 * drop, axis=1)
    return below


def _reason(log_zones: FloatArray, reference: FloatArray, limit: float, than: str) -> str:
    drop = float(-np.expm1(log_zones[-1] - reference[-1]))
    return remark(
        "misfocus", f"{100 * drop:.0f} % softer {than}, in every zone; limit {100 * limit:.0f} %"
    ).message


def _below_curve(
    series: SeriesShots, reasons: dict[int, str], sd: float, pixel_pitch_um: float | None
) -> dict[int, str]:
    """Add the shots that lie far below what the other f-stops, and their own repeats, lead one to expect."""
    good = np.setdiff1d(np.arange(len(series.f_number)), list(reasons))
    stops = np.unique(series.f_number[good])
    if len(stops) < 3:
        return reasons
    members = [good[series.f_number[good] == stop] for stop in stops]
    sharpest = np.array([_sharp(series.log_zones[shots]) for shots in members])
    limit = max(LEAST_CURVE_LIMIT, LIMIT_SD * sd)
    for position in range(1, len(stops) - 1):
        shots = series.log_zones[members[position]]
        frame = _expected(stops, sharpest[:, -1], position, sd, pixel_pitch_um)
        if not np.any(frame - shots[:, -1] > -np.log1p(-limit)):
            continue
        zones = [_expected(stops, column, position, sd, pixel_pitch_um) for column in sharpest.T]
        expected = np.asarray(zones)
        if not _far_below(sharpest[position : position + 1], expected, limit)[0]:
            expected = np.fmin(expected, sharpest[position])
        reasons |= {
            int(index): _reason(series.log_zones[index], expected, limit, "than the other f-stops let expect")
            for index in members[position][_far_below(shots, expected, limit)]
        }
    return reasons


def _expected(
    stops: FloatArray, sharpest: FloatArray, position: int, sd: float, pixel_pitch_um: float | None
) -> float:
    """Least that a zone should reach at a stop, by the stops around it and by the model."""
    before, after = sharpest[:position], sharpest[position + 1 :]
    others = np.concatenate([before, after])
    if not np.all(np.isfinite(others)):
        return float("nan")
    both_sides = float(min(before.max(), after.max()))
    if len(others) < PARAMETERS:
        return both_sides
    elsewhere = np.delete(stops, position)
    fit = fit_blur(elsewhere, others, sd=np.full(len(others), sd), pixel_pitch_um=pixel_pitch_um)
    return max(both_sides, float(fit.at(stops[position : position + 1])[0]))
