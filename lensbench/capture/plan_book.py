"""What of a plan is taken: which file took which row, what is still lacking, and the plan's table on the disk."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from lensbench.capture.plan import table_text
from lensbench.model.errors import SettingError
from lensbench.model.setting import f_stop, focal_length, same_focal_length
from lensbench.model.shot import Metadata, TableRow
from lensbench.model.units import nominal_f_number
from lensbench.storage.files import is_protected, write_whole, writing
from lensbench.storage.text import name_in_tables


class Outstanding(NamedTuple):
    """One setting that wants more shots."""

    setting: str  # «50 mm f/2.8, turned 180»
    taken: int
    wanted: int


class PlanBook:
    """The rows of a plan, in the order of shooting, and which file took which."""

    def __init__(self, rows: Sequence[TableRow]) -> None:
        self.rows = tuple(rows)
        """As they stand now, with the names of the files that took them."""

    @property
    def taken(self) -> int:
        """How many rows are ticked off."""
        return sum(bool(row.file) for row in self.rows)

    def place_for(self, file: str, metadata: Metadata) -> int | None:
        """Row that a file belongs to: its own, else the first open one with its settings; None without.

        What the file does not say agrees with any row, so that lenses without contacts go by the order.
        """
        name = name_in_tables(file).casefold()
        own = (
            name,
            name.removesuffix(Path(name).suffix),
        )  # as `sweep` reads the table: in any case, without ending
        named = (place for place, row in enumerate(self.rows) if row.file and row.file.casefold() in own)
        places = (place for place, row in enumerate(self.rows) if not row.file and _agrees(row, metadata))
        return next(named, next(places, None))

    def off_focus(self, place: int | None) -> bool:
        """Whether a row wants its shot out of focus."""
        return place is not None and bool(self.rows[place].focus_step)

    def tick(self, place: int, file: str) -> None:
        """Note that a file took a row."""
        row = replace(self.rows[place], file=name_in_tables(file))
        self.rows = (*self.rows[:place], row, *self.rows[place + 1 :])

    def release(self, file: str) -> None:
        """Open the row that a file took; nothing where it took none."""
        self.rename(file, "")

    def rename(self, file: str, now: str) -> None:
        """Note another name of a file."""
        before, after = name_in_tables(file), name_in_tables(now)
        self.rows = tuple(replace(row, file=after) if row.file == before else row for row in self.rows)

    def outstanding(self) -> list[Outstanding]:
        """All settings that want more shots, in the plan's order."""
        settings = [(row.focal_length_mm, row.f_number, row.condition) for row in self.rows]
        taken = Counter(setting for setting, row in zip(settings, self.rows, strict=True) if row.file)
        return [
            Outstanding(_setting_name(*setting), taken[setting], wanted)
            for setting, wanted in Counter(settings).items()
            if taken[setting] < wanted
        ]


def _setting_name(focal_mm: float | None, stop: float | None, condition: str) -> str:
    parts = [] if focal_mm is None else [focal_length(focal_mm)]
    parts += [] if stop is None else [f_stop(stop)]
    return " ".join(parts) + (f", {condition}" if condition else "")


def _agrees(row: TableRow, metadata: Metadata) -> bool:
    stop, length_mm = metadata.f_number, metadata.focal_length_mm
    if stop and row.f_number and nominal_f_number(stop) != nominal_f_number(row.f_number):
        return False
    return not length_mm or not row.focal_length_mm or same_focal_length(length_mm, row.focal_length_mm)


def outstanding_table(book: PlanBook) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Table of what is there of what is wanted: for each place a row and for each stop a column: «2 of 3», «done»."""
    taken, wanted = Counter[tuple[str, str]](), Counter[tuple[str, str]]()
    for row in book.rows:
        place = focal_length(row.focal_length_mm) if row.focal_length_mm is not None else "all"
        place += f", {row.condition}" if row.condition else ""
        cell = place, "any stop" if row.f_number is None else f_stop(row.f_number)
        wanted[cell] += 1
        taken[cell] += bool(row.file)
    words = {cell: f"{taken[cell]} of {count}" for cell, count in wanted.items()}
    words |= {cell: "done" for cell, count in wanted.items() if taken[cell] == count}
    stops = sorted({stop for _, stop in wanted}, key=lambda stop: float(stop.partition("f/")[2] or 0.0))
    places = dict.fromkeys(place for place, _ in wanted)
    return ("", *stops), [(place, *(words.get((place, stop), "") for stop in stops)) for place in places]


class PlanFile:
    """The plan's table on the disk, filled while the shots come in; nothing that the user changes there is lost.

    Raises
    ------
    SettingError
        It is a link or write-protected, `read` cannot read it, or it cannot be filled.
    """

    def __init__(self, path: Path, read: Callable[[Path], Sequence[TableRow]]) -> None:
        self.path = path
        if path.is_symlink() or (path.exists() and is_protected(path)):
            raise SettingError(
                f"{path} is a link or write-protected, so nothing is filled in; name a copy of it"
            )
        self.book = PlanBook(read(path))
        self._content = path.read_bytes()
        self._filled = self.book.rows

    def fill(self) -> None:
        """Write the names of the files that took rows, if there are new ones; a table changed meanwhile stays."""
        if self.book.rows == self._filled:
            return
        content = table_text(self.book.rows)
        with writing(self.path):
            if self.path.is_symlink() or self.path.read_bytes() != self._content:
                raise SettingError(
                    f"{self.path} was changed since it was read, and is left as it is; start again, and it is read anew"
                )
            write_whole(self.path, content)
        self._content, self._filled = content, self.book.rows
