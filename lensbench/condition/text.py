"""The findings on the state of a lens in words: evidence in figures, a caution, and what to shoot next."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from lensbench.condition.asymmetry import Asymmetry
from lensbench.condition.colour import Bending, LateralColour
from lensbench.condition.curvature import Bend, Falloff, FieldSplit
from lensbench.condition.decentring import Decentring, percent
from lensbench.condition.field import side_of, softer_azimuth_deg
from lensbench.model.sweep import ConditionFinding, Setting

__all__ = [
    "TURN_IT",
    "at_setting",
    "bow_finding",
    "colour_finding",
    "decentring_finding",
    "distortion_finding",
    "row_words",
    "shift_finding",
    "split_finding",
]


TURN_IT: Final = (
    "Turn the camera by 180 degrees about its own axis, well held on the tripod, and shoot the same settings three "
    "times more, focusing anew: what stays on the same side of the picture belongs to lens and camera, what changes "
    "sides to chart or wall."
)
_BRACKET: Final = (
    "Take a focus bracket: seven shots from clearly before to clearly behind the best focus in even steps, all stops "
    "at each step, with focus_group and focus_step in the shots table."
)
_ONE_COPY: Final = (
    "This copy on this body, at this distance; every lens is a little uneven, and the camera is in it."
)


def at_setting(setting: Setting, *, zoom: bool = True) -> str:
    """Name a setting: «35 mm and f/4», or «f/4»."""
    if not zoom or setting.focal_length_mm is None:
        return f"f/{setting.f_number:g}"
    return f"{setting.focal_length_mm:g} mm and f/{setting.f_number:g}"


def _interval(row: Asymmetry) -> str:
    low, high = row.interval
    return f"{percent(row.size):.0f} % (95 %: {percent(low):.0f} to {percent(high):.0f} %)"


def _side(row: Asymmetry) -> str:
    return side_of(softer_azimuth_deg(row.mean, row.size_px))


def row_words(row: Asymmetry) -> str:
    """Give one setting's asymmetry in words."""
    source = ", each place at its own best focus" if row.source == "focus bracket" else ""
    return f"at {at_setting(row.setting)} {_interval(row)} softer at the {_side(row)}{source}"


def decentring_finding(found: Decentring) -> ConditionFinding:
    """Say what is left of the asymmetry."""
    main = found.main
    if main is None:
        return ConditionFinding(
            subject="decentring",
            verdict="can't tell",
            evidence="No shot shows enough of the chart to compare the sides.",
            caution="",
            advice="Fill the frame with the chart out to the corners and shoot each stop three times.",
        )
    evidence = _evidence(found, main)
    leaning = found.leaning
    if leaning is not None and leaning.seen:
        evidence.append(
            f"The plane of focus leans by {leaning.um:.0f} um towards the edge of the image circle beyond the chart's "
            f"tilt, which costs the sides {100 * leaning.loss:.0f} %."
        )
    if found.turned.outcome != "not done":
        evidence.append(found.turned.words)
    return ConditionFinding(
        subject="decentring",
        verdict=found.verdict,
        evidence=" ".join(evidence),
        caution=_caution(found),
        advice=_advice(found),
    )


def _evidence(found: Decentring, main: Asymmetry) -> list[str]:
    if found.seen:
        shown = "; ".join(row_words(row) for row in found.seen[:4])
        return [f"One side is softer than the side opposite: {shown}; {main.shots} shots."]
    if main.shots < 2:
        return [f"One shot a setting: {row_words(main)}, of which nothing is known to repeat."]
    text = [f"No side stands out: {row_words(main)}; {main.shots} shots."]
    limit = found.would_have_shown
    if np.isfinite(limit):
        text.append(f"At the widest stop that was repeated, {percent(limit):.0f} % or more would have shown.")
    return text


def _caution(found: Decentring) -> str:
    sway = max((percent(float(np.linalg.norm(row.sway))) for row in found.rows), default=0.0)
    tilt = f"The chart's tilt could account for {sway:.0f} % at most; that is in the intervals."
    if found.verdict == "seen" and found.turned.outcome == "not done":
        return f"{tilt} Chart, wall and light are not ruled out before the turned test. {_ONE_COPY}"
    return f"{tilt} {_ONE_COPY}"


def _advice(found: Decentring) -> str:
    if found.verdict == "seen":
        if found.turned.outcome == "stayed":
            return "Repeat it on another body if you can: what follows the lens is the lens's."
        return f"{TURN_IT} Refocus on the soft side too: if it becomes as sharp, it is a matter of focus."
    if found.turned.outcome == "moved":
        return "Hang the chart flat and evenly lit, and shoot again."
    if found.verdict == "not seen":
        return "Nothing needs doing."
    return f"Shoot the widest stop and f/8 three times each, focusing anew, the camera square to the chart. {TURN_IT}"


def bow_finding(bend: Bend | None, fall: Falloff | None) -> ConditionFinding:
    """Say whether the corners are sharpest at another focus than the middle."""
    if bend is not None:
        return _bend_finding(
            "field curvature",
            bend,
            what=f"At f/{bend.f_number:g} the corners are sharpest {_distance(bend)} from the middle's focus",
            cost="with the middle in focus, that costs the outer zone",
            caution="It is the same in every copy as a rule, and holds for this distance; no fault by itself.",
            advice="Where corners matter, focus between middle and corner, or stop down.",
        )
    return _bow_without_bracket(fall)


def _is_level(fall: Falloff | None) -> bool:
    """Tell whether the outer zone is as sharp as the inner one, so that no focus of its own can cost it much."""
    return fall is not None and fall.shots > 1 and fall.percent + 2.0 * fall.sd_percent < 5.0


def _bow_without_bracket(fall: Falloff | None) -> ConditionFinding:
    level = _is_level(fall)
    evidence = "No focus bracket."
    if fall is not None:
        evidence += (
            f" At f/{fall.f_number:g} the outer zone is {fall.percent:.0f} % softer than the inner one"
        )
        evidence += (
            ": a curved field would cost it more."
            if level
            else ": curvature or other blur, one focus can't tell which."
        )
    return ConditionFinding(
        subject="field curvature",
        verdict="not seen" if level else "can't tell",
        evidence=evidence,
        caution="A focus that favours the corners would hide it." if level else "",
        advice="" if level else f"{_BRACKET} A shot refocused on a corner shows it as well.",
    )


def shift_finding(bend: Bend | None) -> ConditionFinding:
    """Say whether the focus moves on stopping down."""
    if bend is None:
        return ConditionFinding(
            subject="focus shift",
            verdict="can't tell",
            evidence="No focus brackets at two stops with the focus untouched between the stops.",
            caution="",
            advice=_BRACKET,
        )
    return _bend_finding(
        "focus shift",
        bend,
        what=(
            f"From f/{bend.against:g} to f/{bend.f_number:g} the plane of best focus moves by {_distance(bend)}"
        ),
        cost="focused at the wider stop, that costs",
        caution="It comes with spherical aberration, in every copy as a rule; no fault by itself.",
        advice="Focus with the lens stopped down to the stop of the picture.",
    )


def _distance(bend: Bend) -> str:
    if np.isfinite(bend.um):
        digits = 0 if abs(bend.um) >= 10.0 else 1
        size = f"{abs(bend.um):.{digits}f} ± {bend.sd_um:.{digits}f} um"
        return f"{size} (on the sensor's side; {abs(bend.steps):.2g} steps)"
    return f"{abs(bend.steps):.2g} ± {bend.sd_steps:.2g} steps"


def _bend_finding(
    subject: str, bend: Bend, *, what: str, cost: str, caution: str, advice: str
) -> ConditionFinding:
    brackets = "one bracket" if bend.brackets == 1 else f"{bend.brackets} brackets"
    range_ = f"{100 * bend.loss_low:.0f} to {100 * bend.loss_high:.0f} %"
    evidence = f"{what}; {cost} {100 * bend.loss:.0f} % of MTF50 (95 %: {range_}; {brackets})."
    again = "" if bend.verdict != "can't tell" else f"{_BRACKET} Use more shots or wider steps than now."
    return ConditionFinding(
        subject=subject,
        verdict=bend.verdict,
        evidence=evidence,
        caution=caution,
        advice=advice if bend.verdict == "seen" else again,
    )


def split_finding(splits: Sequence[FieldSplit], focus: Bend | None, fall: Falloff | None) -> ConditionFinding:
    """Say whether sagittal and tangential edges differ, and whether that is a matter of focus.

    A focus midway between the two planes makes both equally soft: without a bracket, only an outer zone as sharp as
    the inner one shows that there is none.
    """
    order = ("not seen", "can't tell", "seen")
    worst = max(splits, key=lambda one: (order.index(one.verdict), abs(one.log_ratio)), default=None)
    if worst is None and focus is None:
        return ConditionFinding(
            subject="astigmatism",
            verdict="can't tell",
            evidence="No shot shows enough of the chart's outer targets.",
            caution="",
            advice="Fill the frame with the chart out to the corners.",
        )
    parts = [_split_words(worst)] if worst else []
    if focus is not None:
        parts.append(
            f"At f/{focus.f_number:g} their planes of best focus lie {_distance(focus)} apart in the corner, which "
            f"costs {100 * focus.loss:.0f} %."
        )
    told = [one for one in ((worst.verdict if worst else ""), focus.verdict if focus else "") if one]
    verdict = "seen" if "seen" in told else "not seen" if set(told) == {"not seen"} else "can't tell"
    if verdict == "not seen" and focus is None and not _is_level(fall):
        verdict = "can't tell"
    return ConditionFinding(
        subject="astigmatism",
        verdict=verdict,
        evidence=" ".join(parts),
        caution="Coma and a curved field part them too, and a focus midway between the two planes hides astigmatism."
        if focus is None
        else "Coma and lateral colour part them too; every lens has some.",
        advice=_BRACKET if focus is None and verdict != "not seen" else "",
    )


def _split_words(split: FieldSplit) -> str:
    sharper = "sagittal" if split.log_ratio > 0.0 else "tangential"
    size, reach = percent(abs(split.log_ratio)), 100.0 * split.reach
    single = ", one shot only" if split.shots < 2 else f"; {split.shots} shots"
    return f"At f/{split.f_number:g} {sharper} edges are {size:.0f} ± {reach:.0f} % sharper in the outer field{single}."


def colour_finding(colours: Sequence[LateralColour]) -> ConditionFinding:
    """Say how far red and blue fall beside green in the corner."""
    if not colours:
        return ConditionFinding(
            subject="lateral colour",
            verdict="can't tell",
            evidence="The shots show one colour only, or too few edges across the radius.",
            caution="",
            advice="Shoot raw with a colour sensor, the chart out to the corners.",
        )
    worst = max(colours, key=lambda one: (one.verdict == "seen", abs(one.px)))
    shown = [one for one in colours if one.focal_length_mm == worst.focal_length_mm]
    words = " and ".join(_colour_words(one) for one in shown)
    return ConditionFinding(
        subject="lateral colour",
        verdict=worst.verdict if worst.verdict != "not seen" else _least(colours),
        evidence=f"In the corner, {words}{_of_length(worst.focal_length_mm, colours)}.",
        caution="Raw converters take it out; it is alike in every copy, unless it differs from side to side.",
        advice="Switch its correction on in the raw converter." if worst.verdict == "seen" else "",
    )


def _least(items: Sequence[LateralColour] | Sequence[Bending]) -> str:
    return "not seen" if all(one.verdict == "not seen" for one in items) else "can't tell"


def _colour_words(one: LateralColour) -> str:
    where = "outside" if one.px > 0.0 else "inside"
    um = f" ({abs(one.um):.1f} um)" if np.isfinite(one.um) else ""
    reach = f" ± {one.reach_px:.2f}" if np.isfinite(one.reach_px) else ""
    return f"{one.colour} lies {abs(one.px):.2f}{reach} px{um} {where} of green"


def _of_length(focal_length_mm: float, items: Sequence[LateralColour] | Sequence[Bending]) -> str:
    many = len({one.focal_length_mm for one in items}) > 1
    return f", at {focal_length_mm:g} mm" if many and focal_length_mm else ""


def distortion_finding(bendings: Sequence[Bending]) -> ConditionFinding | None:
    """Say how far straight lines bend; None where no shot tells it."""
    if not bendings:
        return None
    worst = max(bendings, key=lambda one: (one.verdict == "seen", abs(one.percent)))
    kind = "distortion" if abs(worst.percent) < 0.05 else "barrel" if worst.percent < 0.0 else "pincushion"
    reach = f" ± {worst.reach_percent:.1f}" if np.isfinite(worst.reach_percent) else ""
    return ConditionFinding(
        subject="distortion",
        verdict=worst.verdict if worst.verdict != "not seen" else _least(bendings),
        evidence=(
            f"{abs(worst.percent):.1f}{reach} % {kind} in the corner, over {worst.shots} shots"
            f"{_of_length(worst.focal_length_mm, bendings)}."
        ),
        caution="At this distance; correcting it costs some sharpness in the corners.",
        advice="",
    )
