"""The page for somebody who may want to return or repair a lens: always the same fields, in the same order.

It is a view of the decentring.
"""

from collections.abc import Callable, Sequence
from math import isfinite
from typing import Final

from lensbench.model.condition import Decentring, SideAsymmetry, Source, Verdict
from lensbench.model.sweep import LensFindings, SweepShot, Unclaimed
from lensbench.report.draw.field import field_map_at
from lensbench.report.page.document import Block, Lines, Part, Plots, Table, tables
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
    known,
    sd_of,
    sentence_case,
    texts,
    worded,
)

_MOST_PRINTED: Final = (12, 18)
"""Settings on the printed sheet, which is one page: of all of them, and of those that say the gist."""


def evidence_part(lens: LensFindings, shots: Sequence[SweepShot], *, key: str) -> tuple[Part, ...]:
    """Sheet of one lens, with the map that shows its decentring best; none where that does not matter."""
    matters = (finding for finding in lens.condition if finding.verdict is Verdict.MATTERS)
    finding = next((finding for finding in matters if isinstance(finding.details, Decentring)), None)
    if finding is None or not isinstance(details := finding.details, Decentring):
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
        _settings(details, limit_percent=finding.limit),
        *tables(("", _ruled_out(details))),
        *tables(("", _sides(details)), kind="short"),
        *([] if field is None else [Plots("", (field,))]),
        Lines((worded("evidence.caution"),), kind="limits"),
    )
    title = "Evidence on this copy of the lens"
    return (Part(kind="evidence", key=f"{key}-evidence", title=title, blocks=blocks),)


def _fields(lens: LensFindings, details: Decentring) -> Grid:
    main = details.main
    azimuth = f"{round(main.softer_azimuth_deg) % 360}° counter-clockwise from the right"
    rows = (
        ("lens, camera", f"{clean_line(lens.lens)}, {clean_line(lens.camera)}"),
        ("asymmetry", f"{_percent(main)} (95 %: {_interval(main)}) at {at_setting(main)}; the others below"),
        ("where", f"softer at the {main.softer_side} of the picture as stored ({azimuth})"),
        ("photographs", f"{lens.shots - len(lens.rejected)} of {lens.shots}: {_repeats_text(lens, details)}"),
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
    return "; ".join(parts) or "none repeated"


def _settings(details: Decentring, *, limit_percent: float) -> Table:
    """Row for every setting; where those are many, the printed sheet has what matters and each widest stop.

    Where even these are too many, it has each focal length's most uneven one.
    """
    columns: dict[str, Callable[[SideAsymmetry], str]] = {
        "setting": lambda row: at_setting(row) + ", focus bracket" * (row.source is Source.FOCUS_BRACKET),
        "softer by": _percent,
        "95 % interval": _interval,
        "limit": lambda row: known(row.matters_from_percent, ".1f", " %"),
        "verdict": lambda row: _verdict(row, limit_percent),
        "softer side": lambda row: row.softer_side.value,
        "shots": lambda row: f"{row.shots}" + f", {row.turned_shots} turned" * (row.turned_shots > 0),
        "tilt, at most": lambda row: share(row.tilt_percent),
    }
    whole = Grid.of(details.rows, worded("evidence.settings", limit=limit_percent), columns)
    widest = {row.focal_length_mm: row for row in reversed(details.rows)}
    gist, kind = [row for row in details.rows if row.matters or row is widest[row.focal_length_mm]], "gist"
    if len(gist) > _MOST_PRINTED[1]:
        by_weight = sorted(gist, key=lambda row: (row.matters, row.percent, -row.f_number))
        softest = {row.focal_length_mm: row for row in by_weight}
        gist, kind = [row for row in gist if row is softest[row.focal_length_mm]], "softest"
    caption = worded(f"evidence.{kind}", limit=limit_percent, others=len(details.rows) - len(gist))
    brief = Grid.of(gist, caption, columns) if len(details.rows) > _MOST_PRINTED[0] else None
    return Table("", whole, kind="short", brief=brief)


def _verdict(row: SideAsymmetry, limit_percent: float) -> str:
    """The same words as for a whole lens: within limits only with the whole interval."""
    within = row.ci95_percent[1] < limit_percent
    verdict = Verdict.WITHIN_LIMITS if within else Verdict.CANNOT_TELL
    return str(texts("condition.verdicts")[Verdict.MATTERS if row.matters else verdict])


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
        caption=f"Sharpness by side at {at_setting(details.main)}, outside of half the image height",
        header=("figure", *(side.side.value for side in details.sides)),
        rows=(("MTF50, cycles/pixel", *(f"{side.mtf50_cypx:.3f}" for side in details.sides)),),
    )
