"""Lenses side by side: paired at equal focal length, f-number and zone, with intervals on every difference.

Beside the pairs stands which lens at which stop: at every setting and zone, the lenses that no other is sharper than.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Final

from lensbench import __version__
from lensbench.compare.difference import FOCAL_MATCH, apart
from lensbench.compare.rows import Contender, Pairing, best_row, contender, matching, overall_row, rows_of
from lensbench.edge import Viewing, viewing_of
from lensbench.model.compare import (
    Caution,
    ComparedLens,
    ComparedPair,
    CompareFindings,
    CompareRow,
    Seen,
    StopChoice,
    Verdict,
)
from lensbench.model.errors import SettingError, SweepError
from lensbench.model.flags import Note
from lensbench.model.shot import ZONES
from lensbench.model.sweep import Setting
from lensbench.sweep import SweepLens, bracketed, read_sweep

__all__ = ["compare", "compare_lenses"]


Pairs = Mapping[tuple[int, int], ComparedPair]
_ALIKE: Final = 0.01
_UNLIKE: Final = 0.05
"""Logarithm of two magnifications beyond which the print's own blur weighs differently."""


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
    return CompareFindings(
        lenses=tuple(_described(lens, label) for lens, label in zip(lenses, labels, strict=True)),
        pairs=tuple(pairs.values()),
        version=__version__,
        choices=choices_of(lenses, labels, pairs),
        looking=None if look is None else look.way,
    )


def unique_labels(lenses: Sequence[SweepLens]) -> list[str]:
    """Name each lens so that no two bear one name."""
    names = [lens.lens for lens in lenses]
    longer = [f"{lens.lens} on {lens.camera}" for lens in lenses]
    longest = [f"{text} ({lens.folder})" for text, lens in zip(longer, lenses, strict=True)]
    for labels in (names, longer, longest):
        if len(set(labels)) == len(labels):
            return labels
    return [f"{text} [{number}]" for number, text in enumerate(longest, start=1)]


def _look(lenses: Sequence[SweepLens], print_and_eye_mm: tuple[float, float] | None) -> Viewing | None:
    heights = [lens.picture_height_px for lens in lenses]
    known = [height for height in heights if height]
    if len(known) < len(heights):
        return None
    return viewing_of(max(known), print_and_eye_mm=print_and_eye_mm)


def _described(lens: SweepLens, label: str) -> ComparedLens:
    counts = [len(values) for (zone, _), values in lens.shots.items() if zone == "frame"]
    # Of the chart, in focal lengths: 2 + m + 1/m.
    far = [round(2.0 + m + 1.0 / m) for m in lens.magnification.values() if m and math.isfinite(m)]
    return ComparedLens(
        label=label,
        lens=lens.lens,
        camera=lens.camera,
        folder=str(lens.folder),
        shots=lens.photographs,
        pixel_pitch_um=lens.pixel_pitch_um,
        picture_height_px=lens.picture_height_px,
        sensor_data=lens.sensor_data,
        shots_a_setting=(min(counts, default=0), max(counts, default=0)),
        distance_focal_lengths=(min(far), max(far)) if far else None,
    )


def _pair(
    contenders: Sequence[Contender], which: tuple[int, int], *, labels: Sequence[str], look: Viewing | None
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
    return ComparedPair(
        first=own[0],
        second=own[1],
        unit=unit,
        rows=rows,
        rows_lwph=beside,
        best_row=best,
        cautions=tuple(_cautions(pairing, own, rows)),
        overall=overall,
    )


def _cautions(pairing: Pairing, labels: tuple[str, str], rows: Sequence[CompareRow]) -> Iterator[Note]:
    """Find what the comparison must not be taken for."""
    lenses = (pairing.first.lens, pairing.second.lens)
    if rows:
        yield Note(Caution.MANY_ROWS)
    if not pairing.judged:
        yield Note(Caution.RAW_AGAINST_FINISHED)
    elif any(math.isnan(row.ci95_percent[0]) for row in rows):
        yield Note(Caution.NO_REPEATS)
    if any(row.first_shots != row.second_shots for row in rows):
        yield Note(Caution.UNEQUAL_SHOTS)
    in_brackets = [label for lens, label in zip(lenses, labels, strict=True) if bracketed(lens.rows)]
    if len(in_brackets) == 1:
        yield Note(Caution.ONE_BRACKETED, names=tuple(in_brackets))
    if sharpened := [label for lens, label in zip(lenses, labels, strict=True) if _sharpened(lens)]:
        yield Note(Caution.SHARPENED, names=tuple(sharpened))
    if rows and not (pairing.first.responses and pairing.second.responses):
        yield Note(Caution.STAND_IN_RESPONSE)
    if _unlike_magnification(*lenses):
        yield Note(Caution.UNLIKE_MAGNIFICATION)


def _sharpened(lens: SweepLens) -> bool:
    """Tell whether most of a lens's photographs bear the flag."""
    return 2 * sum("sharpened" in row["flags"].split() for row in lens.rows) > len(lens.rows)


def _unlike_magnification(first: SweepLens, second: SweepLens) -> bool:
    return any(
        apart(focal, other) <= FOCAL_MATCH and abs(math.log(size / other_size)) > _UNLIKE
        for focal, size in first.magnification.items()
        for other, other_size in second.magnification.items()
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """One setting of several lenses: number of the lens -> its own name of the setting."""

    zone: str
    members: dict[int, Setting]

    @property
    def setting(self) -> Setting:
        return next(iter(self.members.values()))


def choices_of(lenses: Sequence[SweepLens], labels: Sequence[str], pairs: Pairs) -> tuple[StopChoice, ...]:
    """Choose at every focal length, f-number and zone; where only one lens was photographed, it is named.

    A lens is out where another is sharper beyond the interval; those that stay can't be told from the best. The
    intervals hold jointly, so the truly best one stays with 95 % confidence.
    """
    found = [_choice(place, labels, pairs) for place in _places(lenses)]
    return tuple(sorted(found, key=lambda one: (one.focal_length_mm, one.f_number, ZONES.index(one.zone))))


def _places(lenses: Sequence[SweepLens]) -> list[_Place]:
    places: list[_Place] = []
    for number, lens in enumerate(lenses):
        for zone, setting in lens.shots:
            near = [place for place in places if _same(place, zone, setting) and number not in place.members]
            if near:
                nearest = min(
                    near, key=lambda one: apart(one.setting.focal_length_mm, setting.focal_length_mm)
                )
                nearest.members[number] = setting
            else:
                places.append(_Place(zone=zone, members={number: setting}))
    return places


def _same(place: _Place, zone: str, setting: Setting) -> bool:
    own = place.setting
    return (
        place.zone == zone
        and own.f_number == setting.f_number
        and apart(own.focal_length_mm, setting.focal_length_mm) <= FOCAL_MATCH
    )


def _choice(place: _Place, labels: Sequence[str], pairs: Pairs) -> StopChoice:
    members = sorted(place.members)
    duels = {
        (i, j): row
        for i, j in combinations(members, 2)
        if (row := _row(pairs[i, j], place.zone, place.members[i]))
    }
    beaten = {
        j if row.verdict == Verdict.FIRST else i
        for (i, j), row in duels.items()
        if row.verdict in {Verdict.FIRST, Verdict.SECOND}
    }
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
            and apart(row.focal_length_mm, setting.focal_length_mm) == 0.0
        ),
        None,
    )


def _seen(first: int, others: Sequence[int], duels: Mapping[tuple[int, int], CompareRow]) -> Seen:
    """Tell whether the first looks sharper than others."""
    looks = set()
    for other in others:
        row = duels.get((min(first, other), max(first, other)))
        if row is not None:
            won = row.seen == (Seen.FIRST if first < other else Seen.SECOND)
            looks.add(Seen.VISIBLE if won else row.seen)
    if looks == {Seen.VISIBLE, Seen.NONE}:
        return Seen.SOME
    return looks.pop() if len(looks) == 1 else Seen.CANNOT_TELL if looks else Seen.UNKNOWN
