"""The plan of a picture: what each lens does at each stop, where to focus, whether one frame serves; and in words."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lensbench.library.advise import LeftOut, cautions, listed
from lensbench.library.curve import LensCurve
from lensbench.library.scene import Bracket, Wanted
from lensbench.model.measured import KeptSession

__all__ = ["Figure", "LensPlan", "PicturePlan", "StopPlan", "picture_answer", "picture_cautions", "shutter"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A predicted MTF50, with what the measurement and, by hand, the shake leave open."""

    mtf50_cypx: float
    range_cypx: tuple[float, float]
    """95 % interval of the measured curve, joined with the model's own error out of focus and, by hand, with twice
    and half the usual shake; NaN where the spread between shots is not known."""
    own_sd: float
    """Of the figure's logarithm, without the shake, which all lenses share."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StopPlan:
    """One stop before the scene."""

    f_number: float
    at_focus: Figure
    at_near: Figure
    at_far: Figure
    disc_px: float
    """Defocus disc at the near and far limit."""
    shake_px: float
    """Usual blur of hands."""
    exposure_s: float | None
    iso: float | None
    snr: float
    """Of an edge like the chart's, at this ISO; NaN where it is not known."""
    dark_by_stops: float
    """Light that is missing; such a stop is not chosen."""

    @property
    def worst(self) -> Figure:
        """The softer of both limits."""
        return min((self.at_near, self.at_far), key=lambda one: one.mtf50_cypx)


@dataclass(frozen=True, slots=True, kw_only=True)
class LensPlan:
    """One lens before the scene."""

    lens: str
    camera: str
    session: str
    measured_at_mm: tuple[float, ...]
    best: StopPlan
    """The compromise: the stop that is sharpest where it is softest, between near and far."""
    as_good_f_numbers: tuple[float, ...]
    """Stops within 3 % of it."""
    best_tested: bool
    """The compromise lies at the first or last stop tested."""
    sweet_spot_f_number: float
    """Where the lens is sharpest in focus, whatever depth and light ask for."""
    sweet_spot_cypx: float
    focus_cost_percent: float
    """What the compromise costs at the plane of focus, against the sweet spot in focus."""
    limit_cost_percent: float
    """The same at the softer limit."""
    one_frame_serves: bool
    """The softer limit keeps at least 80 % of the sweet spot."""
    bracket: Bracket | None
    """At the sweet spot, where one frame does not serve."""
    worst_lwph: float
    worst_lpmm: float
    stops: tuple[StopPlan, ...]
    tied: bool
    behind_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PicturePlan:
    """The answer to a picture that is wanted."""

    answer: str
    wanted: Wanted
    focus_m: float
    """From the sensor; the same at every stop."""
    third_m: float
    """Where the one-third habit would focus, NaN for an infinite far limit."""
    unit: str
    lenses: tuple[LensPlan, ...]
    """Sharpest at its softest place first."""
    left_out: tuple[LeftOut, ...]
    cautions: tuple[str, ...]


def picture_answer(plan: PicturePlan) -> str:
    """Say which lens and stop, where to focus, what it costs, and the bracket where one frame does not serve."""
    best, *others = plan.lenses
    parts = [
        f"Take {best.lens} at f/{best.best.f_number:g}{_alike(best)}, and focus at {metres(plan.focus_m)}.",
        _cost(best),
        _bracket(best),
        _exposed(best),
    ]
    equal = [f"{one.lens} (f/{one.best.f_number:g})" for one in others if one.tied]
    if equal:
        parts.append(f"{listed(equal)} can't be told from it.")
    parts += [
        f"{one.lens} (f/{one.best.f_number:g}) is {one.behind_percent:.0f} % softer at its limits."
        for one in others
        if not one.tied
    ]
    return " ".join(part for part in parts if part)


def _alike(plan: LensPlan) -> str:
    good = [f"f/{one:g}" for one in plan.as_good_f_numbers if one != plan.best.f_number]
    tested = " (best tested)" if plan.best_tested else ""
    return f"{tested} ({listed(good)} within 3 %)" if good else tested


def _cost(plan: LensPlan) -> str:
    top = f"the sweet spot, f/{plan.sweet_spot_f_number:g} in focus"
    return (
        f"Against {top}, that costs {_percent(plan.focus_cost_percent)} at the plane of focus and "
        f"{_percent(plan.limit_cost_percent)} at the near and far limits."
    )


def _percent(share: float) -> str:
    return "nothing" if share < 0.5 else f"{share:.0f} %"


def _bracket(plan: LensPlan) -> str:
    frames = plan.bracket
    if frames is None:
        return ""
    if frames.frames == 1:
        return (
            f"What is lost here is not depth: on a tripod, one frame at f/{frames.f_number:g} keeps "
            f"{frames.kept_percent:.0f} % of the sweet spot everywhere."
        )
    return (
        f"No single stop keeps 80 % of the sweet spot from near to far: on a tripod, {frames.frames} frames at "
        f"f/{frames.f_number:g}, from {metres(frames.focus_m[0])} to {metres(frames.focus_m[-1])}, "
        f"{frames.step_um:.0f} um apart at the sensor, keep {frames.kept_percent:.0f} %."
    )


def _exposed(plan: LensPlan) -> str:
    best = plan.best
    if best.exposure_s is None:
        return ""
    parts = [f"Exposure: {shutter(best.exposure_s)}"]
    parts += [f"ISO {best.iso:.0f}"] if best.iso else []
    parts += [f"an edge like the chart's at SNR {best.snr:.0f}"] if math.isfinite(best.snr) else []
    parts += (
        [f"hands add about {best.shake_px:.1f} px of shake (a shorter shutter less)"]
        if best.shake_px > 0.0
        else []
    )
    return f"{', '.join(parts)}."


def shutter(seconds: float) -> str:
    """Write an exposure time as a camera does.

    >>> shutter(1 / 60), shutter(2.5)
    ('1/60 s', '2.5 s')
    """
    return f"1/{1.0 / seconds:.0f} s" if seconds < 0.3 else f"{seconds:.2g} s"


def metres(distance_m: float) -> str:
    """Write a distance with as many digits as a focusing scale bears.

    >>> metres(3.807)
    '3.81 m'
    """
    return f"{distance_m:.3g} m" if distance_m < 1000.0 else f"{distance_m:.0f} m"


def picture_cautions(
    curves: Sequence[LensCurve], wanted: Wanted, sessions: Sequence[KeptSession]
) -> tuple[str, ...]:
    """Say what the plan does not rest on."""
    said = list(cautions(curves, sessions))
    said.append(
        "Focus lies at twice the product over the sum of near and far, where both limits are equally soft; one third "
        "of the way holds only near (H + 2f)/3, H being the hyperfocal distance."
    )
    if wanted.handheld:
        said.append(
            "Shake by the 1/focal-length habit, good to a factor of two to either side; a stabiliser is not counted."
        )
    if wanted.ev is None:
        said.append("The light is not known (--ev), so ISO and noise are left open.")
    said.append(
        "Predicted for a flat field and the zone asked for; focus shift, haze and moving subjects are not counted."
    )
    return tuple(said)
