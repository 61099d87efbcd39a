"""The tables of a sweep: one row a photograph, one row an edge; columns as the study names them.

Text from outside (metadata, file names, tables) made fit to show: no hidden characters, no formulas.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import pandas as pd

from lensbench.model.compare import CompareFindings, EffectFindings
from lensbench.model.errors import Remark
from lensbench.model.shot import ChartEdge, ShotResult
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
        _walked(_COMPARE_COLUMNS, row)
        | {"first": spreadsheet_text(pair.first), "second": spreadsheet_text(pair.second), "unit": unit}
        | {"first_mtf50": row.first, "second_mtf50": row.second}
        | {"ci95_low_percent": row.ci95_percent[0], "ci95_high_percent": row.ci95_percent[1]}
        | {"ci95_low_jnd": row.ci95_jnd[0], "ci95_high_jnd": row.ci95_jnd[1]}
        for pair in comparison.pairs
        for unit, pair_rows in ((pair.unit, pair.rows), ("lpmm", pair.rows_lpmm))
        for row in pair_rows
    ]
    return pd.DataFrame(rows, columns=list(_COMPARE_COLUMNS))


def effect_table(findings: EffectFindings) -> pd.DataFrame:
    """One row for every level, figure and zone."""
    rows = [
        _walked(_EFFECT_COLUMNS, row, findings) | {"ci95_low": row.ci95[0], "ci95_high": row.ci95[1]}
        for row in findings.rows
    ]
    return pd.DataFrame(rows, columns=list(_EFFECT_COLUMNS))


def as_csv(table: pd.DataFrame) -> bytes:
    """Table as CSV in UTF-8: numbers to seven digits, an empty cell where nothing is known."""
    text: str = table.to_csv(index=False, float_format="%.7g", lineterminator="\n")
    return text.encode()


_COMPARE_COLUMNS: Final = (
    *("first", "second", "unit", "focal_length_mm", "f_number", "zone", "first_mtf50", "second_mtf50"),
    *(
        "first_shots",
        "second_shots",
        "difference_percent",
        "ci95_low_percent",
        "ci95_high_percent",
        "verdict",
    ),
    *("difference_jnd", "ci95_low_jnd", "ci95_high_jnd", "visible_from_percent", "seen"),
)
_EFFECT_COLUMNS: Final = (
    *("level", "reference", "figure", "zone", "unit", "difference", "ci95_low", "ci95_high"),
    *("visible_from", "verdict"),
)


def _walked(columns: Sequence[str], *records: object) -> dict[str, Cell]:
    """Cells of the columns that bear the name of a field, each from the first record that has it."""
    return {
        column: _cell(getattr(record, column))
        for record in reversed(records)
        for column in columns
        if hasattr(record, column)
    }


def _cell(value: Any) -> Cell:
    match value:
        case bool():
            return "yes" if value else "no"
        case str():
            return spreadsheet_text(value)
    return value if isinstance(value, float | int) else None


def _flags(remarks: Sequence[Remark]) -> str:
    return " ".join(dict.fromkeys(remark.flag for remark in remarks))


def _planned_cells(columns: Sequence[str], planned: PlannedShot, *records: object) -> dict[str, Cell]:
    cells = _walked(columns, planned, planned.setting, *records)
    return cells | {"file": spreadsheet_path(planned.path), "f_number": planned.setting.f_number or None}


def _shot_row(shot: SweepShot) -> dict[str, Cell]:
    metadata, result = shot.planned.metadata, shot.result
    measured = (result, result.chart, result.tilt) if isinstance(result, ShotResult) else (result,)
    row = _planned_cells(SHOTS_COLUMNS, shot.planned, *measured, shot, metadata) | {
        "exact_f_number": metadata.f_number,
        "exact_focal_length_mm": metadata.focal_length_mm,
        "taken_at": spreadsheet_text(metadata.taken_at),
    }
    if not isinstance(result, ShotResult):
        return row
    row |= {
        "rows_px": result.size_px[0],
        "cols_px": result.size_px[1],
        "chart": spreadsheet_text(result.chart.name),
        "targets": result.chart.targets_found,
        "veil_percent": result.veil.percent,
        "distortion_percent": result.chart.radial_distortion_percent,
        "flags": _flags(result.quality),
    }
    for zone, figure in result.summary.items():
        low, high = figure.ci95_cypx
        own = _walked(("mtf50_cypx", "sagittal_cypx", "tangential_cypx", "edges"), figure)
        own |= {"ci95_low_cypx": low, "ci95_high_cypx": high}
        row |= {f"{zone}_{name}": cell for name, cell in own.items()}
    return row


def _edge_row(planned: PlannedShot, chart_edge: ChartEdge) -> dict[str, Cell]:
    edge, physical = chart_edge.edge, chart_edge.edge.physical
    row = _planned_cells(EDGES_COLUMNS, planned, chart_edge, edge) | {
        "center_row_px": chart_edge.center_px[0],
        "center_col_px": chart_edge.center_px[1],
        "roi": str(edge.roi),
        "flags": _flags(edge.flags),
    }
    if physical is not None:
        row |= _walked(PHYSICAL_COLUMNS, physical)
        row |= {"physical_fits": _cell(physical.fits), "physical_mtf50_cypx": physical.mtf50_cypx}
    return row
