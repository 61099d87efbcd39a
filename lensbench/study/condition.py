"""The state of a lens, each point of it as seen, not seen or can't tell.

Tilt of the chart, decentring, field curvature, focus shift, astigmatism, lateral colour and distortion.

«Seen» is said only where the interval leaves no doubt and the size matters in a picture.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.records import ShotResult
from lensbench.study.brackets import brackets_among, in_bracket
from lensbench.study.condition_asymmetry import SettingShots, settings_of, turned_over
from lensbench.study.condition_bow import bow_of, falloff, shift_of, split_of_focus, splits_of
from lensbench.study.condition_colour import distortions, lateral_colours
from lensbench.study.condition_decentring import judge_decentring
from lensbench.study.condition_evidence import lens_evidence
from lensbench.study.condition_focus import FocusSurface, focus_surface
from lensbench.study.condition_records import LensEvidence
from lensbench.study.condition_tilt import FocusSlope, mean_slope, tilt_loss
from lensbench.study.condition_words import (
    bow_finding,
    colour_finding,
    decentring_finding,
    distortion_finding,
    shift_finding,
    split_finding,
)
from lensbench.study.findings import ConditionFinding, SweepShot

__all__ = ["LensCondition", "lens_condition"]

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
    known = [result for result in known if not turned_over(result)] or known
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
