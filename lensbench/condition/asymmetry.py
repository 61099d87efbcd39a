"""The asymmetry of a lens at every setting: estimated from refocused shots, or from the peaks of focus brackets.

Tilt of the chart is in the covariance as what it could cause at most (`condition_tilt`); at the peak of every place's
own focus it costs nothing. With the camera turned by 180 degrees about its axis, what belongs to the chart and the
wall changes sides, so the mean over both ways is the lens's and the camera's.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Final

import numpy as np

from lensbench.condition.field import FieldShape, field_shape
from lensbench.condition.tilt import mean_slope, tilt_sway
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import Setting, SweepShot
from lensbench.model.units import FloatArray
from lensbench.stats import Moderated, Repeats, exceeds, moderated, quantile

__all__ = ["MATTERS", "Asymmetry", "SettingShots", "asymmetries", "settings_of", "turned_over"]


MATTERS: Final = 0.05
"""An asymmetry below this share of MTF50 is in every lens and does not show in pictures. Common practice, no
source."""
_TURNED_DEG: Final = 135.0
_UPRIGHT_DEG: Final = 45.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SettingShots:
    """The refocused shots of one setting that a field could be fitted to."""

    setting: Setting
    exact_f_number: float
    shots: tuple[SweepShot, ...]
    shapes: tuple[FieldShape, ...]
    """One a shot."""

    @property
    def results(self) -> list[ShotResult]:
        """What was measured."""
        return [shot.result for shot in self.shots if isinstance(shot.result, ShotResult)]

    @property
    def turned(self) -> tuple[int, ...]:
        """1 for each shot of a turned camera or chart, else 0."""
        return tuple(int(turned_over(result)) for result in self.results)

    @property
    def repeats(self) -> Repeats:
        """The shots' asymmetries."""
        return Repeats(values=np.array([one.asymmetry for one in self.shapes]), alike=self.turned)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Asymmetry:
    """What is left of one setting's asymmetry, as log MTF50 of the right less the left, the bottom less the top."""

    setting: Setting
    mean: FloatArray
    """Shape (2,)."""
    covariance: FloatArray
    """Shape (2, 2); the doubt about the tilt and the unevenness of chart and lens are in it."""
    freedom: float
    shots: int
    turned_shots: int
    sway: FloatArray
    """What the tilt could cause at most, shape (2,)."""
    size_px: tuple[int, int]
    source: str = "shots"

    @property
    def size(self) -> float:
        """Log MTF50 of the sharpest side over the softest, freed of what scatter alone would make of it."""
        return float(np.sqrt(max(float(self.mean @ self.mean) - self.sd**2, 0.0)))

    @property
    def sd(self) -> float:
        """Standard deviation along the asymmetry."""
        length = float(np.linalg.norm(self.mean))
        toward = self.mean / length if length > 0.0 else np.array([1.0, 0.0])
        return float(np.sqrt(toward @ self.covariance @ toward))

    @property
    def interval(self) -> tuple[float, float]:
        """Interval of 95 % of the size."""
        reach = quantile(self.freedom) * self.sd
        return max(self.size - reach, 0.0), self.size + reach

    def seen(self, *, tests: int) -> bool:
        """Tell whether it is beyond chance and tilt, repeated, and large enough to matter."""
        told = exceeds(self.mean, self.covariance, freedom=self.freedom, tests=tests)
        return told and self.size >= MATTERS and self.shots >= 2


def turned_over(result: ShotResult) -> bool:
    """Tell whether the camera, or the chart, stood on its head."""
    return isfinite(result.tilt.roll_deg) and abs(result.tilt.roll_deg) > _TURNED_DEG


def settings_of(shots: Iterable[SweepShot]) -> list[SettingShots]:
    """Put refocused shots of one lens in order by focal length and f-number, shortest and widest first.

    Shots of one focus group without steps were not refocused between: the first of them stands for all. Upright
    pictures (turned by a quarter) are passed over.
    """
    groups: dict[Setting, list[tuple[SweepShot, FieldShape]]] = defaultdict(list)
    seen_groups: set[tuple[str, Setting, bool]] = set()
    for shot in shots:
        if not isinstance(shot.result, ShotResult) or _stands_sideways(shot.result):
            continue
        setting = shot.planned.setting
        once = (shot.planned.focus_group, setting, turned_over(shot.result))
        if shot.planned.focus_group and once in seen_groups:
            continue
        if shape := field_shape(shot.result):
            seen_groups.add(once)
            groups[setting].append((shot, shape))
    return [_setting_shots(groups[setting]) for setting in sorted(groups, key=lambda setting: setting.order)]


def _stands_sideways(result: ShotResult) -> bool:
    roll_deg = result.tilt.roll_deg
    return isfinite(roll_deg) and _UPRIGHT_DEG < abs(roll_deg) < _TURNED_DEG


def _setting_shots(members: Sequence[tuple[SweepShot, FieldShape]]) -> SettingShots:
    setting = members[0][0].planned.setting
    exact = [shot.planned.metadata.f_number or setting.f_number for shot, _ in members]
    return SettingShots(
        setting=setting,
        exact_f_number=float(np.median(exact)),
        shots=tuple(shot for shot, _ in members),
        shapes=tuple(shape for _, shape in members),
    )


def asymmetries(settings: Sequence[SettingShots]) -> list[Asymmetry]:
    """Estimate what is left of every setting's asymmetry."""
    spreads = moderated([one.repeats for one in settings])
    return [_asymmetry(one, spread) for one, spread in zip(settings, spreads, strict=True)]


def _asymmetry(setting: SettingShots, spread: Moderated) -> Asymmetry:
    ways = [setting.repeats.values[np.array(setting.turned) == way] for way in sorted(set(setting.turned))]
    noise = spread.variance * sum(1.0 / len(part) for part in ways) / len(ways) ** 2
    results = setting.results
    sway = tilt_sway(mean_slope(results), results, f_number=setting.exact_f_number)
    uneven = np.mean([shape.covariance for shape in setting.shapes], axis=0)
    return Asymmetry(
        setting=setting.setting,
        mean=np.mean([part.mean(axis=0) for part in ways], axis=0),
        covariance=noise * np.eye(2) + uneven + np.diag(np.minimum(sway, 10.0) ** 2 / 3.0),
        freedom=spread.freedom,
        shots=len(setting.shots),
        turned_shots=sum(setting.turned),
        sway=sway,
        size_px=results[0].size_px,
    )
