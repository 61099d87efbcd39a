"""The state of a lens in sentences: evidence in figures, a caution, and what to do next, made from the findings."""

from dataclasses import dataclass
from math import isfinite

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
from lensbench.report.words import at_setting, borne, texts, worded


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
            text = _plane(details, Subject.FOCUS_SHIFT)
        case Astigmatism() as details:
            text = _astigmatism(finding, details)
        case LateralColour() as details:
            text = _lateral_colour(finding, details)
        case Distortion() as details:
            text = _distortion(details)
        case None:
            evidence, advice = texts(f"condition.nothing measured.{finding.subject}")
            text = ConditionText(evidence=evidence, advice=advice.format(bracket=_bracket()))
    return text


def _bracket() -> str:
    return worded("condition.bracket")


def _decentring(finding: ConditionFinding, details: Decentring) -> ConditionText:
    main, tilt, turned = details.main, details.focus_tilt, details.turned
    words, shots = texts("condition.decentring"), _shots_text(main.shots)
    not_turned = turned.outcome is TurnedOutcome.NOT_DONE
    uneven = sorted((row for row in details.rows if row.matters), key=lambda row: row is not main)
    if uneven:
        rows = "; ".join(asymmetry_text(row) for row in uneven[:4])
        evidence = [words["uneven"].format(rows=rows, shots=shots)]
    elif main.shots < 2:
        evidence = [words["once"].format(main=asymmetry_text(main))]
    else:
        even = finding.verdict is Verdict.WITHIN_LIMITS and main.percent < finding.limit
        limit = words["limit"].format(limit=share(details.detection_limit_percent))
        seen = words["even" if even else "open"]
        evidence = [seen.format(main=asymmetry_text(main), shots=shots, limit=limit)]
    if tilt is not None and tilt.matters:
        cost, at = share(tilt.loss_percent), at_setting(tilt)
        evidence.append(words["tilted"].format(um=tilt.um, cost=cost, at=at))
    evidence += [] if not_turned else [turned_text(turned)]
    by_tilt = max(row.tilt_percent for row in details.rows)
    cautions = [words["by_tilt"].format(by_tilt=by_tilt)] if by_tilt >= 1.0 else []
    cautions += [words["not_turned"]] if finding.verdict is Verdict.MATTERS and not_turned else []
    return ConditionText(
        evidence=" ".join(evidence),
        caution=" ".join([*cautions, words["holds_for"]]),
        advice=decentring_advice(finding.verdict, turned.outcome),
    )


def _tilt(finding: ConditionFinding, tilt: CameraTilt) -> ConditionText:
    yaw, pitch = (
        borne(value, sd, 2, sign=True) + (f" ± {borne(sd, sd, 2)}" if isfinite(sd) else "")
        for value, sd in ((tilt.yaw_deg, tilt.yaw_sd_deg), (tilt.pitch_deg, tilt.pitch_sd_deg))
    )
    cost, most = share(finding.value), share(finding.ci95[1])
    at_most = "" if most == cost else f", {most} at most"
    words = texts("condition.tilt")
    return ConditionText(
        evidence=words["evidence"].format(
            yaw=yaw, pitch=pitch, stop=f_stop(tilt.f_number), cost=cost, at_most=at_most
        ),
        caution=words["caution"],
        advice="" if finding.verdict is Verdict.WITHIN_LIMITS else words["advice"],
    )


def _curvature(finding: ConditionFinding, details: FieldCurvature) -> ConditionText:
    distance, fall = details.distance, details.falloff
    if distance is not None:
        return _plane(distance, Subject.FIELD_CURVATURE)
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
        advice="" if within else f"{_bracket()} A shot refocused on a corner shows it as well.",
    )


def _plane(distance: PlaneDistance, subject: Subject) -> ConditionText:
    """How far two planes of focus lie apart: the corners' from the centre's, or that of a stop from a wider one's."""
    words = texts(f"condition.{subject}")
    brackets = "one bracket" if distance.brackets == 1 else f"{distance.brackets} brackets"
    interval = f"{interval_percent(distance.ci95_percent)}; " if distance.ci95_percent[1] >= 1.0 else ""
    advice = {
        Verdict.MATTERS: words["advice"],
        Verdict.CANNOT_TELL: f"{_bracket()} Use more shots or wider steps than now.",
        Verdict.WITHIN_LIMITS: "",
    }
    return ConditionText(
        evidence=words["evidence"].format(
            at=at_setting(distance),
            size=_size(distance),
            wide=f_stop(distance.against_f_number),
            loss=share(distance.loss_percent),
            brackets=f"{interval}{brackets}",
        ),
        caution=words["caution"],
        advice=advice[distance.verdict],
    )


def _size(distance: PlaneDistance) -> str:
    if not isfinite(distance.um):
        return f"{abs(distance.steps):.2g} ± {distance.sd_steps:.2g} steps"
    digits = 0 if abs(distance.um) >= 10.0 and distance.sd_um >= 0.5 else 1
    size = f"{abs(distance.um):.{digits}f} ± {distance.sd_um:.{digits}f} um"
    return f"{size} (on the sensor's side; {abs(distance.steps):.2g} steps)"


def _astigmatism(finding: ConditionFinding, details: Astigmatism) -> ConditionText:
    words, split, distance = texts("condition.astigmatism"), details.split, details.distance
    parts = []
    if split is not None:
        sharper = "sagittal" if split.sagittal_percent > 0.0 else "tangential"
        size = f"{abs(split.sagittal_percent):.0f} ± {split.reach_percent:.0f} % sharper"
        shots = _shots_text(split.shots)
        parts.append(words["split"].format(at=at_setting(split), sharper=sharper, size=size, shots=shots))
    if distance is not None:
        at, loss = at_setting(distance), share(distance.loss_percent)
        parts.append(words["planes"].format(at=at, size=_size(distance), loss=loss))
    wanted = distance is None and finding.verdict is not Verdict.WITHIN_LIMITS
    return ConditionText(
        evidence=" ".join(parts),
        caution=words["unbracketed" if distance is None else "caution"],
        advice=_bracket() if wanted else "",
    )


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
