"""Keeping, giving back and removing measured lenses."""

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from lensbench.errors import LibraryError
from lensbench.library.kept import EDGE_COLUMNS, BestKept, KeptSession, KeptShot, same_name
from lensbench.library.recall import recalled
from lensbench.library.schema import opened

__all__ = ["Library", "chosen"]


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
