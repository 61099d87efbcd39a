"""A session at the camera: shots come in, are judged against their like, and tick off the plan.

Each photograph is told of once its size and time stand still, and again when it is renamed or gone.
"""

import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from stat import S_ISREG
from threading import Event as Stop
from typing import Final, NamedTuple

from lensbench import photo
from lensbench.capture.plan import table_text
from lensbench.capture.verdict import Verdict, judge
from lensbench.model.errors import ImageError, LensError, SettingError, TooSlowError
from lensbench.model.setting import f_stop, focal_length, same_focal_length
from lensbench.model.shot import Metadata, RejectedShot, ShotResult, TableRow
from lensbench.model.units import nominal_f_number
from lensbench.photo import RAW_SUFFIXES, open_photo, refusal
from lensbench.shot import measure_shot
from lensbench.storage.files import is_protected, write_whole, writing
from lensbench.storage.text import name_in_tables

STILL_S: Final = 0.15
"""A file whose size and time stand still for so long is whole."""
SECOND_LOOK_S: Final = 2.0
"""After so long a file that could not be read is tried once more: a slow copy."""
_GONE_S: Final = 1.0
"""A file that is not back under another name by then is gone."""
_RESCAN_S: Final = 2.0
"""Every so often the folder is read anew: network places tell of no changes."""
_WITHOUT_REPORTS_S: Final = 0.2
"""How often the folder is looked at while the system tells of no changes."""


class Outstanding(NamedTuple):
    """One setting that wants more shots."""

    setting: str
    """«50 mm f/2.8, turned 180»."""
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


class Identity(NamedTuple):
    """A file by any name."""

    device: int
    inode: int
    size_bytes: int
    changed_ns: int


class What(StrEnum):
    """What happened to a photograph."""

    ARRIVED = "arrived"
    RENAMED = "renamed"
    GONE = "gone"


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One thing that happened."""

    what: What
    path: Path
    before: Path | None = None
    """Its former name, where it was renamed."""


class Follower:
    """Knows which photographs of a folder were told of."""

    def __init__(self, folder: Path, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.folder = folder.resolve()
        """One spelling of it, so that a file has one name."""
        self._clock = clock
        self._present: dict[Path, tuple[Identity, float]] = {}
        """Files as they are, and since when."""
        self._told: dict[Path, Identity] = {}
        self._missing: dict[Path, float] = {}
        self._not_before: dict[Path, float] = {}
        self._scanned = float("-inf")

    def look(self, *, news: bool = False) -> list[Happening]:
        """Happenings since the last look; the folder is read where there is news, or something is awaited."""
        now = self._clock()
        awaited = self._missing or any(
            is_now.size_bytes and self._told.get(path) != is_now
            for path, (is_now, _) in self._present.items()
        )
        if not news and not awaited and now - self._scanned < _RESCAN_S:
            return []
        self._scanned, before = now, self._present
        identities = {path: _identity(path) for path in photo.list_photos(self.folder)}
        self._present = {
            path: before[path] if path in before and before[path][0] == identity else (identity, now)
            for path, identity in identities.items()
            if identity is not None
        }
        missing = [path for path in self._told if path not in self._present]
        self._missing = {path: self._missing.get(path, now) for path in missing}
        return [*self._whole(now), *self._gone(now)]

    def unchanged(self, path: Path) -> bool:
        """Whether a file is still as it was told; one that was written to meanwhile is told again."""
        identity = _identity(path)
        if identity is not None and identity == self._told.get(path):
            return True
        self._tell_again(path)
        return False

    def put_back(self, path: Path) -> bool:
        """Have a file told once more after a while, since it could not be read; False the second time."""
        if path in self._not_before:
            return False
        self._not_before[path] = self._clock() + SECOND_LOOK_S
        self._tell_again(path)
        return True

    def _tell_again(self, path: Path) -> None:
        self._told.pop(path, None)
        if (identity := _identity(path)) is not None:
            self._present[path] = (identity, self._clock())

    def _whole(self, now: float) -> Iterator[Happening]:
        for path, (identity, since) in self._present.items():
            still = now - since >= STILL_S and now >= self._not_before.get(path, now)
            if self._told.get(path) == identity or not still or identity.size_bytes == 0:
                continue
            before = next((gone for gone in self._missing if self._told[gone] == identity), None)
            if before is not None:
                del self._missing[before], self._told[before]
            self._told[path] = identity
            yield Happening(what=What.ARRIVED if before is None else What.RENAMED, path=path, before=before)

    def _gone(self, now: float) -> Iterator[Happening]:
        for path, since in list(self._missing.items()):
            if now - since >= _GONE_S:
                del self._missing[path], self._told[path]
                yield Happening(what=What.GONE, path=path)


def _identity(path: Path) -> Identity | None:
    """Identity that a file keeps when it is renamed; None for what is no regular file."""
    try:
        status = path.lstat()
    except OSError:
        return None
    if not S_ISREG(status.st_mode):
        return None
    return Identity(status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns)


def follow(follower: Follower, *, stop: Stop | None = None) -> Iterator[Happening]:
    """Happenings in a folder until `stop` is set; Ctrl-C ends it quietly.

    Raises
    ------
    ImageError
        The folder is not there, or goes away.
    """
    folder = follower.folder
    if not folder.is_dir():
        raise ImageError(f"{folder}: there is no such folder; give the one that the photographs go to")
    for news in _news(folder, stop):
        yield from follower.look(news=news)


def _news(folder: Path, stop: Stop | None) -> Iterator[bool]:
    """Whether something changed, many times a second; never while the system cannot tell: the rescans find it."""
    from watchfiles import watch  # noqa: PLC0415 - only this way of working needs it

    while stop is None or not stop.is_set():
        try:
            changes = watch(
                folder,
                watch_filter=None,
                debounce=50,
                step=30,
                rust_timeout=50,
                yield_on_timeout=True,
                stop_event=stop,
                raise_interrupt=False,
                ignore_permission_denied=True,
            )
            yield from map(bool, changes)
        except (RuntimeError, ValueError):  # a name in the folder, or its own, is no UTF-8
            time.sleep(_WITHOUT_REPORTS_S)
            yield False
        else:
            return


class Session:
    """What was shot so far."""

    def __init__(
        self, book: PlanBook | None = None, *, measure: Callable[[Path], ShotResult] = measure_shot
    ) -> None:
        self.book = book
        self._book = PlanBook(()) if book is None else book
        self._measure = measure
        self._usable: dict[Path, ShotResult] = {}

    def check(self, path: Path) -> tuple[Verdict, bool]:
        """Verdict of one photograph, and whether the file is whole; a usable one ticks off its row."""
        too_slow = False  # the file may well be whole, and would take as long again
        try:
            result: ShotResult | RejectedShot = self._measure(path)
        except (LensError, OSError, MemoryError) as raised:
            too_slow = isinstance(raised, TooSlowError)
            said = str(raised if isinstance(raised, LensError) else refusal(path, raised))
            reason = said.removeprefix(f"{path}: ").removeprefix(f"{path.name}: ")
            result = RejectedShot(path=path, reason=reason)
        if _is_raw(path):
            self._set_aside(path)
        metadata = result.metadata if isinstance(result, ShotResult) else Metadata()
        place = self._book.place_for(path.name, metadata)
        off_focus = self._book.off_focus(place)
        verdict = judge(result, earlier=tuple(self._usable.values()), off_focus=off_focus)
        if verdict.usable and isinstance(result, ShotResult):
            if not off_focus:
                self._usable[path] = result
            if place is not None:
                self._book.tick(place, path.name)
        else:
            self._book.release(path.name)
        return verdict, isinstance(result, ShotResult) or too_slow or _opens(path)

    def has_raw(self, path: Path) -> bool:
        """Whether a finished picture has its raw file beside it, which counts instead."""
        if _is_raw(path):
            return False
        try:
            return any(_is_raw(other) and _same_shot(other, path) for other in path.parent.iterdir())
        except OSError:
            return False

    def _set_aside(self, path: Path) -> None:
        """Let a finished picture that counted go, now that its raw file has come."""
        self._usable = {known: shot for known, shot in self._usable.items() if not _same_shot(known, path)}
        for row in self._book.rows:
            if row.file and _same_shot(Path(row.file), Path(name_in_tables(path.name))):
                self._book.release(row.file)

    def settle(self, happening: Happening) -> str:
        """Take note of a renamed or vanished file; gives the line to say."""
        before = happening.before
        if happening.what is What.RENAMED and before is not None:
            if before in self._usable:
                self._usable[happening.path] = self._usable.pop(before)
            self._book.rename(before.name, happening.path.name)
            return f"renamed  {before.name} is now {happening.path.name}"
        self._usable.pop(happening.path, None)
        self._book.release(happening.path.name)
        return f"gone  {happening.path.name}: it no longer counts"


def _is_raw(path: Path) -> bool:
    return path.suffix.lower() in RAW_SUFFIXES


def _same_shot(one: Path, other: Path) -> bool:
    """Whether two files differ in their suffix only."""
    return one != other and one.parent == other.parent and one.stem.lower() == other.stem.lower()


def _opens(path: Path) -> bool:
    try:
        open_photo(path)
    except (ImageError, OSError):
        return False
    return True


def without_doubles(paths: Sequence[Path]) -> list[Path]:
    """Photographs less the finished pictures that a raw file of the same name stands beside."""
    names = {path.with_suffix("") for path in paths if _is_raw(path)}
    return [path for path in paths if _is_raw(path) or path.with_suffix("") not in names]
