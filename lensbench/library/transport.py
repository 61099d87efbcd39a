"""The library as one file to carry: a JSON document that is checked field by field when it comes back.

Taking measured lenses out of the library's file again; figures that are none come back as NaN.
"""

import base64
import binascii
import json
import math
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import numpy as np

from lensbench.library.intake import (
    EDGE_COLUMNS,
    BestKept,
    EdgeFigures,
    KeptSession,
    KeptShot,
    ZoneKept,
    figure,
    name_of,
)
from lensbench.model.errors import LibraryError, TextFileError
from lensbench.model.shot import ZONES
from lensbench.storage.text import read_json

__all__ = ["document_of", "recalled", "sessions_of_file"]


_FORM: Final = "lensbench library 1"
_MOST_BYTES: Final = 500_000_000
_SHOT_FIGURES: Final = ("focal_length_mm", "f_number", "exact_f_number", "iso", "magnification")


def document_of(sessions: Sequence[KeptSession]) -> bytes:
    """Give the document that holds some sessions whole."""
    form = {
        "form": _FORM,
        "edge_columns": list(EDGE_COLUMNS),
        "sessions": [_session_form(session) for session in sessions],
    }
    return (json.dumps(form, allow_nan=False, ensure_ascii=False, indent=1) + "\n").encode()


def _session_form(session: KeptSession) -> dict[str, Any]:
    best = session.best
    return {
        "lens": session.lens,
        "camera": session.camera,
        "session": session.session,
        "added_at": session.added_at,
        "pixel_pitch_um": session.pixel_pitch_um,
        "size_px": session.size_px,
        "sensor_data": session.sensor_data,
        "best": best
        and {
            "focal_length_mm": _plain(best.focal_length_mm),
            "f_number": _plain(best.f_number),
            "mtf50_cypx": _plain(best.mtf50_cypx),
            "ci95_cypx": [_plain(end) for end in best.ci95_cypx],
        },
        "shots": [_shot_form(shot) for shot in session.shots],
    }


def _shot_form(shot: KeptShot) -> dict[str, Any]:
    return {
        "file": shot.file,
        **{name: _plain(getattr(shot, name)) for name in _SHOT_FIGURES},
        "focus_group": shot.focus_group,
        "zones": {
            name: [_plain(zone.mtf50_cypx), _plain(zone.sagittal_cypx), _plain(zone.tangential_cypx)]
            for name, zone in shot.zones.items()
        },
        "edges": base64.b64encode(shot.edges.astype("<f4").tobytes()).decode(),
    }


def _plain(number: float) -> float | None:
    return number if np.isfinite(number) else None


def sessions_of_file(path: Path) -> list[KeptSession]:
    """Read a document back, trusting nothing in it.

    Raises
    ------
    LibraryError
        It cannot be read, is no such document, or a field of it is not what it should be.
    """
    try:
        form = read_json(path, most_bytes=_MOST_BYTES)
    except TextFileError as error:
        raise LibraryError(f"{path}: {error}; give a file that `lensbench library export` wrote") from error
    if not isinstance(form, dict) or form.get("form") != _FORM or not isinstance(form.get("sessions"), list):
        raise LibraryError(f"{path}: not a file that `lensbench library export` wrote, or of another version")
    if form.get("edge_columns") != list(EDGE_COLUMNS):
        raise LibraryError(f"{path}: its edges have other columns than this version keeps")
    try:
        return [_session(item) for item in form["sessions"]]
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        if isinstance(error, LibraryError):
            raise LibraryError(f"{path}: {error}; nothing was taken from it") from error
        raise LibraryError(f"{path}: damaged ({error!r}); nothing was taken from it") from error


def _session(item: Mapping[str, Any]) -> KeptSession:
    pitch_um = figure(item["pixel_pitch_um"], "the pixel pitch", "pitch_um")
    return KeptSession(
        lens=name_of(item["lens"], "lens's name"),
        camera=name_of(item["camera"], "camera's name"),
        session=name_of(item["session"], "session's name"),
        added_at=name_of(item["added_at"], "time"),
        pixel_pitch_um=pitch_um if pitch_um > 0.0 else None,
        size_px=_size_px(item["size_px"]),
        sensor_data=item["sensor_data"] is True,
        best=_best(item["best"]),
        shots=tuple(_shot(shot) for shot in item["shots"]),
    )


def _size_px(given: Any) -> tuple[int, int] | None:
    if given is None:
        return None
    height, width = (figure(side, "the picture's size") for side in given)
    if not (1.0 <= height <= width <= 1e6):
        raise LibraryError(f"a picture of {height:g} x {width:g} px")
    return int(height), int(width)


def _best(given: Any) -> BestKept | None:
    if given is None:
        return None
    low, high = (figure(end, "an interval's end") for end in given["ci95_cypx"])
    return BestKept(
        focal_length_mm=figure(given["focal_length_mm"], "a focal length", "focal_length_mm"),
        f_number=figure(given["f_number"], "an f-number", "f_number"),
        mtf50_cypx=figure(given["mtf50_cypx"], "an MTF50", "mtf50_cypx"),
        ci95_cypx=(low, high),
    )


def _shot(given: Mapping[str, Any]) -> KeptShot:
    group = given["focus_group"]
    return KeptShot(
        file=name_of(given["file"], "file's name"),
        **{name: figure(given[name], name, name) for name in _SHOT_FIGURES},
        focus_group=name_of(group, "focus group") if group else "",
        zones={zone: _zone(given["zones"][zone]) for zone in ZONES if zone in given["zones"]},
        edges=_edges(given["edges"]),
    )


def _zone(given: Any) -> ZoneKept:
    middle, sagittal, tangential = (figure(value, "an MTF50", "mtf50_cypx") for value in given)
    return ZoneKept(mtf50_cypx=middle, sagittal_cypx=sagittal, tangential_cypx=tangential)


def _edges(text: str) -> EdgeFigures:
    try:
        blob = base64.b64decode(text, validate=True)
    except binascii.Error as error:
        raise LibraryError("the edges of a photograph are damaged") from error
    return np.frombuffer(blob, dtype="<f4").reshape(-1, len(EDGE_COLUMNS)).astype(np.float32)


Row = Sequence[object]

_SESSIONS: Final = """
SELECT session.id, lens.name, lens.camera, session.name, added_at, pixel_pitch_um, picture_height_px,
  picture_width_px, sensor_data, best_focal_length_mm, best_f_number, best_mtf50_cypx, best_low_cypx, best_high_cypx
FROM session JOIN lens ON lens.id = session.lens_id ORDER BY lens.name, lens.camera, added_at, session.id
"""


def recalled(connection: sqlite3.Connection) -> list[KeptSession]:
    """Give every session of an open library, by lens, camera and the time it was added."""
    return [_recalled_session(connection, row) for row in connection.execute(_SESSIONS).fetchall()]


def _recalled_session(connection: sqlite3.Connection, row: Row) -> KeptSession:
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
        best=_recalled_best([_number(cell) for cell in best]),
        shots=_shots(connection, session_id),
    )


def _recalled_best(cells: Sequence[float]) -> BestKept | None:
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
    return tuple(_recalled_shot(row, zones, edges) for row in rows)


def _recalled_shot(
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
        edges=_recalled_edges(*edges.get(shot_id, ("", b""))),
    )


def _in_order(zones: Mapping[str, ZoneKept]) -> dict[str, ZoneKept]:
    return {zone: zones[zone] for zone in ZONES if zone in zones}


def _recalled_edges(columns: object, blob: object) -> EdgeFigures:
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
