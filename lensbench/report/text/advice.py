"""What the library's advice says: which lens and which stop, where to focus, what it costs, and its limits."""

import math
from collections.abc import Iterator, Sequence
from typing import Final

from lensbench.library import EYE_MM, Advice, LeftOut, LensAdvice, LensPlan, PicturePlan, Wanted
from lensbench.model.setting import f_stop, focal_length, listed, shutter_speed
from lensbench.report.text.words import note_in_words, percent, worded

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
    subject = f"For {focal_length(advice.focal_length_mm)}"
    take = f"take {best.lens}"
    if advice.f_number is None:
        border = " (best tested: a better stop may lie beyond)" if best.best_tested else ""
        good = _within_indifference(best.as_good_f_numbers, best.f_number)
        take += f" at {f_stop(best.f_number)}{border}{f', {good}' if good else ''}"
    else:
        subject += f" at {f_stop(advice.f_number)}"
    named = [(f"{one.lens} ({f_stop(one.f_number)})", one) for one in others]
    return [
        f"{subject}, {_ZONES[advice.zone]}: {take}.",
        *_others(named),
        *([] if others else [worded("advice.nothing_else")]),
    ]


def _within_indifference(f_numbers: Sequence[float], best: float) -> str:
    good = [f_stop(one) for one in f_numbers if one != best]
    return f"{listed(good)} within 3 %" if good else ""


def _others(named: Sequence[tuple[str, LensAdvice | LensPlan]], *, flat: bool = False) -> Iterator[str]:
    """Say which lenses can't be told from the best, and how far the rest stay behind."""
    if tied := [name for name, lens in named if lens.tied]:
        yield f"{listed(tied)} can't be told from it."
    for name, lens in named:
        if not lens.tied:
            where = "" if isinstance(lens, LensAdvice) or flat else " at its limits"
            yield f"{name} is {lens.behind_percent:.0f} % softer{where}{interval(lens.behind_ci95_percent)}."


def interval(ends_percent: tuple[float, float]) -> str:
    """Interval in percent behind a figure; empty where it is not known."""
    low, high = ends_percent
    return f" ({low:.0f} to {high:.0f} %)" if math.isfinite(low) else ""


def no_answer(focal_length_mm: float, left_out: Sequence[LeftOut]) -> str:
    """Say that no lens answers, and why for each."""
    reasons = "; ".join(f"{one.lens}: {note_in_words(one.reason)}" for one in left_out)
    return worded("advice.no_answer", wanted=focal_length(focal_length_mm), reasons=reasons or "it is empty")


def picture_sentences(plan: PicturePlan) -> list[str]:
    """Say which lens and stop, where to focus, what it costs, and the bracket where one frame does not serve."""
    if not plan.lenses:
        return [no_answer(plan.wanted.focal_length_mm, plan.left_out)]
    best, *others = plan.lenses
    tested = " (best tested)" if best.best_tested else ""
    good = _within_indifference(best.as_good_f_numbers, best.best.f_number)
    take = f"Take {best.lens} at {f_stop(best.best.f_number)}{tested}{f' ({good})' if good else ''}"
    depth = [worded("advice.flat")]
    if not plan.wanted.flat:
        take += f", and focus at {_metres(plan.focus_m)}"
        cost = worded(
            "advice.cost_by_hand" if plan.wanted.handheld else "advice.cost",
            sweet_spot=f_stop(best.sweet_spot_f_number),
            focus_cost=percent(best.focus_cost_percent),
            limit_cost=percent(best.limit_cost_percent),
        )
        depth = [cost]
    return [
        f"{take}.",
        *depth,
        *_in_print(best, plan.wanted),
        *_one_or_several(best, plan),
        *_exposed(best),
        *_others(
            [(f"{one.lens} ({f_stop(one.best.f_number)})", one) for one in others], flat=plan.wanted.flat
        ),
    ]


def _in_print(lens: LensPlan, wanted: Wanted) -> Iterator[str]:
    """Say which stops look alike in the print that was asked for."""
    if wanted.print_mm is None or math.isnan(lens.visible_loss_percent):
        return
    height_cm, width_cm = (side / 10.0 for side in sorted(wanted.print_mm))
    size = {"height": f"{height_cm:g}", "width": f"{width_cm:g}", "eye": f"{EYE_MM / 10.0:.0f}"}
    alike = listed([f_stop(stop) for stop in lens.alike_f_numbers])
    kind = "advice.print_one" if len(lens.alike_f_numbers) == 1 else "advice.print_alike"
    yield worded(kind, stops=alike, **size)


def _one_or_several(lens: LensPlan, plan: PicturePlan) -> Iterator[str]:
    """Say whether one shot does, and the bracket where it does not; by hand, what limits it."""
    frames, ideal, wanted = lens.bracket, lens.ideal_bracket, plan.wanted
    if lens.one_frame_serves:
        if wanted.print_mm is not None:
            yield worded("advice.print_serves")
        return
    if wanted.handheld:
        shaken = lens.focus_cost_percent > 0.5 * lens.limit_cost_percent and lens.best.shake_px > 0.0
        yield worded("advice.by_hand_shake" if shaken else "advice.by_hand_depth")
        return
    if frames is not None and frames.frames == 1:
        yield worded("advice.one_frame", stop=f_stop(frames.f_number), kept=frames.kept_percent)
        return
    yield worded("advice.no_stop", near=_metres(wanted.near_m), far=_metres(wanted.far_m))
    yield f"One shot: {f_stop(lens.best.f_number)}."
    if frames is not None:
        first, last = _metres(frames.focus_m[0]), _metres(frames.focus_m[-1])
        figures = {"frames": frames.frames, "first": first, "last": last, "step_um": frames.step_um}
        stop, kept = f_stop(frames.f_number), frames.kept_percent
        yield worded("advice.bracket", stop=stop, kept=kept, **figures)
    if ideal is not None:
        kind = "advice.ideal_bracket" if frames else "advice.only_ideal"
        yield worded(kind, frames=ideal.frames, stop=f_stop(ideal.f_number), kept=ideal.kept_percent)


def _exposed(lens: LensPlan) -> Iterator[str]:
    best = lens.best
    if best.exposure_s is None:
        return
    parts = (
        f"Exposure: {shutter_speed(best.exposure_s)}",
        f"ISO {best.iso:.0f}" if best.iso else "",
        f"an edge like the chart's at SNR {best.snr:.0f}" if math.isfinite(best.snr) else "",
        f"hands add about {best.shake_px:.1f} px of shake (a shorter shutter less)" * (best.shake_px > 0.0),
    )
    yield f"{', '.join(filter(None, parts))}."


def _metres(distance_m: float) -> str:
    """Write a distance with as many digits as a focusing scale bears."""
    if math.isinf(distance_m):
        return "infinity"
    return f"{distance_m:.3g} m" if distance_m < 1000.0 else f"{distance_m:.0f} m"
