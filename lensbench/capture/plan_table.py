"""The plan as a shots table, one row a shot in the order of shooting, and as a book whose rows are ticked off."""

import csv
import io
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from lensbench.capture.plan import ShootPlan
from lensbench.model.condition import QUICK_TEST
from lensbench.model.errors import SettingError
from lensbench.model.setting import f_stop, focal_length
from lensbench.model.shot import TABLE_COLUMNS, Metadata, TableRow
from lensbench.model.units import nominal_f_number
from lensbench.storage.files import is_protected, unwritable, write_whole
from lensbench.storage.text import name_in_tables


def counted_names(first: str, count: int) -> list[str]:
    """Names that a camera counts on from the first: four digits go from 9999 to 0001.

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
    """Rows of a plan.

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
            condition=f"{QUICK_TEST}, {shot.condition}" if plan.quick else shot.condition,
            turned=shot.turned,
        )
        for name, shot in zip(names, plan.shots, strict=True)
    ]


class PlanFile:
    """The plan's table on the disk, filled while the shots come in; nothing that the user changes there is lost."""

    def __init__(self, path: Path, read: Callable[[Path], Sequence[TableRow]]) -> None:
        """Read the table.

        Parameters
        ----------
        read : callable
            What reads a table of shots.

        Raises
        ------
        SettingError
            It is a link or write-protected, or cannot be read.
        """
        self.path = path
        if path.is_symlink() or (path.exists() and is_protected(path)):
            raise SettingError(
                f"{path} is a link or write-protected, so nothing is filled in; name a copy of it"
            )
        self.book = PlanBook(read(path))
        self._content = path.read_bytes()
        self._filled = self.book.rows

    def fill(self) -> None:
        """Write the names of the files that took rows, if there are new ones.

        Raises
        ------
        SettingError
            The table was changed since it was read or written last, and stays as it is; or it cannot be written.
        """
        if self.book.rows == self._filled:
            return
        try:
            if self.path.is_symlink() or self.path.read_bytes() != self._content:
                raise SettingError(
                    f"{self.path} was changed since it was read, and is left as it is; start again, and it is read anew"
                )
            content = table_text(self.book.rows)
            write_whole(self.path, content)
        except OSError as error:
            raise unwritable(self.path, error) from error
        self._content, self._filled = content, self.book.rows


def table_text(rows: Iterable[TableRow]) -> bytes:
    """Shots table as CSV in UTF-8."""
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
            cells.append(f"{value:.10g}" if isinstance(value, (int, float)) else name_in_tables(value))
    return cells


_SAME_FOCAL: Final = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Outstanding:
    """One setting that wants more shots."""

    focal_length_mm: float | None
    f_number: float | None
    condition: str
    taken: int
    wanted: int

    @property
    def setting(self) -> str:
        """«50 mm f/2.8, turned 180»."""
        parts = [] if self.focal_length_mm is None else [focal_length(self.focal_length_mm)]
        parts += [] if self.f_number is None else [f_stop(self.f_number)]
        return " ".join(parts) + (f", {self.condition}" if self.condition else "")


class PlanBook:
    """The rows of a plan, in the order of shooting, and which file took which."""

    def __init__(self, rows: Sequence[TableRow]) -> None:
        self._rows = list(rows)

    @property
    def rows(self) -> tuple[TableRow, ...]:
        """The rows as they stand now, with the names of the files that took them."""
        return tuple(self._rows)

    @property
    def taken(self) -> int:
        """How many rows are ticked off."""
        return sum(bool(row.file) for row in self._rows)

    def place_for(self, file: str, metadata: Metadata) -> int | None:
        """Row that a file belongs to: its own, else the first open one with its settings; None without.

        What the file does not say agrees with any row, so that lenses without contacts go by the order.
        """
        file = name_in_tables(file)
        for place, row in enumerate(self._rows):
            if row.file == file:
                return place
        return next(
            (place for place, row in enumerate(self._rows) if not row.file and _agrees(row, metadata)), None
        )

    def off_focus(self, place: int | None) -> bool:
        """Whether a row wants its shot out of focus."""
        return place is not None and bool(self._rows[place].focus_step)

    def tick(self, place: int, file: str) -> None:
        """Note that a file took a row."""
        self._rows[place] = replace(self._rows[place], file=name_in_tables(file))

    def release(self, file: str) -> None:
        """Open the row that a file took; nothing where it took none."""
        self.rename(file, "")

    def rename(self, file: str, now: str) -> None:
        """Note another name of a file."""
        before, after = name_in_tables(file), name_in_tables(now)
        self._rows = [replace(row, file=after) if row.file == before else row for row in self._rows]

    def outstanding(self) -> list[Outstanding]:
        """All settings that want more shots, in the plan's order."""
        found: dict[tuple[float | None, float | None, str], Outstanding] = {}
        for row in self._rows:
            key = (row.focal_length_mm, row.f_number, row.condition)
            before = found.get(key) or Outstanding(
                focal_length_mm=key[0], f_number=key[1], condition=key[2], taken=0, wanted=0
            )
            found[key] = replace(before, taken=before.taken + bool(row.file), wanted=before.wanted + 1)
        return [setting for setting in found.values() if setting.taken < setting.wanted]


def outstanding_table(book: PlanBook) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Table of what is there of what is wanted: for each place a row and for each stop a column: «2 of 3», «done»."""
    counts: dict[str, dict[str, tuple[int, int]]] = {}
    for row in book.rows:
        place = focal_length(row.focal_length_mm) if row.focal_length_mm is not None else "all"
        place += f", {row.condition}" if row.condition else ""
        stop = "any stop" if row.f_number is None else f_stop(row.f_number)
        taken, wanted = counts.setdefault(place, {}).get(stop, (0, 0))
        counts[place][stop] = (taken + bool(row.file), wanted + 1)
    stops = sorted(
        {stop for cells in counts.values() for stop in cells},
        key=lambda stop: float(stop.removeprefix("f/")) if stop.startswith("f/") else 0.0,
    )

    def cell(count: tuple[int, int] | None) -> str:
        if count is None:
            return ""
        return "done" if count[0] >= count[1] else f"{count[0]} of {count[1]}"

    return ("", *stops), [
        (place, *(cell(cells.get(stop)) for stop in stops)) for place, cells in counts.items()
    ]


def _agrees(row: TableRow, metadata: Metadata) -> bool:
    stop, length_mm = metadata.f_number, metadata.focal_length_mm
    same_stop = (
        stop is None or row.f_number is None or nominal_f_number(stop) == nominal_f_number(row.f_number)
    )
    same_length = (
        length_mm is None
        or row.focal_length_mm is None
        or abs(length_mm - row.focal_length_mm) <= _SAME_FOCAL * row.focal_length_mm
    )
    return same_stop and same_length
