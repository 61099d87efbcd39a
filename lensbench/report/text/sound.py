"""Whether the copy is sound, in sentences: its decentring, the page of evidence, and the ten-minute test."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Final

from lensbench.model.condition import (
    CameraTilt,
    ConditionFinding,
    Decentring,
    InnerSharpness,
    OtherCause,
    QuickFindings,
    Reason,
    SideAsymmetry,
    Source,
    Subject,
    TurnedOutcome,
    TurnedTest,
    Verdict,
)
from lensbench.model.setting import f_stop, focal_length
from lensbench.model.sweep import LensFindings

EVIDENCE_CAUTION: Final = (
    "These figures hold for this copy of the lens on this body, at this distance. They don't say where the asymmetry "
    "comes from: lens, mount and sensor are measured together, and no lens is perfectly even. What is within "
    "the maker's tolerance only the maker can say."
)
_TURN: Final = (
    "Turn the camera by 180 degrees about its own axis and shoot the same settings three times more, focusing anew: "
    "what stays on its side of the picture belongs to lens and camera, what changes sides to chart or wall."
)
_THIS_COPY: Final = "It holds for this copy on this body, at this distance."


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionText:
    """What is said of one finding; empty where nothing is to be said."""

    evidence: str
    caution: str = ""
    advice: str = ""

    def __str__(self) -> str:
        return " ".join(filter(None, (self.evidence, self.caution, self.advice)))


def at_setting(focal_length_mm: float | None, f_number: float) -> str:
    """«35 mm, f/4», or «f/4» where the focal length is unknown."""
    stop = f_stop(f_number)
    return stop if focal_length_mm is None else f"{focal_length(focal_length_mm)}, {stop}"


def interval_percent(ci95_percent: tuple[float, float]) -> str:
    """«3 to 7 %»."""
    return f"{ci95_percent[0]:.0f} to {ci95_percent[1]:.0f} %"


def share(percent: float) -> str:
    """«5 %», or «under 1 %»."""
    return f"{percent:.0f} %" if percent >= 1.0 else "under 1 %"


def shots_text(shots: int) -> str:
    """«3 shots», or «one shot only»."""
    return f"{shots} shots" if shots > 1 else "one shot only"


def asymmetry_text(row: SideAsymmetry) -> str:
    """«the upper left is 5 % softer at 24 mm, f/2.8 (3 to 7 %)»."""
    source = ", each target at its own best focus" if row.source is Source.FOCUS_BRACKET else ""
    where = at_setting(row.focal_length_mm, row.f_number)
    return (
        f"the {row.softer_side} is {share(row.percent)} softer at {where} ({interval_percent(row.ci95_percent)})"
        f"{source}"
    )


def decentring_text(finding: ConditionFinding, details: Decentring) -> ConditionText:
    """Evidence, caution and advice of the decentring."""
    main, tilt, limit = details.main, details.focus_tilt, details.detection_limit_percent
    uneven = sorted((row for row in details.rows if row.matters), key=lambda row: row is not main)
    even = finding.verdict is Verdict.WITHIN_LIMITS and main.percent < finding.limit
    if uneven:
        rows = "; ".join(asymmetry_text(row) for row in uneven[:4])
        evidence = [f"One side is softer than the side opposite: {rows}; {shots_text(main.shots)}."]
    elif main.shots < 2:
        evidence = [f"One shot a setting: {asymmetry_text(main)}, and nothing shows that it repeats."]
    else:
        evidence = [
            f"{'Even enough' if even else 'No side stands out'}: {asymmetry_text(main)}; {shots_text(main.shots)}."
        ]
        evidence.append(f"At the widest stop that was repeated, {share(limit)} or more would have shown.")
    if tilt is not None and tilt.matters:
        evidence.append(
            f"The plane of best focus is tilted by {tilt.um:.0f} um over half the diagonal beyond the chart's tilt, "
            f"which costs the sides {share(tilt.loss_percent)} at {at_setting(tilt.focal_length_mm, tilt.f_number)}."
        )
    if details.turned.outcome is not TurnedOutcome.NOT_DONE:
        evidence.append(turned_text(details.turned))
    by_tilt = max(row.tilt_percent for row in details.rows)
    cautions = [
        f"The chart's tilt could account for {by_tilt:.0f} % at most; the interval holds it."
        if by_tilt >= 1.0
        else "",
        "Chart, wall and light are not ruled out before the camera was turned."
        if finding.verdict is Verdict.MATTERS and details.turned.outcome is TurnedOutcome.NOT_DONE
        else "",
        _THIS_COPY,
    ]
    return ConditionText(
        evidence=" ".join(evidence),
        caution=" ".join(filter(None, cautions)),
        advice=decentring_advice(finding.verdict, details.turned.outcome),
    )


def decentring_advice(verdict: Verdict, outcome: TurnedOutcome) -> str:
    """What to do before anything is sent back."""
    if verdict is Verdict.MATTERS:
        if outcome is TurnedOutcome.STAYED:
            return "Repeat one setting on another body if you can: what follows the lens is the lens's."
        if outcome is TurnedOutcome.BOTH:
            return "Part of it comes from chart, wall or light: hang the chart flat and evenly lit, and shoot again."
        return f"{_TURN} Refocus on the soft side too: if it becomes as sharp, it is a matter of focus."
    if outcome is TurnedOutcome.MOVED:
        return "Hang the chart flat and evenly lit, and shoot again."
    if verdict is Verdict.WITHIN_LIMITS:
        return "Nothing needs doing."
    return f"Shoot the widest stop and f/8 three times each, focusing anew, the camera square to the chart. {_TURN}"


def turned_text(turned: TurnedTest) -> str:
    """What came out of turning the camera, or the chart, by 180 degrees."""
    if turned.outcome is TurnedOutcome.NOT_DONE:
        return "Not done: no shots with the camera turned by 180 degrees about its axis are among these."
    what, other = (
        ("chart", "the print") if turned.chart_only else ("camera", "the chart, the wall and its light")
    )
    meaning = {
        TurnedOutcome.STAYED: f"What stayed goes with lens and camera, not with {other}.",
        TurnedOutcome.MOVED: f"What changed sides comes from {other}, not from the lens.",
        TurnedOutcome.BOTH: f"Part of it goes with lens and camera, part comes from {other}.",
        TurnedOutcome.OPEN: "Neither is beyond chance.",
    }[turned.outcome]
    wall = " The wall and its tilt were the same both ways: turn the camera to rule them out."
    return (
        f"With the {what} turned by 180 degrees, {turned.stayed_percent:.0f} ± {turned.reach_percent:.0f} % stayed on "
        f"the same side of the picture, {turned.moved_percent:.0f} ± {turned.reach_percent:.0f} % changed sides. "
        f"{meaning}{wall if turned.chart_only else ''}"
    )


def evidence_lead(details: Decentring) -> str:
    """What the page of evidence is about, in one sentence."""
    main, tilt = details.main, details.focus_tilt
    if main.matters or tilt is None:
        text = asymmetry_text(main)
        return f"{text[0].upper()}{text[1:]}, held against the side opposite."
    at = at_setting(tilt.focal_length_mm, tilt.f_number)
    return (
        "Opposite sides of the picture are sharp at different focus, more than the chart's tilt explains: at "
        f"{at} that costs the sides {share(tilt.loss_percent)} where the centre is in focus."
    )


def repeats_text(details: Decentring) -> str:
    """How often what was repeated."""
    few, many = details.repeats
    turned = max(row.turned_shots for row in details.rows)
    shots = f"{few}" if few == many else f"{few} to {many}"
    parts = [f"{shots} shots a setting, focused anew each time"] if many else []
    parts += [f"{turned} of each with the camera or chart turned"] if turned else []
    if details.brackets:
        brackets = f"{details.brackets} focus bracket{'s' * (details.brackets > 1)}"
        parts.append(f"{brackets} of {details.bracket_shots} shots in all")
    return "; ".join(parts) or "none"


def cause_text(cause: OtherCause) -> str:
    """Why another cause is, or is not, out of the question."""
    return {
        Reason.PEAKS_COMPARED: "Each target is taken at its own best focus, where tilt costs nothing.",
        Reason.IN_INTERVAL: (
            f"Measured in every photograph; with its uncertainty it could account for {share(cause.figure)} at most. "
            "The interval holds that."
        ),
        Reason.FOCUS_TILTS: "Each side is sharp at a focus of its own: the plane of focus is tilted.",
        Reason.NO_FOCUS_REGAINS: "No position of a focus bracket makes the soft side as sharp.",
        Reason.BRACKET_SILENT: "There is a focus bracket, but it does not show the asymmetry by itself.",
        Reason.REFOCUSED_ONLY: (
            f"It stayed through {cause.shots} shots focused anew, so no single focus error made it. A focus bracket, "
            "or a shot refocused on the soft side, shows whether another focus regains it."
        ),
        Reason.SHAKEN: f"{cause.figure:.0f} of {cause.shots} photographs show shake: shoot them again.",
        Reason.NONE_SHAKEN: (
            f"None of {cause.shots} photographs shows it; shake softens edges of one direction all over the picture."
        ),
        Reason.TURNED_TEST: "See the turned test.",
        Reason.NOT_TURNED: "Only the turned test can rule them out.",
    }[cause.reason]


def quick_sentences(lens: LensFindings) -> list[str]:
    """The answer of a ten-minute test, a thought an item; empty where none was asked for."""
    quick = lens.quick
    if quick is None:
        return []
    findings = {finding.subject: finding for finding in lens.condition}
    decentring = findings.get(Subject.DECENTRING)
    answer = [f"{lens.lens}: {_quick_verdict(quick, findings)}"]
    details = None if decentring is None else decentring.details
    if decentring is not None and isinstance(details, Decentring):
        answer.append(decentring_text(decentring, details).evidence)
    blurred = "" if quick.grossly_soft is Verdict.WITHIN_LIMITS else " A blurred print would do the same."
    sharpness = " ".join(_inner(length) for length in quick.inner) + blurred
    if not quick.inner:
        sharpness = "can't tell, f-number, scale or pixel pitch are unknown."
    limits = "it tells a sound copy from a bad one, not which stop is best"
    return [*answer, f"Sharpness: {sharpness}", f"Ten-minute test of {lens.shots} shots: {limits}."]


def _quick_verdict(quick: QuickFindings, findings: Mapping[Subject, ConditionFinding]) -> str:
    uneven, soft = (verdict is Verdict.MATTERS for verdict in (quick.grossly_uneven, quick.grossly_soft))
    decentring = findings.get(Subject.DECENTRING)
    details = decentring.details if decentring is not None else None
    if uneven and isinstance(details, Decentring):
        main, turned = details.main, details.turned
        what = "chart" if turned.chart_only else "camera"
        if main.matters:
            at = at_setting(main.focal_length_mm, main.f_number)
            size = f"the {main.softer_side} is {share(main.percent)} softer at {at}"
        else:
            size = "the plane of best focus is tilted"
        stayed = turned.outcome is TurnedOutcome.STAYED
        still = f", and turning the {what} did not move it" if stayed else ""
        also = " The centre is soft as well." if soft else ""
        again = "Repeat once" if stayed and not turned.chart_only else "Repeat once with the camera turned"
        return f"grossly uneven: {size}{still}.{also} {again}, then return it."
    if soft:
        return "grossly soft at the centre, or the print is. Repeat once with another print, then return it."
    if Verdict.CANNOT_TELL in (quick.grossly_uneven, quick.grossly_soft):
        return f"nothing wrong seen, but {_doubt(quick, findings)}"
    if quick.slightly_uneven:
        return "a little uneven, as many sound lenses are, and not soft: no reason to return this copy."
    return "neither grossly uneven nor grossly soft: no reason to return this copy."


def _doubt(quick: QuickFindings, findings: Mapping[Subject, ConditionFinding]) -> str:
    tilt = findings.get(Subject.TILT)
    angles = tilt.details if tilt is not None and tilt.verdict is not Verdict.WITHIN_LIMITS else None
    if not quick.inner:
        return "the sharpness can't be judged. Give the f-number and the pixel pitch (--pitch-um)."
    if isinstance(angles, CameraTilt) and quick.grossly_uneven is Verdict.CANNOT_TELL:
        askew_deg = max(abs(angles.yaw_deg), abs(angles.pitch_deg))
        return f"the camera stood {askew_deg:.1f}° askew. Straighten it and repeat."
    if quick.grossly_soft is Verdict.CANNOT_TELL:
        return "the centre is rather soft, or the print is. Repeat with another print."
    return "these shots leave doubt. Repeat with three shots of each setting."


def _inner(length: InnerSharpness) -> str:
    """The centre against what physics allows, and what the wider stop loses; ordinary for a wide stop."""
    at = at_setting(length.focal_length_mm, length.f_number)
    allowed = f"{length.share_percent:.0f} % of what diffraction, pixel and a home print allow"
    changes = [
        f"{part} {abs(percent):.0f} % {'softer' if percent < 0.0 else 'sharper'}"
        for part, percent in (
            ("the centre is", length.wide_inner_percent),
            ("the outer part", length.wide_outer_percent),
        )
        if isfinite(percent)
    ]
    wide = f"; at {f_stop(length.wide_f_number)} {', '.join(changes)}" if changes else ""
    known = isfinite(length.wide_f_number)
    return f"at {at} the centre reaches {allowed}{wide if known else ''}."
