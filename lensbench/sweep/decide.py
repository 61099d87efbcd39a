"""A whole sweep: folders in, findings out. Its front half, up to the measured shots, serves every study of many shots.

The positions of a zoom are held against each other each at its own best stop, which shows what a position can do, and
at an equal stop, which light or depth of field may ask for. Stops are equal by name: where the widest opening floats
(f/3.5 at 24 mm, f/5.6 at 70 mm), only those that both positions have are compared.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from math import nan
from pathlib import Path
from typing import Any, Final

import numpy as np

from lensbench import __version__
from lensbench.condition import lens_condition, with_quick_answer
from lensbench.model.errors import SettingError, SweepError
from lensbench.model.measured import mean_known, median_known
from lensbench.model.shot import ZONES, RejectedShot, ShotResult, ZoneFigure
from lensbench.model.sweep import (
    Basis,
    BestSetting,
    CurvePoint,
    FocalLengthFindings,
    LensFindings,
    PlannedShot,
    Refocusing,
    SmoothCurve,
    SweepFindings,
    SweepShot,
)
from lensbench.shot import MeasureOptions
from lensbench.shot.task import Task
from lensbench.stats import (
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
from lensbench.storage.cache import ResultCache
from lensbench.sweep.countable import PURPOSES, FocalShots, by_focal_length, zone_series
from lensbench.sweep.gather import UNKNOWN_LENS, gather, metadata_kept
from lensbench.sweep.reject import departure_remarks, reject, reject_flagged, rejections
from lensbench.sweep.remarks import remarks, reservations
from lensbench.sweep.run import Running, run

_SMOOTH_POINTS: Final = 60
_ALIKE: Final = 0.05
_USUAL: Final = MeasureOptions()
_MOST_NAMED: Final = 3

_ZoneCurves = dict[str, ZoneCurve]  # by zone, of one focal length


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sweep:
    """A sweep done: what was found, and every shot it rests on."""

    findings: SweepFindings
    shots: tuple[SweepShot, ...]

    @property
    def rejected(self) -> tuple[RejectedShot, ...]:
        """Photographs that could not be used, those left out by choice not counted."""
        return rejections(self.shots)


def sweep(
    folders: Sequence[Path],
    *,
    shots_csv: Path | None = None,
    options: MeasureOptions = _USUAL,
    cache: Path | None = None,
    running: Running | None = None,
    tie: Tie = Tie.BEST,
    camera: str | None = None,
) -> Sweep:
    """Best settings of the lenses whose test shots lie in some folders, read and never written to.

    In the folder `cache` results are kept for a second run; the rest, and the errors, are as for `lensbench.sweep`.
    """
    with metadata_kept(cache) as read:
        planned = gather(folders, shots_csv, camera=camera, read=read)
        shots = reject(measured_shots(planned, options, cache=cache, running=running))
    if not any(shot.used for shot in shots):
        first = rejections(shots)[0]
        raise SweepError(
            f"none of {len(shots)} photographs could be measured; {first.path.name}: {first.reason}"
        )
    return Sweep(findings=find(shots, method=options.method, tie=tie), shots=tuple(shots))


def measured_shots(
    planned: Sequence[PlannedShot],
    options: MeasureOptions = _USUAL,
    *,
    cache: Path | None = None,
    running: Running | None = None,
) -> list[SweepShot]:
    """Photographs as `gather` gives them, measured, those marked that their own flags reject; in the order given.

    A pitch of the shots table wins over that of the options; one pitch of the options for several cameras is a
    SettingError. The rest is as for `sweep`.
    """
    wanted = [shot for shot in planned if not shot.left_out]
    cameras = list(dict.fromkeys(shot.camera for shot in wanted if shot.pitch_um is None))
    if (
        options.pitch_um is not None and len(cameras) > 1
    ):  # all figures but one camera's would be wrong in lp/mm
        names = ", ".join(cameras[:_MOST_NAMED]) + (", ..." if len(cameras) > _MOST_NAMED else "")
        raise SettingError(
            f"--pitch-um {options.pitch_um:g} cannot hold for {len(cameras)} cameras ({names}): name each camera's "
            "pitch in a shots table (--shots), in its column pitch_um"
        )
    kept = ResultCache(folder=cache) if cache else None
    strangers = [shot for shot in planned if shot.stranger]
    tasks = [
        Task(
            path=shot.path,
            options=replace(
                options, pitch_um=shot.pitch_um or options.pitch_um, fast=options.fast or shot.stranger
            ),
            overrides=shot.overrides,
            cache=kept,
        )
        for shot in (*wanted, *strangers)
    ]
    outcomes = dict(zip((task.path for task in tasks), run(tasks, running or Running()), strict=True))
    results: dict[Path, ShotResult | RejectedShot] = {
        shot.path: RejectedShot(path=shot.path, reason=shot.left_out) for shot in planned
    }
    results |= {shot.path: outcomes[shot.path] for shot in wanted}
    # Of what tells nothing of itself, only that it shows no chart.
    results |= {
        shot.path: outcome for shot in strangers if isinstance(outcome := outcomes[shot.path], RejectedShot)
    }
    return reject_flagged([SweepShot(planned=shot, result=results[shot.path]) for shot in planned])


def find(shots: Sequence[SweepShot], *, method: str = "refined", tie: Tie = Tie.BEST) -> SweepFindings:
    """The best settings of every lens, from measured and rejected shots as `reject` gives them.

    A file that names no lens belongs to the one lens there is; among several it belongs to none.
    """
    by_lens: dict[tuple[str, str], list[SweepShot]] = defaultdict(list)
    for shot in shots:
        by_lens[shot.planned.lens, shot.planned.camera].append(shot)
    known = {lens: group for lens, group in by_lens.items() if any(shot.used for shot in group)}
    if len(known) == 1:
        nameless = [lens for lens in by_lens.keys() - known.keys() if lens[0] == UNKNOWN_LENS]
        known = {lens: [*group, *chain(*map(by_lens.pop, nameless))] for lens, group in known.items()}
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
        tie=tie,
    )


def _lens_findings(lens: tuple[str, str], shots: Sequence[SweepShot], tie: Tie) -> LensFindings:
    focals = by_focal_length(shots)
    counted = [shot for focal in focals for shot in focal.counted]
    pitch_um = median_known([shot.pixel_pitch_um for shot in counted])
    series = {zone: zone_series(counted, zone) for zone in ZONES}
    spreads = {zone: spread_of([one for _, one in series[zone].values()], pitch_um) for zone in ZONES}
    curves = [
        {
            zone: (*named, fit_curve(named[1], spreads[zone], pixel_pitch_um=pitch_um))
            for zone, of_focals in series.items()
            if (named := of_focals.get(focal.focal_length_mm))
        }
        for focal in focals
    ]
    frame_spread, frame_series = spreads["frame"], [zones for _, zones in series["frame"].values()]
    best = {}
    for zone, spread in spreads.items():
        question = Selection(place=zone, tie=tie, reservations=reservations(spread, focals))
        if seen := [of_focal[zone] for of_focal in curves if zone in of_focal]:
            best[zone] = best_setting(candidates(seen, spread), spread, question)
    first = focals[0].members[0].measured
    findings = LensFindings(
        lens=lens[0],
        camera=lens[1],
        shots=sum(not shot.planned.by_choice for shot in shots),
        rejected=rejections(shots),
        best=best.get("frame"),
        by_focal_length=tuple(
            _focal_findings(focal, zones, spreads, tie) for focal, zones in zip(focals, curves, strict=True)
        ),
        best_by_zone=best,
        best_by_purpose=_by_purpose(best),
        purposes=PURPOSES,
        pixel_pitch_um=pitch_um,
        size_px=first.size_px,
        picture_height_px=first.picture_height_px,
        spread_from="the creep of the focus"
        if any(focal.focus.creep for focal in focals)
        else frame_spread.source,
        shot_sd_percent=_typical_sd_percent(frame_spread, frame_series),
        remarks=(*remarks(focals, frame_spread, shots=shots), *departure_remarks(focals)),
        basis=_basis(focals, frame_series),
        condition=lens_condition(shots),
        **_zoom([zones["frame"] for zones in curves if "frame" in zones], focals, frame_spread, tie),
    )
    return with_quick_answer(findings, shots)


def _by_purpose(best: Mapping[str, BestSetting]) -> dict[str, BestSetting]:
    return {purpose: replace(best[zone], zone=purpose) for purpose, zone in PURPOSES.items() if zone in best}


def _typical_sd_percent(spread: Spread, series: Sequence[ZoneSeries]) -> float:
    """Spread of one shot, root mean square over the settings; NaN where it is not known."""
    if not spread.known:
        return nan
    variance = np.concatenate([spread.variance_of_means(zones) * zones.shots for zones in series])
    return float(100.0 * np.sqrt(np.mean(variance)))


def _basis(focals: Sequence[FocalShots], series: Sequence[ZoneSeries]) -> Basis:
    results = [(shot.measured, focal.focal_length_mm) for focal in focals for shot in focal.members]
    distances = [(result.distance_mm, mm) for result, mm in results if result.distance_mm]
    counts = [int(count) for zones in series for count in zones.shots]
    return Basis(
        sensor_data=all(result.sensor_data for result, _ in results),
        channels=tuple(sorted({edge.edge.channel for result, _ in results for edge in result.edges})),
        shots_a_setting=(min(counts, default=0), max(counts, default=0)),
        bracketed=any(
            row.bracket and row.zones["frame"].sd is not None
            for focal in focals
            for row in focal.counted
            if "frame" in row.zones
        ),
        refocusing=max((focal.focus.refocusing for focal in focals), key=list(Refocusing).index),
        distance_mm=_ends([distance for distance, _ in distances]),
        covered_percent=min(_covered_percent(focal) for focal in focals),
        distance_focal_lengths=_ends([distance / mm if mm else nan for distance, mm in distances]),
    )


def _covered_percent(focal: FocalShots) -> float:
    """Median share of the pictures that targets cover; 100 where it is not known."""
    shares = [shot.measured.chart.framing_percent for shot in focal.members]
    known = [share for share in shares if np.isfinite(share)]
    return float(np.median(known)) if known else 100.0


def _ends(values: Sequence[float]) -> tuple[float, float]:
    """Lowest and highest of some values, both the median where these are alike; NaN where one is not known."""
    if not values or not np.all(np.isfinite(values)):
        return nan, nan
    low, high = min(values), max(values)
    middle = float(np.median(values))
    return (middle, middle) if high / low < 1.0 + _ALIKE else (low, high)


def _focal_findings(
    focal: FocalShots, curves: _ZoneCurves, spreads: Mapping[str, Spread], tie: Tie
) -> FocalLengthFindings:
    best = {
        zone: best_setting(
            candidates([curve], spreads[zone]),
            spreads[zone],
            Selection(place=zone, tie=tie, reservations=reservations(spreads[zone], [focal])),
        )
        for zone, curve in curves.items()
    }
    frame = best["frame"]
    return FocalLengthFindings(
        focal_length_mm=focal.focal_length_mm,
        best_f_number=frame.f_number,
        tied_f_numbers=tuple(setting.f_number for setting in frame.tied),
        as_good_f_numbers=tuple(
            setting.f_number for setting in frame.as_good if setting.f_number != frame.f_number
        ),
        zones={
            zone: _zone_at(focal, zone, curve, frame.f_number)
            for zone, curve in curves.items()
            if any(name.f_number == frame.f_number for name in curve[0])
        },
        curve=tuple(point for zone in curves for point in _points(zone, curves[zone])),
        best_by_zone=best,
        best_by_purpose=_by_purpose(best),
        smooth={zone: _smooth(series, curve) for zone, (_, series, curve) in curves.items()},
        magnification=focal.magnification,
        shots=len(focal.members),
    )


def _points(zone: str, curve: ZoneCurve) -> list[CurvePoint]:
    """What was measured and what is believed at every stop of one zone."""
    names, series, believed = curve
    return [
        CurvePoint(
            f_number=name.f_number,
            zone=zone,
            mtf50_cypx=float(np.exp(believed.estimate[index])),
            ci95_cypx=_interval(believed, index),
            shots=len(series.log_shots[index]),
            exact_f_number=float(series.f_number[index]),
            measured_cypx=float(np.exp(series.means[index])),
            shot_mtf50_cypx=tuple(float(np.exp(value)) for value in series.log_shots[index]),
        )
        for index, name in enumerate(names)
    ]


def _interval(curve: Curve, index: int) -> tuple[float, float]:
    return float(np.exp(curve.low[index])), float(np.exp(curve.high[index]))


def _zone_at(focal: FocalShots, zone: str, curve: ZoneCurve, f_number: float) -> ZoneFigure:
    """The figures of one zone at one stop."""
    names, _, believed = curve
    index = next(i for i, name in enumerate(names) if name.f_number == f_number)
    values = [
        shot.zones[zone] for shot in focal.counted if shot.setting.f_number == f_number and zone in shot.zones
    ]
    return ZoneFigure(
        mtf50_cypx=float(np.exp(believed.estimate[index])),
        ci95_cypx=_interval(believed, index),
        edges=sum(value.edges for value in values),
        sagittal_cypx=mean_known([value.sagittal_cypx for value in values]) or nan,
        tangential_cypx=mean_known([value.tangential_cypx for value in values]) or nan,
    )


def _smooth(series: ZoneSeries, curve: Curve) -> SmoothCurve:
    stops = np.geomspace(series.f_number[0], series.f_number[-1], _SMOOTH_POINTS)
    return SmoothCurve(
        f_number=stops, mtf50_cypx=np.exp(curve.fit.at(stops)), fits=curve.fits, model_error=curve.model_error
    )


def _zoom(
    frames: Sequence[ZoneCurve], focals: Sequence[FocalShots], spread: Spread, tie: Tie
) -> dict[str, Any]:
    """The focal lengths against each other, at their own best stops and at every stop that two of them share."""
    if len(frames) < 2:
        return {}
    question = Selection(place="frame", tie=tie, reservations=reservations(spread, focals))
    every = candidates(frames, spread)
    stops = [setting.f_number for setting in every.settings]
    shared = sorted({stop for stop in stops if stops.count(stop) > 1})
    own = [candidates([curve], spread) for curve in frames]
    at_own_best = replace(
        every.at(np.concatenate([np.arange(len(one.settings)) == one.best for one in own])),
        mean=np.array([value_of_pick(one) for one in own]),
        value=np.array([value_of_pick(one) for one in own]),
    )
    return {
        "zoom_at_own_best": best_setting(at_own_best, spread, question),
        "zoom_at_equal_stop": tuple(
            best_setting(every.at(np.array(stops) == stop), spread, question) for stop in shared
        ),
    }
