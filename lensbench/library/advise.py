"""Which lens, which stop, for a focal length: the lenses in order, with intervals, and which can't be told apart."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from lensbench.library.curve import CurvePoint, Lack, LensCurve, at_stop, curve_at
from lensbench.library.older import OLDER_ZONES
from lensbench.library.order import Rank, Rival, common_unit, in_order, in_unit, like_sensors
from lensbench.model.flags import Note
from lensbench.model.measured import KeptSession
from lensbench.model.sweep import INDIFFERENCE


@dataclass(frozen=True, slots=True, kw_only=True)
class LensAdvice:
    """One lens at the stop asked for, or at its own best."""

    lens: str
    camera: str
    session: str
    measured_at_mm: tuple[float, ...]
    """One focal length, or the two between which the figure is mixed."""
    f_number: float
    as_good_f_numbers: tuple[float, ...]
    """Stops of this lens within the indifference of its best; only the one asked for where one was."""
    best_tested: bool
    """Its best lies at the first or last stop tested."""
    mtf50_cypx: float
    ci95_cypx: tuple[float, float]
    mtf50_lpmm: float
    mtf50_lwph: float
    shots: int
    """Refocused shots at this stop; 0 where neighbouring stops stand in."""
    tied: bool
    """The best, or can't be told from it at 95 %, or within 3 % of it."""
    behind_percent: float
    behind_ci95_percent: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A lens that can't answer, and why."""

    lens: str
    camera: str
    session: str
    reason: Note
    """By `Lack`."""


class AdviceCaution(StrEnum):
    """What an advice does not rest on; the names are lenses."""

    SINGLE_SHOTS = "single_shots"
    """One shot a setting, of these lenses."""
    BETWEEN_FOCAL_LENGTHS = "between_focal_lengths"
    """Of this lens: the two measured, and the one asked for. [mm]"""
    CAMERAS_DIFFER = "cameras_differ"
    RAW_AGAINST_FINISHED = "raw_against_finished"
    UNLIKE_SCALES = "unlike_scales"
    NEWEST_SESSION = "newest_session"
    """Of these lenses there are older ones."""
    OLDER_ZONES = "older_zones"
    """These lenses were measured in rings, not in thirds."""
    EQUAL_SOFTNESS = "equal_softness"
    """Focus lies where near and far are equally soft."""
    SHAKE_BY_HABIT = "shake_by_habit"
    LIGHT_UNKNOWN = "light_unknown"
    FLAT_FIELD = "flat_field"


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """The answer to «which lens, which stop»."""

    focal_length_mm: float
    f_number: float | None
    """Asked for; None where each lens stands at its own best."""
    zone: str
    unit: str
    """In which the lenses are ordered: cypx on like sensors, else lwph, or lpmm where sizes are unknown."""
    lenses: tuple[LensAdvice, ...]
    """Best first; empty where none can answer."""
    left_out: tuple[LeftOut, ...]
    cautions: tuple[Note, ...]


def left_out(session: KeptSession, why: Note) -> LeftOut:
    """Name a lens that can't answer."""
    return LeftOut(lens=session.lens, camera=session.camera, session=session.session, reason=why)


_UNLIKE_SCALE: Final = 1.25
"""Magnifications further apart than this share weigh the print's own blur differently. Common practice."""


def cautions(curves: Sequence[LensCurve], sessions: Sequence[KeptSession]) -> tuple[Note, ...]:
    """Find what the comparison does not rest on."""
    return tuple(_cautions(curves, sessions))


def _cautions(curves: Sequence[LensCurve], sessions: Sequence[KeptSession]) -> Iterator[Note]:
    own = [curve.session for curve in curves]
    if single := tuple(curve.session.lens for curve in curves if not curve.repeated):
        yield Note(AdviceCaution.SINGLE_SHOTS, names=single)
    for curve in curves:
        if len(curve.measured_at_mm) > 1:
            lengths_mm = (*curve.measured_at_mm, curve.focal_length_mm)
            yield Note(AdviceCaution.BETWEEN_FOCAL_LENGTHS, lengths_mm, (curve.session.lens,))
    if not like_sensors(own):
        yield Note(AdviceCaution.CAMERAS_DIFFER)
    if len({session.sensor_data for session in own}) > 1:
        yield Note(AdviceCaution.RAW_AGAINST_FINISHED)
    scales = [curve.magnification for curve in curves if math.isfinite(curve.magnification)]
    if scales and max(scales) > _UNLIKE_SCALE * min(scales):
        yield Note(AdviceCaution.UNLIKE_SCALES)
    if older := sorted({session.lens for session in sessions if session not in own and _named(session, own)}):
        yield Note(AdviceCaution.NEWEST_SESSION, names=tuple(older))
    if in_rings := {session.lens for session in own for shot in session.shots if OLDER_ZONES in shot.flags}:
        yield Note(AdviceCaution.OLDER_ZONES, names=tuple(sorted(in_rings)))


def _named(session: KeptSession, others: Sequence[KeptSession]) -> bool:
    return any((one.lens, one.camera) == (session.lens, session.camera) for one in others)


def curves_for(
    sessions: Sequence[KeptSession], focal_length_mm: float, *, zone: str
) -> tuple[list[LensCurve], list[LeftOut]]:
    """Give the curve of every lens that reaches a focal length, from its newest session, and the others' reasons."""
    newest = {(one.lens, one.camera): one for one in sorted(sessions, key=lambda one: one.added_at)}
    curves, left = [], []
    for session in newest.values():
        match curve_at(session, focal_length_mm, zone=zone):
            case Note() as why:
                left.append(left_out(session, why))
            case curve:
                curves.append(curve)
    return curves, left


def advise(
    sessions: Sequence[KeptSession],
    *,
    focal_length_mm: float,
    f_number: float | None = None,
    zone: str = "frame",
) -> Advice:
    """Order the lenses for a focal length, each at the stop asked for or at its own best.

    Parameters
    ----------
    sessions : sequence of KeptSession
        What the library holds; the newest session of each lens on each camera counts.
    focal_length_mm : float
        Measured within 3 %, or mixed between two that were measured.
    f_number : float, optional
        Mixed between neighbouring stops where it was not measured.
    zone : str
        inner, middle, outer or frame.
    """
    curves, left = curves_for(sessions, focal_length_mm, zone=zone)
    chosen: list[tuple[LensCurve, CurvePoint]] = []
    for curve in curves:
        match curve.best if f_number is None else at_stop(curve, f_number):
            case Note() as why:
                left.append(left_out(curve.session, why))
            case reading:
                chosen.append((curve, reading))
    unit = common_unit([curve.session for curve, _ in chosen])
    chosen, unlike = _with_figure(chosen, unit)
    left += [left_out(curve.session, Note(Lack.SENSOR_UNKNOWN)) for curve, _ in unlike]
    rivals = [
        Rival(session=curve.session, log_mtf50=reading.log_mtf50, sd=reading.sd, freedom=curve.freedom)
        for curve, reading in chosen
    ]
    lenses = [
        _lens_advice(*chosen[rank.index], rank, free=f_number is None) for rank in in_order(rivals, unit=unit)
    ]
    return Advice(
        focal_length_mm=focal_length_mm,
        f_number=f_number,
        zone=zone,
        unit=unit,
        lenses=tuple(lenses),
        left_out=tuple(left),
        cautions=cautions([curve for curve, _ in chosen], sessions),
    )


Chosen = list[tuple[LensCurve, CurvePoint]]


def _with_figure(chosen: Chosen, unit: str) -> tuple[Chosen, Chosen]:
    known = [pair for pair in chosen if math.isfinite(in_unit(1.0, pair[0].session, unit))]
    return known, [pair for pair in chosen if pair not in known]


def _lens_advice(curve: LensCurve, reading: CurvePoint, rank: Rank, *, free: bool) -> LensAdvice:
    session, mtf50_cypx = curve.session, math.exp(reading.log_mtf50)
    good = [one for one in curve.readings if one.log_mtf50 >= reading.log_mtf50 + math.log1p(-INDIFFERENCE)]
    low, high = rank.behind_ci95 if curve.known else (math.nan, math.nan)
    return LensAdvice(
        lens=session.lens,
        camera=session.camera,
        session=session.session,
        measured_at_mm=curve.measured_at_mm,
        f_number=reading.f_number,
        as_good_f_numbers=tuple(one.f_number for one in good) if free else (reading.f_number,),
        best_tested=free and reading in (curve.readings[0], curve.readings[-1]),
        mtf50_cypx=mtf50_cypx,
        ci95_cypx=curve.interval(reading),
        mtf50_lpmm=in_unit(mtf50_cypx, session, "lpmm"),
        mtf50_lwph=in_unit(mtf50_cypx, session, "lwph"),
        shots=reading.shots,
        tied=rank.tied,
        behind_percent=100.0 * rank.behind,
        behind_ci95_percent=(100.0 * low, 100.0 * high),
    )
