"""The table of shots that count, each row one refocused shot: what sweep, comparison and library take figures from.

`zone_series` is the one way from the table to a zone's series: sweep, comparison and library call it, and so give one
interval for one lens. What a picture is for says which third of it must be sharp: a subject at the centre lies in the
inner third, edges and corners are the outer one. Common practice, no source.
"""

import dataclasses
import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Final

import numpy as np

from lensbench.edge import RESPONSE_CYPX
from lensbench.focus import (
    Bracket,
    SessionFocus,
    ThroughFocus,
    brackets_among,
    fit_through_focus,
    session_focus,
)
from lensbench.model.condition import ConditionFinding, Decentring, PlaneDistance
from lensbench.model.measured import (
    BestOfSweep,
    CopyVerdict,
    CountedShot,
    MeasuredLens,
    ZoneValue,
    mean_known,
    median_known,
)
from lensbench.model.setting import Setting, focal_order
from lensbench.model.shot import ZONES, Edge, RejectedShot, ShotResult
from lensbench.model.sweep import BestSetting, Purpose, Refocusing, SweepFindings, SweepShot
from lensbench.model.units import FloatArray
from lensbench.shot import is_usable, means_by_zone, zone_of
from lensbench.stats import ZoneSeries
from lensbench.storage.text import clean_text, name_in_tables, visible

PURPOSES: Final[dict[str, str]] = {Purpose.CENTRE: "inner", Purpose.FRAME: "frame", Purpose.EDGES: "outer"}
"""Purpose -> the zone that counts for it."""
NamedSeries = tuple[tuple[Setting, ...], ZoneSeries]  # settings by f-number, and their shots in a zone
_OWN_SERIES: Final = "a focus bracket beside refocused shots of its setting: it serves the lens's condition"
_FEWEST_RESPONSES: Final = 2


_Focuses = Mapping[float | None, SessionFocus]  # focal length -> how its shots were focused


def countable_shots(shots: Sequence[SweepShot]) -> list[CountedShot]:
    """The table of one lens on one camera: a row for each refocused shot, and for each photograph left out.

    Shots that were not refocused between, by the table or by what they show, are one row, their mean. Where their focus
    was moved step by step they are a bracket: one shot, at the focus that the whole frame has sharpest. Beside
    refocused shots of its setting a bracket is a series of its own, which serves the lens's condition alone.
    """
    focuses = _focuses(shots)
    return _rows(_refocused(shots, focuses), focuses)


def _rows(groups: Sequence[Sequence[SweepShot]], focuses: _Focuses) -> list[CountedShot]:
    """A row for each group."""
    rows = [
        _counted(group, focuses[group[0].planned.setting.focal_length_mm])
        if group[0].used
        else _left_out(group[0])
        for group in groups
    ]
    plain = {row.setting for row in rows if not (row.bracket or row.reason)}
    return [
        dataclasses.replace(row, reason=_OWN_SERIES) if row.bracket and row.setting in plain else row
        for row in rows
    ]


def _focuses(shots: Sequence[SweepShot]) -> dict[float | None, SessionFocus]:
    """How the shots of each focal length were focused."""
    members: dict[float | None, list[SweepShot]] = defaultdict(list)
    for shot in shots:
        if shot.used:
            members[shot.planned.setting.focal_length_mm].append(shot)
    return {focal: session_focus(of_focal) for focal, of_focal in members.items()}


def _refocused(shots: Sequence[SweepShot], focuses: _Focuses) -> list[list[SweepShot]]:
    """The shots in groups that were not refocused within, by setting and path; most hold one shot."""
    groups: dict[tuple[Setting, str], list[SweepShot]] = defaultdict(list)
    for number, shot in enumerate(sorted(shots, key=_place_in_table)):
        plan = shot.planned
        group = plan.focus_group if shot.used else ""
        if shot.used and plan.focus_step is None and _is_one(focuses[plan.setting.focal_length_mm]):
            group = f" {plan.condition}"
        groups[plan.setting, group or f" {number}"].append(shot)
    return list(groups.values())


def _is_one(focus: SessionFocus) -> bool:
    """Whether the frames of a setting count as one: by what they show, or since the focus crept through them."""
    return focus.refocusing is Refocusing.CONTRADICTED or focus.creep is not None


def _place_in_table(shot: SweepShot) -> tuple[tuple[float, float], Path]:
    return shot.planned.setting.order, shot.planned.path


def _left_out(shot: SweepShot) -> CountedShot:
    reason = shot.result.reason if isinstance(shot.result, RejectedShot) else shot.reason
    return CountedShot(
        files=(_file_name(shot),),
        setting=shot.planned.setting,
        exact_f_number=shot.planned.exact_f_number,
        reason=clean_text(reason),
    )


def _file_name(shot: SweepShot) -> str:
    return visible(name_in_tables(str(shot.planned.path)))


def _counted(group: Sequence[SweepShot], focus: SessionFocus) -> CountedShot:
    in_focus = [shot.measured for shot in _in_focus(group)]
    noise_sds = [_noise_sds(shot.measured) for shot in group]
    values = {
        zone: dataclasses.replace(value, noise_sd=float(np.median([sds[zone] for sds in noise_sds])))
        for zone in ZONES
        if (value := _zone_value(group, in_focus, zone, focus)) is not None
    }
    snrs = [edge.edge.snr for result in in_focus for edge in result.edges if math.isfinite(edge.edge.snr)]
    return CountedShot(
        files=tuple(_file_name(shot) for shot in group),
        setting=group[0].planned.setting,
        exact_f_number=float(np.median([shot.planned.exact_f_number for shot in group])),
        zones=values,
        bracket=_is_moved(group),
        iso=median_known([shot.planned.metadata.iso or None for shot in group]),
        snr=float(np.median(snrs)) if snrs else None,
        magnification=median_known([shot.measured.magnification or None for shot in group]),
        pixel_pitch_um=in_focus[0].pixel_pitch_um or None,
        size_px=(min(in_focus[0].size_px), max(in_focus[0].size_px)),
        picture_height_px=in_focus[0].picture_height_px,
        sensor_data=all(shot.measured.sensor_data for shot in group),
        flags=tuple(dict.fromkeys(remark.flag for result in in_focus for remark in result.quality)),
    )


def _is_moved(group: Sequence[SweepShot]) -> bool:
    return len({shot.planned.focus_step for shot in group}) > 1


def _in_focus(group: Sequence[SweepShot]) -> Sequence[SweepShot]:
    """All of a group; of a focus bracket the sharpest alone."""
    if not _is_moved(group):
        return group
    return [max(group, key=lambda shot: np.nan_to_num(shot.log_mtf50("frame"), nan=-np.inf))]


def _zone_value(
    group: Sequence[SweepShot], in_focus: Sequence[ShotResult], zone: str, focus: SessionFocus
) -> ZoneValue | None:
    logs = np.array([shot.log_mtf50(zone) for shot in group])
    logs = logs[np.isfinite(logs)]
    if not logs.size:
        return None
    log_mtf50, sd, dof = float(logs.mean()), None, None
    if _is_moved(group):
        (sharpest,) = _in_focus(group)
        log_mtf50 = sharpest.log_mtf50(zone) if math.isfinite(sharpest.log_mtf50(zone)) else float(logs.max())
    elif taken_sd := focus.creep_sd(group[0], zone):
        spread = float(np.std(logs, ddof=1)) if logs.size > 1 else 0.0
        sd = math.hypot(spread / math.sqrt(logs.size), taken_sd)
        dof = float(max(logs.size - 1, 1))
    for bracket in brackets_among(group):
        level = bracket_level(bracket, zone)
        if level.verdict != "few":
            log_mtf50, sd = level.log_mtf50, level.log_sd
            dof = level.freedom if math.isfinite(level.freedom) else None
            break
    figures = [result.summary[zone] for result in in_focus if zone in result.summary]
    return ZoneValue(
        mtf50_cypx=math.exp(log_mtf50),
        sd=sd,
        dof=dof,
        edges=sum(figure.edges for figure in figures),
        sagittal_cypx=mean_known([figure.sagittal_cypx for figure in figures]),
        tangential_cypx=mean_known([figure.tangential_cypx for figure in figures]),
    )


def bracket_level(bracket: Bracket, zone: str) -> ThroughFocus:
    """A zone's MTF50 at the one focus that the whole frame has sharpest."""
    frame = bracket_peak(bracket, "frame")
    at_step = frame.best_step if math.isfinite(frame.best_step) else None
    return frame if zone == "frame" else _through_focus(bracket, zone, at_step)


def bracket_peak(bracket: Bracket, zone: str) -> ThroughFocus:
    """Through-focus peak of a zone's MTF50."""
    return _through_focus(bracket, zone, None)


def _through_focus(bracket: Bracket, zone: str, at_step: float | None) -> ThroughFocus:
    logs = np.array([shot.log_mtf50(zone) for shot in bracket.shots])
    return fit_through_focus(bracket.steps, logs, q=bracket.q, at_step=at_step)


def _noise_sds(result: ShotResult) -> dict[str, float]:
    """Share by which its edges' noise alone moves each zone's figure; their differences are the lens's: not counted."""
    edges = [edge for edge in result.edges if math.isfinite(edge.edge.mtf50_sd_cypx)]
    variances = np.array([edge.edge.mtf50_sd_cypx for edge in edges]) ** 2
    zones = np.array([zone_of(edge.image_height, result.size_px) for edge in edges])
    sds = dict.fromkeys(ZONES, 0.0)
    for zone, figure in result.summary.items():
        own = variances if zone == "frame" else variances[zones == zone]
        if own.size and figure.mtf50_cypx > 0.0:
            sds[zone] = math.sqrt(float(own.sum())) / (own.size * figure.mtf50_cypx)
    return sds


def measured_lenses(findings: SweepFindings, shots: Sequence[SweepShot]) -> list[MeasuredLens]:
    """Every lens of a sweep as it is kept: its table, each zone with its mean SFR, and the best setting found."""
    lenses = []
    for lens in findings.lenses:
        own = [shot for shot in shots if (shot.planned.lens, shot.planned.camera) == (lens.lens, lens.camera)]
        focuses = _focuses(own)
        groups = _refocused(own, focuses)
        counted = list(zip(_rows(groups, focuses), groups, strict=True))
        shown = _middle_ones([row for row, _ in counted])
        rows = []
        for row, group in counted:
            kept = _with_sfr(row, group) if row.zones else row
            if id(row) in shown:
                kept = dataclasses.replace(kept, thumbnails=_in_focus(group)[0].measured.thumbnails)
            rows.append(kept)
        names = {"lens": clean_text(lens.lens), "camera": clean_text(lens.camera)}
        condition = tuple(copy_verdict(finding) for finding in lens.condition)
        lenses.append(MeasuredLens(**names, best=_best(lens.best), shots=tuple(rows), condition=condition))
    return lenses


def copy_verdict(finding: ConditionFinding) -> CopyVerdict:
    """What is kept of a finding on the copy."""
    setting = None
    match finding.details:
        case Decentring(main=at) if at.matters:
            setting = Setting(focal_length_mm=at.focal_length_mm, f_number=at.f_number)
        case PlaneDistance() as at:
            setting = Setting(focal_length_mm=at.focal_length_mm, f_number=at.f_number)
    in_percent = finding.unit == "%" and np.isfinite(finding.value)
    return CopyVerdict(
        subject=finding.subject,
        verdict=finding.verdict,
        percent=round(finding.value, 2) if in_percent else None,
        side=finding.side,
        setting=setting,
    )


def _middle_ones(rows: Sequence[CountedShot]) -> set[int]:
    """By identity, the middle one of each setting's shots by the frame's MTF50: its thumbnails stand for all."""
    repeats: dict[Setting, list[CountedShot]] = defaultdict(list)
    for row in rows:
        if not row.reason and "frame" in row.zones:
            repeats[row.setting].append(row)
    in_order = (sorted(own, key=lambda row: row.zones["frame"].mtf50_cypx) for own in repeats.values())
    return {id(own[len(own) // 2]) for own in in_order}


def _with_sfr(row: CountedShot, group: Sequence[SweepShot]) -> CountedShot:
    """The same row with each zone's SFR, the mean of the group; of a bracket its sharpest frame's."""
    curves: dict[str, list[FloatArray]] = defaultdict(list)
    for shot in _in_focus(group):
        for zone, sfr in zone_responses(shot.measured).items():
            curves[zone].append(sfr)
    sfrs = {}
    for zone, found in curves.items():
        mean = np.mean(found, axis=0)  # up to where the first of them is not known
        known = mean[: int(np.argmax(np.append(~np.isfinite(mean), True)))]
        sfrs[zone] = tuple(round(response, 5) for response in known.tolist())
    zones = {zone: dataclasses.replace(value, sfr=sfrs.get(zone, ())) for zone, value in row.zones.items()}
    return dataclasses.replace(row, zones=zones)


def zone_responses(result: ShotResult) -> dict[str, FloatArray]:
    """Mean SFR of each zone at `RESPONSE_CYPX`, edges weighted as for its MTF50; zones without edges are left out."""
    usable = [edge for edge in result.edges if edge.edge.frequency_cypx.size > 1 and is_usable(edge)]
    means = means_by_zone(usable, result.size_px, _responses([edge.edge for edge in usable]))
    return {zone: sfr for zone, sfr in means.items() if np.isfinite(sfr[:_FEWEST_RESPONSES]).all()}


def _responses(edges: Sequence[Edge]) -> FloatArray:
    """SFR of each edge at `RESPONSE_CYPX`, shape (edges, frequencies); NaN beyond its last frequency."""
    by_grid: dict[bytes, list[int]] = defaultdict(list)
    for index, edge in enumerate(edges):
        by_grid[edge.frequency_cypx.tobytes()].append(index)
    responses = np.empty((len(edges), RESPONSE_CYPX.size))
    for members in by_grid.values():  # nearly always one: all of them at once
        grid = edges[members[0]].frequency_cypx
        at = np.interp(RESPONSE_CYPX, grid, np.arange(grid.size), right=math.nan)
        before = np.minimum(np.nan_to_num(at).astype(np.int64), grid.size - 2)
        share = at - before
        sfr = np.array([edges[index].sfr for index in members])
        # A frequency of the grid itself does not ask the next one, which may be unknown.
        rise = np.where(share > 0.0, sfr[:, before + 1] - sfr[:, before], 0.0)
        responses[members] = sfr[:, before] + share * rise
    return responses


def _best(best: BestSetting | None) -> BestOfSweep | None:
    if best is None:
        return None
    return BestOfSweep(
        setting=Setting(focal_length_mm=best.focal_length_mm, f_number=best.f_number),
        mtf50_cypx=best.mtf50_cypx,
        ci95_cypx=best.ci95_cypx if math.isfinite(sum(best.ci95_cypx)) else None,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class FocalShots:
    """The measured shots of one lens on one camera at one focal length."""

    focal_length_mm: float | None
    members: tuple[SweepShot, ...]  # by f-number and path, so that the order of the files changes nothing
    exact_f_number: dict[float, float]  # nominal f-number -> median of the exact ones
    pixel_pitch_um: float | None
    magnification: float  # median of the shots; NaN where it is not known

    @cached_property
    def counted(self) -> list[CountedShot]:
        """The refocused shots."""
        focuses = {self.focal_length_mm: self.focus}
        return [row for row in _rows(_refocused(self.members, focuses), focuses) if not row.reason]

    @cached_property
    def focus(self) -> SessionFocus:
        """How they were focused."""
        return session_focus(self.members)


def by_focal_length(shots: Sequence[SweepShot]) -> list[FocalShots]:
    """The shots that count in series, by lens, camera and focal length, shortest first."""
    groups: dict[tuple[str, str, float], list[SweepShot]] = defaultdict(list)
    for shot in shots:
        if shot.used:
            plan = shot.planned
            groups[plan.lens, plan.camera, focal_order(plan.setting.focal_length_mm)].append(shot)
    return [_focal_shots(groups[key]) for key in sorted(groups)]


def _focal_shots(shots: Sequence[SweepShot]) -> FocalShots:
    exact: dict[float, list[float]] = defaultdict(list)
    for shot in shots:
        exact[shot.planned.setting.f_number].append(shot.planned.exact_f_number)
    return FocalShots(
        focal_length_mm=shots[0].planned.setting.focal_length_mm,
        members=tuple(sorted(shots, key=_place_in_table)),
        exact_f_number={name: float(np.median(values)) for name, values in exact.items()},
        pixel_pitch_um=median_known([shot.measured.pixel_pitch_um or None for shot in shots]),
        magnification=median_known([shot.measured.magnification or None for shot in shots]) or math.nan,
    )


def zone_series(shots: Sequence[CountedShot], zone: str) -> dict[float | None, NamedSeries]:
    """The refocused shots of one zone, of one lens on one camera: focal length -> series by f-number.

    Left out are focal lengths at which the zone was not seen; of the whole frame, shots that lack one of its thirds.
    """
    by_focal: dict[float | None, list[CountedShot]] = defaultdict(list)
    for shot in shots:
        if not shot.reason:
            by_focal[shot.setting.focal_length_mm].append(shot)
    found = {focal: _named_series(by_focal[focal], zone) for focal in sorted(by_focal, key=focal_order)}
    return {focal: series for focal, series in found.items() if series is not None}


def _named_series(shots: Sequence[CountedShot], zone: str) -> NamedSeries | None:
    exact: dict[Setting, list[float]] = defaultdict(list)
    values: dict[Setting, list[ZoneValue]] = defaultdict(list)
    crept = False
    for shot in shots:
        exact[shot.setting].append(shot.exact_f_number)
        if zone in shot.zones and (zone != "frame" or all(third in shot.zones for third in ZONES)):
            values[shot.setting].append(shot.zones[zone])
            crept |= shot.zones[zone].sd is not None and not shot.bracket
    if not values:
        return None
    middle = {setting: float(np.median(exact[setting])) for setting in values}
    settings = tuple(sorted(middle, key=lambda setting: middle[setting]))
    in_order = [value for setting in settings for value in values[setting]]
    return settings, ZoneSeries(
        f_number=np.array([middle[setting] for setting in settings]),
        log_shots=tuple(np.log([value.mtf50_cypx for value in values[setting]]) for setting in settings),
        own_sd=tuple(np.array([value.sd or math.nan for value in values[setting]]) for setting in settings),
        crept=crept,
        own_dof=sum(value.dof or math.inf for value in in_order if value.sd),
        measurement_sd=float(np.median([value.noise_sd for value in in_order])),
    )
