"""Focus brackets among the shots: those of one focus group at one setting, with the focus at three or more steps.

Within one focus group an equal `focus_step` stands for an equal position of the focus, at whatever f-number: so the
brackets of one group at several stops share their scale, and show how the focus shifts on stopping down.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from lensbench.records import ShotResult
from lensbench.study.findings import SweepShot
from lensbench.study.through_focus import ThroughFocus, fit_through_focus, focus_q

__all__ = ["Bracket", "brackets_among", "in_bracket", "zone_peak"]

_FEWEST_STEPS = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bracket:
    """The shots of one focus bracket."""

    group: str
    condition: str
    f_number: float
    """Nominal."""
    exact_f_number: float
    focal_length_mm: float
    shots: tuple[SweepShot, ...]
    """Those that count, by step."""

    @property
    def results(self) -> tuple[ShotResult, ...]:
        """What was measured in each shot."""
        return tuple(shot.result for shot in self.shots if isinstance(shot.result, ShotResult))

    @property
    def steps(self) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """The focus step of each shot."""
        return np.array([shot.planned.focus_step for shot in self.shots], dtype=np.float64)

    @property
    def q(self) -> float:
        """Wavelength times working f-number over pixel pitch."""
        first = self.results[0]
        return focus_q(
            self.exact_f_number, magnification=first.magnification, pixel_pitch_um=first.pixel_pitch_um
        )


def brackets_among(shots: Iterable[SweepShot]) -> list[Bracket]:
    """Find the focus brackets among the shots that count, by focus group and f-number.

    Lens and camera are taken to be the same, as in `LensFindings`; shots without a focus group or step are passed over.
    """
    groups: dict[tuple[str, str, float, float], list[SweepShot]] = defaultdict(list)
    for shot in shots:
        plan = shot.planned
        if shot.used and plan.focus_group and plan.focus_step is not None:
            setting = plan.setting
            focal = setting.focal_length_mm if np.isfinite(setting.focal_length_mm) else -1.0
            groups[plan.focus_group, plan.condition, focal, setting.f_number].append(shot)
    return [
        _bracket(members)
        for _, members in sorted(groups.items())
        if len({shot.planned.focus_step for shot in members}) >= _FEWEST_STEPS
    ]


def _bracket(members: Sequence[SweepShot]) -> Bracket:
    plan = members[0].planned
    exact = [shot.planned.metadata.f_number or plan.setting.f_number for shot in members]
    return Bracket(
        group=plan.focus_group,
        condition=plan.condition,
        f_number=plan.setting.f_number,
        exact_f_number=float(np.median(exact)),
        focal_length_mm=plan.setting.focal_length_mm,
        shots=tuple(sorted(members, key=lambda shot: (shot.planned.focus_step or 0.0, shot.planned.path))),
    )


def in_bracket(shots: Iterable[SweepShot]) -> set[int]:
    """Give `id` of every shot that belongs to a focus bracket, where being out of focus is no fault."""
    by_lens: dict[tuple[str, str], list[SweepShot]] = defaultdict(list)
    for shot in shots:
        by_lens[shot.planned.lens, shot.planned.camera].append(shot)
    return {
        id(shot) for group in by_lens.values() for bracket in brackets_among(group) for shot in bracket.shots
    }


def zone_peak(bracket: Bracket, zone: str, *, sd: float | None = None) -> ThroughFocus:
    """Fit the through-focus peak of one zone's MTF50.

    Parameters
    ----------
    zone : str
        inner, halfway, outer or frame.
    sd : float, optional
        Spread of one shot where the focus is not touched, as a share of MTF50.
    """
    figures = [result.summary.get(zone) for result in bracket.results]
    values = np.array([one.mtf50_cypx if one else np.nan for one in figures])
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(np.where(values > 0.0, values, np.nan))
    return fit_through_focus(bracket.steps, logs, q=bracket.q, sd=sd)
