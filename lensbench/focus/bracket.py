"""Focus brackets among the shots, and the peak of each: one setting, with the focus at three or more steps.

Within one focus group an equal `focus_step` stands for an equal position of the focus, at whatever f-number: so the
brackets of one group at several stops share their scale, and show how the focus shifts on stopping down.

The curve of `peak` is laid through log MTF50 against the step: where it peaks, how high, and how fast it falls. Sizes
of steps need not be known. Shots that stray are left out, and what the model misses (aberrated pupils fall unevenly
before and behind) shows as scatter about the curve, and so widens the standard deviations.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from math import nan
from typing import Final, Literal

import numpy as np

from lensbench import optics
from lensbench.focus.peak import FREE, SMALLEST_SD, FocusCurve, FocusShots, fall_table
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import PlannedShot, SweepShot
from lensbench.model.units import FloatArray
from lensbench.stats import f_limit

BracketVerdict = Literal["peak", "beyond", "short", "few"]

ASSUMED_SD: Final = 0.03
"""Spread of one shot, as a share of MTF50, where nothing tells it. Common practice, no source."""
_EXPECTED_SD: Final = 0.02
_EXPECTED_FREEDOM: Final = 2.0
"""What is expected of the scatter where the spread is not known, and the degrees of freedom that this is worth: five
shots leave one or two of their own. Common practice, no source."""
MODEL_ERROR: Final = 0.004
"""Of the level at the peak: what the model errs by at aberrated pupils where scatter does not show it."""
_USUAL_PITCH_UM: Final = 4.3
_USUAL_Q: Final = optics.working_q(5.6, pixel_pitch_um=_USUAL_PITCH_UM)
_GUESSED_SD: Final = 0.01
_SURE: Final = 0.95
_FEWEST_STEPS: Final = 3
_ONE_SIDED: Final = 1.645


@dataclass(frozen=True, slots=True, kw_only=True)
class ThroughFocus:
    """What a focus bracket tells of one place of the picture, or of one zone."""

    verdict: BracketVerdict
    """peak: bracketed on both sides; beyond: it still rises at an end; short: it hardly falls at all, so that only
    the level is known; few: fewer than three focus positions."""
    log_mtf50: float
    """Of the peak, or at the step asked for [log cycles/pixel]; for «beyond» at the best end, a lower limit; for the
    others the mean."""
    shots: int
    """That count."""
    log_sd: float = nan
    """Of log_mtf50, hence a share of MTF50; NaN for «few»."""
    freedom: float = nan
    """Degrees of freedom of the standard deviations; infinite where a shot's spread was assumed."""
    best_step: float = nan
    """Where the peak lies, in the steps' own unit; the end for «beyond», NaN for «short» and «few»."""
    best_step_sd: float = nan
    """NaN but for «peak»."""
    disc_px_per_step: float = nan
    """Diameter of the blur disc that one step makes; NaN for «short» and «few»."""
    strayed: tuple[int, ...] = ()
    """Places, in the order given, of shots that were left out."""


def focus_q(
    f_number: float, *, magnification: float | None = None, pixel_pitch_um: float | None = None
) -> float:
    """Pupil scale q of the working f-number in the middle of green, with usual values for what is not known."""
    if not np.isfinite(f_number):
        return _USUAL_Q
    pitch_um = pixel_pitch_um or _USUAL_PITCH_UM
    return optics.working_q(f_number, pixel_pitch_um=pitch_um, magnification=magnification)


def pupil_q(result: ShotResult, f_number: float) -> float:
    """Pupil scale q of a measured shot at an f-number."""
    return focus_q(f_number, magnification=result.magnification, pixel_pitch_um=result.pixel_pitch_um)


def fit_through_focus(
    step: FloatArray, log_mtf50: FloatArray, *, q: float = _USUAL_Q, at_step: float | None = None
) -> ThroughFocus:
    """Peak of a focus bracket; what it can't tell is in its verdict.

    `step` holds each shot's focus position in any even unit: micrometres, marks of a rail, clicks of a ring;
    `log_mtf50` the natural logarithms of MTF50 in cycles per pixel, where shots with NaN are passed over. `q`, as
    `focus_q` gives it, only shapes the fall. The level is read at `at_step` instead of at the peak: that of one third
    where another is in focus.
    """
    known = np.flatnonzero(np.isfinite(step) & np.isfinite(log_mtf50))
    shots = FocusShots(
        step=np.asarray(step, np.float64)[known],
        log_mtf50=np.asarray(log_mtf50, np.float64)[known],
        table=fall_table(q),
    )
    if shots.steps < FREE:
        level = float(np.mean(shots.log_mtf50)) if len(shots.step) else nan
        return ThroughFocus(verdict="few", log_mtf50=level, shots=len(shots.step))
    curve = FocusCurve.through(shots, _GUESSED_SD)
    keep = curve.near()
    left = shots.kept(keep)
    if not keep.all() and left.steps >= FREE:
        curve = FocusCurve.through(left, _GUESSED_SD)
    else:
        keep[:] = True
    return _judged(curve, strayed=tuple(int(index) for index in known[~keep]), at_step=at_step)


def _noise(curve: FocusCurve) -> tuple[float, float]:
    """Spread of one shot as the scatter about the curve shows it, and its degrees of freedom."""
    shots = len(curve.shots.step)
    if shots <= FREE:
        return ASSUMED_SD, float("inf")
    square = float(np.sum(curve.off**2))
    rough = max(np.sqrt(square / (shots - FREE)), SMALLEST_SD)
    freedom = max(curve.spare(rough), 1.0) + _EXPECTED_FREEDOM
    return float(np.sqrt((square + _EXPECTED_FREEDOM * _EXPECTED_SD**2) / freedom)), freedom


def _judged(curve: FocusCurve, *, strayed: tuple[int, ...], at_step: float | None) -> ThroughFocus:
    noise_sd, freedom = _noise(curve)
    shots, (low, high) = len(curve.shots.step), curve.shots.ends
    if not _falls(curve, noise_sd, freedom):
        # The level alone: the peak is at most as far above the mean as the scatter could hide.
        spread = float(np.std(curve.shots.log_mtf50, ddof=1))
        level_sd = max(spread, noise_sd if np.isinf(freedom) else 0.0, SMALLEST_SD)
        return ThroughFocus(
            verdict="short",
            log_mtf50=float(np.mean(curve.shots.log_mtf50)),
            shots=shots,
            log_sd=float(np.hypot(level_sd / np.sqrt(shots), MODEL_ERROR)),
            freedom=shots - 1.0,
            strayed=strayed,
        )
    covariance = curve.covariance(noise_sd)
    best, best_sd = curve.best_step, float(np.sqrt(covariance[0, 0]))
    inside = low + _ONE_SIDED * best_sd < best < high - _ONE_SIDED * best_sd
    if not inside:
        best = high if best > 0.5 * (low + high) else low
    here = np.array([best if at_step is None else at_step])
    slope = curve.jacobian(here)[0]
    return ThroughFocus(
        verdict="peak" if inside else "beyond",
        log_mtf50=float(curve.at(here)[0]),
        shots=shots,
        log_sd=float(np.hypot(np.sqrt(slope @ covariance @ slope), MODEL_ERROR)),
        freedom=freedom,
        best_step=best,
        best_step_sd=best_sd if inside else nan,
        disc_px_per_step=float(np.exp(curve.parameters[1])),
        strayed=strayed,
    )


def _falls(curve: FocusCurve, noise_sd: float, freedom: float) -> bool:
    """Whether the shots follow the curve rather than a level, by the F-test at 5 %."""
    logs = curve.shots.log_mtf50
    level, rest = float(np.sum((logs - logs.mean()) ** 2)), float(np.sum(curve.off**2))
    gained = (level - rest) / (FREE - 1) / noise_sd**2
    return bool(gained > f_limit(1.0 - _SURE, FREE - 1, freedom))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bracket:
    """The shots of one focus bracket."""

    shots: tuple[SweepShot, ...]
    """Those that count, by step."""

    @property
    def plan(self) -> PlannedShot:
        """A shot's row of the table: focus group, condition and setting are those of all."""
        return self.shots[0].planned

    @property
    def exact_f_number(self) -> float:
        """Median of the files' f-numbers, nominal where a file does not tell it."""
        return float(np.median([shot.planned.exact_f_number for shot in self.shots]))

    @property
    def results(self) -> tuple[ShotResult, ...]:
        """What was measured in each shot."""
        return tuple(shot.measured for shot in self.shots)

    @property
    def steps(self) -> FloatArray:
        """The focus step of each shot."""
        return np.array([shot.planned.focus_step for shot in self.shots], dtype=np.float64)

    @property
    def q(self) -> float:
        """Wavelength times working f-number over pixel pitch."""
        return pupil_q(self.results[0], self.exact_f_number)


def brackets_among(shots: Iterable[SweepShot]) -> list[Bracket]:
    """Focus brackets among the shots that count, by focus group and f-number.

    Lens and camera are taken to be the same, as in `LensFindings`; shots without a focus group or step are passed over.
    """
    groups: dict[tuple[str, str, float, float], list[SweepShot]] = defaultdict(list)
    for shot in shots:
        plan = shot.planned
        if shot.used and plan.focus_group and plan.focus_step is not None:
            groups[plan.focus_group, plan.condition, *plan.setting.order].append(shot)
    return [
        Bracket(
            shots=tuple(sorted(members, key=lambda shot: (shot.planned.focus_step or 0.0, shot.planned.path)))
        )
        for _, members in sorted(groups.items())
        if len({shot.planned.focus_step for shot in members}) >= _FEWEST_STEPS
    ]


def in_bracket(shots: Iterable[SweepShot]) -> set[int]:
    """The `id` of every shot that belongs to a focus bracket, where being out of focus is no fault."""
    by_lens: dict[tuple[str, str], list[SweepShot]] = defaultdict(list)
    for shot in shots:
        by_lens[shot.planned.lens, shot.planned.camera].append(shot)
    return {
        id(shot) for group in by_lens.values() for bracket in brackets_among(group) for shot in bracket.shots
    }
