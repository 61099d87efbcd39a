"""Lenses in order: one unit for all, the best first, and those that can't be told from it.

The set that can't be told from the best is the sweep's own (Hsu's multiple comparisons with the best, by Dunnett's
limit at 95 %), with the indifference zone of 3 %. Degrees of freedom are pooled after Satterthwaite.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.model.measured import KeptSession
from lensbench.model.sweep import INDIFFERENCE
from lensbench.model.units import lpmm_from_cypx, lwph_from_cypx
from lensbench.stats import distances_from_best, pooled_dof, quantile

_ALIKE: Final = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """One lens that competes, with one figure."""

    session: KeptSession
    log_mtf50: float
    """Natural logarithm of cycles per pixel."""
    sd: float
    freedom: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Rank:
    """Where a rival stands."""

    index: int
    """Its place in the list that was given."""
    tied: bool
    """The best, or can't be told from it, or within the indifference of it."""
    behind: float
    """How much softer than the best, as a share of the best's figure."""
    behind_ci95: tuple[float, float]


def like_sensors(sessions: Sequence[KeptSession]) -> bool:
    """Tell whether a cycle a pixel means the same on all: one pitch and size, or one camera."""
    if len({one.camera for one in sessions}) <= 1 and len({one.picture_height_px for one in sessions}) <= 1:
        return True
    pitches = [one.pixel_pitch_um for one in sessions]
    heights = [one.picture_height_px for one in sessions]
    return _alike(pitches) and _alike(heights)


def _alike(values: Sequence[float | None]) -> bool:
    known = [value for value in values if value]
    return len(known) == len(values) and max(known) <= (1.0 + _ALIKE) * min(known)


def common_unit(sessions: Sequence[KeptSession]) -> str:
    """Choose the unit in which lenses are set side by side: cypx, lwph or lpmm.

    On unlike sensors it is line widths per picture height, for a picture is what is wanted.
    """
    if like_sensors(sessions):
        return "cypx"
    return "lwph" if all(one.picture_height_px for one in sessions) else "lpmm"


def in_unit(mtf50_cypx: float, session: KeptSession, unit: str) -> float:
    """Give a figure in a unit, NaN where the camera's pixels don't tell it."""
    if unit == "cypx":
        return mtf50_cypx
    if unit == "lwph":
        return (
            lwph_from_cypx(mtf50_cypx, session.picture_height_px) if session.picture_height_px else math.nan
        )
    return lpmm_from_cypx(mtf50_cypx, session.pixel_pitch_um) if session.pixel_pitch_um else math.nan


def in_order(rivals: Sequence[Rival], *, unit: str) -> list[Rank]:
    """Order rivals by their figure in a unit, best first; all must have one in it."""
    if not rivals:
        return []
    logs = np.array([rival.log_mtf50 + math.log(in_unit(1.0, rival.session, unit)) for rival in rivals])
    variance = np.array([rival.sd**2 for rival in rivals])
    freedom = pooled_dof(variance, [rival.freedom for rival in rivals])
    tied = (
        distances_from_best(logs, variance, freedom).may_be_best
        if np.all(variance > 0.0)
        else logs == logs.max()
    )
    best = int(np.argmax(logs))
    tied |= logs >= logs[best] + math.log1p(-INDIFFERENCE)
    order = sorted(range(len(rivals)), key=lambda index: (-logs[index], rivals[index].session.title))
    return [
        Rank(
            index=index,
            tied=bool(tied[index]),
            behind=-math.expm1(float(logs[index] - logs[best])),
            behind_ci95=_behind_ci95(float(logs[index] - logs[best]), rivals[index], rivals[best]),
        )
        for index in order
    ]


def _behind_ci95(difference: float, rival: Rival, best: Rival) -> tuple[float, float]:
    """Give Welch's interval of how much softer a rival is; zero for the best itself."""
    if rival is best:
        return 0.0, 0.0
    variance = np.array([rival.sd**2, best.sd**2])
    freedom = pooled_dof(variance, [rival.freedom, best.freedom])
    half = quantile(freedom) * math.sqrt(float(variance.sum()))
    return -math.expm1(difference + half), -math.expm1(difference - half)
