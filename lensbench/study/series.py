"""The shots of one lens put in order: by focal length, then by f-number, then by refocused shot."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lensbench.records import ShotResult, ZoneFigure
from lensbench.shot.geometry import zone_of
from lensbench.study.curves import ZoneSeries
from lensbench.study.findings import SweepShot

__all__ = ["FocalShots", "by_focal_length", "zone_series"]


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

    def figures(self, zone: str, f_number: float) -> list[ZoneFigure]:
        """Give what each shot at a nominal f-number measured in a zone."""
        return [
            result.summary[zone]
            for shot in self.members
            if shot.planned.setting.f_number == f_number and zone in (result := _result(shot)).summary
        ]


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
    """Give the refocused shots of one zone by f-number; None where the zone was not seen.

    Shots of one focus group at one f-number were not refocused between: their mean counts as one shot. A shot
    without a focus group is taken as refocused.
    """
    by_stop: dict[float, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    noise = []
    for number, shot in enumerate(focal.members):
        figure = _result(shot).summary.get(zone)
        if figure and figure.mtf50_cypx > 0.0:
            group = shot.planned.focus_group or f" {number}"
            by_stop[shot.planned.setting.f_number][group].append(float(np.log(figure.mtf50_cypx)))
            noise.append(_measurement_sd(_result(shot), zone, figure.mtf50_cypx))
    if not by_stop:
        return None
    names = sorted(by_stop, key=lambda name: focal.exact_f_number[name])
    return ZoneSeries(
        f_number=np.array([focal.exact_f_number[name] for name in names]),
        log_shots=tuple(np.array([np.mean(group) for group in by_stop[name].values()]) for name in names),
        measurement_sd=float(np.median(noise)),
    )


def _measurement_sd(result: ShotResult, zone: str, mtf50_cypx: float) -> float:
    """Give the share by which the noise of its edges alone moves a zone's figure.

    The edges' differences among each other are the lens's own, and come again in every shot: they don't count.
    """
    sds = [
        edge.edge.mtf50_sd_cypx
        for edge in result.edges
        if np.isfinite(edge.edge.mtf50_sd_cypx) and zone in {"frame", zone_of(edge.image_height)}
    ]
    return float(np.sqrt(np.sum(np.square(sds))) / (len(sds) * mtf50_cypx)) if sds else 0.0


def _result(shot: SweepShot) -> ShotResult:
    if not isinstance(shot.result, ShotResult):
        raise TypeError(f"{shot.planned.path}: not a measured shot")
    return shot.result
