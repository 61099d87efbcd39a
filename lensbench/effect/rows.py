"""The rows of an effect: each level's difference in each figure of its shots, with interval and verdict.

From which difference on one sees it comes from the quality ruler; noise, overshoot and veil have limits of their own.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from lensbench.edge import RESPONSE_CYPX, ruler_reading, viewing_of
from lensbench.effect.levels import LevelledShot
from lensbench.model.compare import EffectRow, EffectVerdict, ShotFigures, Visible, VisibleFrom
from lensbench.model.shot import Edge, ShotResult
from lensbench.model.units import FloatArray
from lensbench.shot import is_usable
from lensbench.stats import Difference, Fitted, Layout, fit_levels

NOISE_VISIBLE_PERCENT: Final = 20.0
"""Half a stop of ISO changes noise by this much: common practice, no source."""
OVERSHOOT_VISIBLE_POINTS: Final = 5.0
"""Common practice, no source."""
VEIL_VISIBLE_POINTS: Final = 1.0
"""Common practice, no source."""
FEWEST_EDGES: Final = 4
"""Edges of the chart that all shots must share for detail on the subject to be told by them."""
SHARPENING_POINTS: Final = 2.0
"""Optics and sensor alone don't overshoot; such differences come from processing: common practice, no source."""
_NAN: Final = float("nan")


def noise_percent(result: ShotResult) -> float:
    """Noise on the edges' plateaus (rms) in percent of the bright one, the median over the edges."""
    return _median(
        [
            100.0 * (edge.bright_level - edge.dark_level) / (edge.snr * edge.bright_level)
            for edge in _edges(result)
            if edge.snr > 0.0 and edge.bright_level > 0.0
        ]
    )


def overshoot_percent(result: ShotResult) -> float:
    """Larger one of over- and undershoot, the median over the edges."""
    return _median([max(edge.overshoot_percent, edge.undershoot_percent) for edge in _edges(result)])


def _edges(result: ShotResult) -> list[Edge]:
    return [chart_edge.edge for chart_edge in result.edges if chart_edge.edge.measured]


def _median(values: Sequence[float]) -> float:
    known = [value for value in values if np.isfinite(value)]
    return float(np.median(known)) if known else _NAN


def visible_from(
    results: Sequence[ShotResult], *, print_and_eye_mm: tuple[float, float] | None = None
) -> Visible:
    """Loss of MTF50 that makes one just noticeable difference on the quality ruler.

    The mean SFR of some shots is stretched until the ruler's reading falls by 1 JND: for the way of looking that is
    given, or for a picture seen pixel for pixel on a screen, the strictest one.
    """
    curves = [
        np.interp(RESPONSE_CYPX, edge.frequency_cypx, edge.sfr, right=0.0)
        for result in results
        for edge in _edges(result)
        if edge.sfr.size >= 4 and np.isfinite(edge.sfr).all()
    ]
    if not curves:
        return Visible(percent=5.0, rests_on=VisibleFrom.HABIT)
    viewing = viewing_of(results[0].picture_height_px, print_and_eye_mm=print_and_eye_mm)
    lost = ruler_reading(np.asarray(np.mean(curves, axis=0)), viewing=viewing).just_seen(loss=True)
    if math.isnan(lost):
        return Visible(percent=50.0, rests_on=VisibleFrom.BEYOND_RULER, looking=viewing.way)
    return Visible(percent=round(100.0 * lost, 1), rests_on=VisibleFrom.RULER, looking=viewing.way)


def log_mtf50(shots: Sequence[LevelledShot], zone: str) -> FloatArray:
    """Logarithm of each shot's MTF50 in a zone. [log cycles/pixel]."""
    summaries = [shot.result.summary for shot in shots]
    figures = [summary[zone].mtf50_cypx if zone in summary else _NAN for summary in summaries]
    return np.asarray(np.log(np.array(figures)), np.float64)


def log_on_subject(shots: Sequence[LevelledShot]) -> FloatArray:
    """Logarithm of each shot's MTF50 on the subject's scale, up to a constant.

    Shots that see the subject at different sizes see different parts of it in their zones, so only edges of the chart
    that every shot measured count; without enough of them the whole frame stands in.
    """
    results = [shot.result for shot in shots]
    common = set.intersection(
        *({(edge.target, edge.arm) for edge in result.edges if is_usable(edge)} for result in results)
    )
    logs = log_mtf50(shots, "frame")
    if len(common) >= FEWEST_EDGES:
        shared = [
            [edge.edge.mtf50_cypx for edge in result.edges if (edge.target, edge.arm) in common]
            for result in results
        ]
        logs = np.array([np.mean([math.log(figure) for figure in figures]) for figures in shared])
    scale = [(result.magnification or 1.0) / (result.pixel_pitch_um or 1.0) for result in results]
    return np.asarray(logs + np.log(scale), np.float64)


def in_percent(difference: Difference) -> tuple[float, tuple[float, float]]:
    """A difference of logarithms and its interval in percent."""
    low, high = 100.0 * np.expm1([difference.value - difference.half, difference.value + difference.half])
    return 100.0 * float(np.expm1(difference.value)), (float(low), float(high))


def sharpness_rows(fit: Fitted, names: Sequence[str], zone: str, visible: Visible) -> list[EffectRow]:
    """Difference of every level in the sharpness of one zone."""
    return _rows(fit, names, "mtf50", zone, visible.percent)


def other_rows(figures: Sequence[ShotFigures], names: Sequence[str], layout: Layout) -> list[EffectRow]:
    """Difference of every level in noise, overshoot and veil, each where it is known for every shot."""
    rows: list[EffectRow] = []
    noise = np.array([shot.noise_percent for shot in figures])
    if np.all(noise > 0.0):
        rows += _rows(fit_levels(np.log(noise), layout), names, "noise", "frame", NOISE_VISIBLE_PERCENT)
    in_points = {
        "overshoot": ([shot.overshoot_percent for shot in figures], OVERSHOOT_VISIBLE_POINTS),
        "veil": ([shot.veil_percent for shot in figures], VEIL_VISIBLE_POINTS),
    }
    for figure, (values, visible) in in_points.items():
        if np.isfinite(values).all():
            rows += _rows(fit_levels(np.array(values), layout), names, figure, "frame", visible)
    return rows


def _rows(fit: Fitted, names: Sequence[str], figure: str, zone: str, visible_from: float) -> list[EffectRow]:
    """Rows of one figure; overshoot and veil, themselves in percent, differ in percentage points."""
    rows = []
    for name, level in zip(names[1:], fit.levels, strict=True):
        in_points = figure in ("overshoot", "veil")
        if in_points:
            difference, ci95 = level.value, (level.value - level.half, level.value + level.half)
        else:
            difference, ci95 = in_percent(level)
        if not np.isfinite(difference):
            continue
        if ci95[0] > visible_from or ci95[1] < -visible_from:
            verdict = EffectVerdict.VISIBLE
        else:
            inside = ci95[0] > -visible_from and ci95[1] < visible_from
            verdict = EffectVerdict.TOO_SMALL if inside else EffectVerdict.CANNOT_TELL
        rows.append(
            EffectRow(
                level=name,
                figure=figure,
                zone=zone,
                unit="percentage points" if in_points else "percent",
                difference=difference,
                ci95=ci95,
                visible_from=visible_from,
                verdict=verdict,
                drift_removed=fit.drift is not None,
            )
        )
    return rows


def marked_processed(rows: Sequence[EffectRow]) -> list[EffectRow]:
    """Mark the sharpness of levels whose overshoot differs from the reference's beyond doubt, and by enough."""
    changed = {
        row.level
        for row in rows
        if row.figure == "overshoot" and (row.ci95[0] > SHARPENING_POINTS or row.ci95[1] < -SHARPENING_POINTS)
    }
    return [replace(row, processed=row.figure == "mtf50" and row.level in changed) for row in rows]
