"""What one change did: filter, stabiliser, support, shutter speed, ISO, processing, before and after a repair.

Shots of both kinds are measured, and differences are taken at equal settings with drift from shot to shot removed.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import numpy as np
from scipy import stats

from lensbench import __version__
from lensbench.effect.levels import LevelledShot, SpeedShot, level_names, levelled, levels_of, no_shake_speed
from lensbench.effect.rows import (
    in_percent,
    log_mtf50,
    log_on_subject,
    marked_processed,
    noise_percent,
    other_rows,
    overshoot_percent,
    sharpness_rows,
    visible_from,
)
from lensbench.model.compare import (
    Drift,
    Effect,
    EffectCaution,
    EffectFindings,
    LevelFigures,
    ShotFigures,
    ShutterSpeed,
    Visible,
)
from lensbench.model.errors import SweepError
from lensbench.model.flags import Note
from lensbench.model.shot import ZONES, VeilBound
from lensbench.model.sweep import INDIFFERENCE, SweepShot
from lensbench.shot import MeasureOptions
from lensbench.stats import Fitted, Layout, fit_levels
from lensbench.sweep import Running, gather, measured_shots, rejections

_SAME_SIZE: Final = 0.03
"""Magnifications further apart than this share count detail on the subject. Common practice, no source."""
_ENTANGLED: Final = 4.0
"""Growth of the variance by taking drift out, from which the order of shots counts as unlucky."""
_FAR_MORE: Final = 2.0
_UNLIKELY: Final = 0.05
_NAN: Final = float("nan")
_USUAL: Final = MeasureOptions()


def effect(
    folder: Path,
    *,
    by: str,
    against: str | None = None,
    shots_csv: Path | None = None,
    options: MeasureOptions = _USUAL,
    cache: Path | None = None,
    running: Running | None = None,
) -> Effect:
    """Effect of one change, from the shots of a folder.

    Parameters
    ----------
    folder : path
        Photographs of the chart; read, never written to.
    by : str
        What was changed: condition, exposure_s, iso, f_number, focal_length_mm, lens or camera.
    against : str, optional
        Name of the level that the others are held against; by default the lowest number, or the first shot's.
    shots_csv : path, optional
        A shots table, which names the conditions.
    options : MeasureOptions, optional
        How each photograph is measured, and how pictures are looked at; pixel for pixel on a screen by default.
    cache : path, optional
        Folder where results are kept for a second run.
    running : Running, optional
        How the work is spread.

    Raises
    ------
    SweepError
        No photograph can be used, or there is nothing to compare.
    SettingError
        No such column or level, one pitch for several cameras, or the shots table cannot be used.
    ImageError
        The folder is not there.
    """
    planned = gather([folder], shots_csv)
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
    fits = {zone: fit_levels(values, layout) for zone, values in logs.items()}
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
        cautions=tuple(_cautions(use, layout, names, fit=fits["frame"], on_subject=on_subject)),
        lens=use[0].shot.planned.lens,
        camera=use[0].shot.planned.camera,
        version=__version__,
    )


def _sizes_differ(shots: Sequence[LevelledShot], names: Sequence[str]) -> bool:
    """Whether the subject was seen at different sizes, as with a teleconverter against a crop."""
    sizes = [
        np.median([shot.result.magnification or _NAN for shot in shots if shot.level.name == name])
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
        veil_percent=shot.result.veil.percent if shot.result.veil.bound is VeilBound.INK else _NAN,
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
    logs = log_mtf50(shots, "frame")
    speeds: list[SpeedShot] = []
    for setting in dict.fromkeys(shot.setting for shot in shots):
        members = [
            (shot.level.number or _NAN, float(log))
            for shot, log in zip(shots, logs, strict=True)
            if shot.setting == setting
        ]
        times = sorted({time for time, _ in members})
        fastest = times[: max(2, len(times) // 3)]
        level = float(np.median([log for time, log in members if time in fastest]))
        speeds += [SpeedShot(exposure_s=time, log_mtf50=log - level) for time, log in members]
    return no_shake_speed(speeds, shows_from=max(visible.percent / 100.0, INDIFFERENCE))


def _cautions(
    shots: Sequence[LevelledShot], layout: Layout, names: Sequence[str], *, fit: Fitted, on_subject: bool
) -> Iterator[Note]:
    """What the effect must not be taken for, in the order of its weight."""
    counts = np.bincount(layout.level, minlength=len(names))
    if counts.min() < 2:
        yield Note(EffectCaution.ONE_SHOT, names=(names[int(np.argmin(counts))],))
    if fit.drift is None:
        yield Note(EffectCaution.DRIFT_LEFT_IN)
    elif layout.cost_of_drift() > _ENTANGLED:
        yield Note(EffectCaution.IN_A_ROW)
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


def _uneven_scatter(fit: Fitted, names: Sequence[str]) -> Iterator[Note]:
    """Where one kind scatters far more than another: its mean is then known less well than intervals tell.

    Focus and shake only soften, so such scatter is one-sided, and few shots don't show its tail: see docs/effect.md.
    """
    known = [number for number in range(len(names)) if fit.dof[number] >= 1.0 and fit.sd[number] > 0.0]
    if len(known) < 2:
        return
    wide, narrow = max(known, key=lambda kind: fit.sd[kind]), min(known, key=lambda kind: fit.sd[kind])
    ratio = fit.sd[wide] / fit.sd[narrow]
    if ratio >= _FAR_MORE and stats.f.sf(ratio**2, fit.dof[wide], fit.dof[narrow]) <= _UNLIKELY:
        sds_percent = (100.0 * fit.sd[wide], 100.0 * fit.sd[narrow])
        yield Note(EffectCaution.UNEVEN_SCATTER, sds_percent, (names[wide], names[narrow]))
