"""Which lens, which stop, for a focal length: the lenses in order, with intervals, and which can't be told apart.

All in one unit. A lens is behind where `compare` would call the best one sharper: beyond 3 %, in all pairs together at
95 %, and where none was set up twice even if set-ups repeat half as well as assumed. Degrees of freedom are pooled
after Satterthwaite.
"""

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from lensbench.compare import SetUp, common_unit, in_unit, lens_in_comparison, like_sensors, set_up_of
from lensbench.library.curve import CurvePoint, Lack, LensCurve, at_stop, curve_at
from lensbench.library.store import OLDER_ZONES
from lensbench.model.errors import Note
from lensbench.model.measured import KeptSession
from lensbench.model.sweep import INDIFFERENCE
from lensbench.stats import Uncertainty, half_width


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
    """Stops of this lens surely within the indifference of its best; only the one asked for where one was."""
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


_UNLIKE_SCALE: Final = 1.25
"""Magnifications further apart than this share weigh the print's own blur differently. Common practice."""


def advise(
    sessions: Sequence[KeptSession],
    *,
    focal_length_mm: float,
    f_number: float | None = None,
    zone: str = "frame",
) -> Advice:
    """The lenses in order for a focal length, each at the stop asked for or at its own best.

    Of what the library holds, the newest session of each lens on each camera counts. The focal length was measured
    within 3 %, or its figure is mixed between two that were; a stop is mixed between its neighbours. `zone` is inner,
    middle, outer or frame.
    """
    curves, left = curves_for(sessions, focal_length_mm, zone=zone)
    found: list[tuple[LensCurve, CurvePoint]] = []
    for curve in curves:
        match curve.best if f_number is None else at_stop(curve, f_number):
            case Note() as why:
                left.append(left_out(curve.session, why))
            case point:
                found.append((curve, point))
    unit = common_unit([curve.session for curve, _ in found])
    chosen = [(curve, point) for curve, point in found if math.isfinite(in_unit(1.0, curve.session, unit))]
    left += [left_out(pair[0].session, Note(Lack.SENSOR_UNKNOWN)) for pair in found if pair not in chosen]
    rivals = [
        Rival(session=curve.session, log_mtf50=point.log_mtf50, sd=point.doubt, freedom=curve.spread.dof)
        for curve, point in chosen
    ]
    set_up = set_up_among(sessions)
    ranks = in_order(rivals, unit=unit, set_up=set_up)
    return Advice(
        focal_length_mm=focal_length_mm,
        f_number=f_number,
        zone=zone,
        unit=unit,
        lenses=tuple(_lens_advice(*chosen[rank.index], rank, free=f_number is None) for rank in ranks),
        left_out=tuple(left),
        cautions=tuple(cautions([curve for curve, _ in chosen], sessions, set_up)),
    )


def _lens_advice(curve: LensCurve, point: CurvePoint, rank: "Rank", *, free: bool) -> LensAdvice:
    session, mtf50_cypx = curve.session, math.exp(point.log_mtf50)
    good = [other.f_number for other in curve.readings if other is point or _is_as_good(other, point, curve)]
    return LensAdvice(
        lens=session.lens,
        camera=session.camera,
        session=session.session,
        measured_at_mm=curve.measured_at_mm,
        f_number=point.f_number,
        as_good_f_numbers=tuple(good) if free else (point.f_number,),
        best_tested=free and point in (curve.readings[0], curve.readings[-1]),
        mtf50_cypx=mtf50_cypx,
        ci95_cypx=curve.interval(point),
        mtf50_lpmm=in_unit(mtf50_cypx, session, "lpmm"),
        mtf50_lwph=in_unit(mtf50_cypx, session, "lwph"),
        shots=point.shots,
        tied=rank.tied,
        behind_percent=rank.behind_percent,
        behind_ci95_percent=rank.behind_ci95_percent if curve.spread.known else (math.nan, math.nan),
    )


def _is_as_good(reading: CurvePoint, best: CurvePoint, curve: LensCurve) -> bool:
    """Whether a stop's interval of the loss against the best lies within the indifference; both in one set-up."""
    doubt = curve.spread.quantile * math.hypot(reading.sd, best.sd)
    return curve.spread.repeated and best.log_mtf50 - reading.log_mtf50 + doubt <= -math.log1p(-INDIFFERENCE)


def curves_for(
    sessions: Sequence[KeptSession], focal_length_mm: float, *, zone: str
) -> tuple[list[LensCurve], list[LeftOut]]:
    """Curve of every lens that reaches a focal length, from its newest session, and the others' reasons."""
    newest = {(kept.lens, kept.camera): kept for kept in sorted(sessions, key=lambda kept: kept.added_at)}
    curves, left = [], []
    for session in newest.values():
        match curve_at(session, focal_length_mm, zone=zone):
            case Note() as why:
                left.append(left_out(session, why))
            case curve:
                curves.append(curve)
    return curves, left


def left_out(session: KeptSession, why: Note) -> LeftOut:
    """A lens that can't answer."""
    return LeftOut(lens=session.lens, camera=session.camera, session=session.session, reason=why)


def set_up_among(sessions: Sequence[KeptSession]) -> SetUp:
    """How well a set-up repeats, from the lenses that the library holds with several sessions."""
    held = Counter((kept.lens, kept.camera) for kept in sessions)
    return set_up_of(lens_in_comparison(kept) for kept in sessions if held[kept.lens, kept.camera] > 1)


def cautions(curves: Sequence[LensCurve], sessions: Sequence[KeptSession], set_up: SetUp) -> Iterator[Note]:
    """What the comparison of some curves, from all that the library holds, does not rest on."""
    own = [curve.session for curve in curves]
    if len(own) > 1:
        yield set_up.note
    if single := tuple(curve.session.lens for curve in curves if not curve.spread.repeated):
        yield Note(AdviceCaution.SINGLE_SHOTS, names=single)
    for curve in curves:
        if len(curve.measured_at_mm) > 1:
            lengths_mm = (*curve.measured_at_mm, curve.focal_length_mm)
            yield Note(AdviceCaution.BETWEEN_FOCAL_LENGTHS, lengths_mm, (curve.session.lens,))
    if not like_sensors(own):
        yield Note(AdviceCaution.CAMERAS_DIFFER)
    if len({session.sensor_data for session in own}) > 1:
        yield Note(AdviceCaution.RAW_AGAINST_FINISHED)
    scales = [curve.magnification for curve in curves if curve.magnification]
    if scales and max(scales) > _UNLIKE_SCALE * min(scales):
        yield Note(AdviceCaution.UNLIKE_SCALES)
    names = {(session.lens, session.camera) for session in own}
    others = [kept for kept in sessions if (kept.lens, kept.camera) in names and kept not in own]
    if others:
        yield Note(AdviceCaution.NEWEST_SESSION, names=tuple(sorted({kept.lens for kept in others})))
    if in_rings := {kept.lens for kept in own for shot in kept.shots if OLDER_ZONES in shot.flags}:
        yield Note(AdviceCaution.OLDER_ZONES, names=tuple(sorted(in_rings)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """One lens that competes, with one figure."""

    session: KeptSession
    log_mtf50: float  # natural logarithm of cycles per pixel
    sd: float
    freedom: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Rank:
    """Where a rival stands."""

    index: int  # its place in the list that was given
    tied: bool  # the best, or can't be told from it, or within the indifference of it
    behind_percent: float  # how much softer than the best, of the best's figure
    behind_ci95_percent: tuple[float, float]


def in_order(rivals: Sequence[Rival], *, unit: str, set_up: SetUp) -> list[Rank]:
    """Ranks of rivals by their figure in a unit, best first; all must have one in it.

    Raw files and finished pictures don't compare, so one kind is never told from the other.
    """
    if not rivals:
        return []
    logs = np.array([rival.log_mtf50 + math.log(in_unit(1.0, rival.session, unit)) for rival in rivals])
    own = [Uncertainty(variance=one.sd**2, dof=one.freedom) for one in rivals]
    known, doubted = ([set_up.beside(each, at_worst=at_worst) for each in own] for at_worst in (False, True))
    best = int(np.argmax(logs))
    tied = logs >= logs[best] + math.log1p(-INDIFFERENCE)
    tied |= [rival.session.sensor_data != rivals[best].session.sensor_data for rival in rivals]
    tied |= [
        logs[best] - value <= half_width(each, doubted[best], rivals=len(rivals))
        for value, each in zip(logs, doubted, strict=True)
    ]
    order = sorted(range(len(rivals)), key=lambda index: (-logs[index], rivals[index].session.title))
    return [
        Rank(
            index=index,
            tied=bool(tied[index]),
            behind_percent=100.0 * -math.expm1(float(logs[index] - logs[best])),
            behind_ci95_percent=_behind_percent(
                float(logs[index] - logs[best]), known[index], known[best], len(rivals)
            ),
        )
        for index in order
    ]


def _behind_percent(
    difference: float, rival: Uncertainty, best: Uncertainty, rivals: int
) -> tuple[float, float]:
    """Interval of how much softer a rival is, all pairs together; zero for the best itself."""
    if rival is best:
        return 0.0, 0.0
    half = half_width(rival, best, rivals=rivals)
    return 100.0 * -math.expm1(difference + half), 100.0 * -math.expm1(difference - half)
