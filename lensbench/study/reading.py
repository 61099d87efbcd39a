"""Reading the folder of a sweep back: what a comparison needs of it."""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from lensbench.errors import SettingError, SweepError, TableError, TextFileError
from lensbench.records import ZONES
from lensbench.study.findings import SHOTS_COLUMNS, Setting
from lensbench.study.reading_purposes import PurposeRead, purposes_of
from lensbench.study.settling import settled
from lensbench.textfiles import number_in, read_json, read_text, table_in
from lensbench.units import FloatArray

__all__ = ["BestRead", "SweepLens", "read_sweep", "unreadable"]

_MOST_BYTES: Final = 200_000_000
_NEEDED: Final = (
    *("file", "lens", "camera", "f_number", "focal_length_mm", "used"),
    *(f"{zone}_mtf50_cypx" for zone in ZONES),
)
"""Columns without which nothing can be read; a sweep of an older version may lack others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BestRead:
    """The best setting for the whole frame, as the findings have it."""

    setting: Setting
    mtf50_cypx: float
    ci95_cypx: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepLens:
    """One lens of a sweep folder."""

    folder: Path
    lens: str
    camera: str
    shots: dict[tuple[str, Setting], FloatArray]
    """Zone and setting -> log MTF50 of each refocused shot that counts. [log cycles/pixel]"""
    photographs: int
    """Those that count."""
    best: BestRead | None
    pixel_pitch_um: float | None
    picture_height_px: int | None
    """Rows of the photographs, the lesser of rows and columns. [px]"""
    sensor_data: bool
    magnification: dict[float, float]
    """Focal length -> median magnification, where it is known."""
    rows: tuple[Mapping[str, str], ...] = ()
    """The rows of shots.csv of the photographs that count, one cell for each of `SHOTS_COLUMNS`; of a focus bracket
    one row, with the fitted peak's figures."""
    purposes: tuple[PurposeRead, ...] = ()
    """What serves which picture, by focal length; empty in sweeps of older versions."""


def read_sweep(folder: Path) -> list[SweepLens]:
    """Read the lenses of a sweep's output folder.

    Raises
    ------
    SweepError
        The folder is not one that a sweep wrote, or its files are damaged.
    """
    findings = _findings(folder / "findings.json")
    rows = _rows(folder / "shots.csv")
    by_lens: dict[tuple[str, str], list[Mapping[str, str]]] = defaultdict(list)
    for row in rows:
        if row["used"] == "yes":
            by_lens[_name(row["lens"]), _name(row["camera"])].append(row)
    found = {(str(one.get("lens")), str(one.get("camera"))): one for one in findings}
    if not by_lens:
        raise SweepError(f"{folder}: its sweep holds no shot that counts")
    return [_lens(folder, name, group, found.get(name, {})) for name, group in by_lens.items()]


def _findings(path: Path) -> list[dict[str, Any]]:
    try:
        lenses = read_json(path, most_bytes=_MOST_BYTES)["lenses"]
    except TextFileError as error:
        raise unreadable(path, error) from error
    except (KeyError, TypeError) as error:
        raise SweepError(f"{path}: not the findings of a sweep; run the sweep again") from error
    if not isinstance(lenses, list) or not all(isinstance(one, dict) for one in lenses):
        raise SweepError(f"{path}: not the findings of a sweep; run the sweep again")
    return lenses


def _rows(path: Path) -> list[dict[str, str]]:
    try:
        table = table_in(read_text(path, most_bytes=_MOST_BYTES), columns=_NEEDED)
        return [{name: row.get(name, "") for name in SHOTS_COLUMNS} for _, row in table]
    except TextFileError as error:
        raise unreadable(path, error) from error


def unreadable(path: Path, error: TextFileError) -> SweepError | SettingError:
    """Give the error for a file that is not as a sweep leaves it; a table that was edited is the user's to mend."""
    if isinstance(error, TableError):
        return SettingError(f"{path}: {error}")
    return SweepError(f"{path}: {error}; give a folder that `lensbench sweep` wrote, or run the sweep again")


def _lens(
    folder: Path, name: tuple[str, str], rows: Sequence[Mapping[str, str]], found: dict[str, Any]
) -> SweepLens:
    pitches = [pitch for row in rows if (pitch := number_in(row["pixel_pitch_um"], "pixel_pitch_um")) > 0.0]
    sides = [[number_in(row[name], name) for name in ("rows_px", "cols_px")] for row in rows]
    heights = [min(size) for size in sides if all(side > 0.0 for side in size)]
    photographs, rows = len(rows), settled(rows)
    return SweepLens(
        folder=folder,
        lens=name[0],
        camera=name[1],
        shots=_shots(rows),
        photographs=photographs,
        best=_best(found.get("best")),
        purposes=purposes_of(found),
        pixel_pitch_um=float(np.median(pitches)) if pitches else None,
        picture_height_px=int(np.median(heights)) if heights else None,
        sensor_data=all(row["sensor_data"] in {"yes", "True", "true", "1"} for row in rows),
        magnification=_magnification(rows),
        rows=tuple(rows),
    )


def _shots(rows: Sequence[Mapping[str, str]]) -> dict[tuple[str, Setting], FloatArray]:
    """Gather the refocused shots; those of one focus group at one setting count as one, by their mean."""
    found: dict[tuple[str, Setting], dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    names: dict[float, float] = {}
    for number, row in enumerate(rows):
        focal = number_in(row["focal_length_mm"], "focal_length_mm")
        setting = Setting(
            focal_length_mm=names.setdefault(focal, focal) if math.isfinite(focal) else math.nan,
            f_number=number_in(row["f_number"], "f_number"),
        )
        for zone in ZONES:
            if (figure := number_in(row[f"{zone}_mtf50_cypx"], "mtf50_cypx")) > 0.0:
                group = row["focus_group"] or f" {number}"
                found[zone, setting][group].append(math.log(figure))
    return {key: np.array([np.mean(values) for values in groups.values()]) for key, groups in found.items()}


def _magnification(rows: Sequence[Mapping[str, str]]) -> dict[float, float]:
    sizes: dict[float, list[float]] = defaultdict(list)
    for row in rows:
        if (size := number_in(row["magnification"], "magnification")) > 0.0:
            sizes[number_in(row["focal_length_mm"], "focal_length_mm")].append(size)
    return {focal: float(np.median(values)) for focal, values in sizes.items()}


def _best(best: object) -> BestRead | None:
    if not isinstance(best, dict):
        return None
    ends = best.get("ci95_cypx")
    low, high = ends if isinstance(ends, list) and len(ends) == 2 else (None, None)
    figure = number_in(best.get("mtf50_cypx"), "mtf50_cypx")
    if not figure > 0.0:
        return None
    focal = number_in(best.get("focal_length_mm"), "focal_length_mm")
    return BestRead(
        setting=Setting(focal_length_mm=focal, f_number=number_in(best.get("f_number"), "f_number")),
        mtf50_cypx=figure,
        ci95_cypx=(number_in(low, "mtf50_cypx"), number_in(high, "mtf50_cypx")),
    )


def _name(cell: str) -> str:
    """Undo the quote that keeps a spreadsheet from taking a name for a formula."""
    return cell[1:] if cell[:1] == "'" and cell[1:2] in tuple("=+-@") else cell
