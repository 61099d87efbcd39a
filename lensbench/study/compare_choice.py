"""Which lens at which stop: at every setting and zone, the lenses that no other is sharper than."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from lensbench.records import ZONES
from lensbench.study.compare_records import ComparedPair, CompareRow, StopChoice
from lensbench.study.contrast import FOCAL_MATCH, apart
from lensbench.study.findings import Setting
from lensbench.study.reading import SweepLens

__all__ = ["choices_of"]

Pairs = Mapping[tuple[int, int], ComparedPair]


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
            and apart(row.focal_length_mm, setting.focal_length_mm) == 0.0
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
