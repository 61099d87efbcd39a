"""Lenses side by side: paired at equal focal length, f-number and zone, with intervals on every difference.

And which lens at which stop: at every setting and zone, the lenses that no other is sharper than.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Final

from lensbench import __version__
from lensbench.compare.rows import (
    LensInComparison,
    LensPair,
    best_row,
    lens_in_comparison,
    matching,
    overall_row,
    rows_of,
)
from lensbench.compare.text import looked_at, pair_cautions, pair_sentences, unique_labels, whole_answer
from lensbench.edge import Look, look_of
from lensbench.model.compare import ComparedLens, ComparedPair, CompareFindings, CompareRow, StopChoice
from lensbench.model.errors import SettingError, SweepError
from lensbench.model.measured import SweepLens
from lensbench.model.setting import Setting, log_distance
from lensbench.model.shot import ZONES
from lensbench.storage.store import read_sweep

__all__ = ["compare", "compare_lenses"]


_ALIKE: Final = 0.01

Pairs = Mapping[tuple[int, int], ComparedPair]


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
    compared = [lens_in_comparison(lens) for lens in lenses]
    look = _look(compared, print_and_eye_mm)
    pairs = {
        (i, j): _pair(compared, (i, j), labels=labels, look=look)
        for i, j in combinations(range(len(lenses)), 2)
    }
    choices = choices_of(compared, labels, pairs)
    headline, answer = whole_answer(list(pairs.values()), choices)
    return CompareFindings(
        lenses=tuple(_described(lens, label) for lens, label in zip(compared, labels, strict=True)),
        pairs=tuple(pairs.values()),
        answer=answer,
        headline=headline,
        version=__version__,
        choices=choices,
        looked_at=looked_at(look),
        holds_for=holds_for(compared, labels),
    )


def _look(lenses: Sequence[LensInComparison], print_and_eye_mm: tuple[float, float] | None) -> Look | None:
    heights = [lens.picture_height_px for lens in lenses]
    known = [height for height in heights if height]
    if len(known) < len(heights):
        return None
    return look_of(max(known), print_and_eye_mm=print_and_eye_mm)


def _described(compared: LensInComparison, label: str) -> ComparedLens:
    lens = compared.lens
    return ComparedLens(
        label=label,
        lens=lens.lens,
        camera=lens.camera,
        folder=lens.folder,
        shots=lens.photographs,
        pixel_pitch_um=lens.pixel_pitch_um,
        picture_height_px=compared.picture_height_px,
    )


def _pair(
    lenses: Sequence[LensInComparison], which: tuple[int, int], *, labels: Sequence[str], look: Look | None
) -> ComparedPair:
    def rivals(setting: Setting, zone: str) -> int:
        return sum(matching(setting, zone, lens) is not None for lens in lenses)

    first, second = lenses[which[0]], lenses[which[1]]
    pair = LensPair(
        first=first,
        second=second,
        look=look,
        rivals=rivals,
        all_rivals=len(lenses),
        judged=first.lens.sensor_data == second.lens.sensor_data,
    )
    unit = _unit(first, second)
    rows = rows_of(pair, unit=unit)
    best, overall = best_row(pair, unit=unit), overall_row(pair, unit=unit)
    beside = rows_of(pair, unit="lwph") if unit == "lpmm" else ()
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
        cautions=pair_cautions((first, second), own, rows, judged=pair.judged),
        overall=overall,
        sentences=sentences,
    )


def _unit(first: LensInComparison, second: LensInComparison) -> str:
    """Cycles per pixel where they mean the same on both: equal pitch and height, or the same camera."""
    pitches = (first.lens.pixel_pitch_um, second.lens.pixel_pitch_um)
    heights = (first.picture_height_px, second.picture_height_px)
    if pitches[0] and pitches[1] and heights[0] and heights[1]:
        alike = max(abs(pitches[0] / pitches[1] - 1.0), abs(heights[0] / heights[1] - 1.0)) < _ALIKE
        return "cypx" if alike else "lpmm"
    if first.lens.camera == second.lens.camera and heights[0] == heights[1]:
        return "cypx"
    return "lpmm" if pitches[0] and pitches[1] else "lwph"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """One setting of several lenses: number of the lens -> its own name of the setting."""

    zone: str
    members: dict[int, Setting]

    @property
    def setting(self) -> Setting:
        return next(iter(self.members.values()))


def choices_of(
    lenses: Sequence[LensInComparison], labels: Sequence[str], pairs: Pairs
) -> tuple[StopChoice, ...]:
    """Choose at every focal length, f-number and zone; where only one lens was photographed, it is named.

    A lens is out where another is sharper beyond the interval; those that stay can't be told from the best. The
    intervals hold jointly, so the truly best one stays with 95 % confidence.
    """
    places = sorted(_places(lenses), key=lambda place: (place.setting.order, ZONES.index(place.zone)))
    return tuple(_choice(place, labels, pairs) for place in places)


def _places(lenses: Sequence[LensInComparison]) -> list[_Place]:
    places: list[_Place] = []
    for number, lens in enumerate(lenses):
        for zone, setting in lens.means:
            near = [
                place
                for place in places
                if place.zone == zone and place.setting.matches(setting) and number not in place.members
            ]
            if near:
                focal = setting.focal_length_mm
                nearest = min(near, key=lambda place: log_distance(place.setting.focal_length_mm, focal))
                nearest.members[number] = setting
            else:
                places.append(_Place(zone=zone, members={number: setting}))
    return places


def _choice(place: _Place, labels: Sequence[str], pairs: Pairs) -> StopChoice:
    members = sorted(place.members)
    duels = {
        (i, j): row
        for i, j in combinations(members, 2)
        if (row := _row(pairs[i, j], place.zone, place.members[i]))
    }
    beaten = {j if row.verdict == "first" else i for (i, j), row in duels.items() if _won(row)}
    leads = dict.fromkeys(members, 0.0)
    for (i, j), row in duels.items():
        log_ratio = math.log(row.first / row.second)
        leads[i] += log_ratio
        leads[j] -= log_ratio
    ordered = sorted(members, key=lambda one: -leads[one])
    unbeaten = [one for one in ordered if one not in beaten] or ordered[:1]
    return StopChoice(
        focal_length_mm=place.setting.focal_length_mm,
        f_number=place.setting.f_number,
        zone=place.zone,
        lenses=tuple(labels[one] for one in unbeaten),
        photographed=tuple(labels[one] for one in members),
        seen=_seen(unbeaten[0], sorted(beaten) or [one for one in members if one != unbeaten[0]], duels),
    )


def _row(pair: ComparedPair, zone: str, setting: Setting) -> CompareRow | None:
    """Find a pair's row, in line widths per picture height where the sensors differ: a picture is what is wanted."""
    return next(
        (
            row
            for row in pair.rows_lwph or pair.rows
            if row.zone == zone
            and row.f_number == setting.f_number
            and row.focal_length_mm == setting.focal_length_mm
        ),
        None,
    )


def _won(row: CompareRow) -> bool:
    return row.verdict in {"first", "second"}


def _seen(first: int, others: Sequence[int], duels: Mapping[tuple[int, int], CompareRow]) -> str:
    """Tell whether the first looks sharper than others: visible, none, some of them, or can't tell."""
    looks = set()
    for other in others:
        row = duels.get((min(first, other), max(first, other)))
        if row is not None:
            looks.add("visible" if row.seen == ("first" if first < other else "second") else row.seen)
    if not looks:
        return ""
    if looks == {"visible", "none"}:
        return "some"
    return looks.pop() if len(looks) == 1 else "can't tell"


def holds_for(lenses: Sequence[LensInComparison], labels: Sequence[str]) -> str:
    """Say it lens by lens, or once where all are alike."""
    told = [_one(lens) for lens in lenses]
    if len(set(told)) == 1:
        return f"Holds for these copies: each {told[0]}."
    return f"Holds for these copies: {'; '.join(f'{label} {one}' for label, one in zip(labels, told, strict=True))}."


def _one(compared: LensInComparison) -> str:
    lens = compared.lens
    kind = "raw" if lens.sensor_data else "finished pictures"
    return ", ".join(
        filter(None, (f"on {lens.camera}", kind, _distance(lens), f"{_shots(compared)} a setting"))
    )


def _shots(lens: LensInComparison) -> str:
    counts = [mean.shots for (zone, _), mean in lens.means.items() if zone == "frame"]
    low, high = min(counts, default=0), max(counts, default=0)
    return f"{low if low == high else f'{low} to {high}'} refocused shot{'s' * (high != 1)}"


def _distance(lens: SweepLens) -> str:
    """Give the chart's distance in focal lengths, 2 + m + 1/m; nothing where it is not known."""
    known = [round(2.0 + size + 1.0 / size) for size in lens.magnifications.values()]
    if not known:
        return ""
    low, high = min(known), max(known)
    return f"chart at {low if low == high else f'{low} to {high}'} focal lengths"
