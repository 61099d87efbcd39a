"""Measured shots that must not count: those whose flags reject them, and those out of focus.

Bad focus only ever softens, and softens the whole picture. A shot is rejected when every zone lies far below the
sharpest of its own repeats; how far is asked of all repeats, for a focus error weighs more at wide stops. A whole stop
that departs from the others is never rejected: its shots may all be as sharp as that stop comes out. It is said, for so
looks a focus that shifts as the lens is stopped down.
"""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.focus import in_bracket
from lensbench.model.errors import Note, Severity, remark, worst
from lensbench.model.shot import ZONES, RejectedShot, ShotResult
from lensbench.model.sweep import Observed, SeriesRemark, SweepShot
from lensbench.model.units import FloatArray
from lensbench.stats import ASSUMED_SD, PARAMETERS, fit_blur
from lensbench.sweep.countable import FocalShots, by_focal_length

LEAST_LIMIT: Final = 0.10  # softer by less, nobody would reshoot. Common practice, no source.
LEAST_CURVE_LIMIT: Final = 0.05
LIMIT_SD: Final = 5.0
_LEAST_SD: Final = 0.01
_FEWEST_GAPS: Final = 3
_MOST_LIMIT: Final = 0.5
_NO_FRAME: Final = "no figure for the whole frame: a third of the picture has none; fill it with the chart"


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
        for sensor_data in (True, False):  # a raw file is no repeat of a picture that was sharpened
            members = [shot for shot in focal.members if shot.measured.sensor_data is sensor_data]
            softer = misfocused(_series(focal, members)) if members else {}
            reasons |= {id(members[index]): reason for index, reason in softer.items()}
    return [
        dataclasses.replace(shot, reason=reasons[id(shot)]) if id(shot) in reasons else shot
        for shot in judged
    ]


def _series(focal: FocalShots, members: Sequence[SweepShot]) -> SeriesShots:
    return SeriesShots(
        f_number=np.array([focal.exact_f_number[shot.planned.setting.f_number] for shot in members]),
        log_zones=np.array([[shot.log_mtf50(zone) for zone in ZONES] for shot in members]),
    )


def departure_remarks(focals: Sequence[FocalShots]) -> list[SeriesRemark]:
    """Remark on each focal length of which whole stops depart from the others: so looks a focus that shifts."""
    remarks = []
    for focal in focals:
        bracketed = in_bracket(focal.members)
        plain = [shot for shot in focal.members if id(shot) not in bracketed]
        found = departures(_series(focal, plain), pixel_pitch_um=focal.pixel_pitch_um) if plain else {}
        names = {exact: name for name, exact in focal.exact_f_number.items()}
        observations = tuple(
            Note(Observed.STOP_DEPARTS, (names[stop], 100.0 * share)) for stop, share in found.items()
        )
        if observations:
            remarks.append(
                SeriesRemark(
                    flag="stop_departs",
                    observations=observations,
                    focal_length_mm=focal.focal_length_mm,
                    shots=len(plain),
                )
            )
    return remarks


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


def repeat_sd(series: SeriesShots) -> dict[float, float]:
    """Spread of MTF50 between repeats at each stop, as a share, by the two sharpest of each: half may hold a bad shot.

    The middle of all stops; but where focus is critical, or the shutter slow, not below what the stops where it is most
    so lead one to expect: a focus error weighs with (MTF50 / N)^2, a shake with (MTF50 x N)^2.
    """
    frame = series.log_zones[:, -1]
    stops = [float(stop) for stop in np.unique(series.f_number)]
    sharpest = {stop: np.sort(frame[series.f_number == stop])[-2:] for stop in stops}
    loads = [
        {stop: float(np.exp(values[-1]) * stop**power) ** 2 for stop, values in sharpest.items()}
        for power in (-1.0, 1.0)
    ]
    gaps = {stop: float(np.diff(values)[0]) for stop, values in sharpest.items() if len(values) > 1}
    if len(gaps) < _FEWEST_GAPS:
        return dict.fromkeys(stops, ASSUMED_SD)
    even = float(np.median(list(gaps.values())))
    gap = dict.fromkeys(stops, even)
    for load in loads:
        critical = sorted(gaps, key=load.__getitem__, reverse=True)[:_FEWEST_GAPS]
        growing = float(np.median([gaps[stop] / load[stop] for stop in critical]))
        gap = {stop: max(gap[stop], growing * load[stop]) for stop in stops}
    # The median of |difference| of two normal values is 0.6745 sqrt(2) sd.
    return {stop: max(_LEAST_SD, gap[stop] / (0.6745 * np.sqrt(2.0))) for stop in stops}


def misfocused(series: SeriesShots) -> dict[int, str]:
    """Shots of one focal length that are out of focus against their own repeats, by index, and why."""
    sd = repeat_sd(series)
    reasons: dict[int, str] = {}
    for stop in np.unique(series.f_number):
        members = np.flatnonzero(series.f_number == stop)
        sharp = _sharp(series.log_zones[members])
        limit = min(max(LEAST_LIMIT, LIMIT_SD * np.sqrt(2.0) * sd[float(stop)]), _MOST_LIMIT)
        for index in members[_far_below(series.log_zones[members], sharp, limit)]:
            reasons[int(index)] = _reason(series.log_zones[index], sharp, limit)
    return reasons


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


def _reason(log_zones: FloatArray, reference: FloatArray, limit: float) -> str:
    drop = float(-np.expm1(log_zones[-1] - reference[-1]))
    return remark("misfocus", f"{100 * drop:.3g} % over the frame, limit {100 * limit:.3g} %").message


def departures(series: SeriesShots, *, pixel_pitch_um: float | None = None) -> dict[float, float]:
    """Stops softer in every zone than the stops around them let expect, and by how much, as a share.

    Over the f-stops MTF50 can only rise and then fall: a stop softer than stops on both sides of it is out of focus
    whatever the model says; a known pitch fixes the diffraction.
    """
    stops = np.unique(series.f_number)
    spread = repeat_sd(series)
    sharpest = np.array([_sharp(series.log_zones[series.f_number == stop]) for stop in stops])
    found = {}
    for position in range(1, len(stops) - 1):
        sd = spread[float(stops[position])]
        limit = min(max(LEAST_CURVE_LIMIT, LIMIT_SD * sd), _MOST_LIMIT)
        frame = _expected(stops, sharpest[:, -1], position, sd, pixel_pitch_um)
        if not frame - sharpest[position, -1] > -np.log1p(-limit):
            continue
        thirds = [_expected(stops, column, position, sd, pixel_pitch_um) for column in sharpest.T[:-1]]
        expected = np.array([*thirds, frame])
        if _far_below(sharpest[position : position + 1], expected, limit)[0]:
            found[float(stops[position])] = float(-np.expm1(sharpest[position, -1] - expected[-1]))
    return found


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
