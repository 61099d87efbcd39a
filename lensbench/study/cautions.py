"""What keeps a winner from being claimed, in plain words."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from lensbench.flags import Remark, remark
from lensbench.study.curves import Spread
from lensbench.study.drift import drift_remarks
from lensbench.study.findings import SweepShot
from lensbench.study.mixed import mixed_remarks
from lensbench.study.print_seen import print_remarks
from lensbench.study.series import FocalShots

__all__ = ["few_shots", "remarks", "unequal_magnification"]

MAGNIFICATION_LIMIT: Final = 0.05
"""Focal lengths shot at magnifications further apart than this see different shares of the print's blur."""


def few_shots(spread: Spread) -> str:
    """Say what one shot a setting leaves open; empty with repeats."""
    if spread.source == "repeats":
        return ""
    told = (
        f"the spread between shots is {spread.source}"
        if not spread.known
        else f"it was taken from the {spread.source}"
    )
    return f"One shot a setting says nothing of how well it would repeat ({told}): no winner is claimed."


def unequal_magnification(focals: Sequence[FocalShots]) -> str:
    """Say why focal lengths do not compare fairly; empty when they do."""
    if len(focals) < 2:
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
    raised = [] if spread.source == "repeats" else [remark("few_shots")]
    counted = [shot for focal in focals for shot in focal.members]
    return (*raised, *mixed_remarks(counted), *print_remarks(counted), *drift_remarks(shots))
