"""The library's file: measured lenses kept, given back and removed.

One SQLite file with a write-ahead log, so that readers never wait for a writer. A session is one row: its document, as
`storage.store` writes it, and what names it. The version is SQLite's `user_version`; a newer file is refused, and an
older one, whose tables held a session piece by piece, is brought up to date in one transaction. Such a file knows
nothing of a focus bracket but its peak, and no SFR: a lens that is added anew from its sweep holds more.
"""

import math
import shutil
import sqlite3
import tempfile
import time
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from lensbench.model.errors import LibraryError
from lensbench.model.measured import BestOfSweep, CountedShot, KeptSession, ZoneValue
from lensbench.model.setting import Setting
from lensbench.model.shot import ZONES
from lensbench.storage.files import data_folder
from lensbench.storage.store import read_sweep, session_bytes, session_of
from lensbench.storage.text import clean_text, one_line

APPLICATION_ID: Final = 0x4C425331
"""Marks the file as ours; SQLite's own field for it."""
_PAGE_BYTES: Final = 8192  # a photograph's edges fill a page of this size well
_PATIENCE_S: Final = 20.0
_SHORT_WAIT_S: Final = 0.02

VERSION: Final = 3
"""Of the file; the first two held a session in several tables."""
_SESSIONS: Final = """
CREATE TABLE session (
  id INTEGER PRIMARY KEY, lens TEXT NOT NULL, camera TEXT NOT NULL, name TEXT NOT NULL, added_at TEXT NOT NULL,
  document BLOB NOT NULL, UNIQUE (lens, camera, name))
"""


def usual_place() -> Path:
    """The library's file in the user's data folder."""
    return data_folder("LOCALAPPDATA") / "library.sqlite"


@contextmanager
def opened(place: Path, *, writing: bool) -> Iterator[sqlite3.Connection]:
    """The library, up to date, in one transaction: wholly done or not at all; a LibraryError where it can't be used."""
    try:
        if writing:
            place.parent.mkdir(parents=True, exist_ok=True)
        elif not place.is_file():
            raise LibraryError(
                f"{place}: no library there yet; `lensbench library add FOLDER` begins one from a sweep"
            )
        with ExitStack() as copy:
            try:
                connection = _connected(place, writing=writing)
            except sqlite3.OperationalError as error:
                if writing or not any(words in str(error) for words in ("unable to open", "readonly")):
                    raise
                connection = _connected(_copied(place, copy), writing=False)
            with closing(connection):
                connection.execute("BEGIN IMMEDIATE" if writing else "BEGIN")
                yield connection
                connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise LibraryError(_explained(place, error)) from error
    except OSError as error:
        raise LibraryError(
            f"{place}: {error.strerror}; name another file for the library with --library"
        ) from error


def _copied(place: Path, stack: ExitStack) -> Path:
    """A copy of the library, and of its log: on a medium that cannot be written SQLite can't even read with one."""
    folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="lensbench-")))
    for path in (place, place.with_name(f"{place.name}-wal")):
        if path.is_file():
            shutil.copyfile(path, folder / path.name)
    return folder / place.name


def _explained(place: Path, error: Exception) -> str:
    reason = one_line(error)
    if "locked" in reason or "busy" in reason:
        return f"{place}: another program is writing to the library; try again in a moment"
    if any(words in reason for words in ("readonly", "unable to open", "full", "disk I/O")):
        return f"{place}: cannot be opened or written ({reason}); look at its folder, or name another with --library"
    return (
        f"{place}: not a library, or damaged ({reason}); put a copy back in its place, or move it away and "
        "import what you exported or add the sweeps again"
    )


def _connected(place: Path, *, writing: bool) -> sqlite3.Connection:
    """An open library of this version; an older one is written anew even for reading."""
    address = f"{place.resolve().as_uri()}?mode={'rwc' if writing else 'ro'}"
    connection = sqlite3.connect(address, uri=True, timeout=_PATIENCE_S, isolation_level=None)
    try:
        connection.execute("PRAGMA trusted_schema = OFF")
        connection.execute("PRAGMA foreign_keys = ON")
        if writing:
            _bring_up_to_date(place, connection)
        elif _checked_version(place, connection) < VERSION:
            _connected(place, writing=True).close()
    except BaseException:
        connection.close()
        raise
    return connection


def _checked_version(place: Path, connection: sqlite3.Connection) -> int:
    """Version of a file; refused where it is some other program's, or of a newer version."""
    version, mark, tables = (
        int(connection.execute(query).fetchone()[0])
        for query in ("PRAGMA user_version", "PRAGMA application_id", "SELECT count(*) FROM sqlite_master")
    )
    if mark != APPLICATION_ID and (tables or version or mark):
        raise LibraryError(f"{place}: another program's database, not a library; name another with --library")
    if version > VERSION:
        raise LibraryError(
            f"{place}: written by a newer lensbench (form {version}; this one knows {VERSION}); bring it up to date"
        )
    return version


def _bring_up_to_date(place: Path, connection: sqlite3.Connection) -> None:
    connection.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
    if _checked_version(place, connection) == VERSION:
        return
    _log_ahead(connection)
    connection.execute("BEGIN IMMEDIATE")
    version = _checked_version(place, connection)  # another program may have done it while this one waited
    if version < VERSION:
        sessions = _sessions_of_older(connection) if version else []
        connection.execute(_SESSIONS)
        for session in sessions:
            _keep(connection, session)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {VERSION}")
    connection.execute("COMMIT")


def _log_ahead(connection: sqlite3.Connection) -> None:
    """Switch to the write-ahead log; SQLite doesn't wait here by itself while another program does the same."""
    until = time.monotonic() + _PATIENCE_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > until:
                raise
            time.sleep(_SHORT_WAIT_S)
        else:
            return


def sessions_of_sweep(folder: Path, *, session: str | None = None) -> list[KeptSession]:
    """The lenses of a sweep's folder as the library keeps them; photographs by their bare names.

    The session's name tells sweeps of the same lens apart; it is the folder's by default.

    Raises
    ------
    SweepError
        The folder is not one that a sweep wrote, or its document is damaged.
    LibraryError
        The session has no name that can be kept.
    """
    name = clean_text(session if session is not None else folder.resolve().name, unknown="")
    if not name:
        raise LibraryError("the session's name is empty; give one with --session")
    added_at = datetime.now(UTC).isoformat(timespec="seconds")
    return [
        KeptSession(
            lens=lens.lens,
            camera=lens.camera,
            best=lens.best,
            shots=tuple(
                replace(shot, files=tuple(Path(file).name for file in shot.files), thumbnails=())
                for shot in lens.shots
            ),
            condition=lens.condition,
            session=name,
            added_at=added_at,
        )
        for lens in read_sweep(folder)
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Library:
    """A file of measured lenses; every call opens it anew and leaves it whole.

    Raises
    ------
    LibraryError
        By every call: what is asked for is not there (any more), or is there already; or the file can't be used.
    """

    place: Path

    def add(self, sessions: Iterable[KeptSession], *, replace: bool = False) -> int:
        """Keep some sessions, all or none, in place of those that are there where `replace` is said; their number."""
        sessions = list(sessions)
        with opened(self.place, writing=True) as connection:
            for session in sessions:
                if _forget(connection, session) and not replace:
                    raise LibraryError(
                        f"{session.title} is in the library already: --replace puts this one in its place, and "
                        "`library add --session NAME` keeps a sweep beside it"
                    )
                _keep(connection, session)
        return len(sessions)

    def sessions(self) -> list[KeptSession]:
        """Everything that is kept, by lens, camera and the time it was added."""
        with opened(self.place, writing=False) as connection:
            rows = connection.execute("SELECT document FROM session ORDER BY lens, camera, added_at, id")
            try:
                return [session_of(document) for (document,) in rows]
            except (ValueError, TypeError, RecursionError) as error:
                raise LibraryError(_explained(self.place, error)) from error

    def remove(self, session: KeptSession) -> None:
        """Forget one session; a lens without any goes too."""
        with opened(self.place, writing=True) as connection:
            if not _forget(connection, session):
                raise LibraryError(f"{self.place} holds no {session.title}")


def chosen(
    sessions: Sequence[KeptSession], lens: str, *, camera: str | None = None, session: str | None = None
) -> list[KeptSession]:
    """Sessions of a lens by its name, or by a part of it that fits one lens only.

    Raises
    ------
    LibraryError
        None fits, or the part of a name fits several lenses.
    """
    fitting = [
        kept
        for kept in sessions
        if (camera is None or _folded(kept.camera) == _folded(camera))
        and (session is None or _folded(kept.session) == _folded(session))
    ]
    exact = [kept for kept in fitting if _folded(kept.lens) == _folded(lens)]
    part = [kept for kept in fitting if lens.strip() and lens.casefold() in kept.lens.casefold()]
    found = exact or part
    names = sorted({kept.lens for kept in found})
    if len(names) == 1:
        return found
    known = ", ".join(names or sorted({kept.lens for kept in sessions})) or "nothing"
    raise LibraryError(
        f"«{lens}» fits several lenses: {known}; give the whole name"
        if names
        else f"no such lens «{lens}» in the library; it holds {known}"
    )


def _folded(name: str) -> str:
    """A name whatever its capitals and composed letters."""
    return unicodedata.normalize("NFKC", name).casefold()


def _forget(connection: sqlite3.Connection, session: KeptSession) -> bool:
    gone = connection.execute(
        "DELETE FROM session WHERE lens = ? AND camera = ? AND name = ?", _names(session)
    )
    return bool(gone.rowcount)


def _keep(connection: sqlite3.Connection, session: KeptSession) -> None:
    connection.execute(
        "INSERT INTO session (lens, camera, name, added_at, document) VALUES (?, ?, ?, ?, ?)",
        (*_names(session), session.added_at, session_bytes(session)),
    )


def _names(session: KeptSession) -> tuple[str, str, str]:
    return session.lens, session.camera, session.session


OLDER_ZONES: Final = "older_zones"
"""Borne by every shot that was kept when zones were rings, parted at 0.3 and 0.65, and not yet thirds."""
_CREDIBLE: Final = {"cypx": (1e-4, 10.0), "f_number": (0.3, 300.0), "_px": (1.0, 1e6), "_mm": (0.1, 1e5)}
"""What a quantity can be, by the end of its name; far wider than anything measured."""

Row = Mapping[str, Any]


def _sessions_of_older(connection: sqlite3.Connection) -> list[KeptSession]:
    """Every session of a library of version 1 or 2, whose tables are removed; figures beyond belief are left out."""
    lenses = {row["id"]: row for row in _rows(connection, "lens")}
    zones: dict[int, dict[str, Row]] = defaultdict(dict)
    for row in _rows(connection, "summary"):
        zones[row["shot_id"]][row["zone"]] = row
    snrs = _snrs(connection)
    groups: dict[int, dict[tuple[Setting, str], list[Row]]] = defaultdict(lambda: defaultdict(list))
    for row in _rows(connection, "shot"):
        if stop := _known(row, "f_number"):
            setting = Setting(focal_length_mm=_known(row, "focal_length_mm"), f_number=stop)
            shot = {**row, "zones": zones[row["id"]], "snr": snrs.get(row["id"])}
            groups[row["session_id"]][setting, row["focus_group"] or f" {row['id']}"].append(shot)
    kept = [
        _session_of_older(
            row,
            lenses[row["lens_id"]],
            [_counted(setting, rows, row) for (setting, _), rows in groups[row["id"]].items()],
        )
        for row in _rows(connection, "session")
        if row["lens_id"] in lenses
    ]
    for table in ("edges", "edge_form", "summary", "shot", "session", "lens"):
        connection.execute(f"DROP TABLE IF EXISTS {table}")
    return kept


def _rows(connection: sqlite3.Connection, table: str) -> list[Row]:
    cursor = connection.execute(f"SELECT * FROM {table}")  # noqa: S608 - fixed names
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, cells, strict=True)) for cells in cursor.fetchall()]


def _snrs(connection: sqlite3.Connection) -> dict[int, float]:
    """Median signal-to-noise ratio of each photograph's edges; version 1 kept no edges."""
    if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'edges'").fetchone():
        return {}
    forms = {row["id"]: str(row["columns"]).split() for row in _rows(connection, "edge_form")}
    found = {}
    for row in _rows(connection, "edges"):
        names = forms.get(row["form_id"], [])
        if "snr" in names and len(row["figures"]) % (4 * len(names)) == 0:
            values = np.frombuffer(row["figures"], dtype="<f4")[names.index("snr") :: len(names)]
            if (finite := values[np.isfinite(values)]).size:
                found[row["shot_id"]] = float(np.median(finite))
    return found


def _counted(setting: Setting, rows: Sequence[Row], session: Row) -> CountedShot:
    """One refocused shot, from the photographs of a focus group and the session's row."""
    found = {}
    for zone in ZONES:
        own = [row["zones"][zone] for row in rows if zone in row["zones"]]
        values = [value for row in own if (value := _known(row, "mtf50_cypx"))]
        if values:
            found[zone] = ZoneValue(
                mtf50_cypx=math.exp(float(np.mean(np.log(values)))),
                sagittal_cypx=_mean(own, "sagittal_cypx"),
                tangential_cypx=_mean(own, "tangential_cypx"),
            )
    height = _known(session, "picture_height_px")
    # Version 1 held no width: three to two, as most sensors have.
    width = _known(session, "picture_width_px") or (1.5 * height if height else None)
    return CountedShot(
        files=tuple(clean_text(str(row["file"])) for row in rows),
        setting=setting,
        exact_f_number=_mean(rows, "exact_f_number") or setting.f_number,
        zones=found,
        iso=_mean(rows, "iso"),
        snr=_mean(rows, "snr"),
        magnification=_mean(rows, "magnification"),
        pixel_pitch_um=_known(session, "pixel_pitch_um"),
        size_px=(int(height), int(width)) if height and width else None,
        picture_height_px=int(height) if height else None,
        sensor_data=bool(session["sensor_data"]),
        flags=(OLDER_ZONES,),
    )


def _session_of_older(row: Row, lens: Row, shots: Sequence[CountedShot]) -> KeptSession:
    stop, figure = _known(row, "best_f_number"), _known(row, "best_mtf50_cypx")
    low, high = _known(row, "best_low_cypx"), _known(row, "best_high_cypx")
    best = None
    if stop and figure:
        setting = Setting(focal_length_mm=_known(row, "best_focal_length_mm"), f_number=stop)
        ends = (low, high) if low and high else None
        best = BestOfSweep(setting=setting, mtf50_cypx=figure, ci95_cypx=ends)
    return KeptSession(
        lens=clean_text(str(lens["name"])),
        camera=clean_text(str(lens["camera"])),
        session=clean_text(str(row["name"])),
        added_at=clean_text(str(row["added_at"])),
        best=best,
        shots=tuple(shots),
    )


def _known(row: Row, name: str) -> float | None:
    """The number in a row's cell; None where it is none, or beyond what the quantity can be."""
    cell = row.get(name)
    number = float(cell) if isinstance(cell, int | float) else math.nan
    low, high = next((limits for end, limits in _CREDIBLE.items() if name.endswith(end)), (1e-6, 1e9))
    return number if low <= number <= high else None


def _mean(rows: Sequence[Row], name: str) -> float | None:
    known = [value for row in rows if (value := _known(row, name)) is not None]
    return float(np.mean(known)) if known else None
