"""What one change did: filter, stabiliser, support, shutter speed, ISO, processing, before and after a repair.

Shots of both kinds are measured, and differences are taken at equal settings with drift from shot to shot removed. From
which difference on one sees it comes from the quality ruler; noise and overshoot have limits of their own.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from lensbench import __version__
from lensbench.edge import RESPONSE_CYPX, ruler_reading, viewing_of
from lensbench.effect.levels import (
    LevelledShot,
    level_names,
    levelled,
    levels_of,
    log_of_fast,
    no_shake_speed,
)
from lensbench.model.compare import (
    Drift,
    Effect,
    EffectCaution,
    EffectFindings,
    EffectRow,
    LevelFigures,
    Seen,
    ShotFigures,
    ShutterSpeed,
    Visible,
    VisibleFrom,
)
from lensbench.model.errors import Note, SweepError
from lensbench.model.setting import f_stop
from lensbench.model.shot import ZONES, Edge, ShotResult, VeilBound
from lensbench.model.sweep import INDIFFERENCE, SweepShot
from lensbench.model.units import FloatArray
from lensbench.shot import MeasureOptions, is_usable
from lensbench.stats import Difference, Fitted, Layout, f_chance, fit_levels, judged
from lensbench.sweep import Running, gather, measured_shots, metadata_kept, rejections


@dataclass(frozen=True, slots=True)
class Limits:
    """Within which difference a figure counts as equal, and from which one could see it; in the row's unit."""

    equal_within: float
    visible_from: float


_STOP_TO_BE_HELD: Final = ("condition", "exposure_s", "iso")  # a zoom, a lens has stops of its own
NOISE: Final = Limits(5.0, 20.0)  # as half a stop of ISO does, and an eighth: common practice, no source
OVERSHOOT: Final = Limits(1.0, 5.0)  # common practice, no source
VEIL: Final = Limits(0.25, 1.0)  # common practice, no source
FEWEST_EDGES: Final = 4  # that all shots must share to tell detail on the subject
SHARPENING_POINTS: Final = 2.0
"""Optics and sensor alone don't overshoot; such differences come from processing: common practice, no source."""


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
    return float(np.median(known)) if known else math.nan


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
    figures = [summary[zone].mtf50_cypx if zone in summary else math.nan for summary in summaries]
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
    """Difference of every level in the sharpness of one zone; nothing that could be seen is called equal."""
    limits = Limits(min(100.0 * INDIFFERENCE, visible.percent), visible.percent)
    return _rows(fit, names, "mtf50", zone, limits)


def other_rows(figures: Sequence[ShotFigures], names: Sequence[str], layout: Layout) -> list[EffectRow]:
    """Difference of every level in noise, overshoot and veil, each where it is known for every shot."""
    rows: list[EffectRow] = []
    noise = np.array([shot.noise_percent for shot in figures])
    if np.all(noise > 0.0):
        rows += _rows(fit_levels(np.log(noise), layout), names, "noise", "frame", NOISE)
    in_points = {
        "overshoot": ([shot.overshoot_percent for shot in figures], OVERSHOOT),
        "veil": ([shot.veil_percent for shot in figures], VEIL),
    }
    for figure, (values, limits) in in_points.items():
        if np.isfinite(values).all():
            rows += _rows(fit_levels(np.array(values), layout), names, figure, "frame", limits)
    return rows


def _rows(fit: Fitted, names: Sequence[str], figure: str, zone: str, limits: Limits) -> list[EffectRow]:
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
        seen, differs = _seen(ci95, limits.visible_from), ci95[0] * ci95[1] > 0.0
        rows.append(
            EffectRow(
                level=name,
                figure=figure,
                zone=zone,
                unit="percentage points" if in_points else "percent",
                difference=difference,
                ci95=ci95,
                equal_within=limits.equal_within,
                visible_from=limits.visible_from,
                differs=differs,
                seen=seen,
                verdict=judged(ci95, seen, equal_within=limits.equal_within, differs=differs),
                drift_removed=fit.drift is not None,
            )
        )
    return rows


def _seen(ci95: tuple[float, float], visible_from: float) -> Seen:
    """Whether all, or none, of an interval could be seen."""
    low, high = ci95
    if low > visible_from or high < -visible_from:
        return Seen.VISIBLE
    return Seen.NONE if low > -visible_from and high < visible_from else Seen.CANNOT_TELL


def marked_processed(rows: Sequence[EffectRow]) -> list[EffectRow]:
    """Mark the sharpness of levels whose overshoot differs from the reference's beyond doubt, and by enough."""
    changed = {
        row.level
        for row in rows
        if row.figure == "overshoot" and (row.ci95[0] > SHARPENING_POINTS or row.ci95[1] < -SHARPENING_POINTS)
    }
    return [replace(row, processed=row.figure == "mtf50" and row.level in changed) for row in rows]


_SAME_SIZE: Final = 0.03  # magnifications further apart count on the subject. Common practice, no source.
NEW_FOCUS_SD: Final = 0.02
"""How well MTF50 repeats, as a share, when all is focused and set up anew, where nothing shows it. Common practice, no
source."""
_ENTANGLED: Final = 4.0  # growth of the variance without drift, from which the order is unlucky
_FAR_MORE: Final = 2.0
_SCATTER_THAT_COUNTS: Final = 0.1
"""Of the band that counts as equal: shots that scatter less are as good as alike. Common practice, no source."""
_UNLIKELY: Final = 0.05
_USUAL: Final = MeasureOptions()


def effect(
    folder: Path,
    *,
    by: str,
    against: str | None = None,
    shots_csv: Path | None = None,
    options: MeasureOptions = _USUAL,
    cache: Path | None = None,
    camera: str | None = None,
    running: Running | None = None,
) -> Effect:
    """Effect of one change, from the shots of a folder, which is read and never written to.

    In the folder `cache` results are kept for a second run; the rest, and the errors, are as for `lensbench.effect`.
    """
    with metadata_kept(cache) as read:
        planned = gather([folder], shots_csv, camera=camera, read=read)
        wanted = [shot for shot in planned if not shot.left_out]
        level_names(levels_of(wanted, by), against)  # before anything is measured or written
        shots = measured_shots(planned, options, cache=cache, running=running)
    findings = find_effect(shots, by=by, against=against, print_and_eye_mm=options.print_and_eye_mm)
    return Effect(findings=findings, shots=tuple(shots))


def find_effect(
    shots: Sequence[SweepShot],
    *,
    by: str,
    against: str | None = None,
    print_and_eye_mm: tuple[float, float] | None = None,
) -> EffectFindings:
    """What a change did, from shots that have been measured; parameters and errors as for `effect`."""
    rejected = rejections(shots)
    if not any(shot.used for shot in shots):
        reason = rejected[0].reason if rejected else "no shots"
        raise SweepError(f"none of {len(shots)} photographs could be measured: {reason}")
    use = levelled(shots, by)
    names = level_names([shot.level for shot in use], against)
    settings = list(dict.fromkeys(shot.setting for shot in use))
    layout = Layout(
        level=np.array([names.index(shot.level.name) for shot in use]),
        setting=np.array([settings.index(shot.setting) for shot in use]),
        order=np.array([float(shot.order) for shot in use]),
    )
    on_subject = _sizes_differ(use, names)
    reference = [shot.result for shot in use if shot.level.name == names[0]]
    visible = visible_from(reference, print_and_eye_mm=print_and_eye_mm)
    logs = {"frame": log_on_subject(use)} if on_subject else {zone: log_mtf50(use, zone) for zone in ZONES}
    fits = {zone: fit_levels(values, layout, unseen_sd=NEW_FOCUS_SD) for zone, values in logs.items()}
    figures = tuple(_shot_figures(shot) for shot in use)
    rows = [row for zone, fit in fits.items() for row in sharpness_rows(fit, names, zone, visible)]
    rows = marked_processed([*rows, *other_rows(figures, names, layout)])
    drift = None
    if fits["frame"].drift is not None:
        per_shot, ci95 = in_percent(fits["frame"].drift)
        drift = Drift(percent_per_shot=per_shot, ci95_percent=ci95)
    return EffectFindings(
        by=by,
        reference=names[0],
        levels=tuple(_level_figures(figures, name) for name in names),
        rows=tuple(rows),
        drift=drift,
        visible=visible,
        shutter=_shutter(use, visible) if by == "exposure_s" else None,
        on_subject=on_subject,
        shots=figures,
        rejected=rejected,
        cautions=tuple(_cautions(use, layout, names, by=by, fit=fits["frame"], on_subject=on_subject)),
        lens=use[0].shot.planned.lens,
        camera=use[0].shot.planned.camera,
        version=__version__,
    )


def _sizes_differ(shots: Sequence[LevelledShot], names: Sequence[str]) -> bool:
    """Whether the subject was seen at different sizes, as with a teleconverter against a crop."""
    sizes = [
        np.median([shot.result.magnification or math.nan for shot in shots if shot.level.name == name])
        for name in names
    ]
    return bool(np.isfinite(sizes).all() and max(sizes) > min(sizes) * (1.0 + _SAME_SIZE))


def _shot_figures(shot: LevelledShot) -> ShotFigures:
    return ShotFigures(
        photo=str(shot.shot.planned.path),
        order=shot.order,
        level=shot.level.name,
        setting=shot.setting,
        mtf50_cypx=shot.result.summary["frame"].mtf50_cypx,
        noise_percent=noise_percent(shot.result),
        overshoot_percent=overshoot_percent(shot.result),
        veil_percent=shot.result.veil.percent if shot.result.veil.bound is VeilBound.INK else math.nan,
    )


def _level_figures(figures: Sequence[ShotFigures], name: str) -> LevelFigures:
    members = [shot for shot in figures if shot.level == name]
    return LevelFigures(
        level=name,
        shots=len(members),
        mtf50_cypx=float(np.exp(np.mean(np.log([shot.mtf50_cypx for shot in members])))),
        noise_percent=float(np.mean([shot.noise_percent for shot in members])),
        overshoot_percent=float(np.mean([shot.overshoot_percent for shot in members])),
        veil_percent=float(np.mean([shot.veil_percent for shot in members])),
    )


def _shutter(shots: Sequence[LevelledShot], visible: Visible) -> ShutterSpeed | None:
    """Find the speed from which shake no longer shows, each setting held against its own mean of fast shots."""
    exposure_s = np.array([shot.level.number or math.nan for shot in shots])
    settings, logs = np.array([shot.setting for shot in shots]), log_mtf50(shots, "frame")
    parts = []
    for setting in dict.fromkeys(settings):
        times, own = exposure_s[settings == setting], logs[settings == setting]
        parts.append((times, own - log_of_fast(times, own)))
    return no_shake_speed(
        *np.concatenate(parts, axis=1), shows_from=max(visible.percent / 100.0, INDIFFERENCE)
    )


def _cautions(
    shots: Sequence[LevelledShot],
    layout: Layout,
    names: Sequence[str],
    *,
    by: str,
    fit: Fitted,
    on_subject: bool,
) -> Iterator[Note]:
    """What the effect must not be taken for, in the order of its weight."""
    counts = np.bincount(layout.level, minlength=len(names))
    if counts.min() < 2:
        yield Note(EffectCaution.ONE_SHOT, names=(names[int(np.argmin(counts))],))
    yield from _order_cautions(layout, fit)
    yield from _uneven_scatter(fit, names)
    if len(names) > 2:
        yield Note(EffectCaution.JOINT_INTERVALS)
    if on_subject:
        yield Note(EffectCaution.ON_SUBJECT)
    if len({shot.result.sensor_data for shot in shots}) > 1:
        yield Note(EffectCaution.RAW_AGAINST_FINISHED)
    elif not shots[0].result.sensor_data:
        yield Note(EffectCaution.FINISHED)
    if len({shot.shot.planned.camera for shot in shots}) > 1:
        yield Note(EffectCaution.CAMERAS_DIFFER)
    within = {(shot.setting, f_stop(shot.shot.planned.setting.f_number)) for shot in shots}
    if by in _STOP_TO_BE_HELD and not on_subject and len(within) > len({shot.setting for shot in shots}):
        stops = sorted({shot.shot.planned.setting.f_number for shot in shots})
        yield Note(EffectCaution.STOP_DIFFERS, names=tuple(dict.fromkeys(map(f_stop, stops))))


def _order_cautions(layout: Layout, fit: Fitted) -> Iterator[Note]:
    """What the order of shooting leaves open."""
    if fit.drift is None:
        yield Note(EffectCaution.DRIFT_LEFT_IN)
    if layout.in_a_row:
        yield Note(EffectCaution.IN_A_ROW, (100.0 * NEW_FOCUS_SD,))
    elif fit.rows_sd > 0.0:
        yield Note(EffectCaution.BETWEEN_ROWS, (100.0 * fit.rows_sd,))
    elif fit.drift is not None and layout.cost_of_drift() > _ENTANGLED:
        yield Note(EffectCaution.HARD_TO_PART)


def _uneven_scatter(fit: Fitted, names: Sequence[str]) -> Iterator[Note]:
    """Where one kind scatters far more than another: its mean is then known less well than intervals tell.

    Focus and shake only soften, so such scatter is one-sided, and few shots don't show its tail:
    see docs/measured/effect.md.
    """
    known = [number for number in range(len(names)) if fit.dof[number] >= 1.0 and fit.sd[number] > 0.0]
    if len(known) < 2:
        return
    wide, narrow = max(known, key=lambda kind: fit.sd[kind]), min(known, key=lambda kind: fit.sd[kind])
    ratio = fit.sd[wide] / fit.sd[narrow]
    if fit.sd[wide] < _SCATTER_THAT_COUNTS * INDIFFERENCE:
        return
    if ratio >= _FAR_MORE and f_chance(ratio**2, fit.dof[wide], fit.dof[narrow]) <= _UNLIKELY:
        sds_percent = (100.0 * fit.sd[wide], 100.0 * fit.sd[narrow])
        yield Note(EffectCaution.UNEVEN_SCATTER, sds_percent, (names[wide], names[narrow]))
