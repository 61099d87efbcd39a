"""The library's file: where it lies, its tables by version, and how it is opened.

One SQLite file with a write-ahead log, so that readers never wait for a writer. Its version is SQLite's
`user_version`; an older file is brought up to date in one transaction, a newer one is refused.

Keeping, giving back and removing measured lenses.
"""

import os
import sqlite3
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from lensbench.library.intake import EDGE_COLUMNS, BestKept, KeptSession, KeptShot, same_name
from lensbench.library.transport import recalled
from lensbench.model.errors import LibraryError

__all__ = ["APPLICATION_ID", "MIGRATIONS", "VERSION", "Library", "chosen", "usual_place"]


APPLICATION_ID: Final = 0x4C425331
"""Marks the file as ours; SQLite's own field for it."""
_PAGE_BYTES: Final = 8192
"""A photograph's edges fill a page of this size well."""
_PATIENCE_S: Final = 20.0
_SHORT_WAIT_S: Final = 0.02

_FIRST: Final = """
CREATE TABLE lens (id INTEGER PRIMARY KEY, name TEXT NOT NULL, camera TEXT NOT NULL, UNIQUE (name, camera));
CREATE TABLE session (
  id INTEGER PRIMARY KEY, lens_id INTEGER NOT NULL REFERENCES lens ON DELETE CASCADE, name TEXT NOT NULL,
  added_at TEXT NOT NULL, pixel_pitch_um REAL, picture_height_px INTEGER, sensor_data INTEGER NOT NULL,
  best_focal_length_mm REAL, best_f_number REAL, best_mtf50_cypx REAL, best_low_cypx REAL, best_high_cypx REAL,
  UNIQUE (lens_id, name));
CREATE TABLE shot (
  id INTEGER PRIMARY KEY, session_id INTEGER NOT NULL REFERENCES session ON DELETE CASCADE,
  file TEXT NOT NULL, focal_length_mm REAL, f_number REAL, exact_f_number REAL, focus_group TEXT NOT NULL,
  iso REAL, magnification REAL);
CREATE INDEX shot_of_session ON shot (session_id);
CREATE TABLE summary (
  shot_id INTEGER NOT NULL REFERENCES shot ON DELETE CASCADE, zone TEXT NOT NULL,
  mtf50_cypx REAL, sagittal_cypx REAL, tangential_cypx REAL, PRIMARY KEY (shot_id, zone)) WITHOUT ROWID;
"""

_EDGES_AND_WIDTH: Final = """
ALTER TABLE session ADD COLUMN picture_width_px INTEGER;
CREATE TABLE edge_form (id INTEGER PRIMARY KEY, columns TEXT NOT NULL UNIQUE);
CREATE TABLE edges (
  shot_id INTEGER PRIMARY KEY REFERENCES shot ON DELETE CASCADE,
  form_id INTEGER NOT NULL REFERENCES edge_form, figures BLOB NOT NULL);
"""

MIGRATIONS: Final = (_FIRST, _EDGES_AND_WIDTH)
"""What leads from each version to the next; version 0 is an empty file."""
VERSION: Final = len(MIGRATIONS)


def usual_place() -> Path:
    """Give the library's file in the user's data folder, as each system has it.

    References
    ----------
    XDG Base Directory Specification, XDG_DATA_HOME; the folders of the two other systems are common practice.
    """
    home = Path.home()
    if sys.platform == "win32":
        folder = Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif sys.platform == "darwin":
        folder = home / "Library" / "Application Support"
    else:
        stated = Path(os.environ.get("XDG_DATA_HOME") or "-")
        folder = stated if stated.is_absolute() else home / ".local" / "share"
    return folder / "lensbench" / "library.sqlite"


@contextmanager
def opened(place: Path, *, writing: bool) -> Iterator[sqlite3.Connection]:
    """Open the library, up to date, in one transaction that ends with the block: wholly done or not at all.

    Raises
    ------
    LibraryError
        No library there (when reading), not a library, damaged, of a newer version, in use, or not writable.
    """
    try:
        if writing:
            place.parent.mkdir(parents=True, exist_ok=True)
        elif not place.is_file():
            raise LibraryError(
                f"{place}: no library there yet; `lensbench library add FOLDER` begins one from a sweep"
            )
        if not writing and _version_of(place) < VERSION:
            with closing(_connected(place, writing=True)):
                pass
        with closing(_connected(place, writing=writing)) as connection:
            connection.execute("BEGIN IMMEDIATE" if writing else "BEGIN")
            yield connection
            connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise LibraryError(_explained(place, error)) from error
    except OSError as error:
        raise LibraryError(
            f"{place}: {error.strerror}; name another file for the library with --library"
        ) from error


def _explained(place: Path, error: sqlite3.Error) -> str:
    told = str(error)
    if "locked" in told or "busy" in told:
        return f"{place}: another program is writing to the library; try again in a moment"
    if "readonly" in told or "unable to open" in told or "full" in told or "disk I/O" in told:
        return f"{place}: cannot be opened or written ({told}); look at its folder, or name another with --library"
    return (
        f"{place}: not a library, or damaged ({told}); put a copy back in its place, or move it away and "
        "import what you exported or add the sweeps again"
    )


def _version_of(place: Path) -> int:
    """Give the version of an existing file.

    Raises
    ------
    LibraryError
        It is some other program's file, or of a newer version.
    """
    with closing(sqlite3.connect(_address(place, "ro"), uri=True, timeout=_PATIENCE_S)) as connection:
        return _checked_version(place, connection)


def _checked_version(place: Path, connection: sqlite3.Connection) -> int:
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    mark = int(connection.execute("PRAGMA application_id").fetchone()[0])
    tables = int(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    if mark != APPLICATION_ID and (tables or version or mark):
        raise LibraryError(f"{place}: another program's database, not a library; name another with --library")
    if version > VERSION:
        raise LibraryError(
            f"{place}: written by a newer lensbench (form {version}; this one knows {VERSION}); bring it up to date"
        )
    return version


def _address(place: Path, mode: str) -> str:
    return f"{place.resolve().as_uri()}?mode={mode}"


def _connected(place: Path, *, writing: bool) -> sqlite3.Connection:
    connection = sqlite3.connect(
        _address(place, "rwc" if writing else "ro"), uri=True, timeout=_PATIENCE_S, isolation_level=None
    )
    try:
        connection.execute("PRAGMA trusted_schema = OFF")
        connection.execute("PRAGMA foreign_keys = ON")
        if writing:
            _brought_up_to_date(place, connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _brought_up_to_date(place: Path, connection: sqlite3.Connection) -> None:
    connection.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
    if _checked_version(place, connection) == VERSION:
        return
    _log_ahead(connection)
    connection.execute("BEGIN IMMEDIATE")
    # Another program may have done it while this one waited.
    for number in range(_checked_version(place, connection), VERSION):
        for statement in MIGRATIONS[number].split(";\n"):
            connection.execute(statement)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Library:
    """A file of measured lenses; every call opens it anew and leaves it whole."""

    place: Path

    def add(self, sessions: Iterable[KeptSession], *, replace: bool = False) -> int:
        """Keep some sessions, all or none; give their number.

        Raises
        ------
        LibraryError
            One of them is there already, and `replace` was not said; or the file can't be used.
        """
        sessions = list(sessions)
        with opened(self.place, writing=True) as connection:
            for session in sessions:
                _make_room(connection, session, replace=replace)
                _keep(connection, session)
        return len(sessions)

    def sessions(self) -> list[KeptSession]:
        """Give everything that is kept, by lens, camera and the time it was added.

        Raises
        ------
        LibraryError
            There is no library, or it is damaged.
        """
        with opened(self.place, writing=False) as connection:
            return recalled(connection)

    def remove(self, session: KeptSession) -> None:
        """Forget one session; a lens without any goes too.

        Raises
        ------
        LibraryError
            It is not there (any more), or the file can't be written.
        """
        with opened(self.place, writing=True) as connection:
            if not _forget(connection, session):
                raise LibraryError(f"{self.place} holds no {session.title}")


def chosen(
    sessions: Sequence[KeptSession], lens: str, *, camera: str | None = None, session: str | None = None
) -> list[KeptSession]:
    """Pick the sessions of a lens by its name, or by a part of it that fits one lens only.

    Raises
    ------
    LibraryError
        None fits, or the part of a name fits several lenses.
    """
    fitting = [
        one
        for one in sessions
        if (camera is None or same_name(one.camera, camera))
        and (session is None or same_name(one.session, session))
    ]
    exact = [one for one in fitting if same_name(one.lens, lens)]
    part = [one for one in fitting if lens.strip() and lens.casefold() in one.lens.casefold()]
    found = exact or part
    names = sorted({one.lens for one in found})
    if len(names) == 1:
        return found
    known = ", ".join(names or sorted({one.lens for one in sessions})) or "nothing"
    raise LibraryError(
        f"«{lens}» fits several lenses: {known}; give the whole name"
        if names
        else f"no such lens «{lens}» in the library; it holds {known}"
    )


def _make_room(connection: sqlite3.Connection, session: KeptSession, *, replace: bool) -> None:
    known = connection.execute(
        "SELECT count(*) FROM session JOIN lens ON lens.id = lens_id "
        "WHERE lens.name = ? AND camera = ? AND session.name = ?",
        (session.lens, session.camera, session.session),
    ).fetchone()[0]
    if not known:
        return
    if not replace:
        raise LibraryError(
            f"{session.title} is in the library already; name another session with --session, "
            "or put this one in its place with --replace"
        )
    _forget(connection, session)


def _forget(connection: sqlite3.Connection, session: KeptSession) -> bool:
    gone = connection.execute(
        "DELETE FROM session WHERE name = ? AND lens_id = (SELECT id FROM lens WHERE name = ? AND camera = ?)",
        (session.session, session.lens, session.camera),
    ).rowcount
    connection.execute("DELETE FROM lens WHERE id NOT IN (SELECT lens_id FROM session)")
    return bool(gone)


def _keep(connection: sqlite3.Connection, session: KeptSession) -> None:
    connection.execute(
        "INSERT OR IGNORE INTO lens (name, camera) VALUES (?, ?)", (session.lens, session.camera)
    )
    lens_id = connection.execute(
        "SELECT id FROM lens WHERE name = ? AND camera = ?", (session.lens, session.camera)
    ).fetchone()[0]
    height_px, width_px = session.size_px or (None, None)
    row = (lens_id, session.session, session.added_at, session.pixel_pitch_um, height_px, width_px)
    session_id = connection.execute(
        "INSERT INTO session (lens_id, name, added_at, pixel_pitch_um, picture_height_px, picture_width_px,"
        " sensor_data, best_focal_length_mm, best_f_number, best_mtf50_cypx, best_low_cypx, best_high_cypx)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (*row, session.sensor_data, *_best_cells(session.best)),
    ).lastrowid
    connection.execute("INSERT OR IGNORE INTO edge_form (columns) VALUES (?)", (" ".join(EDGE_COLUMNS),))
    for shot in session.shots:
        _keep_shot(connection, session_id, shot)


def _best_cells(best: BestKept | None) -> tuple[float | None, ...]:
    if best is None:
        return (None,) * 5
    return best.focal_length_mm, best.f_number, best.mtf50_cypx, *best.ci95_cypx


def _keep_shot(connection: sqlite3.Connection, session_id: int | None, shot: KeptShot) -> None:
    own = (shot.file, shot.focal_length_mm, shot.f_number, shot.exact_f_number, shot.focus_group)
    shot_id = connection.execute(
        "INSERT INTO shot (session_id, file, focal_length_mm, f_number, exact_f_number, focus_group, iso,"
        " magnification) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (session_id, *own, shot.iso, shot.magnification),
    ).lastrowid
    connection.executemany(
        "INSERT INTO summary VALUES (?, ?, ?, ?, ?)",
        [
            (shot_id, name, zone.mtf50_cypx, zone.sagittal_cypx, zone.tangential_cypx)
            for name, zone in shot.zones.items()
        ],
    )
    connection.execute(
        "INSERT INTO edges VALUES (?, (SELECT id FROM edge_form WHERE columns = ?), ?)",
        (shot_id, " ".join(EDGE_COLUMNS), shot.edges.astype("<f4").tobytes()),
    )
