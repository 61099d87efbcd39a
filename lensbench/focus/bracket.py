"""Focus brackets among the shots, and the peak of each: one setting, with the focus at three or more steps.

Within one focus group an equal `focus_step` stands for an equal position of the focus, at whatever f-number: so the
brackets of one group at several stops share their scale, and show how the focus shifts on stopping down.

The curve of `peak` is laid through log MTF50 against the step: where it peaks, how high, and how fast
it falls. Sizes of steps need not be known. Shots that stray are left out, and what the model misses (aberrated pupils
fall unevenly before and behind) shows as scatter about the curve, and so widens the standard deviations.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy import stats

from lensbench import optics
from lensbench.focus.model import fall_table
from lensbench.focus.peak import FREE, SMALLEST_SD, FocusCurve, FocusShots, near_curve
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import SweepShot
from lensbench.model.units import FloatArray

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
_SURE: Final = 0.95
_ONE_SIDED: Final = 1.645
_NAN: Final = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class ThroughFocus:
    """What a focus bracket tells of one place of the picture, or of one zone."""

    verdict: BracketVerdict
    """peak: bracketed on both sides; beyond: it still rises at an end; short: it hardly falls at all, so that only
    the level is known; few: fewer than three focus positions."""
    best_step: float
    """Where the peak lies, in the steps' own unit; the end for «beyond», NaN for «short» and «few»."""
    best_step_sd: float
    """NaN but for «peak»."""
    log_mtf50: float
    """Of the peak [log cycles/pixel]; for «beyond» at the best end, a lower limit; for the others the mean."""
    log_sd: float
    """Of log_mtf50, hence a share of MTF50; NaN for «few»."""
    freedom: float
    """Degrees of freedom of the standard deviations; infinite where a shot's spread was given or assumed."""
    curvature: float
    """Second derivative of log MTF50 by the step at the peak, below 0; NaN for «short» and «few»."""
    disc_px_per_step: float
    """Diameter of the blur disc that one step makes; NaN for «short» and «few»."""
    scatter: float
    """Rms distance of the shots from the curve, a share of MTF50; NaN where three shots lie on it anyway."""
    shots: int
    """That count."""
    strayed: tuple[int, ...] = ()
    """Places, in the order given, of shots that were left out."""

    @property
    def mtf50_cypx(self) -> float:
        """MTF50 at the peak."""
        return float(np.exp(self.log_mtf50))

    @property
    def quantile(self) -> float:
        """Student's factor of a two-sided 95 % interval."""
        return float(stats.t.ppf(0.975, self.freedom)) if np.isfinite(self.freedom) else 1.96

    @property
    def ci95_cypx(self) -> tuple[float, float]:
        """Interval of 95 % of MTF50 at the peak."""
        reach = self.quantile * self.log_sd
        return float(np.exp(self.log_mtf50 - reach)), float(np.exp(self.log_mtf50 + reach))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Noise:
    """How far one shot strays."""

    sd: float
    freedom: float
    scatter: float


def focus_q(
    f_number: float, *, magnification: float | None = None, pixel_pitch_um: float | None = None
) -> float:
    """Pupil scale q of the working f-number in the middle of green, with usual values for what is not known."""
    if not np.isfinite(f_number):
        return _USUAL_Q
    pitch_um = pixel_pitch_um or _USUAL_PITCH_UM
    return optics.working_q(f_number, pixel_pitch_um=pitch_um, magnification=magnification)


def fit_through_focus(
    step: FloatArray, log_mtf50: FloatArray, *, q: float = _USUAL_Q, sd: float | None = None
) -> ThroughFocus:
    """Find the peak of a focus bracket.

    Parameters
    ----------
    step : float array, shape (shots,)
        Focus position of each shot in any even unit: micrometres, marks of a rail, clicks of a ring.
    log_mtf50 : float array, shape (shots,)
        Natural logarithm of each shot's MTF50 in cycles per pixel; shots with NaN are passed over.
    q : float
        Wavelength times working f-number over pixel pitch, as `focus_q` gives it; it only shapes the fall.
    sd : float, optional
        Spread of one shot where the focus is not touched, as a share of MTF50, where it is known from elsewhere.
        The scatter about the curve counts where it is significantly larger.

    Returns
    -------
    ThroughFocus
        Never raises: what the bracket can't tell is in its verdict.
    """
    known = np.flatnonzero(np.isfinite(step) & np.isfinite(log_mtf50))
    shots = FocusShots(
        step=np.asarray(step, np.float64)[known],
        log_mtf50=np.asarray(log_mtf50, np.float64)[known],
        table=fall_table(max(round(q, 3), 0.02)),
    )
    if shots.steps < FREE:
        return _few(shots)
    guess = max(sd or 0.01, SMALLEST_SD)
    curve = FocusCurve.through(shots, guess)
    keep = near_curve(shots, curve, sd)
    left = shots.kept(keep)
    if not keep.all() and left.steps >= FREE:
        shots, curve = left, FocusCurve.through(left, guess)
    else:
        keep[:] = True
    return _judged(shots, curve, sd=sd, strayed=tuple(int(index) for index in known[~keep]))


def _few(shots: FocusShots) -> ThroughFocus:
    return ThroughFocus(
        verdict="few",
        best_step=_NAN,
        best_step_sd=_NAN,
        log_mtf50=float(np.mean(shots.log_mtf50)) if len(shots.step) else _NAN,
        log_sd=_NAN,
        freedom=_NAN,
        curvature=_NAN,
        disc_px_per_step=_NAN,
        scatter=_NAN,
        shots=len(shots.step),
    )


def _noise(shots: FocusShots, curve: FocusCurve, sd: float | None) -> _Noise:
    """Spread of one shot: as given, or as the scatter about the curve shows where that is larger."""
    if len(shots.step) <= FREE:
        return _Noise(sd=sd or ASSUMED_SD, freedom=float("inf"), scatter=_NAN)
    square = float(np.sum((shots.log_mtf50 - curve.at(shots.step)) ** 2))
    rough = max(np.sqrt(square / (len(shots.step) - FREE)), sd or 0.0, SMALLEST_SD)
    spare = max(curve.spare(shots.step, rough), 1.0)
    scatter = float(np.sqrt(square / spare))
    if sd is not None and scatter <= sd * float(np.sqrt(stats.chi2.ppf(0.95, spare) / spare)):
        return _Noise(sd=max(sd, SMALLEST_SD), freedom=float("inf"), scatter=scatter)
    if sd is not None:
        return _Noise(sd=scatter, freedom=spare, scatter=scatter)
    freedom = spare + _EXPECTED_FREEDOM
    expected = float(np.sqrt((square + _EXPECTED_FREEDOM * _EXPECTED_SD**2) / freedom))
    return _Noise(sd=expected, freedom=freedom, scatter=scatter)


def _judged(
    shots: FocusShots, curve: FocusCurve, *, sd: float | None, strayed: tuple[int, ...]
) -> ThroughFocus:
    noise = _noise(shots, curve, sd)
    if not _falls(shots, curve, noise):
        return _short(shots, noise, strayed)
    covariance = curve.covariance(shots.step, noise.sd)
    best, best_sd = curve.best_step, float(np.sqrt(covariance[0, 0]))
    inside = shots.low + _ONE_SIDED * best_sd < best < shots.high - _ONE_SIDED * best_sd
    if not inside:
        best = shots.high if best > 0.5 * (shots.low + shots.high) else shots.low
    slope = curve.jacobian(np.array([best]))[0]
    return ThroughFocus(
        verdict="peak" if inside else "beyond",
        best_step=best,
        best_step_sd=best_sd if inside else _NAN,
        log_mtf50=float(curve.at(np.array([best]))[0]),
        log_sd=float(np.hypot(np.sqrt(slope @ covariance @ slope), MODEL_ERROR)),
        freedom=noise.freedom,
        curvature=curve.curvature,
        disc_px_per_step=float(np.exp(curve.parameters[1])),
        scatter=noise.scatter,
        shots=len(shots.step),
        strayed=strayed,
    )


def _falls(shots: FocusShots, curve: FocusCurve, noise: _Noise) -> bool:
    """Whether the shots follow the curve rather than a level, by the F-test at 5 %."""
    level = float(np.sum((shots.log_mtf50 - shots.log_mtf50.mean()) ** 2))
    rest = float(np.sum((shots.log_mtf50 - curve.at(shots.step)) ** 2))
    gained = (level - rest) / (FREE - 1) / noise.sd**2
    limit = (
        stats.f.ppf(_SURE, FREE - 1, noise.freedom)
        if np.isfinite(noise.freedom)
        else stats.chi2.ppf(_SURE, FREE - 1) / (FREE - 1)
    )
    return bool(gained > limit)


def _short(shots: FocusShots, noise: _Noise, strayed: tuple[int, ...]) -> ThroughFocus:
    """Verdict with the level alone: the peak is at most as far above the mean as the scatter could hide."""
    spread = float(np.std(shots.log_mtf50, ddof=1))
    sd = max(spread, noise.sd if np.isinf(noise.freedom) else 0.0, SMALLEST_SD)
    return ThroughFocus(
        verdict="short",
        best_step=_NAN,
        best_step_sd=_NAN,
        log_mtf50=float(np.mean(shots.log_mtf50)),
        log_sd=float(np.hypot(sd / np.sqrt(len(shots.step)), MODEL_ERROR)),
        freedom=len(shots.step) - 1.0,
        curvature=_NAN,
        disc_px_per_step=_NAN,
        scatter=spread,
        shots=len(shots.step),
        strayed=strayed,
    )


_FEWEST_STEPS = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bracket:
    """The shots of one focus bracket."""

    group: str
    condition: str
    f_number: float
    """Nominal."""
    exact_f_number: float
    focal_length_mm: float | None
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
            groups[plan.focus_group, plan.condition, *plan.setting.order].append(shot)
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
    """Through-focus peak of one zone's MTF50.

    Parameters
    ----------
    zone : str
        inner, middle, outer or frame.
    sd : float, optional
        Spread of one shot where the focus is not touched, as a share of MTF50.
    """
    figures = [result.summary.get(zone) for result in bracket.results]
    values = np.array([figure.mtf50_cypx if figure else np.nan for figure in figures])
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(np.where(values > 0.0, values, np.nan))
    return fit_through_focus(bracket.steps, logs, q=bracket.q, sd=sd)
