"""Lenses side by side: paired at equal focal length, f-number and zone, with intervals on every difference.

Beside the pairs stands which lens at which stop: at every setting and zone, the lenses that no other is sharper than.
Raw files and finished pictures don't compare: no row is made of such a pair, and no choice among both.
"""

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from typing import Final

from lensbench import __version__
from lensbench.compare.means import LensInComparison, common_unit, lens_in_comparison, set_up_of
from lensbench.compare.rows import LensPair, best_row, rows_of
from lensbench.edge import viewing_of
from lensbench.model.compare import (
    Caution,
    ComparedLens,
    ComparedPair,
    CompareFindings,
    CompareRow,
    Comparison,
    Seen,
    Sharper,
    StopChoice,
    Verdict,
)
from lensbench.model.errors import Note, SettingError, SweepError
from lensbench.model.measured import SweepLens
from lensbench.model.setting import Setting, log_distance, same_focal_length
from lensbench.model.shot import ZONES
from lensbench.storage.store import read_sweep

Pairs = Mapping[tuple[int, int], ComparedPair]
_UNLIKE: Final = 0.05  # logarithm of two magnifications beyond which the print's own blur weighs differently


def compare(folders: Sequence[Path], *, print_and_eye_mm: tuple[float, float] | None = None) -> Comparison:
    """Compare the lenses of two or more folders that `lensbench sweep` wrote, each with each.

    Print height and eye's distance are for what one could see, by default pixel for pixel on a screen. A SweepError
    where a folder is no sweep's or there are fewer than two lenses, a SettingError where one is named twice.
    """
    if len({folder.resolve() for folder in folders}) < len(folders):
        raise SettingError("one folder is named twice; a comparison needs different ones")
    lenses = [lens for folder in folders for lens in read_sweep(folder)]
    findings = compare_lenses(lenses, print_and_eye_mm=print_and_eye_mm)
    return Comparison(findings=findings, lenses=tuple(lenses))


def compare_lenses(
    lenses: Sequence[SweepLens], *, print_and_eye_mm: tuple[float, float] | None = None
) -> CompareFindings:
    """Compare lenses that have been read, each with each; a SweepError where there are fewer than two."""
    if len(lenses) < 2:
        raise SweepError(f"{len(lenses)} lens in these folders; a comparison needs two")
    labels = unique_labels(lenses)
    compared = [lens_in_comparison(lens) for lens in lenses]
    heights_px = [lens.picture_height_px for lens in lenses if lens.picture_height_px]
    # Two sweeps of one lens alone may be of two copies.
    set_up = set_up_of(compared if len({lens.lens for lens in lenses}) > 1 else ())
    viewing = None
    if len(heights_px) == len(lenses):
        viewing = viewing_of(max(heights_px), print_and_eye_mm=print_and_eye_mm)
    pairs = {
        (i, j): _pair(
            LensPair(
                lenses=(compared[i], compared[j]),
                rivals=[rival for rival in compared if rival.lens.sensor_data == lenses[i].sensor_data],
                unit=common_unit([lenses[i], lenses[j]]),
                set_up=set_up,
                viewing=viewing,
            ),
            (labels[i], labels[j]),
        )
        for i, j in combinations(range(len(lenses)), 2)
    }
    return CompareFindings(
        lenses=tuple(map(_described, lenses, compared, labels)),
        pairs=tuple(pairs.values()),
        version=__version__,
        choices=_choices(compared, labels, pairs),
        looking=None if viewing is None else viewing.way,
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


def _described(lens: SweepLens, compared: LensInComparison, label: str) -> ComparedLens:
    counts = [mean.shots for (zone, _), mean in compared.means.items() if zone == "frame"]
    # Of the chart, in focal lengths: 2 + m + 1/m.
    far = [round(2.0 + size + 1.0 / size) for size in lens.magnifications.values()]
    return ComparedLens(
        label=label,
        lens=lens.lens,
        camera=lens.camera,
        folder=lens.folder,
        shots=lens.photographs,
        pixel_pitch_um=lens.pixel_pitch_um,
        picture_height_px=lens.picture_height_px,
        sensor_data=lens.sensor_data,
        shots_a_setting=(min(counts, default=0), max(counts, default=0)),
        one_focus=max(counts, default=0) == 1
        and any(len(shot.files) > 1 and not shot.bracket for shot in lens.counted),
        distance_focal_lengths=(min(far), max(far)) if far else None,
        best=None if lens.best is None else lens.best.setting,
    )


def _pair(pair: LensPair, labels: tuple[str, str]) -> ComparedPair:
    rows = rows_of(pair)
    beside = pair.unit == "lwph" and all(lens.lens.pixel_pitch_um for lens in pair.lenses)
    return ComparedPair(
        first=labels[0],
        second=labels[1],
        unit=pair.unit,
        rows=rows,
        rows_lpmm=rows_of(replace(pair, unit="lpmm")) if beside else (),
        best_row=best_row(pair),
        cautions=tuple(_cautions(pair, labels, rows)),
    )


def _cautions(pair: LensPair, labels: tuple[str, str], rows: Sequence[CompareRow]) -> Iterator[Note]:
    """What the comparison must not be taken for."""
    first, second = (lens.lens for lens in pair.lenses)
    if not pair.judged:
        raw_first = sorted(zip((second.sensor_data, first.sensor_data), labels, strict=True))
        yield Note(Caution.RAW_AGAINST_FINISHED, names=tuple(label for _, label in raw_first))
        return
    if rows:
        yield Note(Caution.MANY_ROWS)
        yield pair.set_up.note
    if any(math.isnan(row.ci95_percent[0]) for row in rows):
        yield Note(Caution.NO_REPEATS)
    if any(row.first_shots != row.second_shots for row in rows):
        yield Note(Caution.UNEQUAL_SHOTS)
    named = list(zip((first, second), labels, strict=True))
    in_brackets = [label for lens, label in named if any(shot.bracket for shot in lens.counted)]
    if len(in_brackets) == 1:
        yield Note(Caution.ONE_BRACKETED, names=tuple(in_brackets))
    # Sharpened: most of a lens's photographs bear the flag.
    if sharpened := [
        label
        for lens, label in named
        if 2 * sum("sharpened" in shot.flags for shot in lens.counted) > len(lens.counted)
    ]:
        yield Note(Caution.SHARPENED, names=tuple(sharpened))
    if rows and any(all(mean.sfr is None for mean in lens.means.values()) for lens in pair.lenses):
        yield Note(Caution.STAND_IN_RESPONSE)
    if any(
        same_focal_length(focal, other) and abs(math.log(size / other_size)) > _UNLIKE
        for focal, size in first.magnifications.items()
        for other, other_size in second.magnifications.items()
    ):
        yield Note(Caution.UNLIKE_MAGNIFICATION)


@dataclass(frozen=True, slots=True, kw_only=True)
class _SharedSetting:
    """One setting and zone of several lenses: number of the lens -> its own name of the setting."""

    zone: str
    members: dict[int, Setting]

    @property
    def setting(self) -> Setting:
        return next(iter(self.members.values()))


def _choices(
    lenses: Sequence[LensInComparison], labels: Sequence[str], pairs: Pairs
) -> tuple[StopChoice, ...]:
    """Choose at every focal length, f-number and zone; where only one lens was photographed, it is named.

    A lens is out where another is sharper beyond the interval; those that stay can't be told from the best. The
    intervals hold jointly, so the truly best one stays with 95 % confidence. Where raw files and finished pictures are
    mixed, the choice is among the kind that has two lenses, raw files before finished pictures.
    """
    shared: list[_SharedSetting] = []
    kinds = Counter(lens.lens.sensor_data for lens in lenses)
    kind = max(kinds, key=lambda sensor_data: (min(kinds[sensor_data], 2), sensor_data))
    if len(kinds) > 1 and kinds[kind] < 2:
        return ()
    for number, lens in enumerate(lenses):
        if lens.lens.sensor_data != kind:
            continue
        for zone, setting in lens.means:
            near = [
                known
                for known in shared
                if known.zone == zone and known.setting.matches(setting) and number not in known.members
            ]
            if near:
                focal = setting.focal_length_mm
                nearest = min(near, key=lambda known: log_distance(known.setting.focal_length_mm, focal))
                nearest.members[number] = setting
            else:
                shared.append(_SharedSetting(zone=zone, members={number: setting}))
    shared.sort(key=lambda known: (known.setting.order, ZONES.index(known.zone)))
    return tuple(_choice(known, labels, pairs) for known in shared)


def _choice(shared: _SharedSetting, labels: Sequence[str], pairs: Pairs) -> StopChoice:
    members = sorted(shared.members)
    duels = {
        (i, j): row
        for i, j in combinations(members, 2)
        for row in pairs[i, j].rows
        if (row.zone, row.f_number, row.focal_length_mm)
        == (shared.zone, shared.members[i].f_number, shared.members[i].focal_length_mm)
    }
    beaten, leads = set(), dict.fromkeys(members, 0.0)
    for (i, j), row in duels.items():
        if row.sharper is not Sharper.NEITHER and row.verdict is not Verdict.EQUAL:
            beaten.add(j if row.sharper is Sharper.FIRST else i)
        log_ratio = math.log(row.first / row.second)
        leads[i] += log_ratio
        leads[j] -= log_ratio
    ordered = sorted(members, key=lambda number: -leads[number])
    best = [number for number in ordered if number not in beaten] or ordered[:1]
    others = sorted(beaten) or [number for number in members if number != best[0]]
    return StopChoice(
        focal_length_mm=shared.setting.focal_length_mm,
        f_number=shared.setting.f_number,
        zone=shared.zone,
        lenses=tuple(labels[number] for number in best),
        photographed=tuple(labels[number] for number in members),
        seen=_seen(best[0], others, duels),
    )


def _seen(first: int, others: Sequence[int], duels: Mapping[tuple[int, int], CompareRow]) -> Seen:
    """Whether the first looks sharper than others."""
    looks = set()
    for other in others:
        if row := duels.get((min(first, other), max(first, other))):
            won = row.seen == (Seen.FIRST if first < other else Seen.SECOND)
            looks.add(Seen.VISIBLE if won else row.seen)
    if looks == {Seen.VISIBLE, Seen.NONE}:
        return Seen.SOME
    return looks.pop() if len(looks) == 1 else Seen.CANNOT_TELL if looks else Seen.UNKNOWN
