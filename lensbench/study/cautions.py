"""What keeps a winner from being claimed, in plain words."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from lensbench.flags import Remark, remark
from lensbench.records import ShotResult
from lensbench.study.brackets import brackets_among
from lensbench.study.curves import Spread
from lensbench.study.drift import drift_remarks
from lensbench.study.findings import SweepShot
from lensbench.study.mixed import mixed_remarks
from lensbench.study.print_seen import print_remarks
from lensbench.study.series import FocalShots, bracket_peak

__all__ = ["few_shots", "remarks", "unequal_magnification"]

MAGNIFICATION_LIMIT: Final = 0.05
"""Focal lengths shot at magnifications further apart than this see different shares of the print's blur."""


def few_shots(spread: Spread) -> str:
    """Say what one shot a setting leaves open; empty with repeats, or with a focus bracket at every setting."""
    if spread.repeated:
        return ""
    told = (
        f"the spread between shots is {spread.source}"
        if not spread.known
        else f"the spread between shots was taken from the {spread.source}"
    )
    return (
        f"One shot a setting can't tell how well focus and support repeat ({told}): no winner is claimed; shoot each "
        "setting three times, focusing anew."
    )


def unequal_magnification(focals: Sequence[FocalShots]) -> str:
    """Say why focal lengths do not compare fairly; empty when they do, or where the print was divided out."""
    if len(focals) < 2 or all(_print_divided(shot) for focal in focals for shot in focal.members):
        return ""
    sizes = [focal.magnification for focal in focals]
    if not np.all(np.isfinite(sizes)):
        return "The magnification is not known, so the comparison of focal lengths is provisional."
    if max(sizes) / min(sizes) - 1.0 > MAGNIFICATION_LIMIT:
        return (
            f"The chart was photographed at magnifications from 1:{1 / max(sizes):.0f} to "
            f"1:{1 / min(sizes):.0f}; the print's own blur weighs differently, so the comparison of focal "
            "lengths is provisional."
        )
    return ""


def remarks(
    focals: Sequence[FocalShots], spread: Spread, *, shots: Sequence[SweepShot] = ()
) -> tuple[Remark, ...]:
    """Raise the flags of a whole series; `shots` are all of the lens, the rejected ones included."""
    raised = [] if spread.repeated else [remark("few_shots")]
    raised += _open_brackets(focals)
    counted = [shot for focal in focals for shot in focal.members]
    return (*raised, *mixed_remarks(counted), *print_remarks(counted), *drift_remarks(shots))


def _print_divided(shot: SweepShot) -> bool:
    return isinstance(shot.result, ShotResult) and any(
        one.flag == "print_divided" for one in shot.result.quality
    )


def _open_brackets(focals: Sequence[FocalShots]) -> list[Remark]:
    """Name the focus brackets whose peak they do not enclose, or that cannot show one."""
    told = [
        f"f/{bracket.f_number:g}, {bracket.group}: {peak.note}"
        for focal in focals
        for bracket in brackets_among(focal.members)
        if (peak := bracket_peak(bracket, "frame")).verdict in {"beyond", "short"}
    ]
    return [remark("bracket_open", "; ".join(told))] if told else []
