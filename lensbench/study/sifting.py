"""Which measured shots must not count: those whose flags reject them, and those out of focus."""

import dataclasses
from collections.abc import Sequence

import numpy as np

from lensbench.flags import Severity, worst
from lensbench.records import ZONES, ShotResult
from lensbench.study.brackets import in_bracket
from lensbench.study.findings import SweepShot
from lensbench.study.misfocus import SeriesShots, misfocused
from lensbench.study.series import by_focal_length

__all__ = ["sift"]


def sift(shots: Sequence[SweepShot]) -> list[SweepShot]:
    """Mark the measured shots that must not count: those with a flag that rejects, and those out of focus.

    In a focus bracket, being out of focus is the purpose.
    """
    judged = [_with_own_flags(shot) for shot in shots]
    bracketed = in_bracket(judged)
    for focal in by_focal_length([shot for shot in judged if id(shot) not in bracketed]):
        members = focal.members
        series = SeriesShots(
            f_number=np.array([focal.exact_f_number[shot.planned.setting.f_number] for shot in members]),
            log_zones=np.array([[_log_figure(shot, zone) for zone in ZONES] for shot in members]),
        )
        for index, reason in misfocused(series, pixel_pitch_um=focal.pixel_pitch_um).items():
            place = next(i for i, shot in enumerate(judged) if shot is members[index])
            judged[place] = dataclasses.replace(members[index], reason=reason)
    return judged


def _with_own_flags(shot: SweepShot) -> SweepShot:
    if not isinstance(shot.result, ShotResult) or shot.reason:
        return shot
    quality = shot.result.quality
    if worst(quality) is Severity.REJECT:
        reason = "; ".join(one.message for one in quality if one.severity is Severity.REJECT)
        return dataclasses.replace(shot, reason=reason)
    if not np.isfinite(_log_figure(shot, "frame")):
        return dataclasses.replace(shot, reason="no figure for the whole frame could be measured")
    return shot


def _log_figure(shot: SweepShot, zone: str) -> float:
    figure = shot.result.summary.get(zone) if isinstance(shot.result, ShotResult) else None
    return float(np.log(figure.mtf50_cypx)) if figure and figure.mtf50_cypx > 0.0 else float("nan")
