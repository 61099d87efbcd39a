"""Which lens, which stop, for a focal length: the lenses in order, with intervals, and which can't be told apart."""

import math
from collections.abc import Sequence
from dataclasses import replace

from lensbench.errors import LibraryError
from lensbench.library.answers import Advice, LeftOut, LensAdvice, left_out
from lensbench.library.kept import KeptSession
from lensbench.library.measured import LensCurve, Reading, at_stop, curve_at
from lensbench.library.ordering import Rival, Standing, common_unit, in_order, in_unit
from lensbench.library.words import answer_of, cautions
from lensbench.study.findings import INDIFFERENCE

__all__ = ["advise", "curves_for"]


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
    chosen: list[tuple[LensCurve, Reading]] = []
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
        _lens_advice(*chosen[standing.index], standing, free=f_number is None)
        for standing in in_order(rivals, unit=unit)
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


Chosen = list[tuple[LensCurve, Reading]]


def _with_figure(chosen: Chosen, unit: str) -> tuple[Chosen, Chosen]:
    known = [pair for pair in chosen if math.isfinite(in_unit(1.0, pair[0].session, unit))]
    return known, [pair for pair in chosen if pair not in known]


def _lens_advice(curve: LensCurve, reading: Reading, standing: Standing, *, free: bool) -> LensAdvice:
    session, mtf50_cypx = curve.session, math.exp(reading.log_mtf50)
    good = [one for one in curve.readings if one.log_mtf50 >= reading.log_mtf50 + math.log1p(-INDIFFERENCE)]
    low, high = standing.behind_ci95 if curve.known else (math.nan, math.nan)
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
        tied=standing.tied,
        behind_percent=100.0 * standing.behind,
        behind_ci95_percent=(100.0 * low, 100.0 * high),
    )
