"""Taking up the folder of a sweep: its lenses, each with its photographs and their edges."""

from collections import defaultdict
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np

from lensbench.errors import TextFileError
from lensbench.library.kept import (
    EDGE_COLUMNS,
    BestKept,
    EdgeFigures,
    KeptSession,
    KeptShot,
    ZoneKept,
    name_of,
)
from lensbench.records import ZONES
from lensbench.study import read_sweep
from lensbench.study.reading import BestRead, SweepLens, unreadable
from lensbench.textfiles import number_in, read_text, table_in

__all__ = ["sessions_of_sweep"]

_MOST_BYTES: Final = 500_000_000


def sessions_of_sweep(folder: Path, *, session: str | None = None) -> list[KeptSession]:
    """Read the lenses of a sweep's output folder as the library keeps them.

    Parameters
    ----------
    folder : Path
        That `lensbench sweep` wrote.
    session : str, optional
        Tells sweeps of the same lens apart; the folder's name by default.

    Raises
    ------
    SweepError
        The folder is not one that a sweep wrote, or its files are damaged.
    LibraryError
        The session has no name that can be kept.
    """
    name = name_of(session if session is not None else folder.resolve().name, "session's name")
    lenses = read_sweep(folder)
    edges = _edges_by_file(folder / "edges.csv")
    added_at = datetime.now(UTC).isoformat(timespec="seconds")
    return [_session(lens, edges, session=name, added_at=added_at) for lens in lenses]


def _session(
    lens: SweepLens, edges: Mapping[str, EdgeFigures], *, session: str, added_at: str
) -> KeptSession:
    return KeptSession(
        lens=name_of(lens.lens, "lens's name"),
        camera=name_of(lens.camera, "camera's name"),
        session=session,
        added_at=added_at,
        pixel_pitch_um=lens.pixel_pitch_um,
        size_px=_size_px(lens),
        sensor_data=lens.sensor_data,
        best=_best(lens.best),
        shots=tuple(_shot(row, edges) for row in lens.rows),
    )


def _best(best: BestRead | None) -> BestKept | None:
    if best is None:
        return None
    return BestKept(
        focal_length_mm=best.setting.focal_length_mm,
        f_number=best.setting.f_number,
        mtf50_cypx=best.mtf50_cypx,
        ci95_cypx=best.ci95_cypx,
    )


def _size_px(lens: SweepLens) -> tuple[int, int] | None:
    sizes = [
        sorted((number_in(row["rows_px"], "rows_px"), number_in(row["cols_px"], "cols_px")))
        for row in lens.rows
    ]
    known = [size for size in sizes if size[0] > 0.0 and size[1] > 0.0]
    if not known:
        return None
    height, width = np.median(np.array(known), axis=0)
    return int(height), int(width)


def _shot(row: Mapping[str, str], edges: Mapping[str, EdgeFigures]) -> KeptShot:
    nominal, exact = (
        number_in(row["f_number"], "f_number"),
        number_in(row["exact_f_number"], "exact_f_number"),
    )
    zones = {
        zone: ZoneKept(
            mtf50_cypx=middle,
            sagittal_cypx=number_in(row[f"{zone}_sagittal_cypx"], "sagittal_cypx"),
            tangential_cypx=number_in(row[f"{zone}_tangential_cypx"], "tangential_cypx"),
        )
        for zone in ZONES
        if (middle := number_in(row[f"{zone}_mtf50_cypx"], "mtf50_cypx")) > 0.0
    }
    return KeptShot(
        file=name_of(Path(row["file"]).name or "unknown", "file's name"),
        focal_length_mm=number_in(row["focal_length_mm"], "focal_length_mm"),
        f_number=nominal,
        exact_f_number=exact if exact > 0.0 else nominal,
        focus_group=row["focus_group"],
        iso=number_in(row["iso"], "iso"),
        magnification=number_in(row["magnification"], "magnification"),
        zones=zones,
        edges=edges.get(row["file"], np.empty((0, len(EDGE_COLUMNS)), dtype=np.float32)),
    )


def _edges_by_file(path: Path) -> dict[str, EdgeFigures]:
    """Read edges.csv: the path of a photograph -> its edges' figures."""
    found: dict[str, list[list[float]]] = defaultdict(list)
    try:
        text = read_text(path, most_bytes=_MOST_BYTES)
        for _, row in table_in(text, columns=("file", *EDGE_COLUMNS)):
            found[row["file"]].append([number_in(row[name]) for name in EDGE_COLUMNS])
    except TextFileError as error:
        raise unreadable(path, error) from error
    return {file: np.array(rows, dtype=np.float32) for file, rows in found.items()}
