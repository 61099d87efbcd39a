"""The state of a lens in sentences: evidence in figures, a caution, and what to do next, made from the findings."""

from dataclasses import dataclass
from math import isfinite
from typing import Final

from lensbench.model.condition import (
    Astigmatism,
    CameraTilt,
    ColourShift,
    ConditionFinding,
    Decentring,
    Distortion,
    FieldCurvature,
    LateralColour,
    PlaneDistance,
    Subject,
    TurnedOutcome,
    Verdict,
)
from lensbench.model.setting import f_stop, focal_length, listed
from lensbench.report.evidence import asymmetry_text, decentring_advice, interval_percent, share, turned_text
from lensbench.report.words import at_setting, borne

_BRACKET: Final = (
    "Take a focus bracket: seven shots in even steps from clearly before to clearly behind the best focus, all stops "
    "at each step, with focus_group and focus_step in the shots table."
)
_NOTHING_MEASURED: Final = {
    Subject.TILT: (
        "How squarely the camera stood is unknown: focal length or pixel pitch is missing.",
        "Give the pixel pitch (--pitch-um), or the focal length in a shots table.",
    ),
    Subject.DECENTRING: (
        "No shot shows enough of the chart to compare the sides.",
        "Fill the frame with the chart out to the corners and shoot each stop three times.",
    ),
    Subject.FOCUS_SHIFT: (
        "No focus brackets at two stops with the focus untouched between the stops.",
        _BRACKET,
    ),
    Subject.ASTIGMATISM: (
        "No shot shows enough of the chart's outer targets.",
        "Fill the frame with the chart out to the corners.",
    ),
    Subject.LATERAL_COLOUR: (
        "The shots show one colour only, or too few edges across the radius.",
        "Shoot raw with a colour sensor, the chart out to the corners.",
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionText:
    """What is said of one finding; empty where nothing is to be said."""

    evidence: str
    caution: str = ""
    advice: str = ""

    def __str__(self) -> str:
        return " ".join(filter(None, (self.evidence, self.caution, self.advice)))


def verdict_text(finding: ConditionFinding) -> str:
    """«matters», «within limits (limit 0.5 px)» or «can't tell»."""
    if finding.verdict is Verdict.WITHIN_LIMITS:
        return f"within limits (limit {finding.limit:.2g} {finding.unit})"
    return "matters" if finding.verdict is Verdict.MATTERS else "can't tell"


def condition_text(finding: ConditionFinding) -> ConditionText:
    """Evidence, caution and advice of one finding."""
    match finding.details:
        case CameraTilt() as details:
            text = _tilt(finding, details)
        case Decentring() as details:
            text = _decentring(finding, details)
        case FieldCurvature() as details:
            text = _curvature(finding, details)
        case PlaneDistance() as details:
            text = _focus_shift(details)
        case Astigmatism() as details:
            text = _astigmatism(finding, details)
        case LateralColour() as details:
            text = _lateral_colour(finding, details)
        case Distortion() as details:
            text = _distortion(details)
        case None:
            evidence, advice = _NOTHING_MEASURED[finding.subject]
            text = ConditionText(evidence=evidence, advice=advice)
    return text


def _decentring(finding: ConditionFinding, details: Decentring) -> ConditionText:
    main, tilt, turned = details.main, details.focus_tilt, details.turned
    not_turned = turned.outcome is TurnedOutcome.NOT_DONE
    uneven = sorted((row for row in details.rows if row.matters), key=lambda row: row is not main)
    if uneven:
        rows = "; ".join(asymmetry_text(row) for row in uneven[:4])
        evidence = [f"One side is softer than the side opposite: {rows}; {_shots_text(main.shots)}."]
    elif main.shots < 2:
        evidence = [f"One shot a setting: {asymmetry_text(main)}, and nothing shows that it repeats."]
    else:
        even = finding.verdict is Verdict.WITHIN_LIMITS and main.percent < finding.limit
        seen = "Even enough" if even else "No side stands out"
        limit = share(details.detection_limit_percent)
        evidence = [
            f"{seen}: {asymmetry_text(main)}; {_shots_text(main.shots)}.",
            f"At the widest stop that was repeated, {limit} or more would have shown.",
        ]
    if tilt is not None and tilt.matters:
        evidence.append(
            f"The plane of best focus is tilted by {tilt.um:.0f} um over half the diagonal beyond the chart's tilt, "
            f"which costs the sides {share(tilt.loss_percent)} at {at_setting(tilt)}."
        )
    evidence += [] if not_turned else [turned_text(turned)]
    by_tilt = max(row.tilt_percent for row in details.rows)
    cautions = []
    if by_tilt >= 1.0:
        cautions.append(f"The chart's tilt could account for {by_tilt:.0f} % at most; the interval holds it.")
    if finding.verdict is Verdict.MATTERS and not_turned:
        cautions.append("Chart, wall and light are not ruled out before the camera was turned.")
    cautions.append("It holds for this copy on this body, at this distance.")
    return ConditionText(
        evidence=" ".join(evidence),
        caution=" ".join(cautions),
        advice=decentring_advice(finding.verdict, turned.outcome),
    )


def _tilt(finding: ConditionFinding, tilt: CameraTilt) -> ConditionText:
    yaw, pitch = (
        borne(value, sd, 2, sign=True) + (f" ± {borne(sd, sd, 2)}" if isfinite(sd) else "")
        for value, sd in ((tilt.yaw_deg, tilt.yaw_sd_deg), (tilt.pitch_deg, tilt.pitch_sd_deg))
    )
    cost, most = share(finding.value), share(finding.ci95[1])
    at_most = "" if most == cost else f", {most} at most"
    square = "Turn the camera square to the chart: a mirror held flat on it shows the lens its own image."
    return ConditionText(
        evidence=(
            f"Yaw {yaw}°, pitch {pitch}°. At {f_stop(tilt.f_number)} that costs the sides {cost} of MTF50 with the "
            f"centre in focus{at_most}."
        ),
        caution="It is how the camera stood, not the lens; decentring is judged with it taken into account.",
        advice="" if finding.verdict is Verdict.WITHIN_LIMITS else square,
    )


def _curvature(finding: ConditionFinding, details: FieldCurvature) -> ConditionText:
    distance, fall = details.distance, details.falloff
    if distance is not None:
        at = at_setting(distance)
        return _plane(
            distance,
            what=f"At {at} the corners are sharpest {_size(distance)} from the centre's focus",
            cost="with the centre in focus, that costs the outer zone",
            caution="It is the same in every copy as a rule, and holds for this distance; no fault by itself.",
            advice="Where corners matter, focus between centre and corner, or stop down.",
        )
    within = finding.verdict is Verdict.WITHIN_LIMITS
    evidence = "No focus bracket."
    if fall is not None:
        meaning = "curvature or other blur, one focus can't tell which"
        if within:
            meaning = "a curved field would cost it more"
        at, size = at_setting(fall), f"{abs(fall.percent):.0f} %"
        word = "softer" if fall.percent >= 0.0 else "sharper"
        evidence += f" At {at} the outer zone is {size} {word} than the inner one: {meaning}."
    return ConditionText(
        evidence=evidence,
        caution="A focus that favours the corners would hide it." if within else "",
        advice="" if within else f"{_BRACKET} A shot refocused on a corner shows it as well.",
    )


def _focus_shift(distance: PlaneDistance) -> ConditionText:
    at, wide = at_setting(distance), f_stop(distance.against_f_number)
    return _plane(
        distance,
        what=f"At {at} the plane of best focus lies {_size(distance)} from that at {wide}",
        cost="focused at the wider stop, that costs",
        caution="It comes with spherical aberration, in every copy as a rule; no fault by itself.",
        advice="Focus with the lens stopped down to the stop of the picture.",
    )


def _plane(distance: PlaneDistance, *, what: str, cost: str, caution: str, advice: str) -> ConditionText:
    brackets = "one bracket" if distance.brackets == 1 else f"{distance.brackets} brackets"
    loss, high = share(distance.loss_percent), distance.ci95_percent[1]
    interval = f"{interval_percent(distance.ci95_percent)}; " if high >= 1.0 else ""
    advices = {
        Verdict.MATTERS: advice,
        Verdict.CANNOT_TELL: f"{_BRACKET} Use more shots or wider steps than now.",
        Verdict.WITHIN_LIMITS: "",
    }
    return ConditionText(
        evidence=f"{what}; {cost} {loss} of MTF50 ({interval}{brackets}).",
        caution=caution,
        advice=advices[distance.verdict],
    )


def _size(distance: PlaneDistance) -> str:
    if not isfinite(distance.um):
        return f"{abs(distance.steps):.2g} ± {distance.sd_steps:.2g} steps"
    digits = 0 if abs(distance.um) >= 10.0 and distance.sd_um >= 0.5 else 1
    size = f"{abs(distance.um):.{digits}f} ± {distance.sd_um:.{digits}f} um"
    return f"{size} (on the sensor's side; {abs(distance.steps):.2g} steps)"


def _astigmatism(finding: ConditionFinding, details: Astigmatism) -> ConditionText:
    split, distance = details.split, details.distance
    parts = []
    if split is not None:
        sharper = "sagittal" if split.sagittal_percent > 0.0 else "tangential"
        size = f"{abs(split.sagittal_percent):.0f} ± {split.reach_percent:.0f} % sharper"
        shots = _shots_text(split.shots)
        parts.append(f"At {at_setting(split)} {sharper} edges are {size} in the outer field; {shots}.")
    if distance is not None:
        at = at_setting(distance)
        parts.append(
            f"At {at} the planes of best focus of sagittal and tangential edges lie {_size(distance)} apart in the "
            f"corner, which costs {share(distance.loss_percent)}."
        )
    wanted = distance is None and finding.verdict is not Verdict.WITHIN_LIMITS
    caution = "Coma and lateral colour part them too; every lens has some."
    if distance is None:
        caution = "Coma and a curved field part them too, and a focus midway between the two planes hides astigmatism."
    return ConditionText(evidence=" ".join(parts), caution=caution, advice=_BRACKET if wanted else "")


def _lateral_colour(finding: ConditionFinding, details: LateralColour) -> ConditionText:
    length = details.main.focal_length_mm
    shifts = [_colour_shift(shift) for shift in details.shifts if shift.focal_length_mm == length]
    many = len({shift.focal_length_mm for shift in details.shifts}) > 1 and length
    return ConditionText(
        evidence=f"In the corner, {listed(shifts)}{f', at {focal_length(length)}' if many else ''}.",
        caution="Raw converters take it out; it is alike in every copy, unless it differs from side to side.",
        advice="Switch its correction on in the raw converter." if finding.verdict is Verdict.MATTERS else "",
    )


def _colour_shift(shift: ColourShift) -> str:
    where = "outside" if shift.px > 0.0 else "inside"
    um = f" ({abs(shift.um):.1f} um)" if isfinite(shift.um) else ""
    return f"{shift.colour} lies {_with_reach(shift.px, shift.reach_px, 2)} px{um} {where} of green"


def _with_reach(value: float, reach: float, digits: int) -> str:
    """«0.31 ± 0.02»; no ± where a single shot gives none, or where the last digit stands anyway."""
    size = f"{abs(value):.{digits}f}"
    return f"{size} ± {reach:.{digits}f}" if reach >= 0.5 * 10.0**-digits else size


def _distortion(details: Distortion) -> ConditionText:
    kind = "barrel" if details.percent < 0.0 else "pincushion"
    if abs(details.percent) < 0.05:
        kind = "distortion"
    size, shots = _with_reach(details.percent, details.reach_percent, 1), _shots_text(details.shots)
    at = f", at {focal_length(details.focal_length_mm)}" if details.focal_lengths > 1 else ""
    return ConditionText(
        evidence=f"{size} % {kind} in the corner; {shots}{at}.",
        caution="At this distance; correcting it costs some sharpness in the corners.",
    )


def _shots_text(shots: int) -> str:
    """«3 shots», or «one shot only»."""
    return f"{shots} shots" if shots > 1 else "one shot only"
