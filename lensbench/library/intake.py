"""Taking up the folder of a sweep: its lenses, each with its photographs and their edges.

What the library keeps of a measured lens, and the checks that anything from outside must pass.
"""

import math
import unicodedata
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.model.errors import LibraryError, TextFileError
from lensbench.model.shot import ZONES
from lensbench.storage.text import number_in, one_line, read_text, table_in
from lensbench.sweep import BestRead, SweepLens, read_sweep, unreadable

__all__ = [
    "EDGE_COLUMNS",
    "BestKept",
    "EdgeFigures",
    "KeptSession",
    "KeptShot",
    "ZoneKept",
    "figure",
    "name_of",
    "same_name",
    "sessions_of_sweep",
]


EdgeFigures = npt.NDArray[np.float32]

EDGE_COLUMNS: Final = (
    *("center_row_px", "center_col_px", "image_height", "azimuth_deg"),
    *("mtf50_cypx", "mtf50_sd_cypx", "mtf30_cypx", "mtf20_cypx", "mtf10_cypx"),
    *("overshoot_percent", "snr"),
)
"""Figures that are kept of every edge, in this order."""

LONGEST_NAME: Final = 160
"""Of a lens, a camera, a session or a file; no honest one is longer. [characters]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneKept:
    """One zone of one photograph, in cycles per pixel."""

    mtf50_cypx: float
    sagittal_cypx: float
    tangential_cypx: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BestKept:
    """What the sweep found to be the best setting for the whole frame."""

    focal_length_mm: float
    f_number: float
    mtf50_cypx: float
    ci95_cypx: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptShot:
    """One photograph that counts; an unknown figure is NaN."""

    file: str
    focal_length_mm: float
    f_number: float
    """Nominal, by which the setting is named."""
    exact_f_number: float
    focus_group: str
    """Shots of one group at one setting were not refocused between; empty: refocused."""
    iso: float
    magnification: float
    zones: dict[str, ZoneKept]
    edges: EdgeFigures
    """Shape (edges, columns), columns as `EDGE_COLUMNS`."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptSession:
    """One lens on one camera, as one sweep measured it."""

    lens: str
    camera: str
    session: str
    """By which sweeps of the same lens are told apart."""
    added_at: str
    """ISO 8601, UTC."""
    pixel_pitch_um: float | None
    size_px: tuple[int, int] | None
    """(lesser side, greater side) of the photographs."""
    sensor_data: bool
    best: BestKept | None
    shots: tuple[KeptShot, ...]

    @property
    def focal_lengths_mm(self) -> tuple[float, ...]:
        """The focal lengths photographed, ascending; unknown ones are left out."""
        known = {shot.focal_length_mm for shot in self.shots if math.isfinite(shot.focal_length_mm)}
        return tuple(sorted(known))

    @property
    def title(self) -> str:
        """The lens, its camera and its session in one line."""
        return f"{self.lens} on {self.camera}, session «{self.session}»"


def name_of(text: object, what: str) -> str:
    """Give a name on one line, without hidden characters and cut to length.

    Raises
    ------
    LibraryError
        It is no text, or nothing is left of it.
    """
    if not isinstance(text, str):
        raise LibraryError(f"the {what} is {text!r}, not a text")
    line = one_line(text)[:LONGEST_NAME]
    if not line:
        raise LibraryError(f"the {what} is empty")
    return line


def same_name(one: str, other: str) -> bool:
    """Tell whether two names are one, whatever their capitals and composed letters."""
    return _folded(one) == _folded(other)


def _folded(name: str) -> str:
    return unicodedata.normalize("NFKC", name).casefold()


def figure(value: object, what: str, name: str = "") -> float:
    """Give a number from outside; NaN for nothing. The quantity's name, where given, says what it can be.

    Raises
    ------
    LibraryError
        It is no number, an infinite one, or beyond belief.
    """
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise LibraryError(f"{what} is {value!r}, not a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if math.isinf(number):
        raise LibraryError(f"{what} is not finite")
    if not math.isnan(number) and math.isnan(number_in(number, name)):
        raise LibraryError(f"{what} is {number:g}, which it cannot be")
    return number


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
    """Height and width of the photographs as they are viewed, their median."""
    sides = [
        (number_in(row["rows_px"], "rows_px"), number_in(row["cols_px"], "cols_px")) for row in lens.rows
    ]
    known = [sum(pair) for pair in sides if pair[0] > 0.0 and pair[1] > 0.0]
    if not known or lens.picture_height_px is None:
        return None
    return lens.picture_height_px, int(np.median(known)) - lens.picture_height_px


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
