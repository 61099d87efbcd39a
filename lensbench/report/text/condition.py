"""The state of a lens in sentences: evidence in figures, a caution, and what to do next, made from the findings."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import hypot, isfinite

from lensbench.model.condition import (
    Astigmatism,
    CameraTilt,
    ColourShift,
    ConditionFinding,
    Decentring,
    Distortion,
    FieldCurvature,
    FocusTilt,
    LateralColour,
    PlaneDistance,
    SagittalSplit,
    Side,
    SideAsymmetry,
    Source,
    Subject,
    TurnedOutcome,
    TurnedTest,
    Verdict,
)
from lensbench.model.setting import f_stop, focal_length, listed
from lensbench.report.text.words import at_setting, figure_range, sentence_case, signed, texts, worded


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionText:
    """What is said of one finding; empty where nothing is to be said."""

    evidence: str
    caution: str = ""
    advice: str = ""
    bracket: bool = False
    """Whether a focus bracket would tell: how to take one is said once for all findings, before the advice."""

    def __str__(self) -> str:
        bracket = worded("condition.bracket") if self.bracket else ""
        return " ".join(filter(None, (self.evidence, self.caution, bracket, self.advice)))


def verdict_text(finding: ConditionFinding) -> str:
    """«matters», «within limits» or «can't tell»: each says that it was looked at."""
    return str(texts("condition.verdicts")[finding.verdict])


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
            shift = finding.subject is Subject.FOCUS_SHIFT
            text = ConditionText(evidence=evidence, advice=advice, bracket=shift)
    return text


def _decentring(finding: ConditionFinding, details: Decentring) -> ConditionText:
    main, tilt, turned = details.main, details.focus_tilt, details.turned
    words, shots = texts("condition.decentring"), _shots_text(main.shots)
    not_turned = turned.outcome is TurnedOutcome.NOT_DONE
    by_lean = tilt is None and details.detection_limit_percent < finding.limit
    uneven = sorted((row for row in details.rows if row.matters), key=lambda row: row != main)
    if uneven:
        evidence = [words["uneven"].format(rows=_uneven_text(uneven[:4]), shots=shots)]
    elif main.shots < 2:
        evidence = [words["once"].format(main=asymmetry_text(main))]
    else:
        even = finding.verdict is Verdict.WITHIN_LIMITS and main.percent < finding.limit
        limit = words["limit"].format(limit=share(details.detection_limit_percent))
        seen = words["even" if even else "level"]
        evidence = [seen.format(main=asymmetry_text(main), shots=shots, limit=limit)]
    if tilt is not None and tilt.matters:
        evidence.append(words["leans"].format(um=tilt.um, leaning=leaning_text(tilt)))
    elif isfinite(details.lean_limit_percent):
        lean = words["unbracketed" if tilt is None else "bracketed"]
        evidence.append(lean.format(limit=share(details.lean_limit_percent)))
    evidence += [] if not_turned else [turned_text(turned)]
    by_tilt = max(row.tilt_percent for row in details.rows)
    cautions = [words["by_tilt"].format(by_tilt=by_tilt)] if by_tilt >= 1.0 else []
    bracket = by_lean and finding.verdict is Verdict.CANNOT_TELL
    cautions += [words["not_turned"]] if finding.verdict is Verdict.MATTERS and not_turned else []
    return ConditionText(
        evidence=" ".join(evidence),
        caution=" ".join([*cautions, words["holds_for"]]),
        advice="" if bracket else decentring_advice(finding.verdict, turned.outcome),
        bracket=bracket,
    )


def _tilt(finding: ConditionFinding, tilt: CameraTilt) -> ConditionText:
    yaw, pitch = (
        _with_reach(value, sd, 2, sign=True)
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
    words = texts("condition.field curvature")
    evidence = [words["unbracketed"]]
    if fall is not None:
        meaning = words["level" if within else "either"]
        size = f"{abs(fall.percent):.0f} % {'softer' if fall.percent >= 0.0 else 'sharper'}"
        evidence.append(words["fall"].format(at=at_setting(fall), size=size, meaning=meaning))
    return ConditionText(
        evidence=" ".join(evidence),
        caution=words["hidden"] if within else "",
        advice="" if within else words["refocus"],
        bracket=not within,
    )


def _plane(distance: PlaneDistance, subject: Subject) -> ConditionText:
    """How far two planes of focus lie apart: the corners' from the centre's, or that of a stop from a wider one's."""
    words = texts(f"condition.{subject}")
    brackets = "one bracket" if distance.brackets == 1 else f"{distance.brackets} brackets"
    interval = f"{interval_percent(distance.ci95_percent)}; " if distance.ci95_percent[1] >= 1.0 else ""
    open_still = distance.verdict is Verdict.CANNOT_TELL
    more = worded("condition.more_steps") if open_still else ""
    return ConditionText(
        evidence=words["evidence"].format(
            at=at_setting(distance),
            size=_size(distance),
            wide=f_stop(distance.against_f_number),
            height=f"{distance.image_height:.2f}",
            loss=share(distance.loss_percent),
            brackets=f"{interval}{brackets}",
        ),
        caution=words["caution"],
        advice=words["advice"] if distance.verdict is Verdict.MATTERS else more,
        bracket=open_still,
    )


def _size(distance: PlaneDistance) -> str:
    if not isfinite(distance.um):
        return f"{abs(distance.steps):.2g} ± {distance.sd_steps:.2g} steps"
    digits = 0 if abs(distance.um) >= 10.0 and distance.sd_um >= 0.5 else 1
    size = f"{_with_reach(distance.um, distance.sd_um, digits)} µm"
    return f"{size} (on the sensor's side; {abs(distance.steps):.2g} steps)"


def _astigmatism(finding: ConditionFinding, details: Astigmatism) -> ConditionText:
    words, split, distance = texts("condition.astigmatism"), details.split, details.distance
    parts = []
    if distance is not None:
        at, loss, height = at_setting(distance), share(distance.loss_percent), f"{distance.image_height:.2f}"
        interval = interval_percent(distance.ci95_percent)
        parts.append(
            words["planes"].format(at=at, size=_size(distance), height=height, loss=loss, interval=interval)
        )
    if split is not None:
        told = sentence_case(_split_text(split))
        parts.append(words["split"].format(split=told, shots=_shots_text(split.shots)))
    return ConditionText(
        evidence=" ".join(parts),
        caution=words["unbracketed" if distance is None else "caution"],
        advice=words["advice"] if finding.verdict is Verdict.MATTERS else "",
        bracket=finding.verdict is Verdict.CANNOT_TELL,
    )


def _split_text(split: SagittalSplit) -> str:
    """«sagittal and tangential edges differ by 14 % (8 to 20 %) at f/2.8, the sagittal ones sharper»."""
    sharper = "sagittal" if split.sagittal_percent > 0.0 else "tangential"
    interval = f" ({interval_percent(split.ci95_percent)})" if split.ci95_percent[1] < 100.0 else ""
    size = share(abs(split.sagittal_percent))
    return worded(
        "condition.astigmatism.differ", size=size, interval=interval, at=at_setting(split), sharper=sharper
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
    um = f" ({abs(shift.um):.1f} µm)" if abs(shift.um) >= 0.05 else ""
    if abs(shift.px) < 0.005:
        return worded("condition.lateral colour.none", colour=shift.colour)
    return f"{shift.colour} lies {_with_reach(shift.px, shift.reach_px, 2)} px{um} {where} of green"


def _with_reach(value: float, reach: float, digits: int, *, sign: bool = False) -> str:
    """«0.31 ± 0.02»; no ± where a single shot gives none, or where the last digit stands anyway."""
    size = signed(value, digits) if sign else f"{abs(value):.{digits}f}"
    return f"{size} ± {reach:.{digits}f}" if reach >= 0.5 * 10.0**-digits else size


def _distortion(details: Distortion) -> ConditionText:
    kind = "barrel" if details.percent < 0.0 else "pincushion"
    if abs(details.percent) < 0.05:
        kind = "distortion"
    size, shots = _with_reach(details.percent, details.reach_percent, 1), _shots_text(details.shots)
    at = f", at {focal_length(details.focal_length_mm)}" if details.focal_lengths > 1 else ""
    return ConditionText(
        evidence=f"{size} % {kind} in the corner; {shots}{at}.",
        caution="It holds at this distance; correcting it costs some sharpness in the corners.",
    )


def _shots_text(shots: int) -> str:
    """«3 shots», or «one shot only»."""
    return f"{shots} shots" if shots > 1 else "one shot only"


def state_sentences(condition: Sequence[ConditionFinding], *, pointing: bool = True) -> list[str]:
    """What matters of a lens's state, and of how the camera stood, each with its size; empty where nothing does.

    `pointing` adds where more of it stands.
    """
    found = [text for finding in condition if (text := _headline(finding))]
    look = [worded("condition.look")] * (pointing and bool(found))
    return [f"{sentence_case(text)}." for text in found] + look


def _headline(finding: ConditionFinding) -> str:
    """One thought without a full stop; empty where nothing is beyond its limit with its whole interval."""
    details = finding.details
    if isinstance(details, Astigmatism) and details.distance is None and details.split is not None:
        return _split_text(details.split) if details.split.verdict is Verdict.MATTERS else ""
    if finding.verdict is not Verdict.MATTERS:
        return ""
    figures: dict[str, str | float] = {"cost": f"{share(finding.value)} ({interval_percent(finding.ci95)})"}
    match details:
        case CameraTilt():
            askew_deg = hypot(details.yaw_deg, details.pitch_deg)
            figures |= {"askew_deg": askew_deg, "stop": f_stop(details.f_number)}
        case Decentring():
            return decentred_text(details)
        case FieldCurvature(distance=PlaneDistance() as own) | Astigmatism(distance=PlaneDistance() as own):
            figures |= {"at": at_setting(own)}
        case PlaneDistance():
            figures |= {"at": at_setting(details), "wide": f_stop(details.against_f_number)}
        case _:
            return ""
    return worded(f"condition.{finding.subject}.headline", **figures)


def decentred_text(details: Decentring) -> str:
    """Side and size of what is off, and what the turned test says of it."""
    main, tilt, turned = details.main, details.focus_tilt, details.turned
    off = asymmetry_text(main)
    if tilt is not None and tilt.matters and not main.matters:
        off = leaning_text(tilt)
    what = "chart" if turned.chart_only else "camera"
    what = what if turned.told else worded("evidence.turned.either")
    return f"{off}{worded(f'condition.decentring.{turned.outcome}', what=what)}"


def share(percent: float) -> str:
    """«5 %», or «under 1 %»."""
    return f"{percent:.0f} %" if percent >= 1.0 else "under 1 %"


def interval_percent(ci95_percent: tuple[float, float]) -> str:
    """«3 to 7 %», «58 %» where both ends are spelled alike, «under 1 %»."""
    low, high = ci95_percent
    return share(high) if high < 0.5 else f"{figure_range(low, high, '.0f')} %"


def asymmetry_text(row: SideAsymmetry) -> str:
    """«the upper left is 5 % softer at 24 mm, f/2.8 (3 to 7 %)»."""
    source = ", each target at its own best focus" if row.source is Source.FOCUS_BRACKET else ""
    return (
        f"the {side_name(row.softer_side)} is {share(row.percent)} softer at {at_setting(row)} "
        f"({interval_percent(row.ci95_percent)}){source}"
    )


def _uneven_text(rows: Sequence[SideAsymmetry]) -> str:
    """Each setting in turn; what stays the same is said once: «…; 10 % at 35 mm, f/2.8 (9 to 12 %)»."""
    parts = [asymmetry_text(rows[0])]
    for before, row in pairwise(rows):
        alike = (row.softer_side, row.source) == (before.softer_side, before.source)
        size = f"{share(row.percent)} at {at_setting(row)} ({interval_percent(row.ci95_percent)})"
        parts.append(size if alike else asymmetry_text(row))
    return "; ".join(parts)


def side_name(side: Side) -> str:
    """«right side», «top», «upper left»."""
    return f"{side} side" if side in {Side.LEFT, Side.RIGHT} else side.value


def leaning_text(tilt: FocusTilt) -> str:
    """«the plane of best focus leans to the right, which costs the sides 12 % (9 to 15 %) at f/2.8»."""
    size = f"{share(tilt.loss_percent)} ({interval_percent(tilt.ci95_percent)})"
    return worded("evidence.leaning", side=tilt.side, size=size, at=at_setting(tilt))


def decentring_advice(verdict: Verdict, outcome: TurnedOutcome) -> str:
    """What to do before anything is sent back."""
    if verdict is Verdict.MATTERS:
        key = {TurnedOutcome.STAYED: "other_body", TurnedOutcome.BOTH: "chart_too"}.get(outcome, "refocus")
    elif outcome is TurnedOutcome.MOVED:
        key = "hang"
    else:
        key = "nothing" if verdict is Verdict.WITHIN_LIMITS else "repeat"
    words = texts("evidence.advice")
    return str(words[key].format(turn=words["turn"]))


def turned_text(turned: TurnedTest) -> str:
    """What came out of turning the camera, or the chart, by 180 degrees."""
    words = texts("evidence.turned")
    if turned.outcome is TurnedOutcome.NOT_DONE:
        return str(words["not_done"])
    what, other = (
        ("chart", "the print") if turned.chart_only else ("camera", "the chart, the wall and its light")
    )
    caution = "" if not turned.chart_only else words["chart_only" if turned.told else "untold"]
    what = what if turned.told else words["either"]
    meaning = words[turned.outcome].format(other=other) + caution
    stayed, moved, reach = turned.stayed_percent, turned.moved_percent, max(turned.reach_percent, 1.0)
    return str(words["figures"].format(what=what, stayed=stayed, moved=moved, reach=reach, meaning=meaning))
