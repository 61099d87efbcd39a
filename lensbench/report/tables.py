"""The tables of a sweep: one row a photograph, one row an edge; columns as the study names them.

Text from outside (metadata, file names, tables) made fit to show: no hidden characters, no formulas.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import pandas as pd

from lensbench.model.compare import ComparedPair, CompareFindings, CompareRow
from lensbench.model.effect import EffectFindings
from lensbench.model.flags import Remark
from lensbench.model.shot import ZONES, ChartEdge, PhysicalFit, RejectedShot, ShotResult, ZoneFigure
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
    return pd.DataFrame(
        [
            {
                "level": spreadsheet_text(row.level),
                "reference": spreadsheet_text(findings.reference),
                "figure": row.figure,
                "zone": row.zone,
                "unit": row.unit,
                "difference": row.difference,
                "ci95_low": row.ci95[0],
                "ci95_high": row.ci95[1],
                "visible_from": row.visible_from,
                "verdict": row.verdict,
            }
            for row in findings.rows
        ]
    )


def as_csv(table: pd.DataFrame) -> bytes:
    """Table as CSV in UTF-8: numbers to seven digits, an empty cell where nothing is known."""
    text: str = table.to_csv(index=False, float_format="%.7g", lineterminator="\n")
    return text.encode()


def _names(remarks: Sequence[Remark]) -> str:
    return " ".join(dict.fromkeys(remark.flag for remark in remarks))


def _yes_no(answer: bool) -> str:  # noqa: FBT001
    return "yes" if answer else "no"


def _shot_row(shot: SweepShot) -> dict[str, Cell]:
    row = _planned_cells(shot.planned)
    match shot.result:
        case RejectedShot(reason=reason):
            row["reason"] = spreadsheet_text(reason)
        case ShotResult() as result:
            row |= _measured_cells(result)
            row["reason"] = spreadsheet_text(shot.reason)
    return row | {"used": _yes_no(shot.used)}


def _planned_cells(planned: PlannedShot) -> dict[str, Cell]:
    metadata = planned.metadata
    return {
        "file": spreadsheet_path(planned.path),
        "lens": spreadsheet_text(planned.lens),
        "camera": spreadsheet_text(planned.camera),
        "f_number": planned.setting.f_number or None,
        "exact_f_number": metadata.f_number,
        "focal_length_mm": planned.setting.focal_length_mm,
        "exact_focal_length_mm": metadata.focal_length_mm,
        "focus_group": spreadsheet_text(planned.focus_group),
        "focus_step": planned.focus_step,
        "condition": spreadsheet_text(planned.condition),
        "iso": metadata.iso,
        "exposure_s": metadata.exposure_s,
        "taken_at": spreadsheet_text(metadata.taken_at),
    }


def _measured_cells(result: ShotResult) -> dict[str, Cell]:
    return {
        "rows_px": result.size_px[0],
        "cols_px": result.size_px[1],
        "picture_height_px": result.picture_height_px,
        "pixel_pitch_um": result.pixel_pitch_um,
        "sensor_data": _yes_no(result.sensor_data),
        "chart": spreadsheet_text(result.chart.name),
        "targets": result.chart.targets_found,
        "contrast": result.chart.contrast,
        "framing_percent": result.chart.framing_percent,
        "distortion_percent": result.chart.radial_distortion_percent,
        "outermost_height": result.chart.outermost_height,
        "outermost_light_percent": result.chart.outermost_light_percent,
        "magnification": result.magnification,
        "distance_mm": result.distance_mm,
        "pitch_deg": result.tilt.pitch_deg,
        "yaw_deg": result.tilt.yaw_deg,
        "roll_deg": result.tilt.roll_deg,
        "flags": _names(result.quality),
        **_zone_cells(result.summary),
    }


def _zone_cells(summary: Mapping[str, ZoneFigure]) -> dict[str, Cell]:
    cells: dict[str, Cell] = {}
    for zone in ZONES:
        if zone in summary:
            figure = summary[zone]
            cells |= {
                f"{zone}_mtf50_cypx": figure.mtf50_cypx,
                f"{zone}_ci95_low_cypx": figure.ci95_cypx[0],
                f"{zone}_ci95_high_cypx": figure.ci95_cypx[1],
                f"{zone}_sagittal_cypx": figure.sagittal_cypx,
                f"{zone}_tangential_cypx": figure.tangential_cypx,
                f"{zone}_edges": figure.edges,
            }
    return cells


_EDGE_FIGURES = (
    *("mtf50_cypx", "mtf50_sd_cypx", "mtf30_cypx", "mtf20_cypx", "mtf10_cypx", "angle_deg"),
    *("rise_10_90_px", "overshoot_percent", "undershoot_percent", "snr", "channel"),
)


def _edge_row(planned: PlannedShot, chart_edge: ChartEdge) -> dict[str, Cell]:
    edge = chart_edge.edge
    row: dict[str, Cell] = {name: getattr(edge, name) for name in _EDGE_FIGURES}
    return row | {
        "file": spreadsheet_path(planned.path),
        "lens": spreadsheet_text(planned.lens),
        "f_number": planned.setting.f_number or None,
        "focal_length_mm": planned.setting.focal_length_mm,
        "target": spreadsheet_text(chart_edge.target),
        "arm": chart_edge.arm,
        "direction": chart_edge.direction.value,
        "center_row_px": chart_edge.center_px[0],
        "center_col_px": chart_edge.center_px[1],
        "image_height": chart_edge.image_height,
        "azimuth_deg": chart_edge.azimuth_deg,
        "roi": str(edge.roi),
        "flags": _names(edge.flags),
        **_physical_cells(edge.physical),
    }


def _physical_cells(reading: PhysicalFit | None) -> dict[str, Cell]:
    if reading is None:
        return {}
    return {
        "physical_fits": _yes_no(reading.fits),
        "physical_mtf50_cypx": reading.mtf50_cypx,
        "diffraction_q": reading.diffraction_q,
        "defocus_disc_px": reading.defocus_disc_px,
        "gaussian_sigma_px": reading.gaussian_sigma_px,
    }


def _compare_row(pair: ComparedPair, row: CompareRow, unit: str) -> dict[str, Cell]:
    return {
        "first": spreadsheet_text(pair.first),
        "second": spreadsheet_text(pair.second),
        "unit": unit,
        "focal_length_mm": row.focal_length_mm,
        "f_number": row.f_number,
        "zone": row.zone,
        "first_mtf50": row.first,
        "second_mtf50": row.second,
        "first_shots": row.first_shots,
        "second_shots": row.second_shots,
        "difference_percent": row.difference_percent,
        "ci95_low_percent": row.ci95_percent[0],
        "ci95_high_percent": row.ci95_percent[1],
        "verdict": row.verdict,
        "difference_jnd": row.difference_jnd,
        "ci95_low_jnd": row.ci95_jnd[0],
        "ci95_high_jnd": row.ci95_jnd[1],
        "visible_from_percent": row.visible_from_percent,
        "seen": row.seen,
    }
