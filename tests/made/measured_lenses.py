"""Measured lenses by invention: as the library keeps them, and as the folder of a sweep."""

import csv
import json

import numpy as np

from lensbench.library.intake import EDGE_COLUMNS, KeptSession, KeptShot, ZoneKept
from lensbench.model.sweep import EDGES_COLUMNS, SHOTS_COLUMNS

ZONE_LEVEL = {"inner": 1.05, "middle": 0.98, "outer": 0.88, "frame": 0.97}
CURVE = {2.8: 0.24, 4.0: 0.29, 5.6: 0.30, 8.0: 0.275, 11.0: 0.23, 16.0: 0.18}


def kept_shot(f_number, mtf50_cypx, *, focal_mm=50.0, number=0, **fields):
    mtf50_cypx = float(mtf50_cypx)
    known = {
        "file": f"{focal_mm:g}_{f_number:g}_{number}.dng",
        "focal_length_mm": focal_mm,
        "f_number": f_number,
        "exact_f_number": f_number,
        "focus_group": "",
        "iso": 100.0,
        "magnification": 0.02,
        "zones": {
            zone: ZoneKept(
                mtf50_cypx=level * mtf50_cypx, sagittal_cypx=1.02 * mtf50_cypx, tangential_cypx=mtf50_cypx
            )
            for zone, level in ZONE_LEVEL.items()
        },
        "edges": np.linspace(1.0, 80.0, 2 * len(EDGE_COLUMNS), dtype=np.float32).reshape(2, -1),
    }
    return KeptShot(**(known | fields))


def kept_session(lens="Fennel", curve=None, *, curves=None, sd=0.01, repeats=3, seed=1, shot=None, **fields):
    """A lens with the curve {f-number: MTF50}, or with {focal length: curve}."""
    random = np.random.default_rng(seed)
    shots = [
        kept_shot(
            stop, level * np.exp(sd * random.normal()), focal_mm=focal_mm, number=number, **(shot or {})
        )
        for focal_mm, one in (curves or {50.0: curve or CURVE}).items()
        for stop, level in one.items()
        for number in range(repeats)
    ]
    known = {
        "camera": "Box One",
        "session": "spring",
        "added_at": "2026-03-14T10:00:00+00:00",
        "pixel_pitch_um": 4.0,
        "size_px": (4000, 6000),
        "sensor_data": True,
        "best": None,
    }
    return KeptSession(lens=lens, shots=tuple(shots), **(known | fields))


def sharper(share, curve=None):
    return {stop: (1.0 + share) * value for stop, value in (curve or CURVE).items()}


def sweep_folder(folder, session=None, **renamed):
    """Write what a sweep leaves behind, from a session, cell by cell."""
    session = session or kept_session()
    names = {"lens": session.lens, "camera": session.camera} | renamed
    folder.mkdir(parents=True)
    best = {"focal_length_mm": 50.0, "f_number": 5.6, "mtf50_cypx": 0.3, "ci95_cypx": [0.29, 0.31]}
    (folder / "findings.json").write_text(json.dumps({"lenses": [{**names, "best": best}]}), encoding="utf-8")
    shots, edges = [], []
    for shot in session.shots:
        row = {"file": f"shots/{shot.file}", **names, "used": "yes", "sensor_data": "yes"}
        row |= {name: getattr(shot, name) for name in ("f_number", "focal_length_mm", "iso", "magnification")}
        row |= {"exact_f_number": shot.exact_f_number, "focus_group": shot.focus_group}
        row |= {"rows_px": 4000, "cols_px": 6000, "pixel_pitch_um": session.pixel_pitch_um}
        for zone, kept in shot.zones.items():
            row |= {f"{zone}_{name}": getattr(kept, name) for name in ("mtf50_cypx", "sagittal_cypx")}
            row[f"{zone}_tangential_cypx"] = kept.tangential_cypx
        shots.append(row)
        edges += [
            {"file": row["file"], **dict(zip(EDGE_COLUMNS, map(float, line), strict=True))}
            for line in shot.edges
        ]
    for name, columns, rows in (("shots", SHOTS_COLUMNS, shots), ("edges", EDGES_COLUMNS, edges)):
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as stream:
            writer = csv.DictWriter(stream, columns, restval="")
            writer.writeheader()
            writer.writerows(rows)
    return folder


def same(one, other):
    """Whether two sessions hold the same, NaN and all."""
    return repr(one) == repr(other)
