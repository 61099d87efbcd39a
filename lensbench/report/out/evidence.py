"""The page for somebody who may want to return or repair a lens: always the same fields, in the same order."""

import math
from collections.abc import Sequence

from lensbench.model.condition import Decentring, SideAsymmetry, Source, Verdict
from lensbench.model.setting import Setting
from lensbench.model.sweep import LensFindings, SweepShot
from lensbench.report.draw.field import field_map_at
from lensbench.report.draw.panels import Grid
from lensbench.report.out.document import Lines, Part, Plots, tables
from lensbench.report.text.sound import (
    EVIDENCE_CAUTION,
    at_setting,
    cause_text,
    decentring_advice,
    evidence_lead,
    repeats_text,
    turned_text,
)
from lensbench.report.text.words import NOT_MEASURED, clean_line


def evidence_part(lens: LensFindings, shots: Sequence[SweepShot], *, key: str) -> Part | None:
    """Sheet of one lens, a view of its decentring, with the map that shows it best; None where it does not matter."""
    details = next(
        (
            finding.details
            for finding in lens.condition
            if isinstance(finding.details, Decentring) and finding.verdict is Verdict.MATTERS
        ),
        None,
    )
    if details is None:
        return None
    main = details.main
    setting = Setting(focal_length_mm=main.focal_length_mm, f_number=main.f_number)
    plain = [shot for shot in shots if shot.planned.focus_step is None]
    field = field_map_at(lens, setting, plain, key=f"{key}-evidence-map")
    return Part(
        kind="evidence",
        key=f"{key}-evidence",
        title="Evidence on this copy of the lens",
        blocks=(
            Lines((evidence_lead(details),)),
            *tables(("", _fields(lens, details)), kind="list"),
            *tables(("", _settings(details)), ("", _ruled_out(details)), ("", _sides(details))),
            *([] if field is None else [Plots("", (field,))]),
            Lines((EVIDENCE_CAUTION,), kind="limits"),
        ),
    )


def _fields(lens: LensFindings, details: Decentring) -> Grid:
    main = details.main
    azimuth = f"azimuth {round(main.softer_azimuth_deg)} degrees, counter-clockwise from the right"
    where = f"softer at the {main.softer_side} of the picture as stored ({azimuth})"
    rows = (
        ("lens", clean_line(lens.lens)),
        ("camera", clean_line(lens.camera)),
        ("photographs", f"{lens.shots}, {len(lens.rejected)} of them not used"),
        ("asymmetry", f"{_percent(main.percent)} (95 %: {_interval(main)})"),
        ("where", where),
        ("at which setting", f"{_setting(main)}; the others stand below"),
        ("number of repeats", repeats_text(details)),
        ("result of the turned test", turned_text(details.turned)),
        ("what to do next", decentring_advice(Verdict.MATTERS, details.turned.outcome)),
    )
    return Grid(caption="What was measured", header=("field", "content"), rows=rows)


def _settings(details: Decentring) -> Grid:
    return Grid(
        caption="The softest side against the side opposite, in percent of MTF50, at every setting",
        header=("setting", "softer by", "95 % interval", "softer side", "shots", "tilt, at most", "matters"),
        rows=tuple(
            (
                _setting(row) + (", focus bracket" if row.source is Source.FOCUS_BRACKET else ""),
                _percent(row.percent),
                _interval(row),
                row.softer_side.value,
                f"{row.shots}" + (f", {row.turned_shots} turned" if row.turned_shots else ""),
                f"{row.tilt_percent:.1f} %",
                "yes" if row.matters else "no",
            )
            for row in details.rows
        ),
    )


def _ruled_out(details: Decentring) -> Grid:
    return Grid(
        caption="Other causes",
        header=("cause", "ruled out", "why"),
        rows=tuple(
            (cause.cause.value, "yes" if cause.ruled_out else "no", cause_text(cause))
            for cause in details.other_causes
        ),
    )


def _sides(details: Decentring) -> Grid | None:
    if not details.sides:
        return None
    return Grid(
        caption=f"MTF50 by side at {_setting(details.main)}, outside of half the image height",
        header=tuple(side.side.value for side in details.sides),
        rows=(tuple(f"{side.mtf50_cypx:.3f} cycles/pixel" for side in details.sides),),
    )


def _setting(row: SideAsymmetry) -> str:
    return at_setting(row.focal_length_mm, row.f_number)


def _percent(value: float) -> str:
    return f"{value:.1f} %" if math.isfinite(value) else NOT_MEASURED


def _interval(row: SideAsymmetry) -> str:
    low, high = row.ci95_percent
    return f"{low:.1f} to {high:.1f} %" if math.isfinite(low) and math.isfinite(high) else NOT_MEASURED
