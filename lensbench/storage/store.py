"""The one form in which measured lenses are kept: a document that bears its format's name and version.

A sweep leaves `sweep.json` beside its report; the library keeps the same record of each lens, and `export` writes it
out. From the shots that it leaves, too (MessagePack, for figures that are not known, packed), the report is made anew.
Documents are checked field by field when they come back, for they may come from anybody: a value of another kind or
beyond belief is refused, and names lose what cannot be seen.
"""

import dataclasses
import gzip
import os
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final, TypeVar

import msgspec
import numpy as np

from lensbench.model.errors import LensError, LibraryError, SweepError, TextFileError
from lensbench.model.measured import KeptSession, MeasuredLens, SweepLens
from lensbench.model.shot import RejectedShot, ShotResult
from lensbench.model.sweep import KeptShots, PlannedShot, SweepShot
from lensbench.storage.cache import from_packed, plain_value
from lensbench.storage.text import clean_text, nearest, one_line, read_text

SWEEP_FILE: Final = "sweep.json"
SHOTS_FILE: Final = "shots.msgpack.gz"
_MOST_BYTES: Final = 500_000_000
_MOST_SHOTS_BYTES: Final = 2_000_000_000

Lens = TypeVar("Lens", bound=MeasuredLens)
Document = TypeVar("Document")


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """What a document is."""

    name: str
    version: int


SWEEP_FORMAT: Final = Format(name="lensbench sweep", version=1)
LIBRARY_FORMAT: Final = Format(name="lensbench library", version=2)
SHOTS_FORMAT: Final = Format(name="lensbench shots", version=1)


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Shot:
    """One photograph: measured, or rejected for a reason; reasons may name a file, whose name may be no Unicode."""

    planned: PlannedShot
    measured: ShotResult | None
    rejected: bytes
    reason: bytes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _ShotsDocument(_Head):
    method: str
    tie: str
    command: bytes
    shots: tuple[_Shot, ...]
    missing: tuple[tuple[Path, bytes], ...]


def sweep_document(lenses: Sequence[MeasuredLens]) -> bytes:
    """The document that a sweep leaves in its folder."""
    return msgspec.json.encode(_SweepDocument(format=SWEEP_FORMAT, lenses=tuple(lenses))) + b"\n"


def read_sweep(folder: Path) -> list[SweepLens]:
    """The lenses of a folder that `lensbench sweep` wrote; a SweepError where it has none, or a damaged one."""
    path = folder / SWEEP_FILE
    if not folder.exists():
        beside = folder.absolute().parent
        near = nearest(folder.name, (found.parent.name for found in sorted(beside.glob(f"*/{SWEEP_FILE}"))))
        hint = f"did you mean {folder.with_name(near)}?" if near else "give one that `lensbench sweep` wrote"
        raise SweepError(f"{folder}: there is no such folder; {hint}")
    if not path.exists() and (folder / "findings.json").is_file():
        raise SweepError(
            f"{folder}: written by an older lensbench; run the sweep again with the same --out, for comparisons and "
            "the library need what it did not keep yet"
        )
    again = "run the sweep again"
    give = f"give a folder that `lensbench sweep` wrote; of photographs: lensbench sweep {folder}"
    with _refusing(path, SweepError, missing=give, damaged=again):
        document = _decoded(path, _SweepDocument, SWEEP_FORMAT, way_out=again)
        lenses = [_named(lens) for lens in document.lenses]
    if not any(lens.counted for lens in lenses):
        raise SweepError(f"{folder}: its sweep holds no shot that counts")
    return [
        SweepLens(
            folder=str(folder),
            lens=lens.lens,
            camera=lens.camera,
            best=lens.best,
            shots=lens.shots,
            condition=lens.condition,
        )
        for lens in lenses
        if lens.counted
    ]


def shots_document(kept: KeptShots, *, curves_of: Sequence[ShotResult] = ()) -> bytes:
    """The document from which the reports of a sweep's folder are made anew.

    Of the curves of the edges, most of their bytes, only those are kept that the reports draw.
    """
    own = {id(result): _with_own_grid(result) for result in curves_of}
    edges = [edge.edge for result in own.values() for edge in result.edges]
    drawn = {id(curve) for edge in edges for curve in (edge.frequency_cypx, edge.sfr, edge.sfr_sd)}
    rows = tuple(
        _Shot(
            planned=dataclasses.replace(
                shot.planned, left_out=shot.planned.left_out.encode("utf-8", "backslashreplace").decode()
            ),
            measured=own.get(id(shot.result), shot.result) if isinstance(shot.result, ShotResult) else None,
            rejected=os.fsencode(shot.result.reason) if isinstance(shot.result, RejectedShot) else b"",
            reason=os.fsencode(shot.reason),
        )
        for shot in kept.shots
    )
    missing = tuple((rejected.path, os.fsencode(rejected.reason)) for rejected in kept.missing)
    document = _ShotsDocument(
        format=SHOTS_FORMAT,
        method=kept.method,
        tie=kept.tie,
        command=os.fsencode(kept.command),
        shots=rows,
        missing=missing,
    )
    packed = msgspec.msgpack.encode(document, enc_hook=partial(_packed, drawn=drawn))
    return gzip.compress(packed, compresslevel=1, mtime=0)


def _with_own_grid(result: ShotResult) -> ShotResult:
    """The same, its edges' frequencies told apart from those of all other photographs, which are one array."""
    edges = (
        (edge, dataclasses.replace(edge.edge, frequency_cypx=edge.edge.frequency_cypx.copy()))
        for edge in result.edges
    )
    return dataclasses.replace(
        result, edges=tuple(dataclasses.replace(edge, edge=own) for edge, own in edges)
    )


def read_shots(folder: Path) -> KeptShots:
    """What `shots_document` left in a sweep's folder; a SweepError where there is none, or a damaged one."""
    path = folder / SHOTS_FILE
    again = "run the sweep again, with --out naming this folder"
    try:
        with gzip.open(path) as stream:
            content = stream.read(_MOST_SHOTS_BYTES)
        found = msgspec.msgpack.decode(content, type=_Head).format
        known = found == SHOTS_FORMAT
        document = msgspec.msgpack.decode(content, type=_ShotsDocument, dec_hook=_unpacked) if known else None
    except FileNotFoundError as error:
        way = (
            again
            if (folder / SWEEP_FILE).exists()
            else "give the folder that `lensbench sweep` wrote (--out)"
        )
        raise SweepError(f"{folder} keeps no measured shots ({SHOTS_FILE}); {way}") from error
    except (OSError, EOFError, zlib.error, msgspec.MsgspecError, ValueError, RecursionError) as error:
        raise SweepError(f"{path}: damaged; {again}") from error
    if document is None:
        raise SweepError(
            f"{path}: «{one_line(found.name)}» of version {found.version}, and this lensbench knows "
            f"«{SHOTS_FORMAT.name}» of version {SHOTS_FORMAT.version}; {again}"
        )
    shots = tuple(
        SweepShot(
            planned=row.planned,
            result=row.measured or RejectedShot(path=row.planned.path, reason=os.fsdecode(row.rejected)),
            reason=os.fsdecode(row.reason),
        )
        for row in document.shots
    )
    missing = tuple(RejectedShot(path=path, reason=os.fsdecode(reason)) for path, reason in document.missing)
    return KeptShots(
        shots=shots,
        method=document.method,
        tie=document.tie,
        command=os.fsdecode(document.command),
        missing=missing,
    )


def _packed(value: object, *, drawn: set[int]) -> Any:
    """Paths as bytes, for their names may hold what is no Unicode; the rest as results are kept."""
    if isinstance(value, np.ndarray) and id(value) not in drawn:
        return None
    return os.fsencode(value) if isinstance(value, Path) else plain_value(value)


_NO_CURVE: Final = np.empty(0)


def _unpacked(kind: Any, packed: Any) -> object:
    if packed is None:
        return _NO_CURVE
    return Path(os.fsdecode(packed)) if kind is Path else from_packed(kind, packed)


def library_document(sessions: Sequence[KeptSession]) -> bytes:
    """The document that holds some sessions of the library whole."""
    return msgspec.json.encode(_LibraryDocument(format=LIBRARY_FORMAT, sessions=tuple(sessions))) + b"\n"


def read_library_document(path: Path) -> list[KeptSession]:
    """The sessions of a file that `lensbench library export` wrote; a LibraryError where it is none, or damaged."""
    give = "give a file that `lensbench library export` wrote"
    with _refusing(path, LibraryError, missing=give, damaged="nothing was taken from it"):
        document = _decoded(path, _LibraryDocument, LIBRARY_FORMAT, way_out="export the library again")
        return [_named(session) for session in document.sessions]


def session_bytes(session: KeptSession) -> bytes:
    """One session as the library's file holds it."""
    return msgspec.json.encode(session)


def session_of(document: bytes) -> KeptSession:
    """The session that `session_bytes` took apart; a ValueError where it is damaged."""
    return _named(msgspec.json.decode(document, type=KeptSession))


@contextmanager
def _refusing(path: Path, refusal: type[LensError], *, missing: str, damaged: str) -> Iterator[None]:
    """Name the file in what is wrong with it, and the next step."""
    try:
        yield
    except TextFileError as error:
        raise refusal(f"{path}: {error}; {missing}") from error
    except msgspec.ValidationError as error:
        raise refusal(f"{path}: damaged ({one_line(error)}); {damaged}") from error
    except (msgspec.MsgspecError, RecursionError, UnicodeError) as error:
        raise refusal(f"{path}: no JSON, or damaged; {damaged}") from error
    except ValueError as error:
        raise refusal(f"{path}: {error}; {damaged}") from error


def _decoded(path: Path, kind: type[Document], wanted: Format, *, way_out: str) -> Document:
    """A document's records, unless it is of another kind, or of another version: a ValueError with the reason."""
    text = read_text(path, most_bytes=_MOST_BYTES)
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
    return msgspec.json.decode(text, type=kind)


def _named(lens: Lens) -> Lens:
    """The same lens with names fit to be shown; a ValueError where nothing is left of one."""
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
