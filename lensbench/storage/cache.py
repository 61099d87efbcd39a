"""Work that is done is kept, one small file a photograph: a second run takes up where the first stopped.

The name of the file is a hash of the photograph's content, the settings and the code that measures: a changed
photograph, setting or line of that code is measured anew. Files are written beside their place and then renamed,
so a kept file is whole or not there. They hold data only (MessagePack, arrays as bytes), and are read as such.

Beside them stands which content each photograph had: one that the system says nobody touched is not read again.
"""

import dataclasses
import functools
import gzip
import hashlib
import re
import time
import typing
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final, Generic, TypeVar

import msgspec
import numpy as np

from lensbench import __version__
from lensbench.model.errors import SettingError
from lensbench.model.shot import RejectedShot, ShotResult
from lensbench.model.units import FloatArray
from lensbench.storage.files import write_whole

Told = TypeVar("Told")
_PACKAGE: Final = Path(__file__).resolve().parent.parent
MEASURING_ROOMS: Final = ("chart", "edge", "model", "optics", "photo", "shot")
"""Whose files decide what comes out for a photograph."""
_NAME: Final = re.compile(r"[0-9a-f]{40}\.(shot|made)\.gz")
SETTLED_NS: Final = 2_000_000_000
"""A file changed that lately may be changed once more within one tick of its clock (FAT counts in 2 s)."""
_MOST_BYTES: Final = (
    16_000_000  # of a kept result, unpacked: thirty times that of a photograph with 130 edges
)
_GZIP: Final = 31  # zlib's window bits for a gzip member


def content_hash(path: Path) -> str:
    """SHA-256 of a file's whole content, as reports name it; an OSError where it cannot be read."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def code_fingerprint(rooms: tuple[str, ...] = MEASURING_ROOMS) -> str:
    """Hash of some rooms' sources and tables, and of this file; the version stays while code changes."""
    own = Path(__file__).resolve().relative_to(_PACKAGE).as_posix()
    told = [__version__, *map(room_fingerprint, rooms), room_fingerprint(own)]
    return _short_hash("|".join(told).encode())


def program_fingerprint() -> str:
    """Hash of all the program's sources and tables."""
    return code_fingerprint(tuple(sorted(path.name for path in _PACKAGE.iterdir())))


@functools.cache
def room_fingerprint(name: str) -> str:
    """Hash of a room's sources and tables, or of one file of the program; worked out once a process."""
    place, told = _PACKAGE / name, list[str]()
    for path in sorted(place.rglob("*")) if place.is_dir() else [place]:
        if "__pycache__" not in path.parts and path.is_file():
            told.append(f"{path.relative_to(_PACKAGE).as_posix()}|{_short_hash(path.read_bytes())}")
    return _short_hash("|".join(told).encode())


def _short_hash(content: bytes) -> str:
    return hashlib.blake2b(content, digest_size=20).hexdigest()


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class ResultCache:
    """A folder of kept results."""

    folder: Path

    def check(self) -> None:
        """Refuse, by a SettingError, a link (never followed), a file, or a folder that holds other things only."""
        way_out = "move it away, or name another folder with --out"
        if self.folder.is_symlink() or (self.folder.exists() and not self.folder.is_dir()):
            raise SettingError(f"{self.folder}, where results are kept, is a link or a file; {way_out}")
        names = [path.name for path in self.folder.iterdir()] if self.folder.exists() else []
        others = sorted(name for name in names if not name.startswith("."))
        if others and not any(_NAME.fullmatch(name) for name in others):
            raise SettingError(
                f"{self.folder}, where results are kept, holds other files, the first {others[0]}; {way_out}"
            )

    def name(self, photograph: Path, settings: str, digest: str = "") -> str:
        """Name of a photograph's kept result, from its content and `settings`: what else decides, as the decoder.

        The content is read where its digest is not given.
        """
        told = f"{code_fingerprint()}|{settings}|{digest or content_hash(photograph)}"
        return f"{hashlib.blake2b(told.encode(), digest_size=20).hexdigest()}.shot.gz"

    def get(self, name: str, photograph: Path) -> ShotResult | RejectedShot | None:
        """Kept result, under the photograph's present path; None when there is none to be used, whatever it is."""
        try:
            path, unpacking = self.folder / name, zlib.decompressobj(wbits=_GZIP)
            # What is no file, as a pipe or a device, may never come to an end.
            packed = path.read_bytes() if path.is_file() and path.stat().st_size < _MOST_BYTES else b""
            content = unpacking.decompress(packed, _MOST_BYTES)
            if not unpacking.eof or unpacking.unused_data:  # cut short, or beyond what any photograph gives
                return None
            kept = msgspec.msgpack.decode(content, type=_Kept, dec_hook=_from_bytes)
            outcome = kept.shot or kept.rejected
            return dataclasses.replace(outcome, path=photograph) if outcome else None
        except Exception:  # noqa: BLE001  damage takes any form; the photograph is sound, and measured anew
            return None

    def put(self, name: str, result: ShotResult | RejectedShot) -> None:
        """Keep a result; after an OSError what stood there before is left whole."""
        self.folder.mkdir(parents=True, exist_ok=True)
        if (self.folder / name).is_symlink():  # of somebody's making, and not ours to replace
            return
        # Names may hold what is no Unicode; a photograph's present one is put in when its result is read.
        if isinstance(result, RejectedShot):
            reason = result.reason.encode("utf-8", "backslashreplace").decode()
            kept = _Kept(rejected=RejectedShot(path=Path(), reason=reason))
        else:
            kept = _Kept(shot=dataclasses.replace(result, path=Path()))
        content = msgspec.msgpack.encode(kept, enc_hook=_in_bytes)
        write_whole(self.folder / name, gzip.compress(content, compresslevel=1, mtime=0))


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """What a file holds: one of the two."""

    shot: ShotResult | None = None
    rejected: RejectedShot | None = None


def _in_bytes(value: object) -> Any:
    """What stands for a value in a kept result: of a row of figures, of which there are hundreds, its bytes alone."""
    return value.tobytes() if isinstance(value, np.ndarray) and value.ndim == 1 else plain_value(value)


def _from_bytes(kind: Any, packed: Any) -> object:
    return _array(packed, (len(packed) // 8,)) if isinstance(packed, bytes) else from_packed(kind, packed)


def packed(record: object) -> bytes:
    """Record in bytes, alike for records alike."""
    return msgspec.msgpack.encode(record, enc_hook=plain_value)


def plain_value(value: object) -> Any:
    """What stands for a value that msgspec does not know."""
    match value:
        case np.ndarray():
            return {"shape": value.shape, "float64": np.ascontiguousarray(value, dtype=np.float64).tobytes()}
        case np.generic():
            return value.item()
    return str(value)


def from_packed(kind: Any, packed: Any) -> object:
    """Value that `plain_value` stood for."""
    if typing.get_origin(kind) is not np.ndarray:
        return kind(packed)
    return _array(packed["float64"], tuple(packed["shape"]))


@functools.lru_cache(maxsize=64)
def _array(content: bytes, shape: tuple[int, ...]) -> FloatArray:
    """Array of these bytes, not to be written to: alike ones that follow each other, as edges' frequencies, are one."""
    return np.frombuffer(content, dtype=np.float64).reshape(shape)


@dataclasses.dataclass(slots=True, kw_only=True)
class KnownFiles(Generic[Told]):
    """What this code told of files, by what the system says of them; where that leaves a doubt there is nothing."""

    path: Path
    """The list, in a folder of results."""
    _before: Mapping[str, Told]
    _now: dict[str, Told] = dataclasses.field(default_factory=dict)

    @classmethod
    def of(cls, path: Path, kind: type[Told]) -> "KnownFiles[Told]":
        """What the last run left; a damaged list, or one of other code, is none."""
        try:
            told = path.read_bytes() if path.is_file() else b""
            left = msgspec.json.decode(told, type=_List[kind])  # type: ignore[valid-type]
        except (OSError, msgspec.MsgspecError, ValueError, RecursionError):
            return cls(path=path, _before={})
        return cls(path=path, _before=left.files if left.code == code_fingerprint() else {})

    def get(self, identity: str) -> Told | None:
        """What is known of the file of this identity."""
        found = self._before.get(identity) if identity else None
        if found is not None:
            self._now[identity] = found
        return found

    def learn(self, photograph: Path, identity: str, told: Told) -> None:
        """Take note, unless the file has changed since `identity` was asked."""
        if identity and identity_of(photograph) == identity:
            self._now[identity] = told

    def save(self) -> None:
        """Leave what this run knows for the next one; an OSError where it cannot be written."""
        if self._now != self._before and self.path.parent.is_dir():
            write_whole(self.path, msgspec.json.encode(_List(code=code_fingerprint(), files=self._now)))


class _List(msgspec.Struct, Generic[Told]):
    code: str
    files: dict[str, Told]


def identity_of(photograph: Path) -> str:
    """What the system says of a file that changes whenever it is written; empty where it was written just now."""
    try:
        status = photograph.stat()
    except (OSError, ValueError):
        return ""
    latest_ns = max(status.st_mtime_ns, status.st_ctime_ns)
    if not 0 < latest_ns < time.time_ns() - SETTLED_NS:
        return ""
    parts = (status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns)
    return "-".join(map(str, parts))
