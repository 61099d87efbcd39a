"""A session at the camera: shots come in, are judged against their like, and tick off the plan.

Each photograph is told of once its size and time stand still, and again when it is renamed or gone.
"""

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from stat import S_ISREG
from threading import Event as Stop
from typing import Final, NamedTuple

from lensbench import photo
from lensbench.capture.plan_table import PlanBook
from lensbench.capture.verdict import Verdict, judge
from lensbench.model.errors import ImageError, LensError
from lensbench.model.shot import Metadata, RejectedShot, ShotResult
from lensbench.photo import RAW_SUFFIXES, open_photo
from lensbench.shot import measure_shot
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
        """Happenings since the last look; the folder is read where there is news, or something is awaited.

        Raises
        ------
        ImageError
            The folder is gone.
        """
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
    """Happenings in a folder until it is stopped; Ctrl-C ends it quietly.

    Parameters
    ----------
    follower : Follower
        Of the folder.
    stop : threading.Event, optional
        Set it to end.

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


Measure = Callable[[Path], ShotResult]


class Session:
    """What was shot so far."""

    def __init__(self, book: PlanBook | None = None, *, measure: Measure = measure_shot) -> None:
        self.book = book
        self._measure = measure
        self._usable: dict[Path, ShotResult] = {}

    def check(self, path: Path) -> tuple[Verdict, bool]:
        """Measure and judge one photograph, and tell whether the file is whole; a usable one ticks off its row."""
        try:
            result: ShotResult | RejectedShot = self._measure(path)
        except (LensError, OSError, MemoryError) as error:
            said = "the memory does not suffice for it" if isinstance(error, MemoryError) else str(error)
            reason = said.removeprefix(f"{path}: ").removeprefix(f"{path.name}: ")
            result = RejectedShot(path=path, reason=reason)
        metadata = result.metadata if isinstance(result, ShotResult) else Metadata()
        if path.suffix.lower() in RAW_SUFFIXES:
            self._set_aside(path)
        book = self.book
        place = None if book is None else book.place_for(path.name, metadata)
        verdict = judge(
            result, earlier=tuple(self._usable.values()), off_focus=book is not None and book.off_focus(place)
        )
        if verdict.usable and isinstance(result, ShotResult):
            if book is None or not book.off_focus(place):
                self._usable[path] = result
            if book is not None and place is not None:
                book.tick(place, path.name)
        elif book is not None:
            book.release(path.name)
        return verdict, isinstance(result, ShotResult) or _opens(path)

    def has_raw(self, path: Path) -> bool:
        """Tell whether a finished picture has its raw file beside it, which counts instead."""
        return path.suffix.lower() not in RAW_SUFFIXES and any(
            other.suffix.lower() in RAW_SUFFIXES for other in _of_one_shot(path)
        )

    def _set_aside(self, path: Path) -> None:
        """Let a finished picture that counted go, now that its raw file has come."""
        for known in [known for known in self._usable if _same_shot(known, path)]:
            self._usable.pop(known)
        if self.book is not None:
            for name in {row.file for row in self.book.rows if row.file}:
                if _same_shot(Path(name), Path(name_in_tables(path.name))):
                    self.book.release(name)

    def settle(self, happening: Happening) -> str:
        """Take note of a renamed or vanished file; give the line to say."""
        before = happening.before
        if happening.what is What.RENAMED and before is not None:
            if before in self._usable:
                self._usable[happening.path] = self._usable.pop(before)
            if self.book is not None:
                self.book.rename(before.name, happening.path.name)
            return f"renamed  {before.name} is now {happening.path.name}"
        self._usable.pop(happening.path, None)
        if self.book is not None:
            self.book.release(happening.path.name)
        return f"gone  {happening.path.name}: it no longer counts"


def _of_one_shot(path: Path) -> list[Path]:
    try:
        return [other for other in path.parent.iterdir() if _same_shot(other, path)]
    except OSError:
        return []


def _same_shot(one: Path, other: Path) -> bool:
    """Tell whether two files differ in their suffix only."""
    return one != other and one.parent == other.parent and one.stem.lower() == other.stem.lower()


def _opens(path: Path) -> bool:
    try:
        open_photo(path)
    except (ImageError, OSError):
        return False
    return True


def without_doubles(paths: Iterable[Path]) -> list[Path]:
    """Leave out finished pictures that a raw file of the same name stands beside."""
    listed = list(paths)
    raws = {path.with_suffix("") for path in listed if path.suffix.lower() in RAW_SUFFIXES}
    return [
        path for path in listed if path.suffix.lower() in RAW_SUFFIXES or path.with_suffix("") not in raws
    ]
