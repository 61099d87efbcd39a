"""The plan as a shots table: one row a shot, in the order of shooting, with the columns that `sweep` reads."""

import csv
import io
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from lensbench.capture.planning import ShootPlan
from lensbench.clean import name_in_tables
from lensbench.errors import SettingError
from lensbench.outfiles import write_whole
from lensbench.records import TABLE_COLUMNS, TableRow

__all__ = ["counted_names", "table_shots", "table_text", "write_table"]


def counted_names(first: str, count: int) -> list[str]:
    """Give the names that a camera counts on from the first: four digits go from 9999 to 0001.

    Raises
    ------
    SettingError
        There is no number in the name.

    >>> counted_names("DSC09999.ARW", 2)
    ['DSC09999.ARW', 'DSC10000.ARW']
    """
    found = re.fullmatch(r"(.*?)(\d+)(\.[^.]*)?", first)
    if found is None:
        raise SettingError(f"first file '{first}': give a name with a number, such as DSC00417.ARW")
    head, digits, suffix = found[1], found[2], found[3] or ""
    most = 10 ** len(digits) - 1
    numbers = ((int(digits) + step - 1) % most + 1 for step in range(count))
    return [f"{head}{number:0{len(digits)}d}{suffix}" for number in numbers]


def table_shots(plan: ShootPlan, *, files: Sequence[str] = ()) -> list[TableRow]:
    """Give the rows of a plan.

    The steps of a focus bracket bear its group and their step, so that `sweep` fits the peak through them and does not
    take them for repeats.

    Parameters
    ----------
    files : sequence of str
        Names of the files to come, in order; empty where they are not known yet.
    """
    names = list(files) or [""] * len(plan.shots)
    return [
        TableRow(
            file=name,
            lens=plan.lens.name or None,
            camera=plan.camera.name or None,
            f_number=shot.f_number,
            focal_length_mm=shot.focal_length_mm,
            focus_group=shot.focus_group,
            focus_step=shot.focus_step,
            condition=shot.condition,
        )
        for name, shot in zip(names, plan.shots, strict=True)
    ]


def write_table(rows: Iterable[TableRow], path: Path) -> None:
    """Write a shots table; a file that is there is replaced as a whole or not at all.

    Raises
    ------
    SettingError
        The file cannot be written.
    """
    try:
        write_whole(path, table_text(rows))
    except OSError as error:
        raise SettingError(f"{path} cannot be written: {error.strerror}") from error


def table_text(rows: Iterable[TableRow]) -> bytes:
    """Give a shots table as CSV in UTF-8."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(TABLE_COLUMNS)
    writer.writerows(_cells(row) for row in rows)
    return text.getvalue().encode()


def _cells(row: TableRow) -> list[str]:
    cells = []
    for column in TABLE_COLUMNS:
        value = getattr(row, column)
        if isinstance(value, bool):
            cells.append("yes" if value else "no")
        elif value is None:
            cells.append("")
        else:
            cells.append(f"{value:g}" if isinstance(value, (int, float)) else name_in_tables(value))
    return cells
