"""The asymmetry of a lens at every setting, from refocused shots, and the test with the camera turned by 180 degrees.

Tilt of the chart is in the covariance as what it could cause at most (`tilt_asymmetry_bound`). With the camera turned
by 180 degrees about its axis, what belongs to the chart and the wall changes sides: the mean over both ways is the
lens's and the camera's, half their difference that of chart and wall. The chart shows how the camera stood, so turned
shots need no table. Where the chart was turned and not the camera (the column `turned` of the shots table says
`chart`), only the print goes with it: the wall, its light and its tilt stay.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.condition.field import FieldShape, field_shape
from lensbench.condition.tilt import is_portrait, is_upside_down, mean_slope, tilt_asymmetry_bound
from lensbench.model.condition import Source, TurnedOutcome, TurnedTest
from lensbench.model.setting import Setting
from lensbench.model.shot import ShotResult, Turned
from lensbench.model.sweep import SweepShot
from lensbench.model.units import FloatArray
from lensbench.stats import Repeats, Uncertainty, exceeds, moderated, quantile

MATTERS: Final = 0.05
"""In log MTF50. A smaller asymmetry is in every lens and does not show in pictures. Common practice, no source."""
_LEAST_SHARE: Final = 0.5
"""Less than this part of the larger one is no longer called «both»."""


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
        return tuple(int(is_upside_down(result)) for result in self.results)

    @property
    def repeats(self) -> Repeats:
        """The shots' asymmetries."""
        return Repeats(values=np.array([shape.asymmetry for shape in self.shapes]), alike=self.turned)


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
    tilt_bound: FloatArray
    """What the tilt could cause at most, shape (2,)."""
    size_px: tuple[int, int]
    source: Source = Source.SHOTS

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

    def matters(self, *, tests: int) -> bool:
        """Whether it is beyond chance and tilt, repeated, and large enough to matter."""
        beyond_chance = exceeds(self.mean, self.covariance, dof=self.freedom, tests=tests)
        return beyond_chance and self.size >= MATTERS and self.shots >= 2


def percent(log_size: float) -> float:
    """By how many percent the softer side stays behind, from the log ratio."""
    return float(-100.0 * np.expm1(-log_size))


def settings_of(shots: Iterable[SweepShot]) -> list[SettingShots]:
    """Refocused shots of one lens by setting: by focal length and f-number, shortest and widest first.

    Shots of one focus group without steps were not refocused between: the first of them stands for all. Portrait
    pictures (turned by a quarter) are passed over.
    """
    groups: dict[Setting, list[tuple[SweepShot, FieldShape]]] = defaultdict(list)
    focused: set[tuple[str, Setting, bool]] = set()
    for shot in shots:
        if not isinstance(shot.result, ShotResult) or is_portrait(shot.result):
            continue
        setting = shot.planned.setting
        once = (shot.planned.focus_group, setting, is_upside_down(shot.result))
        if shot.planned.focus_group and once in focused:
            continue
        if shape := field_shape(shot.result):
            focused.add(once)
            groups[setting].append((shot, shape))
    return [_setting_shots(groups[setting]) for setting in sorted(groups, key=lambda setting: setting.order)]


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
    """What is left of every setting's asymmetry."""
    spreads = moderated([setting.repeats for setting in settings])
    return [_asymmetry(setting, spread) for setting, spread in zip(settings, spreads, strict=True)]


def _asymmetry(setting: SettingShots, spread: Uncertainty) -> Asymmetry:
    ways = [setting.repeats.values[np.array(setting.turned) == way] for way in sorted(set(setting.turned))]
    noise = spread.variance * sum(1.0 / len(way) for way in ways) / len(ways) ** 2
    results = setting.results
    bound = tilt_asymmetry_bound(mean_slope(results), results, f_number=setting.exact_f_number)
    uneven = np.mean([shape.covariance for shape in setting.shapes], axis=0)
    return Asymmetry(
        setting=setting.setting,
        mean=np.mean([way.mean(axis=0) for way in ways], axis=0),
        covariance=noise * np.eye(2) + uneven + np.diag(np.minimum(bound, 10.0) ** 2 / 3.0),
        freedom=spread.dof,
        shots=len(setting.shots),
        turned_shots=sum(setting.turned),
        tilt_bound=bound,
        size_px=results[0].size_px,
    )


def turned_test(settings: Sequence[SettingShots]) -> TurnedTest:
    """What stayed with the picture and what moved with the chart, at the widest stop shot both ways."""
    both = [setting for setting in settings if len(set(setting.turned)) == 2]
    if not both:
        return TurnedTest(outcome=TurnedOutcome.NOT_DONE)
    widest = min(both, key=lambda setting: setting.setting.f_number)
    spread = moderated([setting.repeats for setting in both])[both.index(widest)]
    turned, values = np.array(widest.turned, np.bool_), widest.repeats.values
    upright, over = values[~turned], values[turned]
    parts = [0.5 * (upright.mean(axis=0) + sign * over.mean(axis=0)) for sign in (1.0, -1.0)]
    variance = 0.25 * (1.0 / len(upright) + 1.0 / len(over)) * spread.variance
    sizes = [float(np.linalg.norm(part)) for part in parts]
    stays, moves = (
        exceeds(part, variance * np.eye(2), dof=spread.dof) and size >= 0.5 * MATTERS
        for part, size in zip(parts, sizes, strict=True)
    )
    if stays and moves and min(sizes) < _LEAST_SHARE * max(sizes):
        stays, moves = sizes[0] > sizes[1], sizes[1] > sizes[0]
    outcomes = {
        (True, True): TurnedOutcome.BOTH,
        (True, False): TurnedOutcome.STAYED,
        (False, True): TurnedOutcome.MOVED,
        (False, False): TurnedOutcome.OPEN,
    }
    return TurnedTest(
        outcome=outcomes[stays, moves],
        stayed_percent=percent(sizes[0]),
        moved_percent=percent(sizes[1]),
        reach_percent=percent(quantile(spread.dof) * variance**0.5),
        chart_only=any(shot.planned.turned is Turned.CHART for shot in widest.shots),
    )
