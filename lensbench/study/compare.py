"""Lenses side by side: paired at equal focal length, f-number and zone, with intervals on every difference."""

from collections.abc import Sequence
from itertools import combinations
from pathlib import Path
from typing import Final

from lensbench import __version__
from lensbench.errors import SettingError, SweepError
from lensbench.study.compare_choice import choices_of
from lensbench.study.compare_holds import holds_for
from lensbench.study.compare_records import ComparedLens, ComparedPair, CompareFindings
from lensbench.study.compare_rows import (
    Contender,
    Pairing,
    best_row,
    contender,
    matching,
    overall_row,
    rows_of,
)
from lensbench.study.compare_words import (
    looked_at,
    pair_cautions,
    pair_sentences,
    unique_labels,
    whole_answer,
)
from lensbench.study.findings import Setting
from lensbench.study.reading import SweepLens, read_sweep
from lensbench.study.visible import Look, look_of

__all__ = ["compare", "compare_lenses"]

_ALIKE: Final = 0.01


def compare(
    folders: Sequence[Path], *, print_and_eye_mm: tuple[float, float] | None = None
) -> CompareFindings:
    """Compare the lenses of two or more sweep folders, each with each.

    Parameters
    ----------
    folders : sequence of Path
        That `lensbench sweep` wrote.
    print_and_eye_mm : (height, distance), optional
        How pictures are looked at, for what one could see; pixel for pixel on a screen by default.

    Raises
    ------
    SweepError
        A folder was not written by a sweep, or there are fewer than two lenses in all.
    SettingError
        A folder is named twice.
    """
    if len({folder.resolve() for folder in folders}) < len(folders):
        raise SettingError("one folder is named twice; a comparison needs different ones")
    lenses = [lens for folder in folders for lens in read_sweep(folder)]
    return compare_lenses(lenses, print_and_eye_mm=print_and_eye_mm)


def compare_lenses(
    lenses: Sequence[SweepLens], *, print_and_eye_mm: tuple[float, float] | None = None
) -> CompareFindings:
    """Compare lenses that have been read, each with each; parameters as for `compare`.

    Raises
    ------
    SweepError
        Fewer than two lenses, or the SFR beside a sweep is damaged.
    """
    if len(lenses) < 2:
        raise SweepError(f"{len(lenses)} lens in these folders; a comparison needs two")
    labels = unique_labels(lenses)
    contenders = [contender(lens) for lens in lenses]
    look = _look(lenses, print_and_eye_mm)
    pairs = {
        (i, j): _pair(contenders, (i, j), labels=labels, look=look)
        for i, j in combinations(range(len(lenses)), 2)
    }
    choices = choices_of(lenses, labels, pairs)
    headline, answer = whole_answer(list(pairs.values()), choices)
    return CompareFindings(
        lenses=tuple(_described(lens, label) for lens, label in zip(lenses, labels, strict=True)),
        pairs=tuple(pairs.values()),
        answer=answer,
        headline=headline,
        version=__version__,
        choices=choices,
        looked_at=looked_at(look),
        holds_for=holds_for(lenses, labels),
    )


def _look(lenses: Sequence[SweepLens], print_and_eye_mm: tuple[float, float] | None) -> Look | None:
    heights = [lens.picture_height_px for lens in lenses]
    known = [height for height in heights if height]
    if len(known) < len(heights):
        return None
    return look_of(max(known), print_and_eye_mm=print_and_eye_mm)


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


def _pair(
    contenders: Sequence[Contender], which: tuple[int, int], *, labels: Sequence[str], look: Look | None
) -> ComparedPair:
    def rivals(setting: Setting, zone: str) -> int:
        return sum(matching(setting, zone, one.lens) is not None for one in contenders)

    first, second = (contenders[one] for one in which)
    pairing = Pairing(
        first=first,
        second=second,
        look=look,
        rivals=rivals,
        all_rivals=len(contenders),
        judged=first.lens.sensor_data == second.lens.sensor_data,
    )
    unit = _unit(first.lens, second.lens)
    rows = rows_of(pairing, unit=unit)
    best, overall = best_row(pairing, unit=unit), overall_row(pairing, rows, unit=unit)
    beside = rows_of(pairing, unit="lwph") if unit == "lpmm" else ()
    own = (labels[which[0]], labels[which[1]])
    sentences = pair_sentences(rows, own, best=best, overall=overall, rows_lwph=beside)
    return ComparedPair(
        first=own[0],
        second=own[1],
        unit=unit,
        rows=rows,
        rows_lwph=beside,
        best_row=best,
        answer=" ".join(sentences),
        cautions=pair_cautions((first, second), own, rows, judged=pairing.judged),
        overall=overall,
        sentences=sentences,
    )


def _unit(first: SweepLens, second: SweepLens) -> str:
    if _like_sensors(first, second):
        return "cypx"
    return "lpmm" if first.pixel_pitch_um and second.pixel_pitch_um else "lwph"


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
