"""The one way out for files: each is written whole or not at all, and never over a file of somebody else's.

A file is written beside its place under a passing name, forced to the disk, and put in place in one step. So
what stands there is complete, and what stood there before stays when the new one fails. A folder of files bears
a list of them with their hashes: nothing else is written over or removed there.
"""

import errno
import hashlib
import json
import os
import re
import secrets
import sys
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from stat import S_ISREG, S_IWUSR
from typing import Any, Final

from lensbench.model.errors import SettingError, TextFileError
from lensbench.storage.text import read_json

_DRAFT: Final = re.compile(r"\.[0-9a-f]{12}(\.\w+)?")
LOCK: Final = ".lensbench-lock"
"""There while a run writes into a folder."""
CONTENTS: Final = ".contents.json"
"""Written into a folder of kept results at the end of every run that found something new."""
_PROBE_BYTES: Final = 65_536
_LIST_FORMAT: Final = "lensbench list of files 1"
_WAY_OUT: Final = "move it away, or name another folder with --out"
_LARGEST_PDF_BYTES: Final = 100_000_000
_PDF_BEGIN: Final = b"%PDF-"
_PDF_SIGNS: Final = (b"/Author (lensbench)", b"ReportLab generated PDF document")
"""What every PDF of this program bears; a program that saves it anew leaves out the second, which is a comment."""
_PDF_END: Final = re.compile(rb"startxref\s+\d+\s+%%EOF\s*\Z")


def data_folder(windows: str) -> Path:
    """Folder for what the program keeps for its user, as each system has it; it need not exist.

    `windows` is the variable that names the folder there. XDG Base Directory Specification, XDG_DATA_HOME; the folders
    of the two other systems are common practice.
    """
    try:
        home = Path.home()
    except RuntimeError as error:  # an account that the system does not know
        raise SettingError(
            "no home folder is known here, where files are kept; set HOME to a folder"
        ) from error
    if sys.platform == "win32":
        local = home / "AppData" / {"APPDATA": "Roaming", "LOCALAPPDATA": "Local"}[windows]
        return Path(os.environ.get(windows) or local) / "lensbench"
    if sys.platform == "darwin":
        return home / "Library" / "Application Support" / "lensbench"
    stated = Path(os.environ.get("XDG_DATA_HOME") or "-")
    return (stated if stated.is_absolute() else home / ".local" / "share") / "lensbench"


def write_whole(path: Path, content: bytes) -> None:
    """Put a file in place in one step, with all its bytes on the disk; where that fails, an older one stays."""
    with write_beside(path) as passing:
        passing.write_bytes(content)


@contextmanager
def write_beside(path: Path) -> Iterator[Path]:
    """Give a passing name to write under; afterwards the file takes its place, or is gone if anything failed."""
    passing = path.with_name(f".{secrets.token_hex(6)}{path.suffix}")
    try:
        yield passing
        with passing.open("r+b") as file:
            os.fsync(file.fileno())
        passing.replace(path)
    except BaseException:
        passing.unlink(missing_ok=True)
        raise
    if os.name == "posix":  # the new name itself; Windows has no such call
        handle = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def is_draft(name: str) -> bool:
    """Whether a name is a passing one, of a file that is being written."""
    return _DRAFT.fullmatch(name) is not None


def remove_drafts(folder: Path) -> None:
    """Remove what workers that were killed left half-written in a folder, known by its passing names."""
    for path in folder.glob(".*"):
        if is_draft(path.name):
            path.unlink(missing_ok=True)


def holds_newer(folder: Path, than: Path) -> bool:
    """Whether anything in a folder and below came or changed after a file was written, or there is no such file.

    By the system's own clock, which no copying turns back; no more than a guess where that of another machine counts.
    """
    try:
        written_ns = than.stat().st_mtime_ns
        return any(
            (Path(here) / name).lstat().st_ctime_ns > written_ns
            for here, _, names in os.walk(folder)
            for name in names
        )
    except OSError:
        return True


@contextmanager
def writing(place: Path) -> Iterator[None]:
    """Tell, by a SettingError with the one sentence for it, of a place that cannot be written."""
    try:
        yield
    except OSError as error:
        reason = error.strerror or "the disk is full"  # array libraries give no reason for a short write
        raise SettingError(
            f"{place} cannot be written ({reason}); name another place, or make room there"
        ) from error


def check_kind(path: Path, *, begins: bytes, what: str, suffix: str = "", sign: bytes = b"") -> None:
    """Refuse, by a SettingError, a file to be written whose name is not of its kind, or that lies over another kind's.

    What stands there must be no link, not write-protected, and of this kind (`what` in words, by how it begins and, of
    a PDF, by the sign that it bears), written by this program and changed by nobody; an empty file may go.
    """
    if suffix and path.suffix.lower() != suffix:
        raise SettingError(f"{path}: give a name that ends in {suffix}")
    if not os.path.lexists(path):
        return
    if path.is_symlink() or not path.is_file():
        raise SettingError(f"{path} is there already and is no file; name another one")
    with writing(path), path.open("rb") as stream:
        there = stream.read(_LARGEST_PDF_BYTES if sign else len(begins))
    if there and not (there.startswith(begins) and (not sign or _is_own_pdf(there, sign))):
        raise SettingError(f"{path} is there already and is not {what}; name another file")
    if is_protected(path):
        raise SettingError(f"{path} is there already and is write-protected; name another file")


def _is_own_pdf(content: bytes, sign: bytes) -> bool:
    """Whether this program wrote a PDF; one that was saved again, with notes in it, say, is the user's."""
    return (
        content.startswith(_PDF_BEGIN)
        and all(part in content for part in (*_PDF_SIGNS, sign))
        and content.count(b"startxref") == 1  # notes are appended behind a second one
        and _PDF_END.search(content) is not None
    )


def is_protected(path: Path) -> bool:
    """Whether a file is write-protected: its owner wants it to stay."""
    return not path.lstat().st_mode & S_IWUSR


def probe_folder(folder: Path) -> None:
    """Refuse, by a SettingError, a folder that is not there and can't be made, or has no room; leave no trace."""
    with writing(folder):
        place = next(place for place in (folder, *folder.absolute().parents) if place.exists())
        trial = place / f".{secrets.token_hex(6)}"
        try:
            trial.write_bytes(bytes(_PROBE_BYTES))
        finally:
            trial.unlink(missing_ok=True)


@contextmanager
def sole_writer(folder: Path) -> Iterator[None]:
    """Hold a folder, made where it is not there, for one run; a SettingError where another one holds it.

    The system lets go of it when the run ends, whatever ends it; where the place knows no locks, nothing is held.
    """
    made = [place for place in (folder, *folder.parents) if not place.exists()]
    with writing(folder):
        folder.mkdir(parents=True, exist_ok=True)
        lock = (folder / LOCK).open("ab")
    with lock:
        if not _taken(lock.fileno(), folder / LOCK):
            raise SettingError(
                f"{folder}: another run is writing there; wait for its end, or name another folder with --out"
            )
        try:
            yield
        finally:
            with suppress(OSError):
                (folder / LOCK).unlink()
                for place in made:  # where nothing was written
                    place.rmdir()


def _taken(handle: int, path: Path) -> bool:
    """Take the lock of an open file, unless somebody holds it, or has just let go of it."""
    try:
        if sys.platform == "win32":
            import msvcrt  # noqa: PLC0415  only there

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl  # noqa: PLC0415  not everywhere

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return os.path.samestat(os.fstat(handle), path.stat())
    except OSError as error:
        return error.errno not in {errno.EWOULDBLOCK, errno.EACCES, errno.EDEADLK, errno.ENOENT}


def within(path: Path, folder: Path) -> bool:
    """Whether a path is a folder, or lies below it, whatever names and links lead there; an OSError where they circle.

    Neither need exist. Where they do, the disk decides: names that differ in case alone can be one folder.
    """
    place, outer = path.resolve(), folder.resolve()
    if place.is_relative_to(outer):
        return True
    return outer.exists() and any(each.samefile(outer) for each in (place, *place.parents) if each.exists())


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """The list of files that one kind of work left in a folder: only they are ever written over or removed.

    A file counts as ours while its content has the listed hash; once changed it is the user's.
    """

    folder: Path
    what: str  # Whose files they are, in one word: report, plan. It is part of the list's name.

    @property
    def path(self) -> Path:
        """The list itself."""
        return self.folder / f".lensbench-{self.what}-files.json"

    def check(self, names: Collection[str], *, agreed: Collection[str] = ()) -> None:
        """Make sure that files of these names can be written without loss, save those agreed to be written over.

        Names are below the folder, with `/` between: at most one subfolder. A SettingError says what stands in the way
        (a file that is not listed or was changed, a link, a folder, write protection, a damaged list) and the way out.
        """
        listed = self._listed()
        for subfolder in sorted({parent for name in names if (parent := name.rpartition("/")[0])}):
            self.check_subfolder(subfolder)
        foreign = []
        for name in names:
            path = self.folder / name
            if not os.path.lexists(path):
                continue
            if not S_ISREG(path.lstat().st_mode):
                raise SettingError(f"{path} is a link or a folder and no file of a {self.what}; {_WAY_OUT}")
            if name in agreed:
                continue
            if name not in listed:
                foreign.append(name)
            elif not self._is_ours(name, listed[name]):
                raise SettingError(
                    f"{path} was changed or write-protected since the {self.what} was written; {_WAY_OUT}"
                )
        if foreign:
            others = f" (and so would {', '.join(foreign[1:])})" if foreign[1:] else ""
            raise SettingError(
                f"{self.folder} holds a {foreign[0]} that is of no earlier {self.what} and would be written over"
                f"{others}; move {'them' if others else 'it'} away, or name another folder with --out"
            )

    def check_subfolder(self, name: str) -> None:
        """Refuse, by a SettingError, a subfolder that is a link, which is never followed, or a file."""
        place = self.folder / name
        if place.is_symlink() or (place.exists() and not place.is_dir()):
            raise SettingError(
                f"{place} is a link or a file, and the {self.what} writes into no such place; {_WAY_OUT}"
            )

    def write(
        self, files: Mapping[str, bytes], *, renewed: str = "", agreed: Collection[str] = ()
    ) -> tuple[Path, ...]:
        """Write files in order, each whole, remove the listed ones below `renewed` that no longer hold, and list all.

        The list is written first, with the old files and the new: whatever stops the work, it tells all of them. Where
        `check` refuses, nothing was written.
        """
        self.check(files, agreed=agreed)
        listed = {name: hashes for name, hashes in self._listed().items() if self._is_ours(name, hashes)}
        new = {name: [_hash(content)] for name, content in files.items()}
        self.folder.mkdir(parents=True, exist_ok=True)
        self._keep({name: [*listed.get(name, ()), *new.get(name, ())] for name in {**listed, **new}})
        for name, content in files.items():
            path = self.folder / name
            path.parent.mkdir(exist_ok=True)
            write_whole(path, content)
        stale = [name for name in listed if renewed and name.startswith(f"{renewed}/") and name not in new]
        for name in stale:
            (self.folder / name).unlink()
        self._keep({name: hashes for name, hashes in {**listed, **new}.items() if name not in stale})
        return tuple(self.folder / name for name in files)

    def standing(self) -> str:
        """Hash of the list where each of its files stands as it was written; empty where one does not, or none is."""
        try:
            listed = self._listed()
            whole = bool(listed) and all(self._is_ours(name, hashes) for name, hashes in listed.items())
            return _hash(self.path.read_bytes()) if whole else ""
        except (OSError, SettingError):
            return ""

    def _keep(self, listed: Mapping[str, list[str]]) -> None:
        document = {"format": _LIST_FORMAT, "files": dict(sorted(listed.items()))}
        write_whole(self.path, (json.dumps(document, indent=1) + "\n").encode())

    def _listed(self) -> dict[str, list[str]]:
        """Give the hashes of each listed file, by its name; a name that leads out of the folder is passed over."""
        if not os.path.lexists(self.path):
            return {}
        try:
            document: Any = {} if self.path.is_symlink() else read_json(self.path)
            files: Any = document["files"] if document["format"] == _LIST_FORMAT else None
            return {name: [str(each) for each in hashes] for name, hashes in files.items() if _is_plain(name)}
        except (TextFileError, AttributeError, KeyError, TypeError) as error:
            raise SettingError(
                f"{self.path} should tell the files of the earlier {self.what}, but is damaged; name another folder "
                "with --out"
            ) from error

    def _is_ours(self, name: str, hashes: Collection[str]) -> bool:
        """Tell whether a listed file stands there as it was written, in no linked folder."""
        path = self.folder / name
        try:
            return (
                not (path.parent != self.folder and path.parent.is_symlink())
                and S_ISREG(path.lstat().st_mode)
                and not is_protected(path)
                and _hash(path.read_bytes()) in hashes
            )
        except OSError:
            return False


def _is_plain(name: str) -> bool:
    """Whether a name is of a file in a folder or in a subfolder of it, and of no place elsewhere."""
    parts = PurePosixPath(name).parts
    return 1 <= len(parts) <= 2 and not {"..", "/", "//"} & set(parts) and not set("\\:\0") & set(name)


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
