"""A session at the camera: shots come in, are judged against their like, and tick off the plan.

Photographs as they come into a folder: each told once it is whole, and again when it is renamed or gone.
"""

import os
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from threading import Event as Stop
from typing import Final

from lensbench import photo
from lensbench.capture.plan_table import PlanBook
from lensbench.capture.verdict import Verdict, judge
from lensbench.model.errors import ImageError, LensError
from lensbench.model.shot import Metadata, RejectedShot, ShotResult
from lensbench.photo import RAW_SUFFIXES, open_photo
from lensbench.shot import measure_shot
from lensbench.storage.text import name_in_tables

__all__ = ["Follower", "Happening", "Session", "What", "follow", "without_doubles"]


SETTLED_S: Final = 0.15
"""A file whose size and time stand still for so long is whole."""
SECOND_LOOK_S: Final = 2.0
"""After so long a file that could not be read is tried once more: a slow copy."""
_GONE_S: Final = 1.0
"""A file that is not back under another name by then is gone."""
_RESCAN_S: Final = 2.0
"""Every so often the folder is read anew: network places tell of no changes."""
_WITHOUT_REPORTS_S: Final = 0.2
"""How often the folder is looked at while the system tells of no changes."""

Identity = tuple[int, int, int, int]
"""Device, inode, size, time of change: a file by any name."""


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
    """Knows which photographs of a folder were told of; fed with paths that may have changed."""

    def __init__(self, folder: Path, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.folder = folder.resolve()
        """One spelling of it, so that a file has one name, whoever tells of it."""
        self._clock = clock
        self._pending: dict[Path, tuple[Identity, float]] = {}
        self._known: dict[Path, Identity] = {}
        self._vanished: dict[Identity, tuple[Path, float]] = {}
        self._not_before: dict[Path, float] = {}
        self._tried_again: set[Path] = set()
        self._scanned = float("-inf")

    def look(self, changed: Iterable[Path] = ()) -> list[Happening]:
        """Look at paths that may have changed, and at all that is pending; tell what has happened.

        Raises
        ------
        ImageError
            The folder is gone.
        """
        now = self._clock()
        seen = [path for path in changed if _is_photo(path)]
        if now - self._scanned >= _RESCAN_S:
            seen += [*photo.list_photos(self.folder), *self._known]
            self._scanned = now
        for path in seen:
            self._note(path, now)
        return [*self._ready(now), *self._gone(now)]

    def unchanged(self, path: Path) -> bool:
        """Tell whether a file is still as it was told; one that was written to meanwhile is told again."""
        identity = _identity(path)
        if identity == self._known.get(path):
            return True
        self._known.pop(path, None)
        if identity is not None:
            self._pending[path] = (identity, self._clock())
        return False

    def put_back(self, path: Path) -> bool:
        """Have a file told once more after a while, since it could not be read; False the second time."""
        if path in self._tried_again:
            return False
        self._tried_again.add(path)
        self._not_before[path] = self._clock() + SECOND_LOOK_S
        if (identity := self._known.pop(path, None)) is not None:
            self._pending[path] = (identity, self._clock())
        return True

    def _note(self, path: Path, now: float) -> None:
        identity = _identity(path)
        if identity is None:
            self._pending.pop(path, None)
            if (former := self._known.pop(path, None)) is not None:
                self._vanished[former] = (path, now)
        elif self._known.get(path) != identity and path not in self._pending:
            self._pending[path] = (identity, now)

    def _ready(self, now: float) -> Iterator[Happening]:
        for path, (identity, since) in list(self._pending.items()):
            present = _identity(path)
            if present is None:
                del self._pending[path]
            elif present != identity:
                self._pending[path] = (present, now)
            elif now - since >= SETTLED_S and present[2] > 0 and now >= self._not_before.get(path, now):
                del self._pending[path]
                self._known[path] = identity
                before, _ = self._vanished.pop(identity, (None, 0.0))
                what = What.ARRIVED if before is None else What.RENAMED
                yield Happening(what=what, path=path, before=before)

    def _gone(self, now: float) -> Iterator[Happening]:
        for identity, (path, since) in list(self._vanished.items()):
            if now - since >= _GONE_S:
                del self._vanished[identity]
                yield Happening(what=What.GONE, path=path)


def _is_photo(path: Path) -> bool:
    return path.suffix.lower() in photo.PHOTO_SUFFIXES and not path.name.startswith(".")


def _identity(path: Path) -> Identity | None:
    """Give what stays with a file when it is renamed; None for what is no regular file."""
    try:
        told = path.lstat()
    except OSError:
        return None
    return (told.st_dev, told.st_ino, told.st_size, told.st_mtime_ns) if path.is_file() else None


def follow(follower: Follower, *, stop: Stop | None = None) -> Iterator[Happening]:
    """Tell what happens in a folder until it is stopped; Ctrl-C ends it quietly.

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
    for changed in _changes(folder, stop):
        yield from follower.look(changed)


def _changes(folder: Path, stop: Stop | None) -> Iterator[list[Path]]:
    """Give the paths that changed, many times a second; none while the system cannot tell: the rescans find them."""
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
            for changed in changes:
                yield [Path(os.fsdecode(path.encode())) for _, path in changed]
        except (RuntimeError, ValueError):  # a name in the folder, or its own, is no UTF-8
            time.sleep(_WITHOUT_REPORTS_S)
            yield []
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
            result,
            earlier=tuple(self._usable.values()),
            off_focus=book is not None and book.off_focus(place),
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
