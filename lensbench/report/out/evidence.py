"""The page for somebody who may want to return or repair a lens: always the same fields, in the same order."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lensbench.model.condition import EvidenceRow, LensEvidence
from lensbench.model.sweep import LensFindings, Setting, SweepShot
from lensbench.report.draw.field import FieldMap, field_map_at
from lensbench.report.draw.panels import Grid
from lensbench.report.text.figures import NOT_MEASURED, clean_line, f_stop, focal_length

__all__ = ["EvidenceContent", "evidence_content"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceContent:
    """All that the page says."""

    key: str
    title: str
    what: str
    fields: Grid
    """Name and content of each field."""
    settings: Grid
    ruled_out: Grid
    sides: Grid | None
    map: FieldMap | None
    """Of the setting that shows it most clearly."""
    caution: str


def evidence_content(lens: LensFindings, shots: Sequence[SweepShot], *, key: str) -> EvidenceContent | None:
    """Give the page of one lens; None where nothing was seen that it would be for."""
    evidence = lens.evidence
    if evidence is None:
        return None
    return EvidenceContent(
        key=f"{key}-evidence",
        title="Evidence on this copy of the lens",
        what=clean_line(evidence.what),
        fields=_fields(lens, evidence),
        settings=_settings(evidence),
        ruled_out=_ruled_out(evidence),
        sides=_sides(evidence),
        map=_map(lens, evidence.main, shots, key=key),
        caution=clean_line(evidence.caution),
    )


def _fields(lens: LensFindings, evidence: LensEvidence) -> Grid:
    main = evidence.main
    rows = (
        ("lens", clean_line(lens.lens)),
        ("camera", clean_line(lens.camera)),
        ("photographs", f"{lens.shots}, {len(lens.rejected)} of them not used"),
        ("asymmetry", f"{_percent(main.asymmetry_percent)} (95 %: {_interval(main)})"),
        ("where", _where(main)),
        ("at which setting", f"{_setting(main)}; the others stand below"),
        ("number of repeats", clean_line(evidence.repeats)),
        ("result of the turned test", clean_line(evidence.turned_test)),
        ("what to do next", clean_line(evidence.advice)),
    )
    return Grid(caption="What was measured", header=("field", "content"), rows=rows)


def _settings(evidence: LensEvidence) -> Grid:
    return Grid(
        caption="The softest side against the side opposite, in percent of MTF50, at every setting",
        header=("setting", "softer by", "95 % interval", "softer side", "shots", "tilt, at most", "seen"),
        rows=tuple(
            (
                _setting(row) + (", focus bracket" if row.source == "focus bracket" else ""),
                _percent(row.asymmetry_percent),
                _interval(row),
                row.softer_side,
                f"{row.shots}" + (f", {row.turned_shots} turned" if row.turned_shots else ""),
                f"{row.tilt_percent:.1f} %",
                "yes" if row.seen else "no",
            )
            for row in evidence.rows
        ),
    )


def _ruled_out(evidence: LensEvidence) -> Grid:
    return Grid(
        caption="Other causes",
        header=("cause", "ruled out", "why"),
        rows=tuple(
            (one.cause, "yes" if one.ruled_out else "no", clean_line(one.why)) for one in evidence.ruled_out
        ),
    )


def _sides(evidence: LensEvidence) -> Grid | None:
    if not evidence.sides:
        return None
    return Grid(
        caption=f"MTF50 by side at {_setting(evidence.main)}, outside of half the image height",
        header=tuple(side.side for side in evidence.sides),
        rows=(tuple(f"{side.mtf50_cypx:.3f} cycles/pixel" for side in evidence.sides),),
    )


def _map(lens: LensFindings, main: EvidenceRow, shots: Sequence[SweepShot], *, key: str) -> FieldMap | None:
    setting = Setting(focal_length_mm=main.focal_length_mm, f_number=main.f_number)
    plain = [shot for shot in shots if shot.planned.focus_step is None]
    return field_map_at(lens, setting, plain, key=f"{key}-evidence-map")


def _setting(row: EvidenceRow) -> str:
    if row.focal_length_mm is None:
        return f_stop(row.f_number)
    return f"{focal_length(row.focal_length_mm)}, {f_stop(row.f_number)}"


def _percent(value: float) -> str:
    return f"{value:.1f} %" if math.isfinite(value) else NOT_MEASURED


def _interval(row: EvidenceRow) -> str:
    low, high = row.ci95_percent
    return f"{low:.1f} to {high:.1f} %" if math.isfinite(low) and math.isfinite(high) else NOT_MEASURED


def _where(row: EvidenceRow) -> str:
    return (
        f"softer at the {row.softer_side} of the picture as stored (azimuth {round(row.softer_azimuth_deg)} degrees, "
        "counter-clockwise from the right)"
    )
