"""Is the copy sound: a headline, five lines of word, figure and limit, and behind them what was measured.

How squarely the camera stood, and distortion, are no faults of a copy: they stand with what was measured.
"""

from math import isfinite
from typing import Final

from lensbench.model.condition import (
    Astigmatism,
    ConditionFinding,
    Decentring,
    FieldCurvature,
    LateralColour,
    PlaneDistance,
    Subject,
    TurnedOutcome,
    Verdict,
)
from lensbench.model.setting import focal_length, listed
from lensbench.model.sweep import LensFindings
from lensbench.report.page.document import Block, Fold, Lines, tables
from lensbench.report.text.condition import (
    asymmetry_text,
    condition_text,
    decentred_text,
    interval_percent,
    share,
    state_sentences,
    verdict_text,
)
from lensbench.report.text.words import NOT_MEASURED, Grid, at_setting, texts, worded

OF_A_COPY: Final = (
    Subject.DECENTRING,
    Subject.FIELD_CURVATURE,
    Subject.ASTIGMATISM,
    Subject.FOCUS_SHIFT,
    Subject.LATERAL_COLOUR,
)
"""What can be a fault of one copy, or shows where a lens is weak; in this order."""
_TITLE: Final = "Is the copy sound?"


def sound_blocks(lens: LensFindings) -> tuple[Block, ...]:
    """Headline, lines, and what was measured, folded; none where nothing was judged."""
    if not lens.condition:
        return ()
    others = [finding for finding in lens.condition if finding.subject is not Subject.DECENTRING]
    said = (copy_headline(lens.condition), *state_sentences(others, pointing=False))
    unknown = [finding.subject.value for finding in lens.condition if condition_text(finding).bracket]
    bracket = worded("condition.one_bracket", subjects=listed(unknown)) if unknown else ""
    return (
        Lines(said, kind="lead", title=_TITLE),
        *tables(("", _lines(lens)), kind="state"),
        *([Lines((bracket,), kind="limits")] if bracket else []),
        Fold(worded("condition.measured"), tables(("", _measured(lens)), kind="plain"), minor=True),
    )


def copy_headline(condition: tuple[ConditionFinding, ...]) -> str:
    """Whether the sides are alike, with the softer side and what turning camera or chart said, in a sentence or two."""
    finding = next((own for own in condition if own.subject is Subject.DECENTRING), None)
    details = finding.details if finding is not None else None
    words = texts("condition.headline")
    if finding is None or not isinstance(details, Decentring):
        return str(words["not_measured"])
    turned = words["turned"].get(details.turned.outcome, "")
    turned = turned.format(what="chart" if details.turned.chart_only else "camera")
    most = f"{max(finding.ci95[1], 1.0):.0f} %" if isfinite(finding.ci95[1]) else ""
    match finding.verdict:
        case Verdict.MATTERS:
            outcome = details.turned.outcome
            only_chart = details.turned.chart_only and outcome is TurnedOutcome.STAYED
            step = words["next"]["chart_only" if only_chart else outcome]
            return f"{words['uneven'].format(side=decentred_text(details))} {step}"
        case Verdict.WITHIN_LIMITS if finding.value < 1.0:
            said = words["even"].format(most=most)
        case Verdict.WITHIN_LIMITS:
            said = words["even_enough"].format(side=_off(finding, details))
        case _:
            said = _untold(finding, details)
    return f"{said}{turned}"


def _off(finding: ConditionFinding, details: Decentring) -> str:
    """The softer side with its figures; by the plane of focus where that is what was told."""
    if finding.side is details.main.softer_side:
        return asymmetry_text(details.main)
    side = finding.side.value if finding.side else ""
    leaning = share(finding.value), interval_percent(finding.ci95)
    return worded("condition.headline.leans", side=side, size=leaning[0], interval=leaning[1])


def _untold(finding: ConditionFinding, details: Decentring) -> str:
    """Why it can't be told whether the sides are alike."""
    words = texts("condition.headline")
    if details.main.shots < 2:
        return str(words["once"])
    hidden = details.lean_limit_percent
    if details.focus_tilt is None and details.detection_limit_percent < finding.limit <= hidden:
        return str(words["hidden"].format(limit=share(hidden)))
    return str(words["untold"].format(side=asymmetry_text(details.main)))


def _lines(lens: LensFindings) -> Grid | None:
    """Word, figure and limit of each subject."""
    by_subject = {finding.subject: finding for finding in lens.condition}
    judged = [by_subject[subject] for subject in OF_A_COPY if subject in by_subject]
    return Grid.of(
        judged,
        _TITLE,
        {
            "what": lambda finding: finding.subject.value,
            "verdict": verdict_text,
            "figure": _figure,
            "limit": limit_text,
        },
    )


def limit_text(finding: ConditionFinding) -> str:
    """«5 %», «0.5 px»: from which size on it matters in a picture."""
    return f"{finding.limit:.2g} {finding.unit}"


def _figure(finding: ConditionFinding) -> str:
    """Size with its interval, and on a second line where."""
    size, interval = _size(finding), ""
    if finding.unit == "%" and isfinite(finding.value) and 1.0 <= finding.ci95[1] < 100.0:
        interval = f" ({interval_percent(finding.ci95)})"
    where = _where(finding)
    return f"{size}{interval}\n{where}" if where else f"{size}{interval}"


def _size(finding: ConditionFinding) -> str:
    if not isfinite(finding.value):
        return NOT_MEASURED
    if finding.unit != "%":
        size = abs(finding.value)
        return f"{size:.2f} {finding.unit}" if size >= 0.005 else f"below 0.005 {finding.unit}"
    side = f", {finding.side}" if finding.side and finding.value >= 1.0 else ""
    return f"{share(abs(finding.value))}{side}"


def _where(finding: ConditionFinding) -> str:
    """Setting at which the figure was found, or why there is none."""
    words = texts("condition.where")
    match finding.details:
        case (
            Decentring(main=own)
            | FieldCurvature(distance=PlaneDistance() as own)
            | Astigmatism(distance=PlaneDistance() as own)
            | (PlaneDistance() as own)
        ):
            where = at_setting(own)
        case FieldCurvature(falloff=fall) if fall is not None:
            size = f"{share(abs(fall.percent))} {'softer' if fall.percent >= 0.0 else 'sharper'}"
            where = words["fall"].format(at=at_setting(fall), size=size)
        case Astigmatism(split=split) if split is not None:
            where = words["split"].format(at=at_setting(split))
        case LateralColour(main=main):
            length = f", {focal_length(main.focal_length_mm)}" if main.focal_length_mm else ""
            where = words["corner"].format(colour=main.colour, length=length)
        case _:
            where = words.get(finding.subject, words["not_measured"])
    return str(where)


def _measured(lens: LensFindings) -> Grid:
    """Evidence, caution and next step of every subject."""
    return Grid.of(
        [(finding, condition_text(finding)) for finding in lens.condition],
        worded("condition.measured"),
        {
            "what": lambda judged: judged[0].subject.value,
            "verdict": lambda judged: f"{verdict_text(judged[0])}\nlimit {limit_text(judged[0])}",
            "evidence": lambda judged: judged[1].evidence,
            "caution": lambda judged: judged[1].caution or NOT_MEASURED,
            "what to do next": lambda judged: judged[1].advice or NOT_MEASURED,
        },
    )
