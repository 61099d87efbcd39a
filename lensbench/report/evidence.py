"""The page for somebody who may want to return or repair a lens: always the same fields, in the same order.

It is a view of the decentring; what condition and evidence both say of it is worded here.
"""

from collections.abc import Sequence
from math import isfinite
from typing import Final

from lensbench.model.condition import (
    Decentring,
    OtherCause,
    Reason,
    SideAsymmetry,
    Source,
    TurnedOutcome,
    TurnedTest,
    Verdict,
)
from lensbench.model.sweep import LensFindings, SweepShot
from lensbench.report.curves import field_map_at
from lensbench.report.document import Lines, Part, Plots, tables
from lensbench.report.panels import Grid
from lensbench.report.words import (
    NOT_MEASURED,
    at_setting,
    borne,
    clean_line,
    figure_range,
    sd_of,
    sentence_case,
)

_CAUTION: Final = (
    "These figures hold for this copy of the lens on this body, at this distance. They don't say where the asymmetry "
    "comes from: lens, mount and sensor are measured together, and no lens is perfectly even. What is within "
    "the maker's tolerance only the maker can say."
)
_TURN: Final = (
    "Turn the camera by 180 degrees about its own axis and shoot the same settings three times more, focusing anew: "
    "what stays on its side of the picture belongs to lens and camera, what changes sides to chart or wall."
)


def evidence_part(lens: LensFindings, shots: Sequence[SweepShot], *, key: str) -> tuple[Part, ...]:
    """Sheet of one lens, with the map that shows its decentring best; none where that does not matter."""
    matters = (finding.details for finding in lens.condition if finding.verdict is Verdict.MATTERS)
    details = next((details for details in matters if isinstance(details, Decentring)), None)
    if details is None:
        return ()
    plain = [shot for shot in shots if shot.planned.focus_step is None]
    field = field_map_at(lens, details.main, plain, key=f"{key}-evidence-map")
    part = Part(
        kind="evidence",
        key=f"{key}-evidence",
        title="Evidence on this copy of the lens",
        blocks=(
            Lines((_lead(details),)),
            *tables(("", _fields(lens, details)), kind="list"),
            *tables(("", _settings(details)), ("", _ruled_out(details)), ("", _sides(details))),
            *([] if field is None else [Plots("", (field,))]),
            Lines((_CAUTION,), kind="limits"),
        ),
    )
    return (part,)


def _lead(details: Decentring) -> str:
    """What the page is about, in one sentence."""
    main, tilt = details.main, details.focus_tilt
    if main.matters or tilt is None:
        return f"{sentence_case(asymmetry_text(main))}, held against the side opposite."
    return (
        "Opposite sides of the picture are sharp at different focus, more than the chart's tilt explains: at "
        f"{at_setting(tilt)} that costs the sides {share(tilt.loss_percent)} where the centre is in focus."
    )


def _fields(lens: LensFindings, details: Decentring) -> Grid:
    main = details.main
    azimuth = f"azimuth {round(main.softer_azimuth_deg)} degrees, counter-clockwise from the right"
    rows = (
        ("lens", clean_line(lens.lens)),
        ("camera", clean_line(lens.camera)),
        ("photographs", f"{lens.shots}, {len(lens.rejected)} of them not used"),
        ("asymmetry", f"{_percent(main)} (95 %: {_interval(main)})"),
        ("where", f"softer at the {main.softer_side} of the picture as stored ({azimuth})"),
        ("at which setting", f"{at_setting(main)}; the others stand below"),
        ("number of repeats", _repeats_text(details)),
        ("result of the turned test", turned_text(details.turned)),
        ("what to do next", decentring_advice(Verdict.MATTERS, details.turned.outcome)),
    )
    return Grid(caption="What was measured", header=("field", "content"), rows=rows)


def _repeats_text(details: Decentring) -> str:
    """How often what was repeated."""
    shots, turned = figure_range(*details.repeats, "d"), max(row.turned_shots for row in details.rows)
    parts = [f"{shots} shots a setting, focused anew each time"] if details.repeats[1] else []
    parts += [f"{turned} of each with the camera or chart turned"] if turned else []
    if details.brackets:
        brackets = f"{details.brackets} focus bracket{'s' * (details.brackets > 1)}"
        parts.append(f"{brackets} of {details.bracket_shots} shots in all")
    return "; ".join(parts) or "none"


def _settings(details: Decentring) -> Grid:
    return Grid.of(
        details.rows,
        "The softest side against the side opposite, in percent of MTF50, at every setting",
        {
            "setting": lambda row: at_setting(row) + ", focus bracket" * (row.source is Source.FOCUS_BRACKET),
            "softer by": _percent,
            "95 % interval": _interval,
            "softer side": lambda row: row.softer_side.value,
            "shots": lambda row: f"{row.shots}" + f", {row.turned_shots} turned" * (row.turned_shots > 0),
            "tilt, at most": lambda row: f"{row.tilt_percent:.1f} %",
            "matters": lambda row: "yes" if row.matters else "no",
        },
    )


def _interval(row: SideAsymmetry) -> str:
    low, high = row.ci95_percent
    if not (isfinite(low) and isfinite(high)):
        return NOT_MEASURED
    low_text, high_text = (borne(end, sd_of(row.ci95_percent), 1) for end in (low, high))
    return f"{low_text} to {high_text} %"


def _percent(row: SideAsymmetry) -> str:
    return f"{borne(row.percent, sd_of(row.ci95_percent), 1)} %" if isfinite(row.percent) else NOT_MEASURED


def _ruled_out(details: Decentring) -> Grid:
    return Grid.of(
        details.other_causes,
        "Other causes",
        {
            "cause": lambda cause: cause.cause.value,
            "ruled out": lambda cause: "yes" if cause.ruled_out else "no",
            "why": _cause_text,
        },
    )


def _cause_text(cause: OtherCause) -> str:
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


def _sides(details: Decentring) -> Grid | None:
    if not details.sides:
        return None
    return Grid(
        caption=f"MTF50 by side at {at_setting(details.main)}, outside of half the image height",
        header=tuple(side.side.value for side in details.sides),
        rows=(tuple(f"{side.mtf50_cypx:.3f} cycles/pixel" for side in details.sides),),
    )


def share(percent: float) -> str:
    """«5 %», or «under 1 %»."""
    return f"{percent:.0f} %" if percent >= 1.0 else "under 1 %"


def interval_percent(ci95_percent: tuple[float, float]) -> str:
    """«3 to 7 %»."""
    return f"{ci95_percent[0]:.0f} to {ci95_percent[1]:.0f} %"


def asymmetry_text(row: SideAsymmetry) -> str:
    """«the upper left is 5 % softer at 24 mm, f/2.8 (3 to 7 %)»."""
    source = ", each target at its own best focus" if row.source is Source.FOCUS_BRACKET else ""
    return (
        f"the {row.softer_side} is {share(row.percent)} softer at {at_setting(row)} "
        f"({interval_percent(row.ci95_percent)}){source}"
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
