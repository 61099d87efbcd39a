"""The one way out for files: each is written whole or not at all, and never over a file of another kind.

A file is written beside its place under a passing name, forced to the disk, and put in place in one step. So
what stands there is complete, and what stood there before stays when the new one fails.
"""

import os
import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from lensbench.errors import SettingError

__all__ = ["check_kind", "probe_folder", "remove_drafts", "unwritable", "write_beside", "write_whole"]

_DRAFT: Final = re.compile(r"\.[0-9a-f]{12}(\.\w+)?")
_PROBE_BYTES: Final = 65_536


def write_whole(path: Path, content: bytes) -> None:
    """Put a file in place in one step, with all its bytes on the disk.

    Raises
    ------
    OSError
        It cannot be written; the passing file is removed and an older file stays as it was.
    """
    with write_beside(path) as passing:
        passing.write_bytes(content)


@contextmanager
def write_beside(path: Path) -> Iterator[Path]:
    """Give a passing name to write under; afterwards the file takes its place, or is gone if anything failed.

    Raises
    ------
    OSError
        The file cannot be forced to the disk or put in place.
    """
    passing = path.with_name(f".{secrets.token_hex(6)}{path.suffix}")
    try:
        yield passing
        with passing.open("r+b") as file:
            os.fsync(file.fileno())
        passing.replace(path)
    except BaseException:
        passing.unlink(missing_ok=True)
        raise
    _settle_folder(path.parent)


def remove_drafts(folder: Path) -> None:
    """Remove what workers that were killed left half-written in a folder, known by its passing names."""
    for path in folder.glob(".*"):
        if _DRAFT.fullmatch(path.name):
            path.unlink(missing_ok=True)


def _settle_folder(folder: Path) -> None:
    """Force the new name itself to the disk, where the system can (Windows has no such call)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def unwritable(place: Path, error: OSError) -> SettingError:
    """Give the one sentence for a place that cannot be written."""
    reason = error.strerror or "the disk is full"  # array libraries give no reason for a short write
    return SettingError(f"{place} cannot be written ({reason}); name another place, or make room there")


def check_kind(path: Path, *, begins: bytes, what: str, suffix: str = "") -> None:
    """Make sure that a file to be written has its kind's name, if there is one, and lies over none of another kind.

    Raises
    ------
    SettingError
        The name ends otherwise, or what stands there is no file of this kind; an empty file may go.
    """
    if suffix and path.suffix.lower() != suffix:
        raise SettingError(f"{path}: {what} is written to a file whose name ends in {suffix}")
    if path.is_symlink() or path.exists():
        if not path.is_file():
            raise SettingError(f"{path} is there already and is no file; name another one")
        try:
            with path.open("rb") as stream:
                there = stream.read(len(begins))
        except OSError as error:
            raise unwritable(path, error) from error
        if there and there != begins:
            raise SettingError(f"{path} is there already and is not {what}; name another file")


def probe_folder(folder: Path) -> None:
    """Make sure that a folder is there or can be made, with room for more than nothing; leave no trace.

    Raises
    ------
    SettingError
        It cannot be written.
    """
    try:
        place = next(place for place in (folder, *folder.absolute().parents) if place.exists())
        trial = place / f".{secrets.token_hex(6)}"
        try:
            trial.write_bytes(bytes(_PROBE_BYTES))
        finally:
            trial.unlink(missing_ok=True)
    except OSError as error:
        raise unwritable(folder, error) from error
