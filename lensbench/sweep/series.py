"""The shots of one lens in series by focal length and f-number, as the statistics take them.

`zone_series` is the one way from the table of countable shots to a zone's series: sweep, comparison and library call
it, and so give one interval for one lens.
"""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from lensbench.model.measured import CountedShot, ZoneValue, median_known
from lensbench.model.setting import Setting, focal_order
from lensbench.model.sweep import SweepShot
from lensbench.stats import ZoneSeries
from lensbench.sweep.countable import countable_shots, exact_f_number, result_of

NamedSeries = tuple[tuple[Setting, ...], ZoneSeries]
"""The settings of one focal length, by f-number, and their refocused shots in one place."""


@dataclass(frozen=True, kw_only=True, eq=False)
class FocalShots:
    """The measured shots of one lens on one camera at one focal length."""

    focal_length_mm: float | None
    members: tuple[SweepShot, ...]
    """Those that count, by f-number and then by path, so that the order of the files changes nothing."""
    exact_f_number: dict[float, float]
    """Nominal f-number -> median of the exact ones."""
    pixel_pitch_um: float | None
    magnification: float
    """Median of the shots; NaN where it is not known."""

    @cached_property
    def counted(self) -> list[CountedShot]:
        """The refocused shots."""
        return countable_shots(self.members)


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
        exact[shot.planned.setting.f_number].append(exact_f_number(shot))
    results = [result_of(shot) for shot in shots]
    return FocalShots(
        focal_length_mm=shots[0].planned.setting.focal_length_mm,
        members=tuple(sorted(shots, key=lambda shot: (shot.planned.setting.order, shot.planned.path))),
        exact_f_number={name: float(np.median(values)) for name, values in exact.items()},
        pixel_pitch_um=median_known([result.pixel_pitch_um or None for result in results]),
        magnification=median_known([result.magnification or None for result in results]) or math.nan,
    )


def zone_series(shots: Sequence[CountedShot], zone: str) -> dict[float | None, NamedSeries]:
    """The refocused shots of one zone, or for one purpose: focal length -> series by f-number.

    Parameters
    ----------
    shots : sequence of CountedShot
        Of one lens on one camera; those that were left out are passed over.
    zone : str
        Focal lengths at which it was not seen are left out.
    """
    counted = [shot for shot in shots if not shot.reason]
    focals = sorted({shot.setting.focal_length_mm for shot in counted}, key=focal_order)
    found = {
        focal: _named_series([shot for shot in counted if shot.setting.focal_length_mm == focal], zone)
        for focal in focals
    }
    return {focal: series for focal, series in found.items() if series is not None}


def _named_series(shots: Sequence[CountedShot], zone: str) -> NamedSeries | None:
    exact: dict[Setting, list[float]] = defaultdict(list)
    values: dict[Setting, list[ZoneValue]] = defaultdict(list)
    for shot in shots:
        exact[shot.setting].append(shot.exact_f_number)
        if zone in shot.zones:
            values[shot.setting].append(shot.zones[zone])
    if not values:
        return None
    middle = {setting: float(np.median(exact[setting])) for setting in values}
    settings = tuple(sorted(middle, key=lambda setting: middle[setting]))
    in_order = [value for setting in settings for value in values[setting]]
    return settings, ZoneSeries(
        f_number=np.array([middle[setting] for setting in settings]),
        log_shots=tuple(np.log([value.mtf50_cypx for value in values[setting]]) for setting in settings),
        own_sd=tuple(np.array([value.sd or math.nan for value in values[setting]]) for setting in settings),
        own_dof=sum(value.dof or math.inf for value in in_order if value.sd),
        measurement_sd=float(np.median([value.noise_sd for value in in_order])),
    )
