"""What the library's advice says: which lens and which stop, where to focus, what it costs, and its limits."""

import math
from collections.abc import Iterator, Sequence
from typing import Final

from lensbench.library import Advice, LeftOut, LensAdvice, LensPlan, PicturePlan
from lensbench.model.names import f_stop, focal_length, listed, shutter_speed
from lensbench.report.notes import note_in_words
from lensbench.report.words import percent

_ZONES: Final = {
    "frame": "whole frame",
    "inner": "subject at the centre",
    "middle": "middle third",
    "outer": "edges and corners",
}


def advice_sentences(advice: Advice) -> list[str]:
    """Say which lens and stop, which can't be told from it, and how far behind the others are."""
    if not advice.lenses:
        return [no_answer(advice.focal_length_mm, advice.left_out)]
    best, *others = advice.lenses
    at = "" if advice.f_number is None else f" at {f_stop(advice.f_number)}"
    subject = f"For {focal_length(advice.focal_length_mm)}{at}, {_ZONES[advice.zone]}"
    named = [(f"{one.lens} ({f_stop(one.f_number)})", one) for one in others]
    return [
        f"{subject}: {_set(best, advice)}.",
        *_equal([name for name, one in named if one.tied]),
        *(
            f"{name} is {one.behind_percent:.0f} % softer{interval(one.behind_ci95_percent)}."
            for name, one in named
            if not one.tied
        ),
        *([] if others else ["No other lens in the library can answer."]),
    ]


def _set(best: LensAdvice, advice: Advice) -> str:
    if advice.f_number is not None:
        return f"take {best.lens}"
    border = " (best tested: a better stop may lie beyond)" if best.best_tested else ""
    good = _within_indifference(best.as_good_f_numbers, best.f_number)
    return f"take {best.lens} at {f_stop(best.f_number)}{border}{f', {good}' if good else ''}"


def _within_indifference(f_numbers: Sequence[float], best: float) -> str:
    good = [f_stop(one) for one in f_numbers if one != best]
    return f"{listed(good)} within 3 %" if good else ""


def _equal(names: Sequence[str]) -> list[str]:
    return [f"{listed(names)} can't be told from it."] if names else []


def interval(ends_percent: tuple[float, float]) -> str:
    """Interval in percent behind a figure; empty where it is not known."""
    low, high = ends_percent
    return f" ({low:.0f} to {high:.0f} %)" if math.isfinite(low) else ""


def no_answer(focal_length_mm: float, left_out: Sequence[LeftOut]) -> str:
    """Say that no lens answers, and why for each."""
    reasons = "; ".join(f"{one.lens}: {note_in_words(one.reason)}" for one in left_out)
    return f"no lens in the library answers for {focal_length(focal_length_mm)}: {reasons or 'it is empty'}"


def picture_sentences(plan: PicturePlan) -> list[str]:
    """Say which lens and stop, where to focus, what it costs, and the bracket where one frame does not serve."""
    if not plan.lenses:
        return [no_answer(plan.wanted.focal_length_mm, plan.left_out)]
    best, *others = plan.lenses
    tested = " (best tested)" if best.best_tested else ""
    good = _within_indifference(best.as_good_f_numbers, best.best.f_number)
    take = f"Take {best.lens} at {f_stop(best.best.f_number)}{tested}{f' ({good})' if good else ''}"
    named = [(f"{one.lens} ({f_stop(one.best.f_number)})", one) for one in others]
    return [
        f"{take}, and focus at {_metres(plan.focus_m)}.",
        (
            f"Against the sweet spot, {f_stop(best.sweet_spot_f_number)} in focus, that costs "
            f"{percent(best.focus_cost_percent)} at the plane of focus and {percent(best.limit_cost_percent)} at the "
            "near and far limits."
        ),
        *_bracket(best, plan),
        *_exposed(best),
        *_equal([name for name, one in named if one.tied]),
        *(
            f"{name} is {one.behind_percent:.0f} % softer at its limits."
            for name, one in named
            if not one.tied
        ),
    ]


def _bracket(lens: LensPlan, plan: PicturePlan) -> Iterator[str]:
    frames = lens.bracket
    if frames is None:
        return
    if frames.frames == 1:
        yield (
            f"What is lost here is not depth: on a tripod, one frame at {f_stop(frames.f_number)} keeps "
            f"{frames.kept_percent:.0f} % of the sweet spot everywhere."
        )
        return
    yield f"No single stop is sharp from {_metres(plan.wanted.near_m)} to {_metres(plan.wanted.far_m)}."
    yield f"One shot: {f_stop(lens.best.f_number)}."
    yield (
        f"Or a bracket on a tripod: {frames.frames} frames at {f_stop(frames.f_number)}, from "
        f"{_metres(frames.focus_m[0])} to {_metres(frames.focus_m[-1])}, {frames.step_um:.0f} um apart at the sensor; "
        f"they keep {frames.kept_percent:.0f} % of the sweet spot."
    )


def _exposed(lens: LensPlan) -> Iterator[str]:
    best = lens.best
    if best.exposure_s is None:
        return
    parts = [f"Exposure: {shutter_speed(best.exposure_s)}"]
    parts += [f"ISO {best.iso:.0f}"] if best.iso else []
    parts += [f"an edge like the chart's at SNR {best.snr:.0f}"] if math.isfinite(best.snr) else []
    shake = f"hands add about {best.shake_px:.1f} px of shake (a shorter shutter less)"
    yield f"{', '.join([*parts, shake] if best.shake_px > 0.0 else parts)}."


def _metres(distance_m: float) -> str:
    """Write a distance with as many digits as a focusing scale bears."""
    if math.isinf(distance_m):
        return "infinity"
    return f"{distance_m:.3g} m" if distance_m < 1000.0 else f"{distance_m:.0f} m"
