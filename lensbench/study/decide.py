"""From measured shots to findings: draws the curves and decides the best settings."""

import dataclasses
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from lensbench import __version__
from lensbench.records import ZONES, RejectedShot, ShotResult, ZoneFigure
from lensbench.study.answers import answer_sentence, holds_for
from lensbench.study.best import best_setting, candidates
from lensbench.study.cautions import few_shots, remarks, unequal_magnification
from lensbench.study.condition import lens_condition
from lensbench.study.curves import Curve, Spread, ZoneSeries, fit_curve, scatter_spread, shot_spread
from lensbench.study.findings import (
    BestSetting,
    CurvePoint,
    FocalLengthFindings,
    LensFindings,
    Setting,
    SmoothCurve,
    SweepFindings,
    SweepShot,
)
from lensbench.study.quick import with_quick_answer
from lensbench.study.series import FocalShots, by_focal_length, zone_series

__all__ = ["find"]

_SMOOTH_POINTS: Final = 60

ZoneCurves = dict[str, tuple[tuple[Setting, ...], ZoneSeries, Curve]]


def find(shots: Sequence[SweepShot], *, method: str = "refined") -> SweepFindings:
    """Find the best settings of every lens.

    Parameters
    ----------
    shots : sequence of SweepShot
        Measured and rejected ones, as `sift` gives them.
    method : str
        By which the edges were measured.
    """
    by_lens: dict[tuple[str, str], list[SweepShot]] = defaultdict(list)
    for one in shots:
        by_lens[one.planned.lens, one.planned.camera].append(one)
    known = {lens: group for lens, group in by_lens.items() if any(shot.used for shot in group)}
    return SweepFindings(
        lenses=tuple(_lens_findings(lens, group) for lens, group in sorted(known.items())),
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


def _lens_findings(lens: tuple[str, str], shots: Sequence[SweepShot]) -> LensFindings:
    focals = by_focal_length(shots)
    series = {zone: [zone_series(focal, zone) for focal in focals] for zone in ZONES}
    pitch_um = focals[0].pixel_pitch_um
    spreads = {zone: _spread([one for one in series[zone] if one], pitch_um) for zone in ZONES}
    curves = [_zone_curves(focal, spreads) for focal in focals]
    by_focal = tuple(
        _focal_findings(focal, zones, spreads) for focal, zones in zip(focals, curves, strict=True)
    )
    best = _best_over_all(focals, curves, spreads)
    first = focals[0].members[0].result
    state = lens_condition(shots)
    findings = LensFindings(
        lens=lens[0],
        camera=lens[1],
        shots=sum(not shot.planned.by_choice for shot in shots),
        rejected=_rejections(shots),
        best=best.get("frame"),
        by_focal_length=by_focal,
        best_by_zone=best,
        pixel_pitch_um=pitch_um,
        size_px=first.size_px if isinstance(first, ShotResult) else None,
        spread_from=spreads["frame"].source,
        shot_sd_percent=_typical_sd_percent(spreads["frame"], [one for one in series["frame"] if one]),
        remarks=remarks(focals, spreads["frame"], shots=shots),
        holds_for=holds_for(focals),
        condition=state.findings,
        evidence=state.evidence,
    )
    return with_quick_answer(dataclasses.replace(findings, answer=answer_sentence(findings)), shots)


def _typical_sd_percent(spread: Spread, series: Sequence[ZoneSeries]) -> float:
    """Give the spread of one shot, root mean square over the settings; NaN where it is not known."""
    if not spread.known:
        return float("nan")
    variance = np.concatenate([spread.variance_of_means(one) * one.shots for one in series])
    return float(100.0 * np.sqrt(np.mean(variance)))


def _spread(series: Sequence[ZoneSeries], pitch_um: float | None) -> Spread:
    return shot_spread(series) or scatter_spread(series, pitch_um)


def _zone_curves(focal: FocalShots, spreads: Mapping[str, Spread]) -> ZoneCurves:
    curves: ZoneCurves = {}
    for zone in ZONES:
        if series := zone_series(focal, zone):
            names = tuple(
                Setting(focal_length_mm=focal.focal_length_mm, f_number=focal.nominal(exact))
                for exact in series.f_number
            )
            curve = fit_curve(series, spreads[zone], pixel_pitch_um=focal.pixel_pitch_um)
            curves[zone] = (names, series, curve)
    return curves


def _focal_findings(
    focal: FocalShots, curves: ZoneCurves, spreads: Mapping[str, Spread]
) -> FocalLengthFindings:
    best = {
        zone: best_setting(
            candidates([curve], spreads[zone]),
            spreads[zone],
            zone=zone,
            provisional=spreads[zone].source != "repeats",
            caution=few_shots(spreads[zone]),
        )
        for zone, curve in curves.items()
    }
    frame = best["frame"]
    return FocalLengthFindings(
        focal_length_mm=focal.focal_length_mm,
        best_f_number=frame.f_number,
        tied_f_numbers=tuple(setting.f_number for setting in frame.tied),
        zones={
            zone: _zone_at(focal, zone, curve, spreads[zone], frame.f_number)
            for zone, curve in curves.items()
            if any(name.f_number == frame.f_number for name in curve[0])
        },
        curve=tuple(point for zone, curve in curves.items() for point in _points(zone, curve, spreads[zone])),
        best_by_zone=best,
        smooth={zone: _smooth(series, curve) for zone, (_, series, curve) in curves.items()},
        magnification=focal.magnification,
        shots=len(focal.members),
    )


def _points(
    zone: str, curve: tuple[tuple[Setting, ...], ZoneSeries, Curve], spread: Spread
) -> list[CurvePoint]:
    names, series, believed = curve
    return [
        CurvePoint(
            f_number=name.f_number,
            zone=zone,
            mtf50_cypx=float(np.exp(believed.estimate[index])),
            ci95_cypx=_interval(believed, index, spread),
            shots=len(series.log_shots[index]),
            exact_f_number=float(series.f_number[index]),
            measured_cypx=float(np.exp(series.means[index])),
            shot_mtf50_cypx=tuple(float(np.exp(value)) for value in series.log_shots[index]),
        )
        for index, name in enumerate(names)
    ]


def _interval(curve: Curve, index: int, spread: Spread) -> tuple[float, float]:
    if not spread.known:
        return float("nan"), float("nan")
    half = spread.quantile * curve.sd[index]
    middle = curve.estimate[index]
    return float(np.exp(middle - half)), float(np.exp(middle + half))


def _zone_at(
    focal: FocalShots,
    zone: str,
    curve: tuple[tuple[Setting, ...], ZoneSeries, Curve],
    spread: Spread,
    f_number: float,
) -> ZoneFigure:
    names, _, believed = curve
    index = next(i for i, name in enumerate(names) if name.f_number == f_number)
    figures = focal.figures(zone, f_number)
    return ZoneFigure(
        mtf50_cypx=float(np.exp(believed.estimate[index])),
        ci95_cypx=_interval(believed, index, spread),
        edges=sum(figure.edges for figure in figures),
        sagittal_cypx=_mean([figure.sagittal_cypx for figure in figures]),
        tangential_cypx=_mean([figure.tangential_cypx for figure in figures]),
    )


def _mean(values: Sequence[float]) -> float:
    finite = [value for value in values if np.isfinite(value)]
    return float(np.mean(finite)) if finite else float("nan")


def _smooth(series: ZoneSeries, curve: Curve) -> SmoothCurve:
    stops = np.geomspace(series.f_number[0], series.f_number[-1], _SMOOTH_POINTS)
    return SmoothCurve(
        f_number=stops, mtf50_cypx=np.exp(curve.fit.at(stops)), fits=curve.fits, note=curve.note
    )


def _best_over_all(
    focals: Sequence[FocalShots], curves: Sequence[ZoneCurves], spreads: Mapping[str, Spread]
) -> dict[str, BestSetting]:
    """Let all settings of all focal lengths compete, zone by zone."""
    unequal = unequal_magnification(focals)
    best = {}
    for zone in ZONES:
        rivals = [zones[zone] for zones in curves if zone in zones]
        if rivals:
            caution = " ".join(filter(None, (few_shots(spreads[zone]), unequal)))
            best[zone] = best_setting(
                candidates(rivals, spreads[zone]),
                spreads[zone],
                zone=zone,
                provisional=bool(caution),
                caution=caution,
            )
    return best
