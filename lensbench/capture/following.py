"""Photographs as they come into a folder: each told once it is whole, and again when it is renamed or gone."""

import os
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from threading import Event as Stop
from typing import Final

from lensbench import photo
from lensbench.errors import ImageError

__all__ = ["Follower", "Happening", "What", "follow"]

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
