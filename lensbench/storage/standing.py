"""What a run said, for the same run to say again where all that it rests on stands: nothing is read or made anew then.

An answer rests on the program and its libraries, on what was asked, on every file of the folders of photographs, on the
kept results and on the report itself. Of photographs and kept results the system's word is taken, as elsewhere, where
it leaves no doubt; files of the report are read. Anything else, and any doubt, sends the run the whole way.
"""

import hashlib
import os
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from stat import S_ISDIR, S_ISLNK
from typing import Final

import msgspec

from lensbench.storage.cache import SETTLED_NS, program_fingerprint
from lensbench.storage.files import LOCK, Listing, holds_newer, is_draft, write_whole

_RECORD: Final = ".standing.json"
_MOST_BYTES: Final = 100_000_000


class Said(msgspec.Struct, frozen=True, kw_only=True):
    """What a run printed, and how it ended."""

    lines: list[tuple[str, bool]]
    """In order: text, and whether it went to standard error."""
    status: int


class _Record(msgspec.Struct, frozen=True, kw_only=True):
    rests_on: str
    said: Said


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One run: what it was asked, and what it reads and writes."""

    out: Path
    kept: Path
    """Folder of kept results."""
    asked: str
    """Everything that the user gave, and what it led to."""
    folders: tuple[Path, ...]
    tables: tuple[Path, ...]
    """Files beside the photographs, which are read whole."""

    @property
    def may_hold(self) -> bool:
        """Whether a run left what it said, and nothing came to the photographs since; a first, quick look."""
        return not any(holds_newer(folder, self.kept / _RECORD) for folder in self.folders)

    def said(self) -> Said | None:
        """What the same run said when all was as it is now; None where anything differs or is in doubt."""
        path = self.kept / _RECORD
        with suppress(OSError, msgspec.MsgspecError, ValueError, RecursionError):
            if not path.is_symlink() and path.stat().st_size < _MOST_BYTES:
                record = msgspec.json.decode(path.read_bytes(), type=_Record)
                if record.rests_on and record.rests_on == self._rests_on(self.inputs()):
                    return record.said
        return None

    def inputs(self) -> str:
        """Hash of what is read but for kept results; empty where any of it was written just now, or can't be seen."""
        try:
            latest_ns = time.time_ns() - SETTLED_NS
            told = [line for folder in self.folders for line in _below(folder, latest_ns=latest_ns)]
            told += [hashlib.sha256(table.read_bytes()).hexdigest() for table in self.tables]
        except (OSError, _DoubtError):
            return ""
        return _hash(told)

    def keep(self, said: Said, *, inputs: str) -> None:
        """Leave the next run what this one said, if `inputs` has stayed what it was at its beginning."""
        with suppress(OSError, ValueError):  # the next run goes the whole way, then
            if inputs and inputs == self.inputs() and (rests_on := self._rests_on(inputs)):
                record = _Record(rests_on=rests_on, said=said)
                write_whole(self.kept / _RECORD, msgspec.json.encode(record))

    def _rests_on(self, inputs: str) -> str:
        """Hash of everything; an OSError where a file can't be seen, empty where the report does not stand."""
        report = Listing(folder=self.out, what="report").standing()
        if not (inputs and report):
            return ""
        beside = sorted(entry.name for entry in os.scandir(self.out) if not _is_passing(entry.name))
        results = sorted(
            _told(entry.name, entry.stat(follow_symlinks=False))
            for entry in os.scandir(self.kept)
            if not _is_passing(entry.name)
        )
        links = [place.is_symlink() for place in (self.out, self.kept)]
        return _hash([_program(), self.asked, inputs, report, *beside, *results, str(links)])


def _is_passing(name: str) -> bool:
    """Whether a name is of a file that is written beside what is told of."""
    return name in (LOCK, _RECORD) or is_draft(name)


class _DoubtError(Exception):
    """A file may change once more within one tick of its clock, or what a link hides can't be told."""


def _below(folder: Path, *, latest_ns: int) -> Iterator[str]:
    """What the system says of all files below a folder, none of them written since; a link's file is told of, too."""
    yield str(folder.resolve())
    for here, folders, names in os.walk(folder, onerror=_raise):
        folders.sort()
        paths = [Path(here) / name for name in (*sorted(names), *folders)]
        for path in paths:
            status = path.lstat()
            if S_ISLNK(status.st_mode):  # what it points at may change by itself
                yield _told(str(path), status)
                status = path.stat()
                if S_ISDIR(status.st_mode):
                    raise _DoubtError
            elif S_ISDIR(status.st_mode):
                continue
            if not 0 < max(status.st_mtime_ns, status.st_ctime_ns) < latest_ns:
                raise _DoubtError
            yield _told(str(path), status)


def _raise(error: OSError) -> None:
    raise error


def _told(name: str, status: os.stat_result) -> str:
    """What the system says of a file that changes whenever it is written, or made another one."""
    return ascii(
        (
            name,
            status.st_mode,
            status.st_dev,
            status.st_ino,
            status.st_size,
            status.st_mtime_ns,
            status.st_ctime_ns,
        )
    )


def _program() -> str:
    """Sources of the program, its interpreter, and the libraries there are, by name and version."""
    libraries: set[str] = set()
    for place in sys.path:
        with suppress(OSError):
            libraries |= {
                entry.name for entry in os.scandir(place or ".") if entry.name.endswith(("-info", ".egg"))
            }
    return _hash([program_fingerprint(), sys.version, *sorted(libraries)])


def _hash(told: Iterable[str]) -> str:
    return hashlib.blake2b("\n".join(map(ascii, told)).encode(), digest_size=20).hexdigest()
