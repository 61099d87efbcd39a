"""The one form in which measured lenses are kept: a JSON document that bears its format's name and version.

A sweep leaves `sweep.json` beside its report; the library keeps the same record of each lens, and `export` writes it
out. Documents are checked field by field when they come back, for they may come from anybody: a value of another kind
or beyond belief is refused, and names lose what cannot be seen.
"""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

import msgspec

from lensbench.model.errors import LibraryError, SweepError, TextFileError
from lensbench.model.measured import KeptSession, MeasuredLens, SweepLens
from lensbench.storage.text import clean_text, one_line, read_text

SWEEP_FILE: Final = "sweep.json"
_MOST_BYTES: Final = 500_000_000

Lens = TypeVar("Lens", bound=MeasuredLens)


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """What a document is."""

    name: str
    version: int


SWEEP_FORMAT: Final = Format(name="lensbench sweep", version=1)
LIBRARY_FORMAT: Final = Format(name="lensbench library", version=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Head:
    """What every document begins with."""

    format: Format


@dataclass(frozen=True, slots=True, kw_only=True)
class _SweepDocument(_Head):
    lenses: tuple[MeasuredLens, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _LibraryDocument(_Head):
    sessions: tuple[KeptSession, ...]


def sweep_document(lenses: Sequence[MeasuredLens]) -> bytes:
    """The document that a sweep leaves in its folder."""
    return _written(_SweepDocument(format=SWEEP_FORMAT, lenses=tuple(lenses)))


def read_sweep(folder: Path) -> list[SweepLens]:
    """The lenses of a folder that `lensbench sweep` wrote.

    Raises
    ------
    SweepError
        There is no such document (none that an older version left, either), or it is damaged, or of a newer version.
    """
    path = folder / SWEEP_FILE
    if not path.exists() and (folder / "findings.json").is_file():
        raise SweepError(
            f"{folder}: written by an older lensbench; run the sweep again with the same --out, for comparisons and "
            "the library need what it did not keep yet"
        )
    again = "run the sweep again"
    try:
        text = read_text(path, most_bytes=_MOST_BYTES)
    except TextFileError as error:
        raise SweepError(
            f"{path}: {error}; give a folder that `lensbench sweep` wrote, or {again}"
        ) from error
    try:
        _check_format(text, SWEEP_FORMAT, way_out=again)
        lenses = [_named(lens) for lens in msgspec.json.decode(text, type=_SweepDocument).lenses]
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        raise SweepError(f"{path}: {_reason(error)}; {again}") from error
    if not any(lens.counted for lens in lenses):
        raise SweepError(f"{folder}: its sweep holds no shot that counts")
    return [SweepLens(folder=str(folder), **_fields(lens)) for lens in lenses if lens.counted]


def library_document(sessions: Sequence[KeptSession]) -> bytes:
    """The document that holds some sessions of the library whole."""
    return _written(_LibraryDocument(format=LIBRARY_FORMAT, sessions=tuple(sessions)))


def read_library_document(path: Path) -> list[KeptSession]:
    """The sessions of a file that `lensbench library export` wrote.

    Raises
    ------
    LibraryError
        It cannot be read, is no such document, or a field of it is not what it should be.
    """
    try:
        text = read_text(path, most_bytes=_MOST_BYTES)
    except TextFileError as error:
        raise LibraryError(f"{path}: {error}; give a file that `lensbench library export` wrote") from error
    try:
        _check_format(text, LIBRARY_FORMAT, way_out="export the library again")
        return [_named(session) for session in msgspec.json.decode(text, type=_LibraryDocument).sessions]
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        raise LibraryError(f"{path}: {_reason(error)}; nothing was taken from it") from error


def session_bytes(session: KeptSession) -> bytes:
    """One session as the library's file holds it."""
    return msgspec.json.encode(session)


def session_of(document: bytes) -> KeptSession:
    """The session that `session_bytes` took apart.

    Raises
    ------
    ValueError
        It is damaged.
    """
    return _named(msgspec.json.decode(document, type=KeptSession))


def _written(document: _Head) -> bytes:
    return msgspec.json.encode(document) + b"\n"


def _check_format(text: str, wanted: Format, *, way_out: str) -> None:
    """Refuse another kind of document, or another version of this one.

    Raises
    ------
    ValueError
        With the reason in words.
    """
    try:
        found = msgspec.json.decode(text, type=_Head).format
    except msgspec.ValidationError as error:
        raise ValueError(
            f"no document of the kind «{wanted.name}», or of an older version; {way_out}"
        ) from error
    if found.name != wanted.name:
        raise ValueError(f"a document of the kind «{one_line(found.name)}», not «{wanted.name}»")
    if found.version != wanted.version:
        raise ValueError(
            f"of version {found.version}, and this lensbench knows version {wanted.version}; {way_out} with the "
            "newer of the two"
        )


def _reason(error: Exception) -> str:
    if isinstance(error, msgspec.ValidationError):
        return f"damaged ({one_line(error)})"
    if isinstance(error, msgspec.MsgspecError | RecursionError | UnicodeError):
        return "no JSON, or damaged"
    return str(error)


def _named(lens: Lens) -> Lens:
    """The same lens with names fit to be shown.

    Raises
    ------
    ValueError
        Nothing is left of a name.
    """
    names: dict[str, Any] = {
        name: clean_text(getattr(lens, name), unknown="")
        for name in ("lens", "camera", "session")
        if hasattr(lens, name)
    }
    if empty := [name for name, text in names.items() if not text]:
        raise ValueError(f"the {empty[0]}'s name is empty")
    shots = tuple(
        dataclasses.replace(
            shot,
            files=tuple(map(one_line, shot.files)),
            reason=one_line(shot.reason),
            flags=tuple(map(one_line, shot.flags)),
        )
        for shot in lens.shots
    )
    return dataclasses.replace(lens, shots=shots, **names)


def _fields(lens: MeasuredLens) -> dict[str, Any]:
    return {item.name: getattr(lens, item.name) for item in dataclasses.fields(lens)}
