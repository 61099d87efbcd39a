"""The page for somebody who may want to return or repair a lens: always the same fields, in the same order.

It is a view of the decentring.
"""

from collections.abc import Sequence
from math import isfinite

from lensbench.model.condition import Decentring, SideAsymmetry, Source, Verdict
from lensbench.model.sweep import LensFindings, SweepShot, Unclaimed
from lensbench.report.draw.field import field_map_at
from lensbench.report.page.document import Block, Lines, Part, Plots, tables
from lensbench.report.text.condition import (
    asymmetry_text,
    decentring_advice,
    leaning_text,
    share,
    turned_text,
)
from lensbench.report.text.words import (
    NOT_MEASURED,
    Grid,
    at_setting,
    borne,
    clean_line,
    figure_range,
    sd_of,
    sentence_case,
    worded,
)


def evidence_part(lens: LensFindings, shots: Sequence[SweepShot], *, key: str) -> tuple[Part, ...]:
    """Sheet of one lens, with the map that shows its decentring best; none where that does not matter."""
    matters = (finding.details for finding in lens.condition if finding.verdict is Verdict.MATTERS)
    details = next((details for details in matters if isinstance(details, Decentring)), None)
    if details is None:
        return ()
    main, tilt = details.main, details.focus_tilt
    lead = f"{sentence_case(asymmetry_text(main))}, held against the side opposite."
    if tilt is not None and not main.matters:
        lead = worded("evidence.leans", leaning=leaning_text(tilt))
    plain = [shot for shot in shots if shot.planned.focus_step is None]
    field = field_map_at(lens, main, plain, key=f"{key}-evidence-map")
    blocks: tuple[Block, ...] = (
        Lines((lead,)),
        *tables(("", _fields(lens, details)), kind="list"),
        *tables(("", _settings(details)), ("", _ruled_out(details)), ("", _sides(details))),
        *([] if field is None else [Plots("", (field,))]),
        Lines((worded("evidence.caution"),), kind="limits"),
    )
    title = "Evidence on this copy of the lens"
    return (Part(kind="evidence", key=f"{key}-evidence", title=title, blocks=blocks),)


def _fields(lens: LensFindings, details: Decentring) -> Grid:
    main = details.main
    azimuth = f"{round(main.softer_azimuth_deg) % 360}° counter-clockwise from the right"
    rows = (
        ("lens", clean_line(lens.lens)),
        ("camera", clean_line(lens.camera)),
        ("photographs", f"{lens.shots - len(lens.rejected)} of {lens.shots}"),
        ("asymmetry", f"{_percent(main)} (95 %: {_interval(main)})"),
        ("where", f"softer at the {main.softer_side} of the picture as stored ({azimuth})"),
        ("at which setting", f"{at_setting(main)}; the others stand below"),
        ("number of repeats", _repeats_text(lens, details)),
        ("result of the turned test", turned_text(details.turned)),
        ("what to do next", decentring_advice(Verdict.MATTERS, details.turned.outcome)),
    )
    return Grid(caption="What was measured", header=("field", "content"), rows=rows)


def _repeats_text(lens: LensFindings, details: Decentring) -> str:
    """How often what was repeated."""
    shots, turned = figure_range(*details.repeats, "d"), max(row.turned_shots for row in details.rows)
    one_focus = lens.best is not None and any(
        note.kind is Unclaimed.ONE_FOCUS for note in lens.best.reservations
    )
    focused = "of one focus a stop, as it looks" if one_focus else "focused anew each time"
    parts = [f"{shots} shots a setting, {focused}"] if details.repeats[1] else []
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
            "tilt, at most": lambda row: share(row.tilt_percent),
            "verdict": lambda row: "matters" if row.matters else "within limits",
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
            "why": lambda cause: worded(
                f"evidence.causes.{cause.reason}",
                share=share(cause.figure),
                figure=cause.figure,
                shots=cause.shots,
            ),
        },
    )


def _sides(details: Decentring) -> Grid | None:
    if not details.sides:
        return None
    return Grid(
        caption=f"MTF50 by side at {at_setting(details.main)}, outside of half the image height",
        header=tuple(side.side.value for side in details.sides),
        rows=(tuple(f"{side.mtf50_cypx:.3f} cycles/pixel" for side in details.sides),),
    )
