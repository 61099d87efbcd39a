"""From measured shots to findings: the curves over the stops, and the best settings.

The positions of a zoom are held against each other each at its own best stop, which shows what a position can do, and
at an equal stop, which light or depth of field may ask for. Stops are equal by name: where the widest opening floats
(f/3.5 at 24 mm, f/5.6 at 70 mm), only those that both positions have are compared.
"""

import dataclasses
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from lensbench import __version__
from lensbench.condition import lens_condition, with_quick_answer
from lensbench.model.measured import median_known
from lensbench.model.shot import ZONES, ShotResult, ZoneFigure
from lensbench.model.sweep import (
    Basis,
    BestSetting,
    CurvePoint,
    FocalLengthFindings,
    LensFindings,
    SmoothCurve,
    SweepFindings,
    SweepShot,
)
from lensbench.stats import (
    Candidates,
    Curve,
    Selection,
    Spread,
    Tie,
    ZoneCurve,
    ZoneSeries,
    best_setting,
    candidates,
    fit_curve,
    spread_of,
    value_of_pick,
)
from lensbench.sweep.countable import PURPOSES
from lensbench.sweep.reject import rejections
from lensbench.sweep.remarks import remarks, reservations
from lensbench.sweep.series import FocalShots, NamedSeries, by_focal_length, zone_series

_SMOOTH_POINTS: Final = 60
_ALIKE: Final = 0.05

PlaceCurves = dict[str, ZoneCurve]
"""By zone."""


def curve_points(zone: str, curve: ZoneCurve, spread: Spread) -> list[CurvePoint]:
    """What was measured and what is believed at every stop of one zone."""
    names, series, believed = curve
    central_values = spread.central_values(series)
    return [
        CurvePoint(
            f_number=name.f_number,
            zone=zone,
            mtf50_cypx=float(np.exp(believed.estimate[index])),
            ci95_cypx=_interval(believed, index, spread),
            shots=len(series.log_shots[index]),
            exact_f_number=float(series.f_number[index]),
            measured_cypx=float(np.exp(central_values[index])),
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


def zone_at(focal: FocalShots, zone: str, curve: ZoneCurve, spread: Spread, f_number: float) -> ZoneFigure:
    """The figures of one zone at one stop."""
    names, _, believed = curve
    index = next(i for i, name in enumerate(names) if name.f_number == f_number)
    values = [
        shot.zones[zone] for shot in focal.counted if shot.setting.f_number == f_number and zone in shot.zones
    ]
    return ZoneFigure(
        mtf50_cypx=float(np.exp(believed.estimate[index])),
        ci95_cypx=_interval(believed, index, spread),
        edges=sum(value.edges for value in values),
        sagittal_cypx=_mean([value.sagittal_cypx for value in values]),
        tangential_cypx=_mean([value.tangential_cypx for value in values]),
    )


def _mean(values: Sequence[float | None]) -> float:
    known = [value for value in values if value is not None]
    return float(np.mean(known)) if known else float("nan")


def smooth_curve(series: ZoneSeries, curve: Curve) -> SmoothCurve:
    """The model's curve through one zone's points, for drawing."""
    stops = np.geomspace(series.f_number[0], series.f_number[-1], _SMOOTH_POINTS)
    return SmoothCurve(
        f_number=stops, mtf50_cypx=np.exp(curve.fit.at(stops)), fits=curve.fits, model_error=curve.model_error
    )


def at_own_best(curves: Sequence[ZoneCurve], spread: Spread, question: Selection) -> BestSetting | None:
    """The focal lengths against each other, each at its own best stop; None with fewer than two."""
    if len(curves) < 2:
        return None
    own = [candidates([curve], spread) for curve in curves]
    return best_setting(
        Candidates(
            settings=tuple(one.settings[one.best] for one in own),
            estimate=np.array([value_of_pick(one) for one in own]),
            covariance=np.diag([one.sd[one.best] ** 2 for one in own]),
            dof=spread.dof,
            at_border=np.array([one.at_border[one.best] for one in own]),
        ),
        spread,
        question,
    )


def at_equal_stop(
    curves: Sequence[ZoneCurve], spread: Spread, question: Selection
) -> tuple[BestSetting, ...]:
    """The focal lengths against each other at every stop that two or more of them were tested at."""
    these = candidates(curves, spread)
    stops = [setting.f_number for setting in these.settings]
    shared = sorted({stop for stop in stops if stops.count(stop) > 1})
    return tuple(best_setting(_only(these, stop), spread, question) for stop in shared)


def _only(these: Candidates, f_number: float) -> Candidates:
    places = np.array([place for place, one in enumerate(these.settings) if one.f_number == f_number])
    return Candidates(
        settings=tuple(these.settings[place] for place in places),
        estimate=these.estimate[places],
        covariance=these.covariance[np.ix_(places, places)],
        dof=these.dof,
        at_border=these.at_border[places],
    )


def find(shots: Sequence[SweepShot], *, method: str = "refined", tie: Tie = Tie.BEST) -> SweepFindings:
    """The best settings of every lens.

    Parameters
    ----------
    shots : sequence of SweepShot
        Measured and rejected ones, as `reject` gives them.
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
            for rejection in rejections(group)
        ),
        version=__version__,
        method=method,
    )


def _lens_findings(lens: tuple[str, str], shots: Sequence[SweepShot], tie: Tie) -> LensFindings:
    focals = by_focal_length(shots)
    counted = [shot for focal in focals for shot in focal.counted]
    pitch_um = median_known([shot.pixel_pitch_um for shot in counted])
    series = {zone: zone_series(counted, zone) for zone in ZONES}
    spreads = {zone: spread_of([one for _, one in series[zone].values()], pitch_um) for zone in ZONES}
    curves = [_place_curves(focal, series, spreads, pitch_um) for focal in focals]
    best = _best_over_all(focals, curves, spreads, tie)
    first = focals[0].members[0].result
    findings = LensFindings(
        lens=lens[0],
        camera=lens[1],
        shots=sum(not shot.planned.by_choice for shot in shots),
        rejected=rejections(shots),
        best=best.get("frame"),
        by_focal_length=tuple(
            _focal_findings(focal, places, spreads, tie) for focal, places in zip(focals, curves, strict=True)
        ),
        best_by_zone=_of_zones(best),
        best_by_purpose=_of_purposes(best),
        purposes=PURPOSES,
        pixel_pitch_um=pitch_um,
        size_px=first.size_px if isinstance(first, ShotResult) else None,
        picture_height_px=first.picture_height_px if isinstance(first, ShotResult) else None,
        spread_from=spreads["frame"].source,
        shot_sd_percent=_typical_sd_percent(spreads["frame"], [one for _, one in series["frame"].values()]),
        remarks=remarks(focals, spreads["frame"], shots=shots),
        basis=_basis(focals),
        condition=lens_condition(shots),
        **_zoom(focals, curves, spreads["frame"], tie),
    )
    return with_quick_answer(findings, shots)


def _basis(focals: Sequence[FocalShots]) -> Basis:
    results = [
        (shot.result, focal.focal_length_mm)
        for focal in focals
        for shot in focal.members
        if isinstance(shot.result, ShotResult)
    ]
    distances = [(result.distance_mm, mm) for result, mm in results if result.distance_mm]
    counted = [shot for focal in focals for shot in focal.counted]
    series = [zones for _, zones in zone_series(counted, "frame").values()]
    counts = [int(count) for zones in series for count in zones.shots]
    return Basis(
        sensor_data=all(result.sensor_data for result, _ in results),
        channels=tuple(sorted({edge.edge.channel for result, _ in results for edge in result.edges})),
        shots_a_setting=(min(counts, default=0), max(counts, default=0)),
        bracketed=any(bool(np.isfinite(sd).any()) for zones in series for sd in zones.own_sd),
        distance_mm=_ends([distance for distance, _ in distances]),
        distance_focal_lengths=_ends([distance / mm if mm else float("nan") for distance, mm in distances]),
    )


def _ends(values: Sequence[float]) -> tuple[float, float]:
    """Lowest and highest of some values, both the median where these are alike; NaN where one is not known."""
    if not values or not np.all(np.isfinite(values)):
        return float("nan"), float("nan")
    low, high = min(values), max(values)
    middle = float(np.median(values))
    return (middle, middle) if high / low < 1.0 + _ALIKE else (low, high)


def _place_curves(
    focal: FocalShots,
    series: Mapping[str, Mapping[float | None, NamedSeries]],
    spreads: Mapping[str, Spread],
    pixel_pitch_um: float | None,
) -> PlaceCurves:
    """A curve through every zone and purpose that was seen at one focal length."""
    seen = {
        place: found[focal.focal_length_mm]
        for place, found in series.items()
        if focal.focal_length_mm in found
    }
    return {
        place: (*named, fit_curve(named[1], spreads[place], pixel_pitch_um=pixel_pitch_um))
        for place, named in seen.items()
    }


def _typical_sd_percent(spread: Spread, series: Sequence[ZoneSeries]) -> float:
    """Give the spread of one shot, root mean square over the settings; NaN where it is not known."""
    if not spread.known:
        return float("nan")
    variance = np.concatenate([spread.variance_of_means(one) * one.shots for one in series])
    return float(100.0 * np.sqrt(np.mean(variance)))


def _of_zones(best: Mapping[str, BestSetting]) -> dict[str, BestSetting]:
    return {zone: best[zone] for zone in ZONES if zone in best}


def _of_purposes(best: Mapping[str, BestSetting]) -> dict[str, BestSetting]:
    return {
        purpose: dataclasses.replace(best[zone], zone=purpose)
        for purpose, zone in PURPOSES.items()
        if zone in best
    }


def _focal_findings(
    focal: FocalShots, curves: PlaceCurves, spreads: Mapping[str, Spread], tie: Tie
) -> FocalLengthFindings:
    best = {
        place: best_setting(
            candidates([curve], spreads[place]),
            spreads[place],
            Selection(place=place, tie=tie, reservations=reservations(spreads[place])),
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
    )


def _best_over_all(
    focals: Sequence[FocalShots], curves: Sequence[PlaceCurves], spreads: Mapping[str, Spread], tie: Tie
) -> dict[str, BestSetting]:
    """Let all settings of all focal lengths compete, place by place."""
    best = {}
    for place, spread in spreads.items():
        seen = [places[place] for places in curves if place in places]
        if seen:
            best[place] = best_setting(
                candidates(seen, spread), spread, _question(focals, spread, place, tie)
            )
    return best


def _question(focals: Sequence[FocalShots], spread: Spread, place: str, tie: Tie) -> Selection:
    return Selection(place=place, tie=tie, reservations=reservations(spread, focals))


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
