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
from lensbench.errors import SweepError
from lensbench.records import ZONES
from lensbench.study.compare_words import pair_answer, pair_cautions, unique_labels
from lensbench.study.contrast import FOCAL_MATCH, apart, compared, half_width
from lensbench.study.curves import SMALLEST_SD
from lensbench.study.findings import (
    ComparedLens,
    ComparedPair,
    CompareFindings,
    CompareRow,
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
    """
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
    spreads = {zone: (_pooled(first, zone), _pooled(second, zone)) for zone in ZONES}
    rows = [
        _row(zone, setting, (first, values), (second, second.shots[zone, match]), spreads[zone], scale)
        for (zone, setting), values in first.shots.items()
        if (match := _matching(setting, zone, second))
    ]
    return tuple(sorted(rows, key=lambda row: (row.focal_length_mm, row.f_number, ZONES.index(row.zone))))


def _matching(setting: Setting, zone: str, lens: SweepLens) -> Setting | None:
    """Find the setting of the other lens at the same f-number and nearest focal length."""
    near = [
        (apart(setting.focal_length_mm, other.focal_length_mm), other)
        for other_zone, other in lens.shots
        if other_zone == zone and other.f_number == setting.f_number
    ]
    close = [(far, other) for far, other in near if far <= FOCAL_MATCH]
    return min(close, key=lambda pair: pair[0])[1] if close else None


def _pooled(lens: SweepLens, zone: str) -> tuple[float, int]:
    """Give the variance between refocused shots of a zone, over all settings, and its degrees of freedom."""
    values = [shots for (one, _), shots in lens.shots.items() if one == zone]
    freedom = sum(len(shots) - 1 for shots in values)
    square = sum(float(np.sum((shots - shots.mean()) ** 2)) for shots in values)
    return (max(square / freedom, SMALLEST_SD**2), freedom) if freedom else (_NAN, 0)


def _row(
    zone: str,
    setting: Setting,
    first: tuple[SweepLens, FloatArray],
    second: tuple[SweepLens, FloatArray],
    spreads: tuple[tuple[float, int], tuple[float, int]],
    scale: Scale,
) -> CompareRow:
    figures = [scale(float(np.exp(values.mean())), lens) for lens, values in (first, second)]
    terms = [
        variance / len(values) for (variance, _), (_, values) in zip(spreads, (first, second), strict=True)
    ]
    half = half_width(terms, [freedom for _, freedom in spreads])
    return compared(setting, zone, (figures[0], figures[1]), (len(first[1]), len(second[1])), half_width=half)


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
