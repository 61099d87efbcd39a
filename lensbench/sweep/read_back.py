"""Reading the folder of a sweep back: what a comparison needs of it.

Reading back which stop serves which picture, out of the findings of a sweep.

Focus brackets in the table of a sweep: the frames of one bracket become one row, with the fitted peak's figures.

What reads a sweep back (comparison, library) then counts a bracket as one refocused shot, as the sweep itself did.
"""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from lensbench.focus import fit_through_focus, focus_q
from lensbench.model.errors import SettingError, SweepError, TableError, TextFileError
from lensbench.model.shot import ZONES
from lensbench.model.sweep import SHOTS_COLUMNS, Setting
from lensbench.model.units import FloatArray
from lensbench.storage.text import number_in, read_json, read_text, table_in

__all__ = ["BestRead", "SweepLens", "bracketed", "purposes_of", "read_sweep", "settled", "unreadable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PurposeRead:
    """The best stop of one focal length for one purpose."""

    purpose: str
    focal_length_mm: float
    f_number: float
    tied_f_numbers: tuple[float, ...]
    surely: dict[float, tuple[float, ...]]
    """Percent of the best -> the f-numbers that surely keep it."""
    probably: dict[float, tuple[float, ...]]


def purposes_of(lens: Mapping[str, Any]) -> tuple[PurposeRead, ...]:
    """Read the purposes of one lens of `findings.json`; what is damaged or not there is passed over."""
    return tuple(
        _purpose(purpose, focal, best)
        for focal in _dicts(lens.get("by_focal_length"))
        for purpose, best in (focal.get("best_by_purpose") or {}).items()
        if isinstance(best, dict)
    )


def _purpose(purpose: str, focal: Mapping[str, Any], best: Mapping[str, Any]) -> PurposeRead:
    enough = _dicts(best.get("sharp_enough"))
    return PurposeRead(
        purpose=purpose,
        focal_length_mm=_number(focal.get("focal_length_mm")),
        f_number=_number(best.get("f_number")),
        tied_f_numbers=tuple(_number(one.get("f_number")) for one in _dicts(best.get("tied"))),
        surely={_number(one.get("level_percent")): _numbers(one.get("surely")) for one in enough},
        probably={_number(one.get("level_percent")): _numbers(one.get("probably")) for one in enough},
    )


def _dicts(value: object) -> list[dict[str, Any]]:
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _numbers(value: object) -> tuple[float, ...]:
    return tuple(_number(one) for one in value) if isinstance(value, list) else ()


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan


Row = Mapping[str, str]


def settled(rows: Sequence[Row]) -> list[Row]:
    """Put one row in the place of each focus bracket: that of its sharpest frame, with the peak of every zone.

    Parameters
    ----------
    rows : sequence of rows of shots.csv
        Those that count, of one lens.
    """
    groups = _brackets(rows)
    inside = {id(row) for group in groups for row in group}
    return [row for row in rows if id(row) not in inside] + [_peak_row(group) for group in groups]


def bracketed(rows: Sequence[Row]) -> bool:
    """Tell whether any of the rows stands for a focus bracket, or belongs to one."""
    return any(
        math.isfinite(_cell_number(row.get("focus_step", ""))) and row.get("focus_group") for row in rows
    )


def _brackets(rows: Sequence[Row]) -> list[list[Row]]:
    groups: dict[tuple[str, ...], list[Row]] = {}
    for row in rows:
        if row["focus_group"] and math.isfinite(_cell_number(row["focus_step"])):
            key = tuple(row[name] for name in ("focus_group", "condition", "focal_length_mm", "f_number"))
            groups.setdefault(key, []).append(row)
    return [group for group in groups.values() if len({_cell_number(row["focus_step"]) for row in group}) > 1]


def _peak_row(group: Sequence[Row]) -> Row:
    peaks = {zone: _peak_log(group, zone) for zone in ZONES}
    first = next((zone for zone in ("frame", *ZONES) if math.isfinite(peaks[zone])), "frame")
    sharpest = max(group, key=lambda row: np.nan_to_num(_cell_number(row[f"{first}_mtf50_cypx"])))
    figures = {
        f"{zone}_mtf50_cypx": f"{math.exp(peak):.7g}" for zone, peak in peaks.items() if math.isfinite(peak)
    }
    return {**sharpest, **figures}


def _peak_log(group: Sequence[Row], zone: str) -> float:
    figures = np.array([_cell_number(row[f"{zone}_mtf50_cypx"]) for row in group])
    logs = np.log(np.where(figures > 0.0, figures, np.nan))
    if not np.isfinite(logs).any():
        return math.nan
    steps = np.array([_cell_number(row["focus_step"]) for row in group])
    middle = group[len(group) // 2]
    q = focus_q(
        _cell_number(middle["exact_f_number"]),
        magnification=_cell_number(middle["magnification"]),
        pixel_pitch_um=_cell_number(middle["pixel_pitch_um"])
        if _cell_number(middle["pixel_pitch_um"]) > 0.0
        else None,
    )
    found = fit_through_focus(steps, logs, q=q)
    return float(np.nanmax(logs)) if found.verdict == "few" else found.log_mtf50


def _cell_number(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return math.nan


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
    """Height of the photographs as they are viewed, their median. [px]"""
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
    told = [number_in(row["picture_height_px"] or row["rows_px"], "picture_height_px") for row in rows]
    heights = [height for height in told if height > 0.0]
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
