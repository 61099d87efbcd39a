"""The shots table: what the photographer knows better than the metadata, one row a file.

This is how lenses without electronic contacts are tested. A filled cell overrides what the file says. A row whose
`file` is empty is a shot that was planned and not taken; a table that names no file at all goes by the order.
"""

import csv
import math
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

from lensbench.model.errors import SettingError, TextFileError
from lensbench.model.shot import TABLE_COLUMNS, TableRow, Turned
from lensbench.model.units import PITCH_LIMITS_UM
from lensbench.photo import PHOTO_SUFFIXES
from lensbench.storage.text import TWO_WAYS, read_text, table_in

_YES_NO: Final = {"yes": True, "y": True, "no": False, "n": False, "": True}
_MOST_ROWS: Final = 100_000
_F_NUMBERS: Final = (0.5, 128.0)
_FOCAL_MM: Final = (0.5, 20_000.0)
"""Wider than any lens. Common practice, no source."""


def read_shots_table(path: Path) -> list[TableRow]:
    """Read a shots table.

    Rows whose `file` is empty are kept, in their order. Comma or semicolon between the cells; with semicolons a
    decimal comma is understood. `f/5.6` and `5.6`, `50 mm` and `50` mean the same.

    Raises
    ------
    SettingError
        The file cannot be read as text, lacks the column `file`, has a column of another name, or a cell that
        is no number, not positive, or neither yes nor no: with the row and the column.
    """
    try:
        text = read_text(path)
        rows = [_row(f"{path}, line {line}", cells) for line, cells in _lines(path, text)]
    except TextFileError as error:
        raise SettingError(f"{path}: the shots table cannot be read: {error}") from error
    counts = Counter(row.file for row in rows if row.file)
    if twice := [file for file, count in counts.items() if count > 1]:
        raise SettingError(f"{path}: the file {twice[0]} stands in two rows; leave one")
    return rows


def _lines(path: Path, text: str) -> Iterator[tuple[int, dict[str, str]]]:
    """The filled lines with their numbers, at most so many."""
    head = (text.splitlines() or [""])[0]
    delimiter = ";" if ";" in head and "," not in head else ","
    names = [
        name.strip() for name in next(csv.reader([head], delimiter=delimiter, skipinitialspace=True), [])
    ]
    columns = f"columns: {', '.join(TABLE_COLUMNS)}"
    if "file" not in names:
        raise SettingError(f"{path}: no column `file` in the first line; {columns}")
    if strange := [name for name in names if name not in TABLE_COLUMNS]:
        raise SettingError(f"{path}: no such column: {', '.join(strange)}; {columns}")
    for count, (line, cells) in enumerate(table_in(text, delimiter=delimiter)):
        if count >= _MOST_ROWS:
            raise SettingError(f"{path}: more than {_MOST_ROWS} rows; divide the table")
        name = cells["file"]
        if delimiter == "," and ";" in name and Path(name).suffix.lower() not in PHOTO_SUFFIXES:
            raise SettingError(
                f"{path}, line {line}: a semicolon stands where the first line has commas; use one of the two "
                "between all cells"
            )
        yield line, dict.fromkeys(TABLE_COLUMNS, "") | cells


def _row(place: str, cells: Mapping[str, str]) -> TableRow:
    use = _YES_NO.get(cells["use"].lower())
    if use is None:
        raise SettingError(f"{place}, column use: {cells['use']!r} is neither yes nor no")
    focal, pitch = cells["focal_length_mm"].removesuffix("mm"), cells["pitch_um"].removesuffix("um")
    return TableRow(
        file=cells["file"].replace("\\", "/"),
        lens=cells["lens"] or None,
        camera=cells["camera"] or None,
        f_number=_within(
            f"{place}, column f_number", cells["f_number"].lower().removeprefix("f/"), _F_NUMBERS
        ),
        focal_length_mm=_within(f"{place}, column focal_length_mm", focal, _FOCAL_MM),
        pitch_um=_within(f"{place}, column pitch_um", pitch, PITCH_LIMITS_UM, "sensors"),
        focus_group=cells["focus_group"],
        focus_step=_number(f"{place}, column focus_step", cells["focus_step"]),
        condition=cells["condition"],
        turned=_turned(place, cells["turned"]),
        use=use,
    )


def _turned(place: str, cell: str) -> Turned | None:
    try:
        return Turned(cell.lower()) if cell else None
    except ValueError as error:
        raise SettingError(f"{place}, column turned: {cell!r} is neither camera nor chart") from error


def _within(place: str, cell: str, limits: tuple[float, float], owners: str = "lenses") -> float | None:
    value = _number(place, cell)
    if value is not None and value <= 0.0:
        raise SettingError(f"{place}: {cell!r} is not positive")
    if value is not None and not limits[0] <= value <= limits[1]:
        raise SettingError(f"{place}: {cell!r} is beyond what {owners} have, {limits[0]:g} to {limits[1]:g}")
    return value


def _number(place: str, cell: str) -> float | None:
    if not cell.strip():
        return None
    if TWO_WAYS.fullmatch(cell.strip()):
        whole, part = cell.strip().replace(",", ""), float(cell.replace(",", "."))
        raise SettingError(f"{place}: {cell!r} can be read in two ways; write {whole} or {part:g}")
    try:
        value = float(cell.replace(",", ".").replace("_", "?"))  # Python would read 2_8 as 28
    except ValueError as error:
        raise SettingError(f"{place}: {cell!r} is no number") from error
    if not math.isfinite(value):
        raise SettingError(f"{place}: {cell!r} is no finite number")
    return value
