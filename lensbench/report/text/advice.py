"""What the library's advice says: which lens and which stop, where to focus, what it costs, and its limits."""

import math
from collections.abc import Iterator, Sequence
from typing import Final

from lensbench.library import (
    Advice,
    AdviceCaution,
    AdviceCautionKind,
    Lack,
    LeftOut,
    LensAdvice,
    LensPlan,
    PicturePlan,
)
from lensbench.model.names import f_stop, focal_length, listed, shutter_speed
from lensbench.report.text.words import figure_range, percent

__all__ = ["advice_sentences", "caution_in_words", "no_answer", "picture_sentences", "reason_in_words"]


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
    reasons = "; ".join(f"{one.lens}: {reason_in_words(one)}" for one in left_out)
    return f"no lens in the library answers for {focal_length(focal_length_mm)}: {reasons or 'it is empty'}"


def reason_in_words(left_out: LeftOut) -> str:
    """Say why a lens can't answer."""
    first, last = (*left_out.values, math.nan)[0], (math.nan, *left_out.values)[-1]
    return _REASONS[left_out.reason].format(
        stop=f_stop(first),
        other=f_stop(last),
        lengths=f"{figure_range(first, last, 'g')} mm",
        figure=first,
    )


_REASONS: Final = {
    Lack.FOCAL_LENGTH_UNKNOWN: "its focal length is not known",
    Lack.FOCAL_LENGTH_OUTSIDE: "measured at {lengths} only",
    Lack.ZONE_NOT_MEASURED: "this zone was not measured",
    Lack.NO_STOP_IN_COMMON: "the focal lengths round this one have no stop in common",
    Lack.STOP_TOO_WIDE: "{stop} is wider than {other}, the widest stop measured",
    Lack.STOP_TOO_NARROW: "measured to {stop} only",
    Lack.STOP_BETWEEN: "{stop} was not measured, nor stops near enough to stand in",
    Lack.SENSOR_UNKNOWN: "neither pixel pitch nor picture size is known",
    Lack.PITCH_UNKNOWN: "its pixel pitch is not known, so no blur can be computed; sweep it again with --pitch-um",
    Lack.TOO_DARK: "{figure:.1f} stops too dark at its widest stop, this shutter and ISO limit",
}


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


def caution_in_words(caution: AdviceCaution) -> str:
    """Say what an advice does not rest on."""
    lengths = [f"{value:g}" for value in caution.values]
    return _CAUTIONS[caution.caution].format(lenses=", ".join(caution.lenses), lengths=lengths)


_CAUTIONS: Final = {
    AdviceCautionKind.SINGLE_SHOTS: "One shot a setting, so lens and focus can't be told apart: {lenses}.",
    AdviceCautionKind.BETWEEN_FOCAL_LENGTHS: (
        "{lenses} was measured at {lengths[0]} and {lengths[1]} mm; its figure at {lengths[2]} mm lies between and is "
        "provisional."
    ),
    AdviceCautionKind.CAMERAS_DIFFER: (
        "The cameras differ: each figure is that of lens and camera together, and on another sensor size the same "
        "focal length shows another field of view."
    ),
    AdviceCautionKind.RAW_AGAINST_FINISHED: (
        "Some were measured from raw files and some from finished pictures: these don't compare."
    ),
    AdviceCautionKind.UNLIKE_SCALES: (
        "The charts were photographed at unlike scales, so the print's own blur weighs unequally."
    ),
    AdviceCautionKind.NEWEST_SESSION: "The newest session counts where there are several: {lenses}.",
    AdviceCautionKind.EQUAL_SOFTNESS: (
        "Focus lies at twice the product over the sum of near and far, where both limits are equally soft; one third "
        "of the way holds only near (H + 2f)/3, H being the hyperfocal distance."
    ),
    AdviceCautionKind.SHAKE_BY_HABIT: (
        "Shake by the 1/focal-length habit, good to a factor of two to either side; a stabiliser is not counted."
    ),
    AdviceCautionKind.LIGHT_UNKNOWN: "The light is not known (--ev), so ISO and noise are left open.",
    AdviceCautionKind.FLAT_FIELD: (
        "Predicted for a flat field and the zone asked for; focus shift, haze and moving subjects are not counted."
    ),
}
