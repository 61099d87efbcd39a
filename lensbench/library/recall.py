"""Taking measured lenses out of the library's file again; figures that are none come back as NaN."""

import math
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Final

import numpy as np

from lensbench.library.kept import EDGE_COLUMNS, BestKept, EdgeFigures, KeptSession, KeptShot, ZoneKept
from lensbench.records import ZONES

__all__ = ["recalled"]

Row = Sequence[object]

_SESSIONS: Final = """
SELECT session.id, lens.name, lens.camera, session.name, added_at, pixel_pitch_um, picture_height_px,
  picture_width_px, sensor_data, best_focal_length_mm, best_f_number, best_mtf50_cypx, best_low_cypx, best_high_cypx
FROM session JOIN lens ON lens.id = session.lens_id ORDER BY lens.name, lens.camera, added_at, session.id
"""


def recalled(connection: sqlite3.Connection) -> list[KeptSession]:
    """Give every session of an open library, by lens, camera and the time it was added."""
    return [_session(connection, row) for row in connection.execute(_SESSIONS).fetchall()]


def _session(connection: sqlite3.Connection, row: Row) -> KeptSession:
    session_id, lens, camera, name, added_at, pitch_um, height_px, width_px, sensor_data, *best = row
    pitch = _number(pitch_um)
    height, width = _number(height_px), _number(width_px)
    # Files of version 1 hold no width: three to two, as most sensors have.
    size_px = (int(height), int(width if width > 0.0 else 1.5 * height)) if height > 0.0 else None
    return KeptSession(
        lens=str(lens),
        camera=str(camera),
        session=str(name),
        added_at=str(added_at),
        pixel_pitch_um=pitch if pitch > 0.0 else None,
        size_px=size_px,
        sensor_data=bool(sensor_data),
        best=_best([_number(cell) for cell in best]),
        shots=_shots(connection, session_id),
    )


def _best(cells: Sequence[float]) -> BestKept | None:
    focal_length_mm, f_number, mtf50_cypx, low, high = cells
    if not mtf50_cypx > 0.0:
        return None
    return BestKept(
        focal_length_mm=focal_length_mm, f_number=f_number, mtf50_cypx=mtf50_cypx, ci95_cypx=(low, high)
    )


def _shots(connection: sqlite3.Connection, session_id: object) -> tuple[KeptShot, ...]:
    zones: dict[object, dict[str, ZoneKept]] = {}
    of_session = "JOIN shot ON shot.id = shot_id WHERE session_id = ?"
    for shot_id, zone, *figures in connection.execute(
        f"SELECT shot_id, zone, mtf50_cypx, sagittal_cypx, tangential_cypx FROM summary {of_session}",  # noqa: S608 - fixed text
        (session_id,),
    ):
        middle, sagittal, tangential = map(_number, figures)
        if zone in ZONES and middle > 0.0:
            kept = ZoneKept(mtf50_cypx=middle, sagittal_cypx=sagittal, tangential_cypx=tangential)
            zones.setdefault(shot_id, {})[zone] = kept
    edges = {
        shot_id: (columns, blob)
        for shot_id, columns, blob in connection.execute(
            f"SELECT shot_id, columns, figures FROM edges JOIN edge_form ON edge_form.id = form_id {of_session}",  # noqa: S608 - fixed text
            (session_id,),
        )
    }
    rows = connection.execute(
        "SELECT id, file, focal_length_mm, f_number, exact_f_number, focus_group, iso, magnification "
        "FROM shot WHERE session_id = ? ORDER BY id",
        (session_id,),
    )
    return tuple(_shot(row, zones, edges) for row in rows)


def _shot(
    row: Row, zones: Mapping[object, dict[str, ZoneKept]], edges: Mapping[object, tuple[object, object]]
) -> KeptShot:
    shot_id, file, focal_length_mm, f_number, exact, group, iso, magnification = row
    return KeptShot(
        file=str(file),
        focal_length_mm=_number(focal_length_mm),
        f_number=_number(f_number),
        exact_f_number=_number(exact),
        focus_group=str(group),
        iso=_number(iso),
        magnification=_number(magnification),
        zones=_in_order(zones.get(shot_id, {})),
        edges=_edges(*edges.get(shot_id, ("", b""))),
    )


def _in_order(zones: Mapping[str, ZoneKept]) -> dict[str, ZoneKept]:
    return {zone: zones[zone] for zone in ZONES if zone in zones}


def _edges(columns: object, blob: object) -> EdgeFigures:
    """Give the edges' figures in today's columns; a column that the file lacks is NaN."""
    names = str(columns).split()
    table = np.full((0, len(EDGE_COLUMNS)), np.nan, dtype=np.float32)
    if not names or not isinstance(blob, bytes):
        return table
    with suppress(ValueError):
        kept = np.frombuffer(blob, dtype="<f4").reshape(-1, len(names))
        table = np.full((len(kept), len(EDGE_COLUMNS)), np.nan, dtype=np.float32)
        for place, name in enumerate(EDGE_COLUMNS):
            if name in names:
                table[:, place] = kept[:, names.index(name)]
    return table


def _number(cell: object) -> float:
    return float(cell) if isinstance(cell, int | float) and not isinstance(cell, bool) else math.nan
