"""Work that is done is kept, one small file a photograph: a second run takes up where the first stopped.

The name of the file is a hash of the photograph's content, the settings and the code that measures: a changed
photograph, setting or line of that code is measured anew. Files are written beside their place and then renamed,
so a kept file is whole or not there. They hold JSON with arrays in base64, and are read as data only.
"""

import base64
import dataclasses
import functools
import gzip
import hashlib
import json
import re
import typing
import zlib
from pathlib import Path
from typing import Any, Final, TypeVar

import msgspec
import numpy as np

from lensbench import __version__
from lensbench.model.errors import SettingError
from lensbench.model.shot import RejectedShot, ShotResult
from lensbench.storage.files import write_whole

_PACKAGE: Final = Path(__file__).resolve().parent.parent
MEASURING_ROOMS: Final = ("chart", "edge", "model", "optics", "photo", "shot")
"""Whose files decide what comes out for a photograph."""
_NAME: Final = re.compile(r"[0-9a-f]{40}\.json\.gz")
_MOST_BYTES: Final = (
    16_000_000  # of a kept result, unpacked: thirty times that of a photograph with 130 edges
)
_GZIP: Final = 31  # zlib's window bits for a gzip member
Record = TypeVar("Record")


def content_hash(path: Path, head: str = "") -> str:
    """Hash of a file's whole content, and of a text before it; an OSError where it cannot be read."""
    digest = hashlib.blake2b(head.encode(), digest_size=20)
    with path.open("rb") as stream:
        hashlib.file_digest(stream, lambda: digest)
    return digest.hexdigest()


@functools.cache
def code_fingerprint(rooms: tuple[str, ...] = MEASURING_ROOMS) -> str:
    """Hash of some rooms' sources and tables, worked out once a process; the version stays while code changes."""
    digest = hashlib.blake2b(__version__.encode(), digest_size=20)
    files = [path for room in rooms for path in (_PACKAGE / room).rglob("*") if path.is_file()]
    for path in sorted([*files, Path(__file__).resolve()]):
        if "__pycache__" not in path.parts:
            content = path.read_bytes()
            digest.update(f"{path.relative_to(_PACKAGE).as_posix()}|{len(content)}|".encode() + content)
    return digest.hexdigest()


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

    def name(self, photograph: Path, settings: str) -> str:
        """Name of a photograph's kept result, from its content and `settings`: what else decides, as the decoder."""
        return f"{content_hash(photograph, f'{code_fingerprint()}|{settings}|')}.json.gz"

    def get(self, name: str, photograph: Path) -> ShotResult | RejectedShot | None:
        """Kept result, under the photograph's present path; None when there is none to be used, whatever it is."""
        try:
            path, unpacking = self.folder / name, zlib.decompressobj(wbits=_GZIP)
            packed = path.read_bytes() if path.stat().st_size < _MOST_BYTES else b""
            content = unpacking.decompress(packed, _MOST_BYTES)
            if not unpacking.eof or unpacking.unused_data:  # cut short, or beyond what any photograph gives
                return None
            kept = json.loads(content)
            if kept.keys() == {"path", "reason"}:
                return dataclasses.replace(from_plain(RejectedShot, kept), path=photograph)
            return dataclasses.replace(from_plain(ShotResult, kept), path=photograph)
        except Exception:  # noqa: BLE001  damage takes any form; the photograph is sound, and measured anew
            return None

    def put(self, name: str, result: ShotResult | RejectedShot) -> None:
        """Keep a result; after an OSError what stood there before is left whole."""
        self.folder.mkdir(parents=True, exist_ok=True)
        if (self.folder / name).is_symlink():  # of somebody's making, and not ours to replace
            return
        content = json.dumps(to_plain(result)).encode()
        write_whole(self.folder / name, gzip.compress(content, compresslevel=1, mtime=0))


def to_plain(record: object) -> Any:
    """Record as JSON knows it; `from_plain` gives back the same record, bit for bit."""
    return msgspec.to_builtins(record, enc_hook=_plain)


def _plain(value: object) -> Any:
    match value:
        case np.ndarray():
            data = base64.b64encode(np.ascontiguousarray(value, dtype=np.float64).tobytes()).decode()
            return {"shape": list(value.shape), "float64": data}
        case np.generic():
            return value.item()
    return str(value)


def from_plain(kind: type[Record], plain: Any) -> Record:
    """Record that `to_plain` took apart; a msgspec.ValidationError where it is none of the kind."""
    return msgspec.convert(plain, kind, dec_hook=_from_plain)


def _from_plain(kind: Any, plain: Any) -> object:
    if typing.get_origin(kind) is not np.ndarray:
        return kind(plain)
    data = base64.b64decode(plain["float64"], validate=True)
    return np.frombuffer(data, dtype=np.float64).reshape(plain["shape"])
