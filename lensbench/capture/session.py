"""A session at the camera: shots come in, are judged against their like, and tick off the plan.

Each photograph is told of once its size and time stand still, and again when it is renamed or gone.
"""

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from stat import S_ISREG
from typing import Final, NamedTuple

from lensbench import photo
from lensbench.capture.plan_book import PlanBook
from lensbench.capture.verdict import Verdict, judge
from lensbench.focus import in_bracket
from lensbench.model.errors import ImageError, LensError, TooSlowError
from lensbench.model.shot import Metadata, RejectedShot, ShotResult
from lensbench.model.sweep import SweepShot
from lensbench.photo import RAW_SUFFIXES, open_photo, refusal
from lensbench.shot import measure_shot
from lensbench.storage.text import name_in_tables
from lensbench.sweep import STOP_UNKNOWN, named_focal_lengths, planned_shot, reject, reject_flagged

STILL_S: Final = 0.15
"""A file whose size and time stand still for so long is whole."""
SECOND_LOOK_S: Final = 2.0
"""After so long a file that could not be read is tried once more: a slow copy."""
_GONE_S: Final = 1.0  # a file that is not back under another name by then is gone
_RESCAN_S: Final = 2.0  # every so often the folder is read anew: network places tell of no changes
_WITHOUT_REPORTS_S: Final = 0.2  # how often the folder is looked at while the system tells of no changes


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
    before: Path | None = None  # its former name, where it was renamed


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


def follow(follower: Follower) -> Iterator[Happening]:
    """Happenings in a folder, until Ctrl-C.

    Raises
    ------
    ImageError
        The folder is not there, or goes away.
    """
    folder = follower.folder
    if not folder.is_dir():
        raise ImageError(f"{folder}: there is no such folder; give the one that the photographs go to")
    for news in _news(folder):
        yield from follower.look(news=news)


def _news(folder: Path) -> Iterator[bool]:
    """Whether something changed, many times a second; never while the system cannot tell: the rescans find it."""
    from watchfiles import watch  # noqa: PLC0415 - only this way of working needs it

    while True:
        try:
            changes = watch(
                folder,
                watch_filter=None,
                debounce=50,
                step=30,
                rust_timeout=50,
                yield_on_timeout=True,
                raise_interrupt=False,
                ignore_permission_denied=True,
            )
            yield from map(bool, changes)
        except (RuntimeError, ValueError):  # a name in the folder, or its own, is no UTF-8
            time.sleep(_WITHOUT_REPORTS_S)
            yield False
        else:
            return


def decided(shots: Sequence[SweepShot]) -> list[SweepShot]:
    """The same shots with the reasons for which `sweep` leaves some out: its own routine decides, here as there.

    A step of a focus bracket that is not whole yet is judged by its flags alone, and so is a shot whose stop nobody
    tells, which `sweep` takes only once the shots table does.
    """
    named = named_focal_lengths([shot.planned for shot in shots])
    known = [replace(shot, planned=planned, reason="") for shot, planned in zip(shots, named, strict=True)]
    bracketed = in_bracket(known)
    waiting = {
        shot.planned.path
        for shot in known
        if shot.planned.metadata.f_number is None or (shot.planned.focus_step and id(shot) not in bracketed)
    }
    judged = [
        *reject([shot for shot in known if shot.planned.path not in waiting]),
        *reject_flagged([shot for shot in known if shot.planned.path in waiting]),
    ]
    by_path = {
        shot.planned.path: replace(shot, reason=STOP_UNKNOWN)
        if shot.used and shot.planned.metadata.f_number is None
        else shot
        for shot in judged
    }
    return [by_path[shot.planned.path] for shot in shots]


class Session:
    """What was shot so far."""

    def __init__(
        self, book: PlanBook | None = None, *, measure: Callable[[Path], ShotResult] = measure_shot
    ) -> None:
        self.book = book
        self._book = PlanBook(()) if book is None else book
        self._measure = measure
        self._shots: dict[Path, SweepShot] = {}
        self.revised: tuple[Verdict, ...] = ()
        """Earlier shots that the last one makes count no longer, or count after all."""

    @property
    def usable(self) -> frozenset[Path]:
        """The photographs that `sweep` would use."""
        return frozenset(path for path, shot in self._shots.items() if shot.used)

    @property
    def without_stop(self) -> int:
        """How many `sweep` would use, too, if a table named their stop."""
        return sum(shot.reason == STOP_UNKNOWN for shot in self._shots.values())

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
        row = None if place is None else self._book.rows[place]
        self._shots.pop(path, None)
        planned = planned_shot(path, metadata, row)
        if isinstance(result, ShotResult):
            result = replace(result, metadata=planned.metadata)
        shot = SweepShot(planned=planned, result=result)
        self.revised = self._decide({**self._shots, path: shot}, new=path)
        verdict = self._verdict(path)
        return verdict, isinstance(result, ShotResult) or too_slow or _opens(path)

    def _decide(self, shots: dict[Path, SweepShot], new: Path | None = None) -> tuple[Verdict, ...]:
        """Let `sweep` decide on all shots anew, and tick off rows; verdicts of the earlier ones that it changes."""
        before = self.usable
        self._shots = dict(zip(shots, decided(list(shots.values())), strict=True))
        now = self.usable
        for path in shots:
            if path not in now:
                self._book.release(path.name)
        for path in shots:
            metadata = self._shots[path].planned.metadata
            if path in now and (place := self._book.place_for(path.name, metadata)) is not None:
                self._book.tick(place, path.name)
        changed = [path for path in shots if path != new and (path in before) != (path in now)]
        return tuple(self._verdict(path) for path in changed)

    def _verdict(self, path: Path) -> Verdict:
        shot = self._shots[path]
        others = [
            other.measured
            for other in self._shots.values()
            if (other.used or other.reason == STOP_UNKNOWN)
            and other is not shot
            and not other.planned.focus_step
        ]
        off_focus = bool(shot.planned.focus_step)
        return judge(shot.result, refused=shot.reason, earlier=others, off_focus=off_focus)

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
        self._shots = {known: shot for known, shot in self._shots.items() if not _same_shot(known, path)}
        for row in self._book.rows:
            if row.file and _same_shot(Path(row.file), Path(name_in_tables(path.name))):
                self._book.release(row.file)

    def settle(self, happening: Happening) -> str:
        """Take note of a renamed or vanished file; gives the line to say."""
        before, path = happening.before, happening.path
        if happening.what is What.RENAMED and before is not None:
            self._book.rename(before.name, path.name)
            shot = self._shots.pop(before, None)
            if shot is not None:
                self._shots[path] = replace(shot, planned=replace(shot.planned, path=path))
            return f"renamed  {before.name} is now {path.name}"
        self._book.release(path.name)
        others = {known: shot for known, shot in self._shots.items() if known != path}
        self.revised = self._decide(others)
        return f"gone  {path.name}: it no longer counts"


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
