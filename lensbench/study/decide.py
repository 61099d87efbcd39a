"""From measured shots to findings: draws the curves and decides the best settings."""

import dataclasses
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from lensbench import __version__
from lensbench.records import ZONES, RejectedShot, ShotResult
from lensbench.study.answers import answer_sentence, holds_for
from lensbench.study.best import Question, best_setting
from lensbench.study.cautions import few_shots, remarks, unequal_magnification
from lensbench.study.condition import lens_condition
from lensbench.study.curve_points import PlaceCurves, curve_points, place_curves, smooth_curve, zone_at
from lensbench.study.curves import Spread, ZoneSeries
from lensbench.study.findings import (
    BestSetting,
    FocalLengthFindings,
    LensFindings,
    SweepFindings,
    SweepShot,
)
from lensbench.study.purposes import FRAME, PLACES, PURPOSES, weights_in_words
from lensbench.study.quick import with_quick_answer
from lensbench.study.rivals import rivals
from lensbench.study.series import FocalShots, by_focal_length, zone_series
from lensbench.study.spread import spread_of
from lensbench.study.ties import Tie
from lensbench.study.zoom import at_equal_stop, at_own_best

__all__ = ["find"]


def find(shots: Sequence[SweepShot], *, method: str = "refined", tie: Tie = Tie.BEST) -> SweepFindings:
    """Find the best settings of every lens.

    Parameters
    ----------
    shots : sequence of SweepShot
        Measured and rejected ones, as `sift` gives them.
    method : str
        By which the edges were measured.
    tie : Tie
        Which of several equally good stops to name as the one to take; it changes nothing else.
    """
    by_lens: dict[tuple[str, str], list[SweepShot]] = defaultdict(list)
    for one in shots:
        by_lens[one.planned.lens, one.planned.camera].append(one)
    known = {lens: group for lens, group in by_lens.items() if any(shot.used for shot in group)}
    return SweepFindings(
        lenses=tuple(_lens_findings(lens, group, tie) for lens, group in sorted(known.items())),
        unplaced=tuple(
            rejection
            for lens, group in sorted(by_lens.items())
            if lens not in known
            for rejection in _rejections(group)
        ),
        version=__version__,
        method=method,
    )


def _rejections(shots: Sequence[SweepShot]) -> tuple[RejectedShot, ...]:
    return tuple(
        shot.result
        if isinstance(shot.result, RejectedShot)
        else RejectedShot(path=shot.planned.path, reason=shot.reason)
        for shot in shots
        if not shot.used and not shot.planned.by_choice
    )


def _lens_findings(lens: tuple[str, str], shots: Sequence[SweepShot], tie: Tie) -> LensFindings:
    focals = by_focal_length(shots)
    pitch_um = focals[0].pixel_pitch_um
    series = {place: [zone_series(focal, place) for focal in focals] for place in PLACES}
    spreads = {place: spread_of([one for one in series[place] if one], pitch_um) for place in PLACES}
    curves = [place_curves(focal, spreads) for focal in focals]
    best = _best_over_all(focals, curves, spreads, tie)
    first = focals[0].members[0].result
    state = lens_condition(shots)
    findings = LensFindings(
        lens=lens[0],
        camera=lens[1],
        shots=sum(not shot.planned.by_choice for shot in shots),
        rejected=_rejections(shots),
        best=best.get("frame"),
        by_focal_length=tuple(
            _focal_findings(focal, places, spreads, tie) for focal, places in zip(focals, curves, strict=True)
        ),
        best_by_zone=_of_zones(best),
        best_by_purpose=_of_purposes(best),
        purposes={purpose: weights_in_words(purpose) for purpose in PURPOSES},
        pixel_pitch_um=pitch_um,
        size_px=first.size_px if isinstance(first, ShotResult) else None,
        spread_from=spreads["frame"].source,
        shot_sd_percent=_typical_sd_percent(spreads["frame"], [one for one in series["frame"] if one]),
        remarks=remarks(focals, spreads["frame"], shots=shots),
        holds_for=holds_for(focals),
        condition=state.findings,
        evidence=state.evidence,
        **_zoom(focals, curves, spreads["frame"], tie),
    )
    return with_quick_answer(dataclasses.replace(findings, answer=answer_sentence(findings)), shots)


def _typical_sd_percent(spread: Spread, series: Sequence[ZoneSeries]) -> float:
    """Give the spread of one shot, root mean square over the settings; NaN where it is not known."""
    if not spread.known:
        return float("nan")
    variance = np.concatenate([spread.variance_of_means(one) * one.shots for one in series])
    return float(100.0 * np.sqrt(np.mean(variance)))


def _of_zones(best: Mapping[str, BestSetting]) -> dict[str, BestSetting]:
    return {zone: best[zone] for zone in ZONES if zone in best}


def _of_purposes(best: Mapping[str, BestSetting]) -> dict[str, BestSetting]:
    places = {purpose: "frame" if purpose == FRAME else purpose for purpose in PURPOSES}
    return {
        purpose: dataclasses.replace(best[place], zone=purpose)
        for purpose, place in places.items()
        if place in best
    }


def _focal_findings(
    focal: FocalShots, curves: PlaceCurves, spreads: Mapping[str, Spread], tie: Tie
) -> FocalLengthFindings:
    best = {
        place: best_setting(
            rivals([curve], spreads[place]),
            spreads[place],
            Question(place=place, tie=tie, caution=few_shots(spreads[place])),
        )
        for place, curve in curves.items()
    }
    frame, zones = best["frame"], {zone: curves[zone] for zone in ZONES if zone in curves}
    return FocalLengthFindings(
        focal_length_mm=focal.focal_length_mm,
        best_f_number=frame.f_number,
        tied_f_numbers=tuple(setting.f_number for setting in frame.tied),
        zones={
            zone: zone_at(focal, zone, curve, spreads[zone], frame.f_number)
            for zone, curve in zones.items()
            if any(name.f_number == frame.f_number for name in curve[0])
        },
        curve=tuple(
            point for zone, curve in zones.items() for point in curve_points(zone, curve, spreads[zone])
        ),
        best_by_zone=_of_zones(best),
        best_by_purpose=_of_purposes(best),
        smooth={zone: smooth_curve(series, curve) for zone, (_, series, curve) in zones.items()},
        magnification=focal.magnification,
        shots=len(focal.members),
        holds_for=holds_for([focal]),
    )


def _best_over_all(
    focals: Sequence[FocalShots], curves: Sequence[PlaceCurves], spreads: Mapping[str, Spread], tie: Tie
) -> dict[str, BestSetting]:
    """Let all settings of all focal lengths compete, place by place."""
    best = {}
    for place, spread in spreads.items():
        seen = [places[place] for places in curves if place in places]
        if seen:
            best[place] = best_setting(rivals(seen, spread), spread, _question(focals, spread, place, tie))
    return best


def _question(focals: Sequence[FocalShots], spread: Spread, place: str, tie: Tie) -> Question:
    caution = " ".join(filter(None, (few_shots(spread), unequal_magnification(focals))))
    return Question(place=place, tie=tie, caution=caution)


def _zoom(
    focals: Sequence[FocalShots], curves: Sequence[PlaceCurves], spread: Spread, tie: Tie
) -> dict[str, Any]:
    """Give the comparisons of the zoom's positions, as fields of the findings."""
    frames = [places["frame"] for places in curves if "frame" in places]
    question = _question(focals, spread, "frame", tie)
    if len(frames) < 2:
        return {}
    return {
        "zoom_at_own_best": at_own_best(frames, spread, question),
        "zoom_at_equal_stop": at_equal_stop(frames, spread, question),
    }
