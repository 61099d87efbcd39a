"""What one change did: filter, stabiliser, support, shutter speed, ISO, processing, before and after a repair.

Shots of both kinds are measured, and differences are taken at equal settings with drift from shot to shot removed.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np

from lensbench import __version__
from lensbench.effect.cautions import cautions
from lensbench.effect.levels import LevelledShot, SpeedShot, level_names, levelled, levels_of, no_shake_speed
from lensbench.effect.rows import (
    in_percent,
    log_mtf50,
    log_on_subject,
    marked_processed,
    noise_percent,
    noise_rows,
    overshoot_percent,
    overshoot_rows,
    sharpness_rows,
    visible_from,
)
from lensbench.model.compare import (
    Drift,
    Effect,
    EffectFindings,
    LevelFigures,
    ShotFigures,
    ShutterSpeed,
    Visible,
)
from lensbench.model.errors import SweepError
from lensbench.model.shot import ZONES
from lensbench.model.sweep import INDIFFERENCE, SweepShot
from lensbench.shot import MeasureOptions
from lensbench.stats import Difference, Layout, fit_levels
from lensbench.sweep import Running, gather, measured_shots, rejections

_SAME_SIZE: Final = 0.03
"""Magnifications further apart than this share count detail on the subject. Common practice, no source."""
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
    """Tell what a change did from shots that have been measured; parameters and errors as for `effect`."""
    rejected = rejections(shots)
    if not any(shot.used for shot in shots):
        reason = rejected[0].reason if rejected else "no shots"
        raise SweepError(f"none of {len(shots)} photographs could be measured: {reason}")
    use = levelled(shots, by)
    names = level_names([one.level for one in use], against)
    layout = _layout(use, names)
    on_subject = _sizes_differ(use, names)
    visible = visible_from(
        [one.result for one in use if one.level.name == names[0]], print_and_eye_mm=print_and_eye_mm
    )
    logs = {"frame": log_on_subject(use)} if on_subject else {zone: log_mtf50(use, zone) for zone in ZONES}
    fits = {zone: fit_levels(values, layout) for zone, values in logs.items()}
    rows = [row for zone, fit in fits.items() for row in sharpness_rows(fit, names, zone, visible)]
    rows += noise_rows(use, names, layout)
    rows += overshoot_rows(use, names, layout)
    rows = marked_processed(rows)
    figures = tuple(_level_figures(use, name) for name in names)
    shutter = _shutter(use, visible) if by == "exposure_s" else None
    drift = _drift(fits["frame"].drift)
    return EffectFindings(
        by=by,
        reference=names[0],
        levels=figures,
        rows=tuple(rows),
        drift=drift,
        visible=visible,
        shutter=shutter,
        on_subject=on_subject,
        shots=tuple(_shot_figures(one) for one in use),
        rejected=rejected,
        cautions=tuple(cautions(use, layout, names, fit=fits["frame"], on_subject=on_subject)),
        lens=use[0].shot.planned.lens,
        camera=use[0].shot.planned.camera,
        version=__version__,
    )


def _layout(use: Sequence[LevelledShot], names: Sequence[str]) -> Layout:
    settings = list(dict.fromkeys(one.setting for one in use))
    return Layout(
        level=np.array([names.index(one.level.name) for one in use]),
        setting=np.array([settings.index(one.setting) for one in use]),
        order=np.array([float(one.order) for one in use]),
    )


def _sizes_differ(use: Sequence[LevelledShot], names: Sequence[str]) -> bool:
    """Tell whether the subject was seen at different sizes, as with a teleconverter against a crop."""
    sizes = [[one.result.magnification or _NAN for one in use if one.level.name == name] for name in names]
    middles = np.array([np.median(size) for size in sizes])
    return bool(np.isfinite(middles).all() and middles.max() > middles.min() * (1.0 + _SAME_SIZE))


def _level_figures(use: Sequence[LevelledShot], name: str) -> LevelFigures:
    members = [_shot_figures(one) for one in use if one.level.name == name]
    return LevelFigures(
        level=name,
        shots=len(members),
        mtf50_cypx=float(np.exp(np.mean(np.log([one.mtf50_cypx for one in members])))),
        noise_percent=float(np.mean([one.noise_percent for one in members])),
        overshoot_percent=float(np.mean([one.overshoot_percent for one in members])),
    )


def _shot_figures(one: LevelledShot) -> ShotFigures:
    return ShotFigures(
        photo=str(one.shot.planned.path),
        order=one.order,
        level=one.level.name,
        setting=one.setting,
        mtf50_cypx=one.result.summary["frame"].mtf50_cypx,
        noise_percent=noise_percent(one.result),
        overshoot_percent=overshoot_percent(one.result),
    )


def _drift(found: Difference | None) -> Drift | None:
    if found is None:
        return None
    per_shot, interval = in_percent(found)
    return Drift(percent_per_shot=per_shot, ci95_percent=interval)


def _shutter(use: Sequence[LevelledShot], visible: Visible) -> ShutterSpeed | None:
    """Find the speed from which shake no longer shows, each setting held against its own mean of fast shots."""
    logs = log_mtf50(use, "frame")
    settings = {one.setting for one in use}
    shots: list[SpeedShot] = []
    for setting in settings:
        here = [
            (one.level.number or _NAN, log)
            for one, log in zip(use, logs, strict=True)
            if one.setting == setting
        ]
        fastest = sorted({time for time, _ in here})[: max(2, len({time for time, _ in here}) // 3)]
        level = float(np.median([log for time, log in here if time in fastest]))
        shots += [SpeedShot(exposure_s=time, log_mtf50=float(log) - level) for time, log in here]
    return no_shake_speed(shots, shows_from=max(visible.percent / 100.0, INDIFFERENCE))
