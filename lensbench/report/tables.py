"""The tables of a sweep: one row a photograph, one row an edge; columns as the study names them.

Text from outside (metadata, file names, tables) made fit to show: no hidden characters, no formulas.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import pandas as pd

from lensbench.model.compare import ComparedPair, CompareFindings, CompareRow, EffectFindings
from lensbench.model.flags import Remark
from lensbench.model.shot import ChartEdge, RejectedShot, ShotResult
from lensbench.model.sweep import EDGES_COLUMNS, PHYSICAL_COLUMNS, SHOTS_COLUMNS, PlannedShot, SweepShot
from lensbench.storage.text import clean_text, name_in_tables, visible

_FORMULA_STARTS: Final = tuple("=+-@|%") + tuple("＝＋－＠")
"""Cells that begin so can run as formulas in spreadsheets (OWASP ASVS 1.2.10, CWE-1236)."""


def spreadsheet_text(text: str | None) -> str:
    """Text, cleaned, that no spreadsheet takes for a formula: a leading apostrophe disarms it."""
    line = clean_text(text, unknown="")
    return f"'{line}" if line.startswith(_FORMULA_STARTS) else line


def spreadsheet_path(path: Path) -> str:
    """Path that no spreadsheet takes for a formula and that still opens the same file."""
    line = visible(name_in_tables(str(path)))
    return f"./{line}" if line.startswith(_FORMULA_STARTS) else line


def photo_labels(paths: tuple[Path, ...]) -> dict[Path, str]:
    """Short name for every photograph: the file's name, with its folder where two are called alike."""
    names = [path.name for path in paths]
    return {
        path: clean_text(path.name if names.count(path.name) == 1 else f"{path.parent.name}/{path.name}")
        for path in paths
    }


Cell = str | float | int | None


def shots_table(shots: Sequence[SweepShot]) -> pd.DataFrame:
    """One row for every photograph, the rejected ones included, with the columns `SHOTS_COLUMNS`."""
    return pd.DataFrame([_shot_row(shot) for shot in shots], columns=list(SHOTS_COLUMNS))


def edges_table(shots: Sequence[SweepShot]) -> pd.DataFrame:
    """One row for every edge of every measured photograph, with the columns `EDGES_COLUMNS`.

    Where any edge has a physical reading, `PHYSICAL_COLUMNS` follow.
    """
    rows = [
        _edge_row(shot.planned, edge)
        for shot in shots
        if isinstance(shot.result, ShotResult)
        for edge in shot.result.edges
    ]
    read = any("physical_fits" in row for row in rows)
    return pd.DataFrame(rows, columns=[*EDGES_COLUMNS, *(PHYSICAL_COLUMNS if read else ())])


def compare_table(comparison: CompareFindings) -> pd.DataFrame:
    """One row for every pair of lenses, unit, focal length, f-number and zone."""
    rows = [
        _compare_row(pair, row, unit)
        for pair in comparison.pairs
        for unit, pair_rows in ((pair.unit, pair.rows), ("lwph", pair.rows_lwph))
        for row in pair_rows
    ]
    return pd.DataFrame(rows)


def effect_table(findings: EffectFindings) -> pd.DataFrame:
    """One row for every level, figure and zone."""
    rows = [
        {
            "level": spreadsheet_text(row.level),
            "reference": spreadsheet_text(findings.reference),
            **_named(row, "figure", "zone", "unit", "difference"),
            **_interval("ci95_low", "ci95_high", row.ci95),
            **_named(row, "visible_from", "verdict"),
        }
        for row in findings.rows
    ]
    return pd.DataFrame(rows)


def as_csv(table: pd.DataFrame) -> bytes:
    """Table as CSV in UTF-8: numbers to seven digits, an empty cell where nothing is known."""
    text: str = table.to_csv(index=False, float_format="%.7g", lineterminator="\n")
    return text.encode()


def _named(record: object, *names: str) -> dict[str, Cell]:
    return {name: getattr(record, name) for name in names}


def _interval(low: str, high: str, ends: tuple[float, float]) -> dict[str, Cell]:
    return {low: ends[0], high: ends[1]}


def _flags(remarks: Sequence[Remark]) -> str:
    return " ".join(dict.fromkeys(remark.flag for remark in remarks))


def _yes_no(answer: bool) -> str:  # noqa: FBT001
    return "yes" if answer else "no"


def _planned_cells(planned: PlannedShot) -> dict[str, Cell]:
    """What edges.csv tells of a photograph."""
    return {
        "file": spreadsheet_path(planned.path),
        "lens": spreadsheet_text(planned.lens),
        "f_number": planned.setting.f_number or None,
        "focal_length_mm": planned.setting.focal_length_mm,
    }


def _shot_row(shot: SweepShot) -> dict[str, Cell]:
    planned, metadata = shot.planned, shot.planned.metadata
    row = _planned_cells(planned) | {
        "camera": spreadsheet_text(planned.camera),
        "exact_f_number": metadata.f_number,
        "exact_focal_length_mm": metadata.focal_length_mm,
        "focus_group": spreadsheet_text(planned.focus_group),
        "focus_step": planned.focus_step,
        "condition": spreadsheet_text(planned.condition),
        **_named(metadata, "iso", "exposure_s"),
        "taken_at": spreadsheet_text(metadata.taken_at),
        "used": _yes_no(shot.used),
    }
    match shot.result:
        case RejectedShot(reason=reason):
            return row | {"reason": spreadsheet_text(reason)}
        case ShotResult() as result:
            return row | _measured_cells(result) | {"reason": spreadsheet_text(shot.reason)}


def _measured_cells(result: ShotResult) -> dict[str, Cell]:
    cells: dict[str, Cell] = {
        "rows_px": result.size_px[0],
        "cols_px": result.size_px[1],
        **_named(result, "picture_height_px", "pixel_pitch_um", "magnification", "distance_mm"),
        "sensor_data": _yes_no(result.sensor_data),
        "chart": spreadsheet_text(result.chart.name),
        "targets": result.chart.targets_found,
        **_named(result.chart, "contrast", "framing_percent", "outermost_height", "outermost_light_percent"),
        "distortion_percent": result.chart.radial_distortion_percent,
        **_named(result.tilt, "pitch_deg", "yaw_deg", "roll_deg"),
        "flags": _flags(result.quality),
    }
    for zone, figure in result.summary.items():
        own = _named(figure, "mtf50_cypx", "sagittal_cypx", "tangential_cypx", "edges")
        own |= _interval("ci95_low_cypx", "ci95_high_cypx", figure.ci95_cypx)
        cells |= {f"{zone}_{name}": cell for name, cell in own.items()}
    return cells


_EDGE_FIGURES: Final = (
    *("mtf50_cypx", "mtf50_sd_cypx", "mtf30_cypx", "mtf30_sd_cypx", "mtf20_cypx", "mtf20_sd_cypx"),
    *("mtf10_cypx", "mtf10_sd_cypx", "angle_deg"),
    *("rise_10_90_px", "rise_10_90_sd_px", "overshoot_percent", "undershoot_percent", "snr", "channel"),
)
_PHYSICAL_FIGURES: Final = ("diffraction_q", "defocus_disc_px", "gaussian_sigma_px")


def _edge_row(planned: PlannedShot, chart_edge: ChartEdge) -> dict[str, Cell]:
    edge, physical = chart_edge.edge, chart_edge.edge.physical
    row: dict[str, Cell] = {
        **_planned_cells(planned),
        **_named(edge, *_EDGE_FIGURES),
        **_named(chart_edge, "arm", "image_height", "azimuth_deg"),
        "direction": chart_edge.direction.value,
        "target": spreadsheet_text(chart_edge.target),
        "center_row_px": chart_edge.center_px[0],
        "center_col_px": chart_edge.center_px[1],
        "roi": str(edge.roi),
        "flags": _flags(edge.flags),
    }
    if physical is not None:
        row |= {"physical_fits": _yes_no(physical.fits), "physical_mtf50_cypx": physical.mtf50_cypx}
        row |= _named(physical, *_PHYSICAL_FIGURES)
    return row


def _compare_row(pair: ComparedPair, row: CompareRow, unit: str) -> dict[str, Cell]:
    return {
        "first": spreadsheet_text(pair.first),
        "second": spreadsheet_text(pair.second),
        "unit": unit,
        **_named(row, "focal_length_mm", "f_number", "zone"),
        "first_mtf50": row.first,
        "second_mtf50": row.second,
        **_named(row, "first_shots", "second_shots", "difference_percent"),
        **_interval("ci95_low_percent", "ci95_high_percent", row.ci95_percent),
        **_named(row, "verdict", "difference_jnd"),
        **_interval("ci95_low_jnd", "ci95_high_jnd", row.ci95_jnd),
        **_named(row, "visible_from_percent", "seen"),
    }
