"""A library of version 1 or 2, whose tables held a session piece by piece: taken over into documents.

Such a file knows nothing of a focus bracket but its peak, and no SFR: a lens that is added anew from its sweep holds
more. Figures that are none, or beyond belief, are left out.
"""

import math
import sqlite3
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from lensbench.model.measured import BestOfSweep, CountedShot, KeptSession, ZoneValue
from lensbench.model.setting import Setting
from lensbench.model.shot import ZONES
from lensbench.storage.text import clean_text

_TABLES: Final = ("edges", "edge_form", "summary", "shot", "session", "lens")

OLDER_ZONES: Final = "older_zones"
"""Borne by every shot that was kept when zones were rings, parted at 0.3 and 0.65, and not yet thirds."""
_CREDIBLE: Final = {"cypx": (1e-4, 10.0), "f_number": (0.3, 300.0), "_px": (1.0, 1e6), "_mm": (0.1, 1e5)}
"""What a quantity can be, by the end of its name; far wider than anything measured."""

Row = Mapping[str, Any]


def sessions_of_older(connection: sqlite3.Connection) -> list[KeptSession]:
    """Every session of a library of version 1 or 2, whose tables are removed.

    Raises
    ------
    sqlite3.Error
        It is damaged.
    """
    lenses = {row["id"]: row for row in _rows(connection, "lens")}
    zones: dict[int, dict[str, Row]] = defaultdict(dict)
    for row in _rows(connection, "summary"):
        zones[row["shot_id"]][row["zone"]] = row
    shots: dict[int, list[CountedShot]] = defaultdict(list)
    sessions, photographs, snrs = _rows(connection, "session"), _rows(connection, "shot"), _snrs(connection)
    for session in sessions:
        groups: dict[tuple[Setting, str], list[Row]] = defaultdict(list)
        for row in photographs:
            stop = _known(row["f_number"], "f_number")
            if row["session_id"] == session["id"] and stop:
                setting = Setting(
                    focal_length_mm=_known(row["focal_length_mm"], "focal_length_mm"), f_number=stop
                )
                groups[setting, row["focus_group"] or f" {row['id']}"].append(row)
        for (setting, _), rows in groups.items():
            shots[session["id"]].append(_counted(setting, rows, session, zones, snrs))
    kept = [
        _session(row, lenses[row["lens_id"]], shots[row["id"]])
        for row in sessions
        if row["lens_id"] in lenses
    ]
    for table in _TABLES:
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
            table = np.frombuffer(row["figures"], dtype="<f4").reshape(-1, len(names))
            values = table[:, names.index("snr")]
            if np.isfinite(values).any():
                found[row["shot_id"]] = float(np.median(values[np.isfinite(values)]))
    return found


def _counted(
    setting: Setting,
    rows: Sequence[Row],
    session: Row,
    zones: Mapping[int, Mapping[str, Row]],
    snrs: Mapping[int, float],
) -> CountedShot:
    found = {}
    for zone in ZONES:
        own = [zones[row["id"]][zone] for row in rows if zone in zones.get(row["id"], {})]
        values = [value for row in own if (value := _known(row["mtf50_cypx"], "mtf50_cypx"))]
        if values:
            found[zone] = ZoneValue(
                mtf50_cypx=math.exp(float(np.mean(np.log(values)))),
                sagittal_cypx=_mean([_known(row["sagittal_cypx"], "sagittal_cypx") for row in own]),
                tangential_cypx=_mean([_known(row["tangential_cypx"], "tangential_cypx") for row in own]),
            )
    height = _known(session["picture_height_px"], "rows_px")
    # Version 1 held no width: three to two, as most sensors have.
    width = _known(session.get("picture_width_px"), "cols_px") or (1.5 * height if height else None)
    return CountedShot(
        files=tuple(clean_text(str(row["file"])) for row in rows),
        setting=setting,
        exact_f_number=_mean([_known(row["exact_f_number"], "f_number") for row in rows]) or setting.f_number,
        zones=found,
        iso=_mean([_known(row["iso"], "iso") for row in rows]),
        snr=_mean([snrs.get(row["id"]) for row in rows]),
        magnification=_mean([_known(row["magnification"], "magnification") for row in rows]),
        pixel_pitch_um=_known(session["pixel_pitch_um"], "pitch_um"),
        size_px=(int(height), int(width)) if height and width else None,
        picture_height_px=int(height) if height else None,
        sensor_data=bool(session["sensor_data"]),
        flags=(OLDER_ZONES,),
    )


def _session(row: Row, lens: Row, shots: Sequence[CountedShot]) -> KeptSession:
    stop, figure = _known(row["best_f_number"], "f_number"), _known(row["best_mtf50_cypx"], "mtf50_cypx")
    low, high = (_known(row[name], "mtf50_cypx") for name in ("best_low_cypx", "best_high_cypx"))
    focal = _known(row["best_focal_length_mm"], "focal_length_mm")
    return KeptSession(
        lens=clean_text(str(lens["name"])),
        camera=clean_text(str(lens["camera"])),
        session=clean_text(str(row["name"])),
        added_at=clean_text(str(row["added_at"])),
        best=BestOfSweep(
            setting=Setting(focal_length_mm=focal, f_number=stop),
            mtf50_cypx=figure,
            ci95_cypx=(low, high) if low and high else None,
        )
        if stop and figure
        else None,
        shots=tuple(shots),
    )


def _known(cell: object, name: str) -> float | None:
    """The number in a cell; None where it is none, or beyond what the quantity can be."""
    number = float(cell) if isinstance(cell, int | float) else math.nan
    low, high = next((limits for end, limits in _CREDIBLE.items() if name.endswith(end)), (1e-6, 1e9))
    return number if low <= number <= high else None


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(np.mean(known)) if known else None
