"""The tables of a sweep: one row a photograph, one row an edge; columns as the study names them.

Text from outside (metadata, file names, tables) made fit to show: no hidden characters, no formulas. Figures are whole
numbers with a power of ten, 2931E-4 for 0.2931: a spreadsheet that expects a decimal comma takes 0.2931 for text and
1.234 for 1234, but reads this form as everybody else does.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from itertools import repeat
from operator import attrgetter
from pathlib import Path
from typing import Any, Final

import numpy as np

from lensbench.model.compare import CompareFindings, EffectFindings
from lensbench.model.errors import Remark
from lensbench.model.shot import ChartEdge, Edge, ShotResult
from lensbench.model.sweep import EDGES_COLUMNS, PHYSICAL_COLUMNS, SHOTS_COLUMNS, PlannedShot, SweepShot
from lensbench.model.units import FloatArray
from lensbench.storage.text import clean_text, name_in_tables, visible

_FORMULA_STARTS: Final = tuple("=+-@|%") + tuple("＝＋－＠")
"""Cells that begin so can run as formulas in spreadsheets (OWASP ASVS 1.2.10, CWE-1236)."""
_DIGITS: Final = 7


@lru_cache(maxsize=1024)
def spreadsheet_text(text: str | None) -> str:
    """Text, cleaned, that no spreadsheet takes for a formula: a leading apostrophe disarms it."""
    line = clean_text(text, unknown="")
    return f"'{line}" if line.startswith(_FORMULA_STARTS) else line


def spreadsheet_path(path: Path) -> str:
    """Path that no spreadsheet takes for a formula and that still opens the same file."""
    line = visible(name_in_tables(str(path)))
    return f"./{line}" if line.startswith(_FORMULA_STARTS) else line


Cell = str | float | int | None
Columns = dict[str, list[Any]]
"""A table: each column's name, in order, and its cells; a data frame is made of it where one is asked for."""


def shots_table(shots: Sequence[SweepShot]) -> Columns:
    """One row for every photograph, the rejected ones included, with the columns `SHOTS_COLUMNS`."""
    return _columns(SHOTS_COLUMNS, [_shot_row(shot) for shot in shots])


def edges_table(shots: Sequence[SweepShot]) -> Columns:
    """One row for every edge of every measured photograph, with the columns `EDGES_COLUMNS`.

    Where any edge has a physical reading, `PHYSICAL_COLUMNS` follow.
    """
    measured = [(shot.planned, shot.result) for shot in shots if isinstance(shot.result, ShotResult)]
    edges = [edge for _, result in measured for edge in result.edges]
    names: tuple[str, ...] = EDGES_COLUMNS
    cells = _EDGE_CELLS
    if any(edge.edge.physical is not None for edge in edges):
        names, cells = (*EDGES_COLUMNS, *PHYSICAL_COLUMNS), _EDGE_CELLS | _PHYSICAL_CELLS
    of_shot = [(_planned_cells(EDGES_COLUMNS, planned), len(result.edges)) for planned, result in measured]
    return {
        name: list(map(cells[name], edges))
        if name in cells
        else [cell for row, count in of_shot for cell in repeat(row.get(name), count)]
        for name in names
    }


def compare_table(comparison: CompareFindings) -> Columns:
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
    return _columns(_COMPARE_COLUMNS, rows)


def effect_table(findings: EffectFindings) -> Columns:
    """One row for every level, figure and zone."""
    rows = [
        _walked(_EFFECT_COLUMNS, row, findings) | {"ci95_low": row.ci95[0], "ci95_high": row.ci95[1]}
        for row in findings.rows
    ]
    return _columns(_EFFECT_COLUMNS, rows)


def _columns(names: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> Columns:
    return {name: [row.get(name) for row in rows] for name in names}


def as_csv(table: Columns) -> bytes:
    """Table as CSV in UTF-8: numbers to seven digits, an empty cell where nothing is known."""
    lines = [",".join(table), *map(",".join, zip(*map(_cell_texts, table.values()), strict=True))]
    return ("\n".join(lines) + "\n").encode()


def _cell_texts(column: Sequence[Any]) -> list[str]:
    """Cells of a column as they stand in the file."""
    values = list(set(column))
    if any(issubclass(kind, str) for kind in set(map(type, values))):
        texts = {value: _cell_text(value) for value in values}
    elif 4 * len(values) < len(column):
        texts = dict(zip(values, spreadsheet_numbers(np.array(values, np.float64)), strict=True))
    else:
        return spreadsheet_numbers(np.array(column, np.float64))  # None becomes NaN
    return [texts[value] for value in column]


def _cell_text(value: Any) -> str:
    """One cell: text between quotes where a comma, a quote or a line's end is in it."""
    if value is None or value != value:  # noqa: PLR0124  NaN, of whatever type
        return ""
    if not isinstance(value, str):
        return spreadsheet_numbers(np.array([float(value)]))[0]
    return '"' + value.replace('"', '""') + '"' if set(value) & set(',"\n\r') else value


def spreadsheet_numbers(values: FloatArray) -> list[str]:
    """Figures to seven digits as a spreadsheet of any language reads them; empty where one is not finite.

    >>> spreadsheet_numbers(np.array([0.2931, -2.5, 11.0, 1.2e9, 0.0, np.nan]))
    ['2931E-4', '-25E-1', '11', '1200000000', '0', '']
    """
    known = np.isfinite(values) & (values != 0.0)
    size = np.floor(np.log10(np.abs(np.where(known, values, 1.0)))).astype(np.int64)
    power = np.minimum(size - _DIGITS + 1, 0)
    # By a division or a product with a whole power of ten, exact up to 1e22, and so rounded once.
    whole = np.rint(np.where(known, values, 0.0) * 10.0 ** -power.astype(np.float64)).astype(np.int64)
    while (short := (power < 0) & (whole % 10 == 0)).any():
        whole, power = np.where(short, whole // 10, whole), power + short
    powers = np.array(["", *(f"E-{digits}" for digits in range(1, int(-power.min(initial=0)) + 1))])
    texts = np.strings.add(whole.astype(np.str_), powers[-power])
    found: list[str] = np.where(np.isfinite(values), texts, "").tolist()
    return found


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


_EDGE_CELLS: Final[dict[str, Callable[[ChartEdge], Any]]] = {
    **{name: attrgetter(f"edge.{name}") for name in EDGES_COLUMNS if name in Edge.__dataclass_fields__},
    "target": lambda edge: spreadsheet_text(edge.target),
    "arm": attrgetter("arm"),
    "direction": attrgetter("direction.value"),
    "center_row_px": lambda edge: edge.center_px[0],
    "center_col_px": lambda edge: edge.center_px[1],
    "image_height": attrgetter("image_height"),
    "azimuth_deg": attrgetter("azimuth_deg"),
    # With spaces, lest a spreadsheet take the commas for those between thousands.
    "roi": lambda edge: str(edge.edge.roi).replace(",", ", "),
    "flags": lambda edge: _flags(edge.edge.flags),
}
"""Column of edges.csv -> its cell; the others are the photograph's."""


def _of_physical(name: str) -> Callable[[ChartEdge], Cell]:
    return lambda edge: None if edge.edge.physical is None else _cell(getattr(edge.edge.physical, name))


_PHYSICAL_CELLS: Final = {name: _of_physical(name.removeprefix("physical_")) for name in PHYSICAL_COLUMNS}
