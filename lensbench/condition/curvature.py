"""Field curvature, focus shift and astigmatism: from focus brackets, and what can be told without."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.condition.asymmetry import SettingShots
from lensbench.condition.focus_surface import BOW, LEVEL, SPLIT, FocusSurface
from lensbench.model.setting import focal_order
from lensbench.stats import Repeats, moderated, quantile

__all__ = ["Bend", "Falloff", "FieldSplit", "bow_of", "falloff", "shift_of", "split_of_focus", "splits_of"]


MATTERS: Final = 0.05
"""A loss of MTF50 below this share does not show. Common practice, no source."""
SPLIT_MATTERS: Final = 0.10
"""Sagittal and tangential edges differ by some percent in every lens. Common practice, no source."""
_AT_HEIGHT: Final = 0.8
_USUAL_SPLIT_SD: Final = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Bend:
    """A distance of planes of focus, and what it costs."""

    f_number: float
    """Where it is stated."""
    against: float
    """The stop that it is held against (focus shift); the same for the others."""
    steps: float
    sd_steps: float
    um: float
    """On the sensor's side; NaN where the pixel pitch is unknown."""
    sd_um: float
    loss: float
    """Share of MTF50 lost where focus stays at the other plane."""
    loss_low: float
    loss_high: float
    told: bool
    """Beyond chance."""
    brackets: int

    @property
    def verdict(self) -> str:
        """seen, not seen or can't tell."""
        if self.told and self.loss >= MATTERS:
            return "seen"
        return "not seen" if self.loss_high < 2.0 * MATTERS else "can't tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class Falloff:
    """How much softer the outer zone is than the inner one at one stop."""

    f_number: float
    percent: float
    sd_percent: float
    shots: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldSplit:
    """Sagittal against tangential sharpness in the outer field of refocused shots."""

    f_number: float
    log_ratio: float
    """Of sagittal over tangential MTF50 at image height 0.8."""
    reach: float
    """Half the interval."""
    shots: int

    @property
    def verdict(self) -> str:
        """seen, not seen or can't tell."""
        if self.shots < 2:
            return "can't tell"
        size = abs(self.log_ratio)
        if size > self.reach and size >= SPLIT_MATTERS:
            return "seen"
        return "not seen" if size + self.reach < 1.5 * SPLIT_MATTERS else "can't tell"


def bow_of(surfaces: Sequence[FocusSurface]) -> Bend | None:
    """Give the field curvature at the bracketed stop that it costs most; None without brackets."""
    return _worst([_bend(group, BOW, tests=_stops(surfaces)) for group in _by_stop(surfaces)])


def split_of_focus(surfaces: Sequence[FocusSurface]) -> Bend | None:
    """Give the distance of the sagittal from the tangential plane of focus at the stop that it costs most."""
    return _worst([_bend(group, SPLIT, tests=_stops(surfaces)) for group in _by_stop(surfaces)])


def _worst(bends: Sequence[Bend]) -> Bend | None:
    order = ("not seen", "can't tell", "seen")
    return max(bends, key=lambda one: (order.index(one.verdict), one.loss), default=None)


def _stops(surfaces: Sequence[FocusSurface]) -> int:
    return max(len(_by_stop(surfaces)), 1)


def _by_stop(surfaces: Sequence[FocusSurface]) -> list[list[FocusSurface]]:
    keys = sorted({(_length(surface), surface.bracket.f_number) for surface in surfaces})
    return [[s for s in surfaces if (_length(s), s.bracket.f_number) == key] for key in keys]


def _length(surface: FocusSurface) -> float:
    return focal_order(surface.bracket.focal_length_mm)


def _bend(group: Sequence[FocusSurface], which: int, *, tests: int) -> Bend:
    """Average the brackets of one stop: their own sds, or their scatter where that is larger."""
    steps = np.array([surface.steps[which] for surface in group])
    own = np.array([surface.sd(which) for surface in group])
    sd = float(np.sqrt(np.mean(own**2) / len(group)))
    if len(group) > 1:
        sd = max(sd, float(np.std(steps, ddof=1)) / np.sqrt(len(group)))
    freedom = float(min(surface.freedom for surface in group))
    return _stated(
        group,
        float(np.mean(steps)),
        sd,
        reach=quantile(freedom, tests=tests),
        height=_AT_HEIGHT**2,
        against=group[0],
    )


def _stated(
    group: Sequence[FocusSurface],
    steps: float,
    sd: float,
    *,
    reach: float,
    height: float,
    against: FocusSurface,
) -> Bend:
    """Say what a distance costs; `height` is how much of it acts where the loss is stated."""
    first = group[0]
    low, high = max(abs(steps) - reach * sd, 0.0), abs(steps) + reach * sd
    return Bend(
        f_number=first.bracket.f_number,
        against=against.bracket.f_number,
        steps=steps,
        sd_steps=sd,
        um=steps * first.um_per_step,
        sd_um=sd * abs(first.um_per_step),
        loss=first.loss(height * steps),
        loss_low=first.loss(height * low),
        loss_high=first.loss(height * high),
        told=abs(steps) > reach * sd,
        brackets=len(group),
    )


def shift_of(surfaces: Sequence[FocusSurface]) -> Bend | None:
    """Give the focus shift: from the widest bracketed stop of a focus group to the one where it costs most.

    Only brackets of one focus group share their steps. None where no group holds brackets at two stops.
    """
    pairs: dict[tuple[float, float, float], list[tuple[FocusSurface, FocusSurface]]] = {}
    for widest, other in _pairs(surfaces):
        key = (_length(widest), widest.bracket.f_number, other.bracket.f_number)
        pairs.setdefault(key, []).append((widest, other))
    return _worst([_shift(group, tests=len(pairs)) for group in pairs.values()])


def _pairs(surfaces: Sequence[FocusSurface]) -> list[tuple[FocusSurface, FocusSurface]]:
    groups: dict[tuple[str, str, float], list[FocusSurface]] = {}
    for surface in surfaces:
        key = (surface.bracket.group, surface.bracket.condition, _length(surface))
        groups.setdefault(key, []).append(surface)
    found = []
    for members in groups.values():
        members.sort(key=lambda surface: surface.bracket.f_number)
        found += [(members[0], other) for other in members[1:]]
    return found


def _shift(pairs: Sequence[tuple[FocusSurface, FocusSurface]], *, tests: int) -> Bend:
    steps = np.array([other.steps[LEVEL] - widest.steps[LEVEL] for widest, other in pairs])
    own = np.array([widest.sd(LEVEL) ** 2 + other.sd(LEVEL) ** 2 for widest, other in pairs])
    sd = float(np.sqrt(np.mean(own) / len(pairs)))
    if len(pairs) > 1:
        sd = max(sd, float(np.std(steps, ddof=1)) / np.sqrt(len(pairs)))
    freedom = float(min(min(widest.freedom, other.freedom) for widest, other in pairs))
    return _stated(
        [other for _, other in pairs],
        float(np.mean(steps)),
        sd,
        reach=quantile(freedom, tests=max(tests, 1)),
        height=1.0,
        against=pairs[0][0],
    )


def falloff(setting: SettingShots) -> Falloff | None:
    """Give how much softer the outer zone is than the inner one; None where a zone was not seen."""
    ratios = [
        float(np.log(result.summary["outer"].mtf50_cypx / result.summary["inner"].mtf50_cypx))
        for result in setting.results
        if {"outer", "inner"} <= set(result.summary)
    ]
    known = [one for one in ratios if np.isfinite(one)]
    if not known:
        return None
    sd = float(np.std(known, ddof=1) / np.sqrt(len(known))) if len(known) > 1 else float("nan")
    return Falloff(
        f_number=setting.setting.f_number,
        percent=float(-100.0 * np.expm1(np.mean(known))),
        sd_percent=100.0 * sd,
        shots=len(known),
    )


def splits_of(settings: Sequence[SettingShots]) -> list[FieldSplit]:
    """Give sagittal against tangential sharpness at every setting."""
    repeats = [
        Repeats(values=np.array([[shape.split] for shape in one.shapes]), alike=(0,) * len(one.shapes))
        for one in settings
    ]
    found = []
    for one, values, spread in zip(
        settings, repeats, moderated(repeats, usual_sd=_USUAL_SPLIT_SD), strict=True
    ):
        uneven = float(np.mean([shape.split_sd**2 for shape in one.shapes]))
        sd = float(np.sqrt(spread.variance / len(one.shapes) + uneven))
        found.append(
            FieldSplit(
                f_number=one.setting.f_number,
                log_ratio=float(values.values.mean()),
                reach=quantile(spread.freedom, tests=len(settings)) * sd,
                shots=len(one.shapes),
            )
        )
    return found
