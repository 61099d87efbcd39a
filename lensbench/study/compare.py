"""Lenses side by side: paired at equal focal length, f-number and zone, with intervals on every difference.

Means of refocused shots are compared, never the best of several: the best of many beats the best of few by
luck alone.
"""

import math
from collections.abc import Callable, Sequence
from itertools import combinations
from pathlib import Path
from typing import Final

import numpy as np

from lensbench import __version__
from lensbench.errors import SettingError, SweepError
from lensbench.records import ZONES
from lensbench.study.compare_records import ComparedLens, ComparedPair, CompareFindings, CompareRow
from lensbench.study.compare_words import pair_answer, pair_cautions, unique_labels
from lensbench.study.contrast import FOCAL_MATCH, Doubt, apart, compared, half_width
from lensbench.study.curves import ZoneSeries, shot_spread
from lensbench.study.findings import (
    Setting,
)
from lensbench.study.reading import BestRead, SweepLens, read_sweep
from lensbench.units import FloatArray, lpmm_from_cypx, lwph_from_cypx

__all__ = ["compare", "compare_lenses"]

_ALIKE: Final = 0.01
_NAN: Final = float("nan")

Scale = Callable[[float, SweepLens], float]


def compare(folders: Sequence[Path]) -> CompareFindings:
    """Compare the lenses of two or more sweep folders, each with each.

    Raises
    ------
    SweepError
        A folder was not written by a sweep, or there are fewer than two lenses in all.
    SettingError
        A folder is named twice.
    """
    if len({folder.resolve() for folder in folders}) < len(folders):
        raise SettingError("one folder is named twice; a comparison needs different ones")
    return compare_lenses([lens for folder in folders for lens in read_sweep(folder)])


def compare_lenses(lenses: Sequence[SweepLens]) -> CompareFindings:
    """Compare lenses that have been read, each with each.

    Raises
    ------
    SweepError
        Fewer than two lenses.
    """
    if len(lenses) < 2:
        raise SweepError(f"{len(lenses)} lens in these folders; a comparison needs two")
    labels = unique_labels(lenses)
    pairs = tuple(
        _pair(lenses[i], lenses[j], (labels[i], labels[j])) for i, j in combinations(range(len(lenses)), 2)
    )
    return CompareFindings(
        lenses=tuple(_described(lens, label) for lens, label in zip(lenses, labels, strict=True)),
        pairs=pairs,
        answer=" ".join(pair.answer for pair in pairs),
        version=__version__,
    )


def _described(lens: SweepLens, label: str) -> ComparedLens:
    return ComparedLens(
        label=label,
        lens=lens.lens,
        camera=lens.camera,
        folder=str(lens.folder),
        shots=lens.photographs,
        pixel_pitch_um=lens.pixel_pitch_um,
        picture_height_px=lens.picture_height_px,
    )


def _cypx(frequency_cypx: float, lens: SweepLens) -> float:  # noqa: ARG001 - one form for all units
    return frequency_cypx


def _lpmm(frequency_cypx: float, lens: SweepLens) -> float:
    return lpmm_from_cypx(frequency_cypx, lens.pixel_pitch_um) if lens.pixel_pitch_um else _NAN


def _lwph(frequency_cypx: float, lens: SweepLens) -> float:
    return lwph_from_cypx(frequency_cypx, lens.picture_height_px) if lens.picture_height_px else _NAN


def _pair(first: SweepLens, second: SweepLens, labels: tuple[str, str]) -> ComparedPair:
    alike = _like_sensors(first, second)
    pitches = first.pixel_pitch_um and second.pixel_pitch_um
    unit, scale = ("cypx", _cypx) if alike else ("lpmm", _lpmm) if pitches else ("lwph", _lwph)
    rows = _rows(first, second, scale)
    beside = () if alike or unit == "lwph" else _rows(first, second, _lwph)
    best = _best_row(first, second, scale)
    return ComparedPair(
        first=labels[0],
        second=labels[1],
        unit=unit,
        rows=rows,
        rows_lwph=beside,
        best_row=best,
        answer=pair_answer(rows, labels, best),
        cautions=pair_cautions(first, second, rows),
    )


def _like_sensors(first: SweepLens, second: SweepLens) -> bool:
    """Tell whether a cycle a pixel means the same on both: equal pitch and height, or the same camera."""
    if (
        first.pixel_pitch_um
        and second.pixel_pitch_um
        and first.picture_height_px
        and second.picture_height_px
    ):
        return (
            abs(first.pixel_pitch_um / second.pixel_pitch_um - 1.0) < _ALIKE
            and abs(first.picture_height_px / second.picture_height_px - 1.0) < _ALIKE
        )
    return first.camera == second.camera and first.picture_height_px == second.picture_height_px


def _rows(first: SweepLens, second: SweepLens, scale: Scale) -> tuple[CompareRow, ...]:
    doubts = _doubts(first), _doubts(second)
    rows = []
    for (zone, setting), values in first.shots.items():
        if match := _matching(setting, zone, second):
            others = second.shots[zone, match]
            half = half_width(doubts[0].get((zone, setting)), doubts[1].get((zone, match)))
            figures = scale(_middle(values), first), scale(_middle(others), second)
            rows.append(compared(setting, zone, figures, (len(values), len(others)), half_width=half))
    return tuple(sorted(rows, key=lambda row: (row.focal_length_mm, row.f_number, ZONES.index(row.zone))))


def _middle(log_shots: FloatArray) -> float:
    return float(np.exp(np.mean(log_shots)))


def _doubts(lens: SweepLens) -> dict[tuple[str, Setting], Doubt]:
    """Give the variance of the mean at each zone and setting; nothing for zones without any repeat."""
    doubts: dict[tuple[str, Setting], Doubt] = {}
    for zone in ZONES:
        names = sorted((one for own, one in lens.shots if own == zone), key=lambda one: one.f_number)
        if not names:
            continue
        series = ZoneSeries(
            f_number=np.array([name.f_number for name in names]),
            log_shots=tuple(lens.shots[zone, name] for name in names),
        )
        if spread := shot_spread([series]):
            for name, variance in zip(names, spread.variance_of_means(series), strict=True):
                doubts[zone, name] = Doubt(variance=float(variance), freedom=spread.freedom)
    return doubts


def _matching(setting: Setting, zone: str, lens: SweepLens) -> Setting | None:
    """Find the setting of the other lens at the same f-number and nearest focal length."""
    near = [
        (apart(setting.focal_length_mm, other.focal_length_mm), other)
        for other_zone, other in lens.shots
        if other_zone == zone and other.f_number == setting.f_number
    ]
    close = [(far, other) for far, other in near if far <= FOCAL_MATCH]
    return min(close, key=lambda pair: pair[0])[1] if close else None


def _best_row(first: SweepLens, second: SweepLens, scale: Scale) -> CompareRow | None:
    """Set the two lenses side by side, each at its own best setting, by the smoothed curves' values."""
    if first.best is None or second.best is None:
        return None
    figures = (scale(first.best.mtf50_cypx, first), scale(second.best.mtf50_cypx, second))
    half = math.hypot(_log_half(first.best), _log_half(second.best))
    setting = first.best.setting
    return compared(setting, "frame", figures, (first.photographs, second.photographs), half_width=half)


def _log_half(best: BestRead) -> float:
    low, high = best.ci95_cypx
    return 0.5 * math.log(high / low) if high > low > 0.0 else _NAN
