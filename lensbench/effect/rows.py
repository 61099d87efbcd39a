"""The rows of an effect: each level's difference in each figure of its shots, with interval and verdict.

From which difference on one sees it comes from the quality ruler; noise and overshoot have limits of their own.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from lensbench.edge import RESPONSE_CYPX, ruler_reading, viewing_of
from lensbench.effect.levels import LevelledShot
from lensbench.model.compare import EffectRow, EffectVerdict, Visible, VisibleFrom
from lensbench.model.shot import Edge, ShotResult
from lensbench.model.units import FloatArray
from lensbench.shot import is_usable
from lensbench.stats import Difference, Fitted, Layout, fit_levels

NOISE_VISIBLE_PERCENT: Final = 20.0
"""Half a stop of ISO changes noise by this much: common practice, no source."""
OVERSHOOT_VISIBLE_POINTS: Final = 5.0
"""Common practice, no source."""

_NAN: Final = float("nan")


def noise_percent(result: ShotResult) -> float:
    """Give the noise on the edges' plateaus (rms) in percent of the bright one, the median over the edges."""
    return _median(
        [
            100.0 * (edge.bright_level - edge.dark_level) / (edge.snr * edge.bright_level)
            for edge in _edges(result)
            if edge.snr > 0.0 and edge.bright_level > 0.0
        ]
    )


def overshoot_percent(result: ShotResult) -> float:
    """Give the larger of over- and undershoot, the median over the edges."""
    return _median([max(edge.overshoot_percent, edge.undershoot_percent) for edge in _edges(result)])


def visible_from(
    results: Sequence[ShotResult], *, print_and_eye_mm: tuple[float, float] | None = None
) -> Visible:
    """Give the loss of MTF50 that makes one just noticeable difference on the quality ruler.

    The mean SFR of some shots is stretched until the ruler's reading falls by 1 JND: for the way of looking that is
    given, or for a picture seen pixel for pixel on a screen, the strictest one.
    """
    sfr = _mean_sfr(results)
    height_px = results[0].picture_height_px
    viewing = viewing_of(height_px, print_and_eye_mm=print_and_eye_mm)
    if sfr is None:
        return Visible(percent=5.0, rests_on=VisibleFrom.HABIT)
    lost = ruler_reading(sfr, viewing=viewing).just_seen(loss=True)
    if math.isnan(lost):
        return Visible(percent=50.0, rests_on=VisibleFrom.BEYOND_RULER, looking=viewing.way)
    return Visible(percent=round(100.0 * lost, 1), rests_on=VisibleFrom.RULER, looking=viewing.way)


def _edges(result: ShotResult) -> list[Edge]:
    return [chart_edge.edge for chart_edge in result.edges if chart_edge.edge.measured]


def _median(values: Sequence[float]) -> float:
    known = [value for value in values if np.isfinite(value)]
    return float(np.median(known)) if known else _NAN


def _mean_sfr(results: Sequence[ShotResult]) -> FloatArray | None:
    curves = [
        np.interp(RESPONSE_CYPX, edge.frequency_cypx, edge.sfr, right=0.0)
        for result in results
        for edge in _edges(result)
        if edge.sfr.size >= 4 and np.isfinite(edge.sfr).all()
    ]
    return np.asarray(np.mean(curves, axis=0), np.float64) if curves else None


FEWEST_EDGES: Final = 4
"""Edges of the chart that all shots must share for detail on the subject to be told by them."""
SHARPENING_POINTS: Final = 2.0
"""Optics and sensor alone don't overshoot; such differences come from processing: common practice, no source."""


def log_mtf50(use: Sequence[LevelledShot], zone: str) -> FloatArray:
    """Give the logarithm of each shot's MTF50 in a zone. [log cycles/pixel]."""
    figures = [one.result.summary[zone].mtf50_cypx if zone in one.result.summary else _NAN for one in use]
    return np.asarray(np.log(np.array(figures)), np.float64)


def log_on_subject(use: Sequence[LevelledShot]) -> FloatArray:
    """Give the logarithm of each shot's MTF50 on the subject's scale, up to a constant.

    Shots that see the subject at different sizes see different parts of it in their zones, so only edges of the chart
    that every shot measured count; without enough of them the whole frame stands in.
    """
    common = set.intersection(*(_edges_seen(one) for one in use))
    if len(common) >= FEWEST_EDGES:
        logs = [
            np.mean(
                [
                    math.log(edge.edge.mtf50_cypx)
                    for edge in one.result.edges
                    if (edge.target, edge.arm) in common
                ]
            )
            for one in use
        ]
    else:
        logs = log_mtf50(use, "frame").tolist()
    scale = [(one.result.magnification or 1.0) / (one.result.pixel_pitch_um or 1.0) for one in use]
    return np.asarray(np.array(logs) + np.log(scale), np.float64)


def _edges_seen(one: LevelledShot) -> set[tuple[str, int]]:
    return {(edge.target, edge.arm) for edge in one.result.edges if is_usable(edge)}


def in_percent(found: Difference) -> tuple[float, tuple[float, float]]:
    """Give a difference of logarithms and its interval in percent."""
    low, high = 100.0 * np.expm1([found.value - found.half, found.value + found.half])
    return 100.0 * float(np.expm1(found.value)), (float(low), float(high))


def _verdict(ci95: tuple[float, float], visible_from: float) -> EffectVerdict:
    low, high = ci95
    if low > visible_from or high < -visible_from:
        return EffectVerdict.VISIBLE
    inside = low > -visible_from and high < visible_from
    return EffectVerdict.TOO_SMALL if inside else EffectVerdict.CANNOT_TELL


def sharpness_rows(fit: Fitted, names: Sequence[str], zone: str, visible: Visible) -> list[EffectRow]:
    """Give the difference of every level in the sharpness of one zone."""
    return [
        _row(name, "mtf50", zone, in_percent(found), visible_from=visible.percent, fit=fit)
        for name, found in zip(names[1:], fit.levels, strict=True)
        if np.isfinite(found.value)
    ]


def _row(
    level: str,
    figure: str,
    zone: str,
    found: tuple[float, tuple[float, float]],
    *,
    visible_from: float,
    fit: Fitted,
    unit: str = "percent",
) -> EffectRow:
    return EffectRow(
        level=level,
        figure=figure,
        zone=zone,
        unit=unit,
        difference=found[0],
        ci95=found[1],
        visible_from=visible_from,
        verdict=_verdict(found[1], visible_from),
        drift_removed=fit.drift is not None,
    )


def marked_processed(rows: Sequence[EffectRow]) -> list[EffectRow]:
    """Mark the sharpness of levels whose overshoot differs from the reference's beyond doubt, and by enough."""
    changed = {
        row.level
        for row in rows
        if row.figure == "overshoot" and (row.ci95[0] > SHARPENING_POINTS or row.ci95[1] < -SHARPENING_POINTS)
    }
    return [replace(row, processed=row.figure == "mtf50" and row.level in changed) for row in rows]


def noise_rows(use: Sequence[LevelledShot], names: Sequence[str], layout: Layout) -> list[EffectRow]:
    """Give the difference of every level in noise; nothing where it is not known for every shot."""
    noise = np.array([noise_percent(one.result) for one in use])
    if not np.all(noise > 0.0):
        return []
    fit = fit_levels(np.log(noise), layout)
    return [
        _row(name, "noise", "frame", in_percent(found), visible_from=NOISE_VISIBLE_PERCENT, fit=fit)
        for name, found in zip(names[1:], fit.levels, strict=True)
    ]


def overshoot_rows(use: Sequence[LevelledShot], names: Sequence[str], layout: Layout) -> list[EffectRow]:
    """Give the difference of every level in overshoot; nothing where it is not known for every shot."""
    overshoot = np.array([overshoot_percent(one.result) for one in use])
    if not np.isfinite(overshoot).all():
        return []
    fit = fit_levels(overshoot, layout)
    return [
        _row(
            name,
            "overshoot",
            "frame",
            (found.value, (found.value - found.half, found.value + found.half)),
            visible_from=OVERSHOOT_VISIBLE_POINTS,
            fit=fit,
            unit="percentage points",
        )
        for name, found in zip(names[1:], fit.levels, strict=True)
    ]
