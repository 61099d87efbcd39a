"""What a shot counts under: the level of what was changed, and the setting that stayed.

Where shutter speeds are the levels, the speed from which shake no longer shows is found here, too. A shot counts as
shaken when its MTF50 lies below that of the fast speeds by more than can be put down to scatter or seen. Hands shake by
chance, so the share of such shots rises with the time by a logistic curve; its place and width are found by Bayes' rule
on a grid with flat priors, which also serves where the fast speeds show none and the slow ones only shaken shots.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan
from typing import Final

import numpy as np

from lensbench.model.compare import ShutterSpeed
from lensbench.model.errors import SettingError, SweepError
from lensbench.model.setting import f_stop, focal_length, shutter_speed
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import PlannedShot, SweepShot
from lensbench.model.units import FloatArray

_SURE_SHARE: Final = 0.1  # one shot in ten may still show shake: common practice, no source
_FEWEST_SPEEDS: Final = 3
_FEWEST_SHOTS: Final = 8
_WIDTHS_STOPS: Final = (0.1, 1.5)
_BEYOND_STOPS: Final = 2.0
_STEPS_A_STOP: Final = 3.0  # shutter speeds are named to a third of a stop


def log_of_fast(exposure_s: FloatArray, log_mtf50: FloatArray) -> float:
    """Median of the fastest third of the speeds, two at least, which are taken for sharp."""
    speeds = np.unique(exposure_s)
    return float(np.median(log_mtf50[np.isin(exposure_s, speeds[: max(2, len(speeds) // 3)])]))


def no_shake_speed(
    exposure_s: FloatArray, log_mtf50: FloatArray, *, shows_from: float
) -> ShutterSpeed | None:
    """Slowest speed at which nine shots of ten show no shake; None below three speeds or eight shots."""
    speeds = np.unique(exposure_s)
    if len(speeds) < _FEWEST_SPEEDS or len(exposure_s) < _FEWEST_SHOTS:
        return None
    shaken = log_mtf50 < log_of_fast(exposure_s, log_mtf50) + np.log1p(-shows_from)
    at_speed = [(float(speed), shaken[exposure_s == speed]) for speed in speeds]
    unclear = shaken.any() and not shaken.all()
    middle, low, high = _time_of_shake(np.log2(exposure_s), shaken) if unclear else (nan,) * 3
    return ShutterSpeed(
        exposure_s=middle,
        ci95_s=(low, high),
        shows_from_percent=100.0 * shows_from,
        shares=tuple((speed, len(shown), int(shown.sum())) for speed, shown in at_speed),
    )


def _time_of_shake(time_stops: FloatArray, shaken: FloatArray) -> tuple[float, float, float]:
    """Time at which one shot in ten is shaken: median and 95 % limits. [s]."""
    nodes = np.linspace(time_stops.min() - _BEYOND_STOPS, time_stops.max() + _BEYOND_STOPS, 200)
    widths = np.geomspace(*_WIDTHS_STOPS, 20)
    to_tenth = np.log(1.0 / _SURE_SHARE - 1.0)
    score = (time_stops - nodes[:, None, None]) / widths[:, None] - to_tenth
    log_likelihood = -np.logaddexp(0.0, np.where(shaken, -score, score)).sum(axis=-1)
    weight = np.exp(log_likelihood - log_likelihood.max()).sum(axis=1)
    share = np.cumsum(weight) / weight.sum()
    low, middle, high = np.interp([0.025, 0.5, 0.975], share, nodes)
    return float(2.0**middle), float(2.0**low), float(2.0**high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One level: what it is called, and its number where it has one."""

    name: str
    number: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelledShot:
    """A measured shot with its level, its setting and its place in the order of shooting."""

    shot: SweepShot
    result: ShotResult
    level: Level
    setting: str
    order: int  # from 1; 0 for all where nobody knows it: neither times nor one folder's names tell


BY: Final = ("condition", "exposure_s", "iso", "f_number", "focal_length_mm", "lens", "camera")


def _level(shot: PlannedShot, by: str, *, only_table: bool) -> Level | None:
    """Level of one shot, as its table row, its metadata or its folder tells it; None where nothing does."""
    if by == "condition":
        name = shot.condition or ("" if only_table else shot.path.parent.name)
        return Level(name=name) if name else None
    value = getattr(shot.setting if by in {"f_number", "focal_length_mm"} else shot.metadata, by)
    if not value:
        return None
    match by:
        case "exposure_s":
            nominal = 2.0 ** (round(float(np.log2(value)) * _STEPS_A_STOP) / _STEPS_A_STOP)
            level = Level(name=shutter_speed(value), number=nominal)
        case "iso":
            level = Level(name=f"ISO {value}", number=float(value))
        case "f_number":
            level = Level(name=f_stop(value), number=value)
        case "focal_length_mm":
            level = Level(name=focal_length(value), number=value)
        case _:
            level = Level(name=value)
    return level


def levelled(shots: Sequence[SweepShot], by: str) -> list[LevelledShot]:
    """Shots that count, in the order of shooting, with their levels and settings.

    Conditions come from the shots table, else from the names of the folders that the photographs lie in. What changes
    along with the level, everywhere, is no setting: a teleconverter changes focal length and f-number.
    """
    use = [(shot, shot.result) for shot in shots if isinstance(shot.result, ShotResult) and not shot.reason]
    timed = all(shot.planned.metadata.taken_at for shot, _ in use)
    if timed:  # else as the folder has them
        use.sort(key=lambda pair: pair[0].planned.metadata.taken_at or "")
    planned = [shot.planned for shot, _ in use]
    levels = levels_of(planned, by)
    known_order = timed or len({shot.path.parent for shot in planned}) < 2
    return [
        LevelledShot(
            shot=shot, result=result, level=level, setting=setting, order=number if known_order else 0
        )
        for number, ((shot, result), level, setting) in enumerate(
            zip(use, levels, _settings(planned, levels, by), strict=True), start=1
        )
    ]


def levels_of(planned: Sequence[PlannedShot], by: str) -> list[Level]:
    """Level of each shot, which its table row, its metadata or its folder tells; errors as for `levelled`."""
    if by not in BY:
        raise SettingError(f"--by {by}: no such column; choose one of {', '.join(BY)}")
    only_table = len({shot.path.parent for shot in planned}) < 2 or any(shot.condition for shot in planned)
    levels = [_level(shot, by, only_table=only_table) for shot in planned]
    if unknown := [shot.path for shot, level in zip(planned, levels, strict=True) if level is None]:
        names = ", ".join(path.name for path in unknown[:3]) + (", ..." if len(unknown) > 3 else "")
        where = "a shots table (--shots) with the columns file and condition, or folders named by condition"
        wanted = where if by == "condition" else "photographs whose metadata hold it"
        raise SweepError(f"{len(unknown)} shots do not say their {by} ({names}); give {wanted}")
    known = _named_alike([level for level in levels if level is not None])
    if len({level.name for level in known}) < 2:
        only = known[0].name if known else "nothing"
        raise SweepError(
            f"all {len(planned)} shots stand under one {by} ({only}); an effect needs two to compare"
        )
    return known


def level_names(levels: Sequence[Level], against: str | None) -> list[str]:
    """Names of the levels, the reference first: numbers in growing order, others as they were met."""
    numbers = {level.name: level.number for level in levels}
    names = list(numbers)
    if all(number is not None for number in numbers.values()):
        names.sort(key=lambda name: numbers[name] or 0.0)
    if against is None:
        return names
    if against not in names:
        raise SettingError(f"--against {against}: no such level; there are {', '.join(names)}")
    return [against, *(name for name in names if name != against)]


def _named_alike(levels: Sequence[Level]) -> list[Level]:
    """Levels of one number under one name, the one met most."""
    names: dict[float, list[str]] = {}
    for level in levels:
        if level.number is not None:
            names.setdefault(level.number, []).append(level.name)
    common = {number: max(sorted(set(found)), key=found.count) for number, found in names.items()}
    return [Level(name=common.get(level.number or 0.0, level.name), number=level.number) for level in levels]


def _settings(planned: Sequence[PlannedShot], levels: Sequence[Level], by: str) -> list[str]:
    """Name each shot's setting by what else was varied, leaving out what only changes with the level."""
    lenses = [shot.lens for shot in planned]
    parts = {
        "f_number": [f_stop(shot.setting.f_number) for shot in planned],
        "focal_length_mm": [focal_length(shot.setting.focal_length_mm) for shot in planned],
        "lens": lenses if len(set(lenses)) > 1 else [],
    }
    kept = []
    for part, names in parts.items():
        under_levels = {(name, level.name) for name, level in zip(names, levels, strict=False)}
        # A name that stands under one level only can't be held while the level changes.
        if part != by and len(under_levels) > len(set(names)):
            kept.append(names)
    return [", ".join(words) for words in zip(*kept, strict=True)] if kept else [""] * len(planned)
