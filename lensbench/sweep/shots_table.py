"""The shots table: what the photographer says of photographs that do not say it themselves.

Commas, semicolons or tabs stand between its cells; columns and files are known in any case, files without their ending,
too. A row whose `file` is empty is a shot that was planned and not taken; a table that names no file at all goes by the
order.
"""

import csv
import io
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from lensbench import photo
from lensbench.model.errors import ImageError, SettingError, TextFileError
from lensbench.model.shot import TABLE_COLUMNS, TableRow, Turned
from lensbench.model.units import PITCH_LIMITS_UM, nominal_f_number
from lensbench.storage.numbers import read_number
from lensbench.storage.text import name_in_tables, nearest, read_text, table_in

_YES_NO: Final = {"yes": True, "y": True, "true": True, "1": True, "": True} | dict.fromkeys(
    ("no", "n", "false", "0"), False
)
_MOST_ROWS: Final = 100_000
_F_NUMBERS: Final = (0.5, 128.0)
_FOCAL_MM: Final = (0.5, 20_000.0)  # Wider than any lens. Common practice, no source.


def read_shots_table(path: Path) -> list[TableRow]:
    """Read a shots table.

    Rows whose `file` is empty are kept, in their order. Numbers are read as people write them: `f/5.6`, `5,6`, `50 mm`.

    Raises
    ------
    SettingError
        The file cannot be read as text, lacks the column `file`, has a column of another name, or a cell that
        is no number, not positive, or neither yes nor no: with the row and the column.
    """
    if path.is_dir():
        raise SettingError(f"{path} is a folder; name the table in it, such as {path / 'shots.csv'}")
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
    delimiter = "\t" if "\t" in head else ";" if ";" in head and "," not in head else ","
    reader = csv.reader([head], delimiter=delimiter, skipinitialspace=True)
    names = [re.sub(r"[\s-]+", "_", name.strip().lower()) for name in next(reader, [])]
    columns = f"columns: {', '.join(TABLE_COLUMNS)}"
    if "file" not in names:
        raise SettingError(f"{path}: no column `file` in the first line; {columns}")
    if strange := [name for name in names if name and name not in TABLE_COLUMNS]:
        hint = f" (did you mean {near}?)" if (near := nearest(strange[0], TABLE_COLUMNS)) else ""
        raise SettingError(f"{path}: no such column: {', '.join(strange)}{hint}; {columns}")
    named = io.StringIO()
    csv.writer(named, delimiter=delimiter, lineterminator="").writerow(names)
    rows = table_in(named.getvalue() + text[len(head) :], delimiter=delimiter)
    for count, (line, cells) in enumerate(rows):
        if count >= _MOST_ROWS:
            raise SettingError(f"{path}: more than {_MOST_ROWS} rows; divide the table")
        name = cells["file"]
        if delimiter == "," and ";" in name and Path(name).suffix.lower() not in photo.PHOTO_SUFFIXES:
            raise SettingError(
                f"{path}, line {line}: a semicolon stands where the first line has commas; use one of the two "
                "between all cells"
            )
        yield line, dict.fromkeys(TABLE_COLUMNS, "") | cells


def _row(place: str, cells: Mapping[str, str]) -> TableRow:
    use = _YES_NO.get(cells["use"].lower())
    if use is None:
        raise SettingError(f"{place}, column use: {cells['use']!r} is neither yes nor no")
    return TableRow(
        file=cells["file"].replace("\\", "/"),
        lens=cells["lens"] or None,
        camera=cells["camera"] or None,
        f_number=_within(f"{place}, column f_number", cells["f_number"], "f-number", _F_NUMBERS),
        focal_length_mm=_within(
            f"{place}, column focal_length_mm", cells["focal_length_mm"], "mm", _FOCAL_MM
        ),
        pitch_um=_within(f"{place}, column pitch_um", cells["pitch_um"], "um", PITCH_LIMITS_UM, "sensors"),
        focus_group=cells["focus_group"],
        focus_step=_number(f"{place}, column focus_step", cells["focus_step"], ""),
        condition=cells["condition"],
        turned=_turned(place, cells["turned"]),
        use=use,
    )


def _turned(place: str, cell: str) -> Turned | None:
    try:
        return Turned(cell.lower()) if cell else None
    except ValueError as error:
        raise SettingError(f"{place}, column turned: {cell!r} is neither camera nor chart") from error


def _within(
    place: str, cell: str, kind: str, limits: tuple[float, float], owners: str = "lenses"
) -> float | None:
    value = _number(place, cell, kind)
    if value is not None and value <= 0.0:
        raise SettingError(f"{place}: {cell!r} is not positive")
    if value is not None and not limits[0] <= value <= limits[1]:
        raise SettingError(f"{place}: {cell!r} is beyond what {owners} have, {limits[0]:g} to {limits[1]:g}")
    return value


def _number(place: str, cell: str, kind: str) -> float | None:
    if not cell.strip():
        return None
    try:
        return read_number(cell, kind)
    except SettingError as error:
        raise SettingError(f"{place}: {error}") from error


def rows_in_order(shots: Sequence[Path], table: Sequence[TableRow]) -> dict[Path, TableRow]:
    """Each row with the photograph in its place: as many of them as rows, and no f-number that says otherwise."""
    if len(shots) != len(table):
        raise SettingError(
            f"the shots table names no files and has {len(table)} rows, but there are {len(shots)} photographs: write "
            "the files' names into its column `file`"
        )
    for number, (path, row) in enumerate(zip(shots, table, strict=True), start=1):
        told = None
        with suppress(ImageError):
            told = photo.read_metadata(path).f_number
        if told and row.f_number and nominal_f_number(told) != nominal_f_number(row.f_number):
            raise SettingError(
                f"row {number} of the shots table says f/{row.f_number:g}, but {path.name} was taken at f/{told:.3g}: "
                "write the files' names into its column `file`"
            )
    return dict(zip(shots, table, strict=True))


def rows_by_name(
    places: Sequence[tuple[Path, Path]], rows: Sequence[TableRow], *, second: Iterable[Path] = ()
) -> dict[Path, TableRow]:
    """Each row's photograph, by its path within the folder, or its bare name where that is unique.

    Where no file bears the name as it is written, one that bears it in another case, or without the ending, is meant,
    but none of `second`: the finished pictures beside a raw file of their name.
    """
    exact, any_case, bare = (defaultdict[str, set[Path]](set) for _ in range(3))
    for folder, path in places:
        for name in map(name_in_tables, {path.name, path.relative_to(folder).as_posix(), path.as_posix()}):
            exact[name].add(path)
            any_case[name.casefold()].add(path)
            bare[name.casefold().removesuffix(path.suffix.casefold())].add(path)
    matched: dict[Path, TableRow] = {}
    for row in rows:
        key = row.file.casefold()
        found = exact.get(row.file) or any_case.get(key) or bare.get(key, set()) - set(second)
        if not found:
            near = nearest(row.file, [path.name for _, path in places])
            hint = f"; did you mean {near}?" if near else ""
            raise SettingError(f"the shots table names {row.file}, which is in none of the folders{hint}")
        if len(found) > 1:
            raise SettingError(
                f"the shots table names {row.file}, but {len(found)} files bear that name; write its path"
            )
        (path,) = found
        if path in matched:
            raise SettingError(f"the file {path.name} stands in two rows of the shots table; leave one")
        matched[path] = row
    return matched
