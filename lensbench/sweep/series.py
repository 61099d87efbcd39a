"""The shots of one lens put in order: by focal length, then by f-number, then by refocused shot.

What a picture is for says which third of it must be sharp: a subject at the centre lies in the inner third, edges
and corners are the outer one. Common practice, no source.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.focus import Bracket, ThroughFocus, brackets_among, fit_through_focus
from lensbench.model.shot import ShotResult, ZoneFigure
from lensbench.model.sweep import Purpose, SweepShot
from lensbench.shot import zone_of
from lensbench.stats import ZoneSeries

__all__ = [
    "FRAME",
    "PURPOSES",
    "FocalShots",
    "bracket_peak",
    "by_focal_length",
    "figure_at",
    "zone_series",
]


FRAME: Final = Purpose.FRAME

PURPOSES: Final[dict[str, str]] = {Purpose.CENTRE: "inner", FRAME: "frame", Purpose.EDGES: "outer"}
"""Purpose -> the zone that counts for it."""


def figure_at(summary: Mapping[str, ZoneFigure], zone: str) -> float:
    """MTF50 of a zone, in cycles per pixel; NaN where it was not seen."""
    return summary[zone].mtf50_cypx if zone in summary and summary[zone].mtf50_cypx > 0.0 else float("nan")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocalShots:
    """The measured shots of one lens on one camera at one focal length."""

    focal_length_mm: float
    members: tuple[SweepShot, ...]
    """Those that count, by f-number and then by path, so that the order of the files changes nothing."""
    exact_f_number: dict[float, float]
    """Nominal f-number -> median of the exact ones."""
    pixel_pitch_um: float | None
    magnification: float
    """Median of the shots; NaN where it is not known."""

    def nominal(self, exact_f_number: float) -> float:
        """Give the name of an exact f-number of this series."""
        return min(self.exact_f_number, key=lambda name: abs(self.exact_f_number[name] - exact_f_number))

    def refocused(self, f_number: float) -> list[tuple[SweepShot, ...]]:
        """Give the shots at a nominal f-number in groups that were not refocused within: most hold one shot."""
        groups: dict[str, list[SweepShot]] = defaultdict(list)
        for number, shot in enumerate(self.members):
            if shot.planned.setting.f_number == f_number:
                groups[shot.planned.focus_group or f" {number}"].append(shot)
        return [tuple(group) for group in groups.values()]

    def figures(self, zone: str, f_number: float) -> list[ZoneFigure]:
        """Give what the shots at a nominal f-number measured in a zone; of a focus bracket the sharpest alone."""
        shots = [shot for group in self.refocused(f_number) for shot in _in_focus(group)]
        return [result.summary[zone] for shot in shots if zone in (result := _result(shot)).summary]


def _in_focus(group: Sequence[SweepShot]) -> Sequence[SweepShot]:
    if len({shot.planned.focus_step for shot in group}) < 2:
        return group
    return [max(group, key=lambda shot: np.nan_to_num(figure_at(_result(shot).summary, "frame")))]


def by_focal_length(shots: Sequence[SweepShot]) -> list[FocalShots]:
    """Put the shots that count in series: by lens, camera and focal length, shortest first."""
    groups: dict[tuple[str, str, float], list[SweepShot]] = defaultdict(list)
    for shot in shots:
        if shot.used:
            focal = shot.planned.setting.focal_length_mm
            groups[shot.planned.lens, shot.planned.camera, focal if np.isfinite(focal) else -1.0].append(shot)
    return [_series(groups[key]) for key in sorted(groups)]


def _series(shots: Sequence[SweepShot]) -> FocalShots:
    exact: dict[float, list[float]] = defaultdict(list)
    for shot in shots:
        exact[shot.planned.setting.f_number].append(
            shot.planned.metadata.f_number or shot.planned.setting.f_number
        )
    results = [_result(shot) for shot in shots]
    pitches = [result.pixel_pitch_um for result in results if result.pixel_pitch_um]
    sizes = [result.magnification for result in results if result.magnification]
    return FocalShots(
        focal_length_mm=shots[0].planned.setting.focal_length_mm,
        members=tuple(sorted(shots, key=lambda shot: (shot.planned.setting.f_number, shot.planned.path))),
        exact_f_number={name: float(np.median(values)) for name, values in exact.items()},
        pixel_pitch_um=float(np.median(pitches)) if pitches else None,
        magnification=float(np.median(sizes)) if sizes else float("nan"),
    )


def zone_series(focal: FocalShots, zone: str) -> ZoneSeries | None:
    """Give the refocused shots of one zone, by f-number; None where it was not seen.

    Shots of one focus group at one f-number were not refocused between: their mean counts as one shot. Where their
    focus was moved step by step they are a bracket, and its fitted peak counts as one shot. A shot without a focus
    group is taken as refocused.
    """
    names = sorted(focal.exact_f_number, key=lambda name: focal.exact_f_number[name])
    stops = {name: _settled(focal, name, zone) for name in names}
    seen = [name for name in names if stops[name]]
    if not seen:
        return None
    return ZoneSeries(
        f_number=np.array([focal.exact_f_number[name] for name in seen]),
        log_shots=tuple(np.array([one.log_mtf50 for one in stops[name]]) for name in seen),
        own_sd=tuple(np.array([one.sd for one in stops[name]]) for name in seen),
        own_dof=sum(one.freedom for name in seen for one in stops[name]),
        measurement_sd=float(np.median([_measurement_sd(_result(shot), zone) for shot in focal.members])),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shot:
    """What counts as one refocused shot."""

    log_mtf50: float
    sd: float = float("nan")
    """Its own, where it is the fitted peak of a bracket."""
    freedom: float = 0.0


def _settled(focal: FocalShots, f_number: float, zone: str) -> list[_Shot]:
    found = [_one_shot(group, zone) for group in focal.refocused(f_number)]
    return [one for one in found if one is not None]


def _one_shot(group: Sequence[SweepShot], zone: str) -> _Shot | None:
    logs = np.array([_log_figure(shot, zone) for shot in group])
    logs = logs[np.isfinite(logs)]
    if not logs.size:
        return None
    for bracket in brackets_among(group):
        peak = bracket_peak(bracket, zone)
        if peak.verdict != "few":
            return _Shot(log_mtf50=peak.log_mtf50, sd=peak.log_sd, freedom=peak.freedom)
    moved = len({shot.planned.focus_step for shot in group}) > 1
    return _Shot(log_mtf50=float(logs.max() if moved else logs.mean()))


def bracket_peak(bracket: Bracket, zone: str) -> ThroughFocus:
    """Fit the through-focus peak of a zone's MTF50."""
    logs = np.array([_log_figure(shot, zone) for shot in bracket.shots])
    return fit_through_focus(bracket.steps, logs, q=bracket.q)


def _log_figure(shot: SweepShot, zone: str) -> float:
    return float(np.log(figure_at(_result(shot).summary, zone)))


def _measurement_sd(result: ShotResult, zone: str) -> float:
    """Give the share by which the noise of its edges alone moves a figure.

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


def _result(shot: SweepShot) -> ShotResult:
    if not isinstance(shot.result, ShotResult):
        raise TypeError(f"{shot.planned.path}: not a measured shot")
    return shot.result
