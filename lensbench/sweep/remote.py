"""Photographs that lie in an object store or on another machine: fetched once, measured here.

The address is one that fsspec understands (`s3://`, `gs://`, `sftp://`). What was fetched stays beside the report, so
a second run fetches what is new or changed there, and nothing else. Nothing is ever written at the address. Who may
read there is for the engine's own settings to say; an address that holds a password is refused, for it would show.
"""

import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Final
from urllib.parse import urlsplit

import msgspec

from lensbench import photo
from lensbench.model.errors import SettingError
from lensbench.model.shot import RejectedShot
from lensbench.storage.files import write_beside, write_whole, writing

_LIST: Final = ".fetched.json"
_ADDRESS: Final = re.compile(r"[a-z][a-z0-9+.-]*://[^\x00-\x1f\x7f]+", re.IGNORECASE)
_SAFE_PART: Final = re.compile(r"[^.\\/:\x00-\x1f\x7f][^\\/:\x00-\x1f\x7f]*")
"""Of a name at the address: what is hidden, leads elsewhere, or is no name on every system is passed over."""
_DEEPEST: Final = 8
_MOST_PHOTOS: Final = 20_000
_MOST_BYTES: Final = 2_000_000_000
_BLOCK_BYTES: Final = 4_000_000
_TRIES: Final = 3
_PAUSE_S: Final = 0.5
_VERSIONS: Final = ("ETag", "etag", "generation", "md5Hash", "version_id", "LastModified", "mtime", "updated")
"""By which the kinds of stores tell that a file is another one than before."""


def is_address(place: str | Path) -> bool:
    """Whether a place is an address for fsspec, and no folder here.

    >>> is_address("s3://shoots/plum"), is_address("shots")
    (True, False)
    """
    return isinstance(place, str) and _ADDRESS.fullmatch(place) is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fetched:
    """What is here of an address."""

    folder: Path
    missing: tuple[RejectedShot, ...]  # photographs that could not be fetched


def fetch(address: str, folder: Path) -> Fetched:
    """Copies of an address's photographs in a folder of ours, those that are here already left as they are.

    Raises
    ------
    SettingError
        The address or its engine cannot be used, nothing can be listed there, or the folder cannot be written.
    """
    system, root = _opened(address)
    with _said_of(address):
        there = dict(_photographs(system, root))
    if not there:
        raise SettingError(f"{address}: no photographs are there")
    if len(there) > _MOST_PHOTOS:
        raise SettingError(f"{address}: more than {_MOST_PHOTOS} photographs; name a folder below it")
    with writing(folder):
        folder.mkdir(parents=True, exist_ok=True)
        here = _listed(folder)
        for gone in here.keys() - there.keys():
            (folder / gone).unlink(missing_ok=True)
    kept = {name: here[name] for name in here.keys() & there.keys()}
    missing = []
    for name, (path, version, size) in sorted(there.items()):
        copy = folder / name
        if kept.get(name) != version or not copy.is_file() or copy.stat().st_size != size:
            kept.pop(name, None)
            if reason := _taken(system, path, copy, size):
                missing.append(RejectedShot(path=copy, reason=f"it could not be fetched ({reason})"))
            else:
                kept[name] = version
                with writing(folder):
                    write_whole(folder / _LIST, msgspec.json.encode(kept))
    return Fetched(folder=folder, missing=tuple(missing))


def folder_name(address: str) -> str:
    """Name of an address's folder here.

    >>> folder_name("s3://shoots/plum 35/")
    's3-shoots-plum-35'
    """
    parts = urlsplit(address)
    place = f"{parts.scheme}-{parts.netloc.rpartition('@')[2]}{parts.path}"
    return re.sub(r"[^\w.-]+", "-", place, flags=re.ASCII).strip("-.")


def _opened(address: str) -> tuple[Any, str]:
    """File system of an address, and the path in it."""
    if "::" in address or urlsplit(address).password:
        raise SettingError(
            f"{urlsplit(address).scheme}://...: leave passwords and chains (::) out of the address; keys belong into "
            "the settings of the store's own programs (docs/cluster)"
        )
    try:
        from fsspec.core import url_to_fs  # noqa: PLC0415  heavy, and an extra
    except ImportError:
        raise SettingError(
            f"{address}: this needs the extra `remote`: pip install 'lensbench[remote]'"
        ) from None
    with _said_of(address):
        system, root = url_to_fs(address, skip_instance_cache=True)
    return system, str(root)


@contextmanager
def _said_of(address: str) -> Iterator[None]:
    """Whatever an engine raises, as one sentence."""
    try:
        yield
    except SettingError:
        raise
    except Exception as error:  # each engine has errors of its own
        reason = " ".join(str(error).split()) or type(error).__name__
        raise SettingError(f"{address} cannot be read ({reason[:300]})") from error


def _photographs(system: Any, root: str) -> Iterator[tuple[str, tuple[str, str, int]]]:
    """Name below the root of each photograph, with its path there, its version, and its size in bytes."""
    found = system.find(root, maxdepth=_DEEPEST, detail=True)
    for path, facts in found.items():
        name = PurePosixPath(str(path)).as_posix().removeprefix(PurePosixPath(root).as_posix()).lstrip("/")
        size = facts.get("size")
        sound = name and all(_SAFE_PART.fullmatch(part) for part in name.split("/"))
        if not sound or facts.get("type") != "file" or not isinstance(size, int) or size > _MOST_BYTES:
            continue
        if Path(name).suffix.lower() in photo.PHOTO_SUFFIXES:
            version = "|".join(f"{key}={facts[key]}" for key in _VERSIONS if facts.get(key) is not None)
            yield name, (str(path), f"{size}|{version}", size)


def _listed(folder: Path) -> dict[str, str]:
    """Versions of what was fetched before; a damaged list is none."""
    try:
        listed = msgspec.json.decode((folder / _LIST).read_bytes(), type=dict[str, str])
    except (OSError, msgspec.MsgspecError, ValueError):
        return {}
    return {name: listed[name] for name in listed if all(map(_SAFE_PART.fullmatch, name.split("/")))}


def _taken(system: Any, path: str, copy: Path, size: int) -> str:
    """Fetch one file whole, or give the reason why it could not be had."""
    with writing(copy.parent):
        copy.parent.mkdir(parents=True, exist_ok=True)
    for attempt in range(_TRIES):
        time.sleep(attempt * _PAUSE_S)
        try:
            with system.open(path, "rb") as source:
                _copied(source, copy, size)
        except SettingError:
            raise
        except Exception as error:  # noqa: BLE001  each engine has errors of its own; it costs this photograph only
            reason = " ".join(str(error).split())[:300] or type(error).__name__
        else:
            return ""
    return reason


def _copied(source: Any, copy: Path, size: int) -> None:
    """Put a file's bytes in place; an EOFError where the address does not give them all."""
    got = 0
    with writing(copy.parent), write_beside(copy) as passing, passing.open("wb") as target:
        while block := _block(source):
            target.write(block)
            got += len(block)
        if got != size:
            raise EOFError(f"{got} of {size} bytes came")


def _block(source: Any) -> bytes:
    """Next bytes of a file; an engine's failure is none of our own disk's."""
    try:
        return bytes(source.read(_BLOCK_BYTES))
    except OSError as error:
        raise EOFError(str(error)) from error
