"""The library as one file to carry: a JSON document that is checked field by field when it comes back."""

import base64
import binascii
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from lensbench.errors import LibraryError, TextFileError
from lensbench.library.kept import (
    EDGE_COLUMNS,
    BestKept,
    EdgeFigures,
    KeptSession,
    KeptShot,
    ZoneKept,
    figure,
    name_of,
)
from lensbench.records import ZONES
from lensbench.textfiles import read_json

__all__ = ["document_of", "sessions_of_file"]

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
