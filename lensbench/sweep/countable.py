"""The table of shots that count, each row one refocused shot: what sweep, comparison and library take figures from.

What a picture is for says which third of it must be sharp: a subject at the centre lies in the inner third, edges
and corners are the outer one. Common practice, no source.
"""

import dataclasses
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np

from lensbench.edge import RESPONSE_CYPX
from lensbench.focus import Bracket, ThroughFocus, brackets_among, fit_through_focus
from lensbench.model.measured import BestOfSweep, CountedShot, MeasuredLens, ZoneValue, median_known
from lensbench.model.setting import Setting
from lensbench.model.shot import ZONES, Edge, RejectedShot, ShotResult, ZoneFigure
from lensbench.model.sweep import BestSetting, Purpose, SweepFindings, SweepShot
from lensbench.model.units import FloatArray
from lensbench.shot import mean_by_zone, zone_of
from lensbench.storage.text import clean_text, name_in_tables, visible

PURPOSES: Final[dict[str, str]] = {Purpose.CENTRE: "inner", Purpose.FRAME: "frame", Purpose.EDGES: "outer"}
"""Purpose -> the zone that counts for it."""

_FEWEST_RESPONSES: Final = 2


def figure_at(summary: Mapping[str, ZoneFigure], zone: str) -> float:
    """MTF50 of a zone, in cycles per pixel; NaN where it was not seen."""
    return summary[zone].mtf50_cypx if zone in summary and summary[zone].mtf50_cypx > 0.0 else math.nan


def countable_shots(shots: Sequence[SweepShot]) -> list[CountedShot]:
    """The table of one lens on one camera: a row for each refocused shot, and for each photograph left out.

    Shots of one focus group at one setting were not refocused between: their mean counts as one shot. Where their focus
    was moved step by step they are a bracket, and its fitted peak counts as one shot. A shot without a focus group is
    taken as refocused.
    """
    return [_counted(group) if group[0].used else _left_out(group[0]) for group in _refocused(shots)]


def _refocused(shots: Sequence[SweepShot]) -> list[list[SweepShot]]:
    """The shots in groups that were not refocused within, by setting and path; most hold one shot."""
    groups: dict[tuple[Setting, str], list[SweepShot]] = defaultdict(list)
    for number, shot in enumerate(sorted(shots, key=_place_in_table)):
        group = shot.planned.focus_group if shot.used else ""
        groups[shot.planned.setting, group or f" {number}"].append(shot)
    return list(groups.values())


def _place_in_table(shot: SweepShot) -> tuple[tuple[float, float], Path]:
    return shot.planned.setting.order, shot.planned.path


def _left_out(shot: SweepShot) -> CountedShot:
    reason = shot.result.reason if isinstance(shot.result, RejectedShot) else shot.reason
    return CountedShot(
        files=(_file_name(shot),),
        setting=shot.planned.setting,
        exact_f_number=exact_f_number(shot),
        reason=clean_text(reason),
    )


def _counted(group: Sequence[SweepShot]) -> CountedShot:
    in_focus = [result_of(shot) for shot in _in_focus(group)]
    values = {zone: _zone_value(group, in_focus, zone) for zone in ZONES}
    snrs = [edge.edge.snr for result in in_focus for edge in result.edges if math.isfinite(edge.edge.snr)]
    return CountedShot(
        files=tuple(_file_name(shot) for shot in group),
        setting=group[0].planned.setting,
        exact_f_number=float(np.median([exact_f_number(shot) for shot in group])),
        zones={zone: value for zone, value in values.items() if value is not None},
        bracket=_is_moved(group),
        iso=median_known([shot.planned.metadata.iso or None for shot in group]),
        snr=float(np.median(snrs)) if snrs else None,
        magnification=median_known([result_of(shot).magnification or None for shot in group]),
        pixel_pitch_um=in_focus[0].pixel_pitch_um or None,
        size_px=(min(in_focus[0].size_px), max(in_focus[0].size_px)),
        picture_height_px=in_focus[0].picture_height_px,
        sensor_data=all(result_of(shot).sensor_data for shot in group),
        flags=tuple(dict.fromkeys(remark.flag for result in in_focus for remark in result.quality)),
    )


def _is_moved(group: Sequence[SweepShot]) -> bool:
    return len({shot.planned.focus_step for shot in group}) > 1


def _in_focus(group: Sequence[SweepShot]) -> Sequence[SweepShot]:
    """All of a group; of a focus bracket the sharpest alone."""
    if not _is_moved(group):
        return group
    return [max(group, key=lambda shot: np.nan_to_num(_log_figure(shot, "frame"), nan=-np.inf))]


def _zone_value(group: Sequence[SweepShot], in_focus: Sequence[ShotResult], zone: str) -> ZoneValue | None:
    logs = np.array([_log_figure(shot, zone) for shot in group])
    logs = logs[np.isfinite(logs)]
    if not logs.size:
        return None
    log_mtf50, sd, dof = float(logs.max() if _is_moved(group) else logs.mean()), None, None
    for bracket in brackets_among(group):
        peak = bracket_peak(bracket, zone)
        if peak.verdict != "few":
            log_mtf50, sd = peak.log_mtf50, peak.log_sd
            dof = peak.freedom if math.isfinite(peak.freedom) else None
            break
    figures = [result.summary[zone] for result in in_focus if zone in result.summary]
    return ZoneValue(
        mtf50_cypx=math.exp(log_mtf50),
        sd=sd,
        dof=dof,
        noise_sd=float(np.median([_measurement_sd(result_of(shot), zone) for shot in group])),
        edges=sum(figure.edges for figure in figures),
        sagittal_cypx=_mean_known([figure.sagittal_cypx for figure in figures]),
        tangential_cypx=_mean_known([figure.tangential_cypx for figure in figures]),
    )


def bracket_peak(bracket: Bracket, zone: str) -> ThroughFocus:
    """Through-focus peak of a zone's MTF50."""
    logs = np.array([_log_figure(shot, zone) for shot in bracket.shots])
    return fit_through_focus(bracket.steps, logs, q=bracket.q)


def measured_lenses(findings: SweepFindings, shots: Sequence[SweepShot]) -> list[MeasuredLens]:
    """Every lens of a sweep as it is kept: its table, each zone with its mean SFR, and the best setting found."""
    lenses = []
    for lens in findings.lenses:
        own = [shot for shot in shots if (shot.planned.lens, shot.planned.camera) == (lens.lens, lens.camera)]
        rows = [
            _with_sfr(row, group) if row.zones else row
            for row, group in zip(countable_shots(own), _refocused(own), strict=True)
        ]
        lenses.append(
            MeasuredLens(
                lens=clean_text(lens.lens),
                camera=clean_text(lens.camera),
                best=_best(lens.best),
                shots=tuple(rows),
            )
        )
    return lenses


def _with_sfr(row: CountedShot, group: Sequence[SweepShot]) -> CountedShot:
    """The same row with each zone's SFR, the mean of the group; of a bracket its sharpest frame's."""
    curves: dict[str, list[list[float]]] = defaultdict(list)
    for shot in _in_focus(group):
        for zone, sfr in zone_responses(result_of(shot)).items():
            curves[zone].append(sfr[: int(np.argmax(np.append(~np.isfinite(sfr), True)))].tolist())
    sfrs = {
        zone: tuple(round(float(np.mean(values)), 5) for values in zip(*found, strict=False))
        for zone, found in curves.items()
    }
    zones = {zone: dataclasses.replace(value, sfr=sfrs.get(zone, ())) for zone, value in row.zones.items()}
    return dataclasses.replace(row, zones=zones)


def zone_responses(result: ShotResult) -> dict[str, FloatArray]:
    """Mean SFR of every zone of a shot, and of the frame, at `RESPONSE_CYPX`; a zone without edges is left out.

    Edges are weighted as for the zone's MTF50: sagittal and tangential equally, the frame by area.
    """
    curves = {
        id(one.edge): np.interp(RESPONSE_CYPX, one.edge.frequency_cypx, one.edge.sfr, right=math.nan)
        for one in result.edges
        if one.edge.frequency_cypx.size > 1
    }
    columns = [
        mean_by_zone(result.edges, result.size_px, figure=partial(_at, curves, number))
        for number in range(RESPONSE_CYPX.size)
    ]
    found = {zone: np.array([column[zone] for column in columns]) for zone in ZONES}
    return {zone: sfr for zone, sfr in found.items() if np.isfinite(sfr[:_FEWEST_RESPONSES]).all()}


def _at(curves: Mapping[int, FloatArray], number: int, edge: Edge) -> float | None:
    return float(curves[id(edge)][number]) if id(edge) in curves else None


def _best(best: BestSetting | None) -> BestOfSweep | None:
    if best is None:
        return None
    low, high = best.ci95_cypx
    return BestOfSweep(
        setting=Setting(focal_length_mm=best.focal_length_mm, f_number=best.f_number),
        mtf50_cypx=best.mtf50_cypx,
        ci95_cypx=(low, high) if math.isfinite(high - low) else None,
    )


def _file_name(shot: SweepShot) -> str:
    return visible(name_in_tables(str(shot.planned.path)))


def exact_f_number(shot: SweepShot) -> float:
    """As the file says, else nominal; 0 where unknown."""
    return shot.planned.metadata.f_number or shot.planned.setting.f_number


def _mean_known(values: Sequence[float]) -> float | None:
    known = [value for value in values if math.isfinite(value)]
    return float(np.mean(known)) if known else None


def _log_figure(shot: SweepShot, zone: str) -> float:
    return float(np.log(figure_at(result_of(shot).summary, zone)))


def _measurement_sd(result: ShotResult, zone: str) -> float:
    """Share by which the noise of its edges alone moves a figure.

    The edges' differences among each other are the lens's own, and come again in every shot: they don't count.
    """
    figure = figure_at(result.summary, zone)
    sds = [
        edge.edge.mtf50_sd_cypx
        for edge in result.edges
        if np.isfinite(edge.edge.mtf50_sd_cypx)
        and zone in {"frame", zone_of(edge.image_height, result.size_px)}
    ]
    return float(np.sqrt(np.sum(np.square(sds))) / (len(sds) * figure)) if sds and figure > 0.0 else 0.0


def result_of(shot: SweepShot) -> ShotResult:
    """What was measured in a shot.

    Raises
    ------
    TypeError
        Nothing was: a mistake of the programmer.
    """
    if not isinstance(shot.result, ShotResult):
        raise TypeError(f"{shot.planned.path}: not a measured shot")
    return shot.result
