"""What a picture's plan says in plain sentences, and what it does not rest on."""

import math
from collections.abc import Sequence

from lensbench.library.kept import KeptSession
from lensbench.library.measured import LensCurve
from lensbench.library.plans import LensPlan, PicturePlan
from lensbench.library.scene import Wanted
from lensbench.library.words import cautions, listed

__all__ = ["metres", "picture_answer", "picture_cautions", "shutter"]


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
