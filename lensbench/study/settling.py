"""Focus brackets in the table of a sweep: the frames of one bracket become one row, with the fitted peak's figures.

What reads a sweep back (comparison, library) then counts a bracket as one refocused shot, as the sweep itself did.
"""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from lensbench.records import ZONES
from lensbench.study.through_focus import fit_through_focus, focus_q

__all__ = ["bracketed", "settled"]

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
    return any(math.isfinite(_number(row.get("focus_step", ""))) and row.get("focus_group") for row in rows)


def _brackets(rows: Sequence[Row]) -> list[list[Row]]:
    groups: dict[tuple[str, ...], list[Row]] = {}
    for row in rows:
        if row["focus_group"] and math.isfinite(_number(row["focus_step"])):
            key = tuple(row[name] for name in ("focus_group", "condition", "focal_length_mm", "f_number"))
            groups.setdefault(key, []).append(row)
    return [group for group in groups.values() if len({_number(row["focus_step"]) for row in group}) > 1]


def _peak_row(group: Sequence[Row]) -> Row:
    peaks = {zone: _peak_log(group, zone) for zone in ZONES}
    first = next((zone for zone in ("frame", *ZONES) if math.isfinite(peaks[zone])), "frame")
    sharpest = max(group, key=lambda row: np.nan_to_num(_number(row[f"{first}_mtf50_cypx"])))
    figures = {
        f"{zone}_mtf50_cypx": f"{math.exp(peak):.7g}" for zone, peak in peaks.items() if math.isfinite(peak)
    }
    return {**sharpest, **figures}


def _peak_log(group: Sequence[Row], zone: str) -> float:
    figures = np.array([_number(row[f"{zone}_mtf50_cypx"]) for row in group])
    logs = np.log(np.where(figures > 0.0, figures, np.nan))
    if not np.isfinite(logs).any():
        return math.nan
    steps = np.array([_number(row["focus_step"]) for row in group])
    middle = group[len(group) // 2]
    q = focus_q(
        _number(middle["exact_f_number"]),
        magnification=_number(middle["magnification"]),
        pixel_pitch_um=_number(middle["pixel_pitch_um"]) if _number(middle["pixel_pitch_um"]) > 0.0 else None,
    )
    found = fit_through_focus(steps, logs, q=q)
    return float(np.nanmax(logs)) if found.verdict == "few" else found.log_mtf50


def _number(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return math.nan
