"""The state of a lens, each point of it as seen, not seen or can't tell.

Tilt of the chart, decentring, field curvature, focus shift, astigmatism, lateral colour and distortion.

«Seen» is said only where the interval leaves no doubt and the size matters in a picture.

The page of evidence for somebody who may want to return or repair a lens: fixed fields, no accusation.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.condition.asymmetry import Asymmetry, SettingShots, is_upside_down, settings_of
from lensbench.condition.colour import distortions, lateral_colours
from lensbench.condition.curvature import bow_of, falloff, shift_of, split_of_focus, splits_of
from lensbench.condition.decentring import Decentring, judge_decentring, percent, side_figures
from lensbench.condition.focus_surface import FocusSurface, focus_surface
from lensbench.condition.text import (
    TURN_IT,
    at_setting,
    bow_finding,
    colour_finding,
    decentring_finding,
    distortion_finding,
    shift_finding,
    split_finding,
)
from lensbench.condition.tilt import FocusSlope, mean_slope, tilt_loss
from lensbench.focus import brackets_among, in_bracket
from lensbench.model.condition import LensEvidence, RuledOut
from lensbench.model.shot import ShotResult
from lensbench.model.sweep import ConditionFinding, SweepShot

__all__ = ["lens_condition"]


_CAUTION: Final = (
    "These figures hold for this copy of the lens on this body, at this distance. They don't say where the asymmetry "
    "comes from: lens, mount and sensor are measured together, and no lens is perfectly even. What is within "
    "the maker's tolerance only the maker can tell."
)


def lens_evidence(
    found: Decentring,
    settings: Sequence[SettingShots],
    *,
    shots: Sequence[SweepShot],
    surfaces: Sequence[FocusSurface],
) -> LensEvidence | None:
    """Gather the page's fields; None where no decentring was seen."""
    main = found.main
    if found.verdict != "seen" or main is None:
        return None
    rows = found.evidence_rows()
    place = next(number for number, row in enumerate(found.rows) if row is main)
    return LensEvidence(
        what=_what(main, found),
        main=rows[place],
        rows=rows,
        sides=side_figures(_results_at(main, settings, surfaces)),
        repeats=_repeats(settings, surfaces),
        turned_test=found.turned.words,
        ruled_out=(
            _tilt(main, rows[place].tilt_percent),
            _focus(found, settings, surfaces),
            _shake(shots),
            _chart(found),
        ),
        caution=_CAUTION,
        advice=_advice(found),
    )


def _what(main: Asymmetry, found: Decentring) -> str:
    row = next(one for one, own in zip(found.evidence_rows(), found.rows, strict=True) if own is main)
    if not row.seen:
        lost = 100.0 * found.leaning.loss if found.leaning else float("nan")
        return (
            "Opposite sides of the picture are sharp at different focus, more than the chart's tilt explains: at "
            f"{at_setting(main.setting)} that costs the sides {lost:.0f} % where the middle is in focus."
        )
    low, high = row.ci95_percent
    return (
        f"The picture is {row.asymmetry_percent:.0f} % softer at the {row.softer_side} than at the side opposite, at "
        f"{at_setting(main.setting)} (95 %: {low:.0f} to {high:.0f} %)."
    )


def _results_at(
    main: Asymmetry, settings: Sequence[SettingShots], surfaces: Sequence[FocusSurface]
) -> list[ShotResult]:
    if main.source == "shots":
        same = [one for one in settings if str(one.setting) == str(main.setting)]
        return [result for one in same for result in one.results]
    return [
        result
        for surface in surfaces
        if surface.bracket.f_number == main.setting.f_number
        for result in surface.bracket.results[len(surface.bracket.results) // 2 :][:1]
    ]


def _repeats(settings: Sequence[SettingShots], surfaces: Sequence[FocusSurface]) -> str:
    counts = sorted({len(one.shots) for one in settings if len(one.shots) > 1})
    ends = counts[:1] + counts[-1:] if len(counts) > 1 else counts
    parts = [f"{' to '.join(map(str, ends))} shots a setting, focused anew each time"] if counts else []
    turned = max((sum(one.turned) for one in settings), default=0)
    parts += [f"{turned} of each with the camera or chart turned"] if turned else []
    if surfaces:
        steps = sum(len(surface.bracket.shots) for surface in surfaces)
        parts.append(f"{len(surfaces)} focus bracket{'s' * (len(surfaces) > 1)} of {steps} shots in all")
    return "; ".join(parts) or "none"


def _tilt(main: Asymmetry, tilt_percent: float) -> RuledOut:
    if main.source == "focus bracket":
        return RuledOut(
            cause="tilt",
            ruled_out=True,
            why="Peaks of a focus bracket are compared: each place at its own best focus, where tilt costs nothing.",
        )
    return RuledOut(
        cause="tilt",
        ruled_out=bool(tilt_percent < 0.5 * percent(main.size)),
        why=(
            f"Measured in every photograph; with its uncertainty it could account for {tilt_percent:.1f} % at most. "
            "That doubt is in the interval."
        ),
    )


def _focus(found: Decentring, settings: Sequence[SettingShots], surfaces: Sequence[FocusSurface]) -> RuledOut:
    if not found.seen:
        return RuledOut(
            cause="focus",
            ruled_out=False,
            why="Each side is sharp at a focus of its own: it is a matter of focus, which leans over the picture.",
        )
    if any(row.source == "focus bracket" for row in found.seen):
        return RuledOut(
            cause="focus", ruled_out=True, why="No position of a focus bracket makes the soft side as sharp."
        )
    if any(surface.peaks is not None for surface in surfaces):
        return RuledOut(
            cause="focus",
            ruled_out=False,
            why="There is a focus bracket, but it does not show the asymmetry by itself.",
        )
    count = max((len(one.shots) for one in settings), default=1)
    return RuledOut(
        cause="focus",
        ruled_out=False,
        why=(
            f"It stayed through {count} shots focused anew, so no single focus error made it; whether another focus "
            "would regain the soft side, a focus bracket or a shot refocused on that side tells."
        ),
    )


def _shake(shots: Sequence[SweepShot]) -> RuledOut:
    results = [shot.result for shot in shots if shot.used and isinstance(shot.result, ShotResult)]
    shaken = sum(any(remark.flag == "shake" for remark in result.quality) for result in results)
    if shaken:
        why = f"{shaken} of {len(results)} photographs show shake: shoot them again."
    else:
        why = (
            f"None of {len(results)} photographs shows it: shake softens edges of one direction all over the picture, "
            "not one side."
        )
    return RuledOut(cause="shake", ruled_out=not shaken, why=why)


def _chart(found: Decentring) -> RuledOut:
    done = found.turned.outcome != "not done"
    return RuledOut(
        cause="chart and wall",
        ruled_out=found.turned.outcome == "stayed",
        why="See the turned test." if done else "Only the turned test can rule them out.",
    )


def _advice(found: Decentring) -> str:
    if found.turned.outcome == "stayed":
        return (
            "If you can, repeat one setting with the lens on another body: what follows the lens belongs to it. Then "
            "show this page to the dealer or the workshop, together with the photographs."
        )
    return f"Before anything is sent back: {TURN_IT[0].lower()}{TURN_IT[1:]}"


_TILT_MATTERS: Final = 0.03
"""Loss of MTF50 at the sides."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LensCondition:
    """What a shoot tells of the state of one lens."""

    findings: tuple[ConditionFinding, ...]
    evidence: LensEvidence | None
    """For somebody who may want to return or repair the lens; None where no decentring was seen."""


def lens_condition(shots: Sequence[SweepShot]) -> LensCondition:
    """Judge the state of one lens on one camera from all its shots, rejected ones included."""
    used = [shot for shot in shots if shot.used]
    results = [shot.result for shot in used if isinstance(shot.result, ShotResult)]
    if not results:
        return LensCondition(findings=(), evidence=None)
    bracketed = in_bracket(used)
    settings = settings_of(shot for shot in used if id(shot) not in bracketed)
    surfaces = [surface for one in brackets_among(used) if (surface := focus_surface(one)) is not None]
    decentring = judge_decentring(settings, surfaces, results)
    findings = (
        tilt_finding(results),
        decentring_finding(decentring),
        *_of_focus(settings, surfaces),
        colour_finding(lateral_colours(results)),
        distortion_finding(distortions(results)),
    )
    return LensCondition(
        findings=tuple(one for one in findings if one is not None),
        evidence=lens_evidence(decentring, settings, shots=shots, surfaces=surfaces),
    )


def _of_focus(
    settings: Sequence[SettingShots], surfaces: Sequence[FocusSurface]
) -> tuple[ConditionFinding, ...]:
    fall = falloff(settings[0]) if settings else None
    return (
        bow_finding(bow_of(surfaces), fall),
        shift_finding(shift_of(surfaces)),
        split_finding(splits_of(settings) if settings else [], split_of_focus(surfaces), fall),
    )


def tilt_finding(results: Sequence[ShotResult]) -> ConditionFinding:
    """Say how squarely the camera stood, and what that costs at the widest stop."""
    known = [result for result in results if np.isfinite(result.tilt.yaw_deg + result.tilt.pitch_deg)]
    if not known:
        return ConditionFinding(
            subject="tilt",
            verdict="can't tell",
            evidence="The pictures don't tell how squarely the camera stood: focal length or pixel pitch is unknown.",
            caution="",
            advice="Give the pixel pitch (--pitch-um), or the focal length in a shots table.",
        )
    known = [result for result in known if not is_upside_down(result)] or known
    widest = min(result.metadata.f_number or np.inf for result in known)
    widest = widest if np.isfinite(widest) else 5.6
    slope = mean_slope(known)
    sure = np.zeros(2)
    loss = tilt_loss(FocusSlope(um=slope.um, sd_um=sure), known, f_number=widest)
    at_most = tilt_loss(
        FocusSlope(um=np.abs(slope.um) + 2.0 * slope.sd_um, sd_um=sure), known, f_number=widest
    )
    told = float(np.linalg.norm(slope.um)) > 2.0 * float(np.linalg.norm(slope.sd_um))
    verdict = (
        "seen"
        if told and loss >= _TILT_MATTERS
        else "not seen"
        if at_most < 2 * _TILT_MATTERS
        else "can't tell"
    )
    yaw, pitch = (_median_angle(known, name) for name in ("yaw", "pitch"))
    return ConditionFinding(
        subject="tilt",
        verdict=verdict,
        evidence=(
            f"Yaw {yaw}, pitch {pitch}: at f/{widest:.2g} that costs the sides {_share(loss)} of MTF50 where the "
            f"middle is in focus, {_share(at_most)} at most."
        ),
        caution="It is how the camera stood, not the lens; it is taken into account before decentring is judged.",
        advice="Turn the camera square to the chart: a mirror held flat on it shows the lens its own image."
        if verdict != "not seen"
        else "",
    )


def _share(loss: float) -> str:
    return f"{100 * loss:.0f} %" if loss >= 0.01 else "less than 1 %"


def _median_angle(results: Sequence[ShotResult], name: str) -> str:
    values = np.array([getattr(result.tilt, f"{name}_deg") for result in results])
    sds = np.array([getattr(result.tilt, f"{name}_sd_deg") for result in results])
    sd = float(np.median(sds))
    return f"{np.median(values):+.2f}" + (f" ± {sd:.2f}" if np.isfinite(sd) else "") + " degrees"
