"""Which lens, which stop, for a focal length: the lenses in order, with intervals, and which can't be told apart."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from lensbench.library.curve import CurvePoint, LensCurve, at_stop, curve_at
from lensbench.library.order import Rank, Rival, common_unit, in_order, in_unit, like_sensors
from lensbench.model.errors import LibraryError
from lensbench.model.measured import KeptSession
from lensbench.model.sweep import INDIFFERENCE

__all__ = ["Advice", "LeftOut", "LensAdvice", "advise", "cautions", "curves_for", "left_out", "listed"]


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
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """The answer to «which lens, which stop»."""

    answer: str
    focal_length_mm: float
    f_number: float | None
    """Asked for; None where each lens stands at its own best."""
    zone: str
    unit: str
    """In which the lenses are ordered: cypx on like sensors, else lwph, or lpmm where sizes are unknown."""
    lenses: tuple[LensAdvice, ...]
    """Best first."""
    left_out: tuple[LeftOut, ...]
    cautions: tuple[str, ...]


def left_out(session: KeptSession, reason: str) -> LeftOut:
    """Name a lens that can't answer."""
    return LeftOut(lens=session.lens, camera=session.camera, session=session.session, reason=reason)


_UNLIKE_SCALE: Final = 1.25
"""Magnifications further apart than this share weigh the print's own blur differently. Common practice."""


ZONE_WORDS: Final = {
    "frame": "whole frame",
    "inner": "middle",
    "halfway": "halfway zone",
    "outer": "edges and corners",
}


def listed(names: Sequence[str]) -> str:
    """Join names as one says them.

    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def answer_of(found: Advice) -> str:
    """Say which lens and stop, which can't be told from it, and how far behind the others are."""
    best, *others = found.lenses
    subject = ZONE_WORDS[found.zone]
    at = "" if found.f_number is None else f" at f/{found.f_number:g}"
    parts = [f"For {found.focal_length_mm:g} mm{at}, {subject}: {_set(best, found)}."]
    equal = [f"{one.lens} ({_stop(one)})" for one in others if one.tied]
    if equal:
        parts.append(f"{listed(equal)} can't be told from it.")
    parts += [
        f"{one.lens} ({_stop(one)}) is {one.behind_percent:.0f} % softer{_interval(one)}."
        for one in others
        if not one.tied
    ]
    if not others:
        parts.append("No other lens in the library can answer.")
    return " ".join(parts)


def _set(best: LensAdvice, found: Advice) -> str:
    if found.f_number is not None:
        return f"take {best.lens}"
    border = " (best tested: a better stop may lie beyond)" if best.best_tested else ""
    good = [f"f/{one:g}" for one in best.as_good_f_numbers if one != best.f_number]
    alike = f", {listed(good)} within 3 %" if good else ""
    return f"take {best.lens} at f/{best.f_number:g}{border}{alike}"


def _stop(one: LensAdvice) -> str:
    return f"f/{one.f_number:g}"


def _interval(one: LensAdvice) -> str:
    low, high = one.behind_ci95_percent
    return f" ({low:.0f} to {high:.0f} %)" if math.isfinite(low) else ""


def cautions(curves: Sequence[LensCurve], sessions: Sequence[KeptSession]) -> tuple[str, ...]:
    """Say what the comparison does not rest on."""
    said = []
    own = [curve.session for curve in curves]
    if single := [curve.session.lens for curve in curves if not curve.repeated]:
        said.append(f"One shot a setting, so lens and focus can't be told apart: {', '.join(single)}.")
    if mixed := [curve for curve in curves if len(curve.measured_at_mm) > 1]:
        said += [
            f"{curve.session.lens} was measured at {curve.measured_at_mm[0]:g} and {curve.measured_at_mm[1]:g} mm; "
            f"its figure at {curve.focal_length_mm:g} mm lies between and is provisional."
            for curve in mixed
        ]
    if not like_sensors(own):
        said.append(
            "The cameras differ: each figure is that of lens and camera together, and on another sensor size the "
            "same focal length shows another field of view."
        )
    if len({one.sensor_data for one in own}) > 1:
        said.append("Some were measured from raw files and some from finished pictures: these don't compare.")
    scales = [curve.magnification for curve in curves if math.isfinite(curve.magnification)]
    if scales and max(scales) > _UNLIKE_SCALE * min(scales):
        said.append(
            "The charts were photographed at unlike scales, so the print's own blur weighs unequally."
        )
    if older := sorted({one.lens for one in sessions if one not in own and _named(one, own)}):
        said.append(f"The newest session counts where there are several: {', '.join(older)}.")
    return tuple(said)


def _named(session: KeptSession, others: Sequence[KeptSession]) -> bool:
    return any((one.lens, one.camera) == (session.lens, session.camera) for one in others)


def curves_for(
    sessions: Sequence[KeptSession], focal_length_mm: float, *, zone: str
) -> tuple[list[LensCurve], list[LeftOut]]:
    """Give the curve of every lens that reaches a focal length, from its newest session, and the others' reasons.

    Raises
    ------
    LibraryError
        No lens reaches it.
    """
    newest = {(one.lens, one.camera): one for one in sorted(sessions, key=lambda one: one.added_at)}
    curves, left = [], []
    for session in newest.values():
        match curve_at(session, focal_length_mm, zone=zone):
            case str() as reason:
                left.append(left_out(session, reason))
            case curve:
                curves.append(curve)
    if not curves:
        raise LibraryError(
            f"no lens in the library answers for {focal_length_mm:g} mm: "
            + "; ".join(f"{one.lens}: {one.reason}" for one in left)
        )
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
        inner, halfway, outer or frame.

    Raises
    ------
    LibraryError
        No lens can answer; the message says why for each.
    """
    curves, left = curves_for(sessions, focal_length_mm, zone=zone)
    chosen: list[tuple[LensCurve, CurvePoint]] = []
    for curve in curves:
        match curve.best if f_number is None else at_stop(curve, f_number):
            case str() as reason:
                left.append(left_out(curve.session, reason))
            case reading:
                chosen.append((curve, reading))
    unit = common_unit([curve.session for curve, _ in chosen])
    chosen, unlike = _with_figure(chosen, unit)
    left += [left_out(curve.session, "neither pixel pitch nor picture size is known") for curve, _ in unlike]
    if not chosen:
        raise LibraryError("no lens can answer: " + "; ".join(f"{one.lens}: {one.reason}" for one in left))
    rivals = [
        Rival(session=curve.session, log_mtf50=reading.log_mtf50, sd=reading.sd, freedom=curve.freedom)
        for curve, reading in chosen
    ]
    lenses = [
        _lens_advice(*chosen[rank.index], rank, free=f_number is None) for rank in in_order(rivals, unit=unit)
    ]
    found = Advice(
        answer="",
        focal_length_mm=focal_length_mm,
        f_number=f_number,
        zone=zone,
        unit=unit,
        lenses=tuple(lenses),
        left_out=tuple(left),
        cautions=cautions([curve for curve, _ in chosen], sessions),
    )
    return replace(found, answer=answer_of(found))


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
