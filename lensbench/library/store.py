"""The library's file: measured lenses kept, given back and removed.

One SQLite file with a write-ahead log, so that readers never wait for a writer. A session is one row: its document, as
`storage.store` writes it, and what names it. The version is SQLite's `user_version`; an older file is brought up to
date in one transaction, a newer one is refused.
"""

import os
import sqlite3
import sys
import time
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from lensbench.library.older import sessions_of_older
from lensbench.model.errors import LibraryError
from lensbench.model.measured import KeptSession
from lensbench.storage.store import read_sweep, session_bytes, session_of
from lensbench.storage.text import clean_text, one_line

APPLICATION_ID: Final = 0x4C425331
"""Marks the file as ours; SQLite's own field for it."""
_PAGE_BYTES: Final = 8192
"""A photograph's edges fill a page of this size well."""
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


def _explained(place: Path, error: Exception) -> str:
    told = one_line(error)
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
    version = _checked_version(place, connection)  # another program may have done it while this one waited
    if version < VERSION:
        sessions = sessions_of_older(connection) if version else []
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

    Parameters
    ----------
    folder : Path
        That `lensbench sweep` wrote.
    session : str, optional
        Tells sweeps of the same lens apart; the folder's name by default.

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
                replace(shot, files=tuple(Path(file).name for file in shot.files)) for shot in lens.shots
            ),
            session=name,
            added_at=added_at,
        )
        for lens in read_sweep(folder)
    ]


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
            rows = connection.execute("SELECT document FROM session ORDER BY lens, camera, added_at, id")
            try:
                return [session_of(document) for (document,) in rows]
            except (ValueError, TypeError, RecursionError) as error:
                raise LibraryError(_explained(self.place, error)) from error

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
        if (camera is None or _folded(one.camera) == _folded(camera))
        and (session is None or _folded(one.session) == _folded(session))
    ]
    exact = [one for one in fitting if _folded(one.lens) == _folded(lens)]
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


def _folded(name: str) -> str:
    """A name whatever its capitals and composed letters."""
    return unicodedata.normalize("NFKC", name).casefold()


def _make_room(connection: sqlite3.Connection, session: KeptSession, *, replace: bool) -> None:
    known = connection.execute(f"SELECT count(*) FROM session {_ONE_SESSION}", _names(session)).fetchone()[0]  # noqa: S608 - fixed text
    if known and not replace:
        raise LibraryError(
            f"{session.title} is in the library already; name another session with --session, "
            "or put this one in its place with --replace"
        )
    _forget(connection, session)


def _forget(connection: sqlite3.Connection, session: KeptSession) -> bool:
    gone = connection.execute(f"DELETE FROM session {_ONE_SESSION}", _names(session))  # noqa: S608 - fixed text
    return bool(gone.rowcount)


def _keep(connection: sqlite3.Connection, session: KeptSession) -> None:
    connection.execute(
        "INSERT INTO session (lens, camera, name, added_at, document) VALUES (?, ?, ?, ?, ?)",
        (*_names(session), session.added_at, session_bytes(session)),
    )


_ONE_SESSION: Final = "WHERE lens = ? AND camera = ? AND name = ?"


def _names(session: KeptSession) -> tuple[str, str, str]:
    return session.lens, session.camera, session.session
