"""What was drawn is kept beside the results: a report of which nothing changed is put together, not drawn again."""

import gzip
import hashlib
import json
import re
import zlib
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Final

import msgspec

from lensbench.storage.cache import code_fingerprint, plain_value
from lensbench.storage.files import write_whole

_NAME: Final = re.compile(r"[0-9a-f]{40}\.made\.gz")
_LARGEST_BYTES: Final = 100_000_000
_SIGN_BYTES: Final = 20
_DRAWING_ROOMS: Final = ("model", "report", "shot", "storage")
_DRAWING_LIBRARIES: Final = ("matplotlib", "reportlab", "pillow", "numpy")


@dataclass(slots=True, kw_only=True)
class MadeCache:
    """A folder of things made from records: each under the hash of its record, of the code and of its libraries."""

    folder: Path | None  # none keeps nothing
    _used: set[str] = field(default_factory=set)

    def get_or_make(self, kind: str, record: object, make: Callable[[], bytes]) -> bytes:
        """What stands here for a record, or what `make` gives, which is kept; a damaged or unwritable one is made."""
        if self.folder is None:
            return make()
        name = f"{_hash_of(kind, record)}.made.gz"
        self._used.add(name)
        path = self.folder / name
        if path.is_file():
            with suppress(OSError, EOFError, zlib.error), gzip.open(path) as stream:
                content = stream.read(_LARGEST_BYTES)
                if content.startswith(sign := _sign_of(name, content[_SIGN_BYTES:])):
                    return content.removeprefix(sign)
        content = make()
        with suppress(OSError):  # a second run makes it again
            if not path.is_symlink():
                signed = _sign_of(name, content) + content
                write_whole(path, gzip.compress(signed, compresslevel=1, mtime=0))
        return content

    def holds(self, kind: str, record: object) -> bool:
        """Whether anything stands here for a record."""
        return self.folder is not None and (self.folder / f"{_hash_of(kind, record)}.made.gz").is_file()

    def prune(self) -> None:
        """Remove what stands here and was not asked for this time."""
        if self.folder is None:
            return
        with suppress(OSError):
            for path in self.folder.iterdir():
                if _NAME.fullmatch(path.name) and path.name not in self._used:
                    path.unlink()


def _sign_of(name: str, content: bytes) -> bytes:
    """What tells that this is what was kept under the name, and no other content in a sound file."""
    return hashlib.blake2b(name.encode() + content, digest_size=_SIGN_BYTES).digest()


@cache
def _drawing_code() -> tuple[str, ...]:
    """Code and libraries that draw."""
    return code_fingerprint(_DRAWING_ROOMS), *map(version, _DRAWING_LIBRARIES)


def _hash_of(kind: str, record: object) -> str:
    told = [kind, *_drawing_code(), record]
    content = json.dumps(msgspec.to_builtins(told, enc_hook=plain_value))  # names may hold what is no Unicode
    return hashlib.blake2b(content.encode(), digest_size=20).hexdigest()
