"""Whether the lens is softer on one side than tilt, chance and the wall explain, and what else could make it so.

The asymmetry is judged at every setting, from refocused shots and from the peaks of focus brackets, where tilt of the
chart costs nothing; brackets also show whether the plane of best focus is tilted beyond what the chart's tilt does.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from lensbench.condition.asymmetry import MATTERS, Asymmetry, SettingShots, asymmetries, percent, turned_test
from lensbench.condition.field import side_of, softer_azimuth_deg
from lensbench.condition.focus_surface import SLOPES, FocusSurface
from lensbench.condition.tilt import mean_slope
from lensbench.model.condition import (
    Cause,
    ConditionFinding,
    Decentring,
    FocusTilt,
    OtherCause,
    Reason,
    Side,
    SideAsymmetry,
    SideFigure,
    Source,
    Subject,
    TurnedOutcome,
    TurnedTest,
    Verdict,
)
from lensbench.model.setting import Setting
from lensbench.model.shot import ShotResult
from lensbench.shot import is_usable
from lensbench.stats import USUAL_SD, exceeds

_DETECTED: Final = 0.10
"""An asymmetry above this has to be ruled out before it is called within limits."""
_SIDE_HEIGHT: Final = 0.5
_AT_HEIGHT: Final = 0.7
_TILT_SHARE: Final = 0.5
"""Tilt that accounts for less than this part of the asymmetry is ruled out as its cause."""
_SLOPE_DOUBT: Final = 0.15
"""The measured micrometres per step are good to a tenth or so."""


def decentring_finding(
    settings: Sequence[SettingShots], surfaces: Sequence[FocusSurface], results: Sequence[ShotResult]
) -> ConditionFinding:
    """What is left of the asymmetry at every setting, and of the tilt of the plane of focus where brackets show it.

    `results` are those of every shot that counts.
    """
    rows = [*(asymmetries(settings) if settings else []), *_of_brackets(surfaces)]
    rows.sort(key=lambda row: (*row.setting.order, row.source))
    if not rows:
        return _finding(Verdict.CANNOT_TELL)
    turned = turned_test(settings)
    moved = turned.outcome is TurnedOutcome.MOVED
    uneven = [row for row in rows if not moved and row.matters(tests=len(rows))]
    focus_tilt = max(
        (_focus_tilt(surface, tests=len(surfaces)) for surface in surfaces),
        key=lambda tilt: (tilt.matters, tilt.loss_percent),
        default=None,
    )
    repeated = [row for row in rows if row.shots >= 2]
    detected = repeated[0].interval[1] if repeated else float("inf")
    if uneven:
        verdict, main = Verdict.MATTERS, max(uneven, key=lambda row: row.size / row.sd)
    elif focus_tilt is not None and focus_tilt.matters:
        verdict = Verdict.MATTERS
        main = next((row for row in rows if _is_at(row.setting, focus_tilt)), rows[0])
    else:
        verdict = Verdict.WITHIN_LIMITS if moved or detected < _DETECTED else Verdict.CANNOT_TELL
        main = (repeated or rows)[0]
    shown = {id(row): _row(row, matters=row in uneven) for row in rows}
    repeats = [len(setting.shots) for setting in settings if len(setting.shots) > 1]
    details = Decentring(
        rows=tuple(shown.values()),
        main=shown[id(main)],
        detection_limit_percent=percent(detected) if repeated else float("nan"),
        focus_tilt=focus_tilt,
        turned=turned,
        repeats=(min(repeats, default=0), max(repeats, default=0)),
        brackets=len(surfaces),
        bracket_shots=sum(len(surface.bracket.shots) for surface in surfaces),
    )
    if verdict is Verdict.MATTERS:
        details = replace(
            details,
            sides=_sides(_results_at(main, settings, surfaces)),
            other_causes=(
                _tilt_cause(details.main),
                _focus_cause(details, settings, surfaces),
                _shake_cause(results),
                _chart_cause(turned),
            ),
        )
    return _finding(verdict, details)


def _finding(verdict: Verdict, details: Decentring | None = None) -> ConditionFinding:
    finding = ConditionFinding(
        subject=Subject.DECENTRING, verdict=verdict, limit=percent(MATTERS), details=details
    )
    if details is None:
        return finding
    main, tilt = details.main, details.focus_tilt
    if tilt is not None and tilt.matters and not main.matters:
        return replace(finding, value=tilt.loss_percent)
    return replace(finding, value=main.percent, ci95=main.ci95_percent, side=main.softer_side)


def _is_at(setting: Setting, tilt: FocusTilt) -> bool:
    other = Setting(focal_length_mm=tilt.focal_length_mm, f_number=tilt.f_number)
    return setting.order == other.order


def _of_brackets(surfaces: Sequence[FocusSurface]) -> list[Asymmetry]:
    """Asymmetry of the peaks through focus, one a setting; brackets of one setting are averaged."""
    groups: dict[tuple[float, float], list[FocusSurface]] = {}
    for surface in surfaces:
        groups.setdefault(_setting(surface).order, []).append(surface)
    rows = []
    for alike in groups.values():
        peaks = [surface.peaks for surface in alike if surface.peaks is not None]
        if not peaks:
            continue
        shots = sum(len(surface.bracket.shots) for surface in alike)
        uneven = np.mean([peak.covariance for peak in peaks], axis=0)
        rows.append(
            Asymmetry(
                setting=_setting(alike[0]),
                mean=np.mean([peak.asymmetry for peak in peaks], axis=0),
                covariance=uneven + USUAL_SD**2 / shots * np.eye(2),
                freedom=peaks[0].freedom,
                shots=shots,
                turned_shots=0,
                tilt_bound=np.zeros(2),
                size_px=alike[0].bracket.results[0].size_px,
                source=Source.FOCUS_BRACKET,
            )
        )
    return rows


def _setting(surface: FocusSurface) -> Setting:
    return surface.bracket.shots[0].planned.setting


def _focus_tilt(surface: FocusSurface, *, tests: int) -> FocusTilt:
    """Slope of the focus surface less that of the chart's tilt; which way steps count, the smaller rest says."""
    slope = mean_slope(surface.bracket.results)
    steps, covariance = surface.steps[SLOPES], surface.covariance[SLOPES, SLOPES]
    um_per_step, setting = surface.um_per_step, _setting(surface)
    if not np.isfinite(um_per_step):
        size, loss, matters = float("nan"), surface.loss(float(np.linalg.norm(steps))), False
    else:
        chart = slope.um / um_per_step
        left = min((steps - chart, steps + chart), key=lambda rest: float(rest @ rest))
        doubt = covariance + np.diag((slope.sd_um / um_per_step) ** 2 + (_SLOPE_DOUBT * chart) ** 2)
        size = float(np.linalg.norm(left))
        loss = surface.loss(_AT_HEIGHT * size)
        matters = exceeds(left, doubt, dof=surface.freedom, tests=tests) and loss >= MATTERS
    return FocusTilt(
        focal_length_mm=setting.focal_length_mm,
        f_number=setting.f_number,
        um=size * um_per_step,
        loss_percent=100.0 * loss,
        matters=matters,
    )


def _row(row: Asymmetry, *, matters: bool) -> SideAsymmetry:
    low, high = row.interval
    azimuth_deg = softer_azimuth_deg(row.mean, row.size_px)
    return SideAsymmetry(
        focal_length_mm=row.setting.focal_length_mm,
        f_number=row.setting.f_number,
        percent=percent(row.size),
        ci95_percent=(percent(low), percent(high)),
        softer_azimuth_deg=azimuth_deg,
        softer_side=side_of(azimuth_deg),
        shots=row.shots,
        turned_shots=row.turned_shots,
        tilt_percent=percent(float(np.linalg.norm(row.tilt_bound))),
        source=row.source,
        matters=matters,
    )


def _results_at(
    main: Asymmetry, settings: Sequence[SettingShots], surfaces: Sequence[FocusSurface]
) -> list[ShotResult]:
    """Shots of the main setting, or the middle one of each of its brackets."""
    key = main.setting.order
    if main.source is Source.SHOTS:
        return [result for setting in settings if setting.setting.order == key for result in setting.results]
    brackets = [surface.bracket for surface in surfaces if _setting(surface).order == key]
    return [bracket.results[len(bracket.results) // 2] for bracket in brackets]


def _sides(results: Sequence[ShotResult]) -> tuple[SideFigure, ...]:
    """Mean MTF50 of the edges on each side of the picture, within 45 degrees of it and outside of image height 0.5."""
    figures = []
    for side in (Side.RIGHT, Side.TOP, Side.LEFT, Side.BOTTOM):
        azimuth_deg = 45.0 * list(Side).index(side)
        values = [
            edge.edge.mtf50_cypx
            for result in results
            for edge in result.edges
            if is_usable(edge)
            and edge.image_height >= _SIDE_HEIGHT
            and abs((edge.azimuth_deg - azimuth_deg + 180.0) % 360.0 - 180.0) <= 45.0
        ]
        if values:
            figures.append(SideFigure(side=side, mtf50_cypx=float(np.mean(values))))
    return tuple(figures)


def _tilt_cause(main: SideAsymmetry) -> OtherCause:
    if main.source is Source.FOCUS_BRACKET:
        return OtherCause(cause=Cause.TILT, ruled_out=True, reason=Reason.PEAKS_COMPARED)
    return OtherCause(
        cause=Cause.TILT,
        ruled_out=main.tilt_percent < _TILT_SHARE * main.percent,
        reason=Reason.IN_INTERVAL,
        figure=main.tilt_percent,
    )


def _focus_cause(
    details: Decentring, settings: Sequence[SettingShots], surfaces: Sequence[FocusSurface]
) -> OtherCause:
    uneven = [row for row in details.rows if row.matters]
    if not uneven:
        return OtherCause(cause=Cause.FOCUS, ruled_out=False, reason=Reason.FOCUS_TILTS)
    if any(row.source is Source.FOCUS_BRACKET for row in uneven):
        return OtherCause(cause=Cause.FOCUS, ruled_out=True, reason=Reason.NO_FOCUS_REGAINS)
    if any(surface.peaks is not None for surface in surfaces):
        return OtherCause(cause=Cause.FOCUS, ruled_out=False, reason=Reason.BRACKET_SILENT)
    shots = max(len(setting.shots) for setting in settings)
    return OtherCause(cause=Cause.FOCUS, ruled_out=False, reason=Reason.REFOCUSED_ONLY, shots=shots)


def _shake_cause(results: Sequence[ShotResult]) -> OtherCause:
    shaken = sum(any(remark.flag == "shake" for remark in result.quality) for result in results)
    return OtherCause(
        cause=Cause.SHAKE,
        ruled_out=not shaken,
        reason=Reason.SHAKEN if shaken else Reason.NONE_SHAKEN,
        figure=float(shaken),
        shots=len(results),
    )


def _chart_cause(turned: TurnedTest) -> OtherCause:
    done = turned.outcome is not TurnedOutcome.NOT_DONE
    return OtherCause(
        cause=Cause.CHART,
        ruled_out=turned.outcome is TurnedOutcome.STAYED,
        reason=Reason.TURNED_TEST if done else Reason.NOT_TURNED,
    )
