"""What an advice says in plain sentences, and what it does not rest on."""

import math
from collections.abc import Sequence
from typing import Final

from lensbench.library.answers import Advice, LensAdvice
from lensbench.library.kept import KeptSession
from lensbench.library.measured import LensCurve
from lensbench.library.ordering import like_sensors

__all__ = ["ZONE_WORDS", "answer_of", "cautions", "listed"]

_UNLIKE_SCALE: Final = 1.25
"""Magnifications further apart than this share weigh the print's own blur differently. Common practice."""


ZONE_WORDS: Final = {
    "frame": "whole frame",
    "inner": "middle",
    "halfway": "halfway zone",
    "outer": "edges and corners",
}


def listed(names: Sequence[str]) -> str:
    """Join names as one says them.

    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def answer_of(found: Advice) -> str:
    """Say which lens and stop, which can't be told from it, and how far behind the others are."""
    best, *others = found.lenses
    subject = ZONE_WORDS[found.zone]
    at = "" if found.f_number is None else f" at f/{found.f_number:g}"
    parts = [f"For {found.focal_length_mm:g} mm{at}, {subject}: {_set(best, found)}."]
    equal = [f"{one.lens} ({_stop(one)})" for one in others if one.tied]
    if equal:
        parts.append(f"{listed(equal)} can't be told from it.")
    parts += [
        f"{one.lens} ({_stop(one)}) is {one.behind_percent:.0f} % softer{_interval(one)}."
        for one in others
        if not one.tied
    ]
    if not others:
        parts.append("No other lens in the library can answer.")
    return " ".join(parts)


def _set(best: LensAdvice, found: Advice) -> str:
    if found.f_number is not None:
        return f"take {best.lens}"
    border = " (best tested: a better stop may lie beyond)" if best.best_tested else ""
    good = [f"f/{one:g}" for one in best.as_good_f_numbers if one != best.f_number]
    alike = f", {listed(good)} within 3 %" if good else ""
    return f"take {best.lens} at f/{best.f_number:g}{border}{alike}"


def _stop(one: LensAdvice) -> str:
    return f"f/{one.f_number:g}"


def _interval(one: LensAdvice) -> str:
    low, high = one.behind_ci95_percent
    return f" ({low:.0f} to {high:.0f} %)" if math.isfinite(low) else ""


def cautions(curves: Sequence[LensCurve], sessions: Sequence[KeptSession]) -> tuple[str, ...]:
    """Say what the comparison does not rest on."""
    said = []
    own = [curve.session for curve in curves]
    if single := [curve.session.lens for curve in curves if not curve.repeated]:
        said.append(f"One shot a setting, so lens and focus can't be told apart: {', '.join(single)}.")
    if mixed := [curve for curve in curves if len(curve.measured_at_mm) > 1]:
        said += [
            f"{curve.session.lens} was measured at {curve.measured_at_mm[0]:g} and {curve.measured_at_mm[1]:g} mm; "
            f"its figure at {curve.focal_length_mm:g} mm lies between and is provisional."
            for curve in mixed
        ]
    if not like_sensors(own):
        said.append(
            "The cameras differ: each figure is that of lens and camera together, and on another sensor size the "
            "same focal length shows another field of view."
        )
    if len({one.sensor_data for one in own}) > 1:
        said.append("Some were measured from raw files and some from finished pictures: these don't compare.")
    scales = [curve.magnification for curve in curves if math.isfinite(curve.magnification)]
    if scales and max(scales) > _UNLIKE_SCALE * min(scales):
        said.append(
            "The charts were photographed at unlike scales, so the print's own blur weighs unequally."
        )
    if older := sorted({one.lens for one in sessions if one not in own and _named(one, own)}):
        said.append(f"The newest session counts where there are several: {', '.join(older)}.")
    return tuple(said)


def _named(session: KeptSession, others: Sequence[KeptSession]) -> bool:
    return any((one.lens, one.camera) == (session.lens, session.camera) for one in others)
