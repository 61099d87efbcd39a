"""The shots of one lens put in order: by focal length, then by f-number, then by refocused shot.

What a picture is for, and so which parts of it must be sharp: weights on the zones, stated beforehand.

A place is a zone of the picture or a purpose. The weights are common practice, no source: a subject in the middle
fills the inner zone and reaches into the next; what stands at the edges and in the corners lies in the outer zone,
with a little of the ground before it.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.focus import Bracket, ThroughFocus, brackets_among, fit_through_focus
from lensbench.model.shot import ZONES, ShotResult, ZoneFigure
from lensbench.model.sweep import SweepShot
from lensbench.shot import zone_of
from lensbench.stats import ZoneSeries

__all__ = [
    "EDGES",
    "FRAME",
    "MIDDLE",
    "PLACES",
    "PURPOSES",
    "FocalShots",
    "bracket_peak",
    "by_focal_length",
    "figure_at",
    "weights_in_words",
    "zone_series",
]


MIDDLE: Final = "subject in the middle"
FRAME: Final = "whole frame"
EDGES: Final = "edges and corners"

PURPOSES: Final[dict[str, dict[str, float]]] = {
    MIDDLE: {"inner": 0.7, "halfway": 0.3},
    FRAME: {"frame": 1.0},
    EDGES: {"halfway": 0.2, "outer": 0.8},
}
"""Purpose -> weights of the zones' MTF50, one in all. `frame` itself weighs the zones by their area."""

PLACES: Final = (*ZONES, MIDDLE, EDGES)
"""All that gets a curve of its own; the purpose of the whole frame is the zone `frame`."""


def figure_at(summary: Mapping[str, ZoneFigure], place: str) -> float:
    """Give the MTF50 of a zone or for a purpose, in cycles per pixel.

    NaN where a zone that counts was not seen: without it the figure would be another one.
    """
    weights = PURPOSES.get(place, {place: 1.0})
    if not all(zone in summary and summary[zone].mtf50_cypx > 0.0 for zone in weights):
        return float("nan")
    return sum(weight * summary[zone].mtf50_cypx for zone, weight in weights.items())


def weights_in_words(purpose: str) -> str:
    """Say what counts how much.

    >>> weights_in_words("subject in the middle")
    'inner zone 70 %, halfway zone 30 %'
    """
    if purpose == FRAME:
        return "the zones by their share of the picture's area"
    return ", ".join(f"{zone} zone {100.0 * weight:.0f} %" for zone, weight in PURPOSES[purpose].items())


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


def zone_series(focal: FocalShots, place: str) -> ZoneSeries | None:
    """Give the refocused shots of one zone, or for one purpose, by f-number; None where it was not seen.

    Shots of one focus group at one f-number were not refocused between: their mean counts as one shot. Where their
    focus was moved step by step they are a bracket, and its fitted peak counts as one shot. A shot without a focus
    group is taken as refocused.
    """
    names = sorted(focal.exact_f_number, key=lambda name: focal.exact_f_number[name])
    stops = {name: _settled(focal, name, place) for name in names}
    seen = [name for name in names if stops[name]]
    if not seen:
        return None
    return ZoneSeries(
        f_number=np.array([focal.exact_f_number[name] for name in seen]),
        log_shots=tuple(np.array([one.log_mtf50 for one in stops[name]]) for name in seen),
        own_sd=tuple(np.array([one.sd for one in stops[name]]) for name in seen),
        own_dof=sum(one.freedom for name in seen for one in stops[name]),
        measurement_sd=float(np.median([_measurement_sd(_result(shot), place) for shot in focal.members])),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shot:
    """What counts as one refocused shot."""

    log_mtf50: float
    sd: float = float("nan")
    """Its own, where it is the fitted peak of a bracket."""
    freedom: float = 0.0


def _settled(focal: FocalShots, f_number: float, place: str) -> list[_Shot]:
    found = [_one_shot(group, place) for group in focal.refocused(f_number)]
    return [one for one in found if one is not None]


def _one_shot(group: Sequence[SweepShot], place: str) -> _Shot | None:
    logs = np.array([_log_figure(shot, place) for shot in group])
    logs = logs[np.isfinite(logs)]
    if not logs.size:
        return None
    for bracket in brackets_among(group):
        peak = bracket_peak(bracket, place)
        if peak.verdict != "few":
            return _Shot(log_mtf50=peak.log_mtf50, sd=peak.log_sd, freedom=peak.freedom)
    moved = len({shot.planned.focus_step for shot in group}) > 1
    return _Shot(log_mtf50=float(logs.max() if moved else logs.mean()))


def bracket_peak(bracket: Bracket, place: str) -> ThroughFocus:
    """Fit the through-focus peak of a zone's MTF50, or of what counts for a purpose."""
    logs = np.array([_log_figure(shot, place) for shot in bracket.shots])
    return fit_through_focus(bracket.steps, logs, q=bracket.q)


def _log_figure(shot: SweepShot, place: str) -> float:
    return float(np.log(figure_at(_result(shot).summary, place)))


def _measurement_sd(result: ShotResult, place: str) -> float:
    """Give the share by which the noise of its edges alone moves a figure.

    The edges' differences among each other are the lens's own, and come again in every shot: they don't count.
    """
    figure, zones = figure_at(result.summary, place), PURPOSES.get(place, {place: 1.0})
    sds = [
        edge.edge.mtf50_sd_cypx
        for edge in result.edges
        if np.isfinite(edge.edge.mtf50_sd_cypx) and ("frame" in zones or zone_of(edge.image_height) in zones)
    ]
    return float(np.sqrt(np.sum(np.square(sds))) / (len(sds) * figure)) if sds and figure > 0.0 else 0.0


def _result(shot: SweepShot) -> ShotResult:
    if not isinstance(shot.result, ShotResult):
        raise TypeError(f"{shot.planned.path}: not a measured shot")
    return shot.result
