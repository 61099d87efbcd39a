"""A first idea of the edge line, without any fit."""

from typing import Final, NamedTuple

import numpy as np

from lensbench.edge.points import Points
from lensbench.errors import EdgeError
from lensbench.units import FloatArray

__all__ = ["Start", "first_line"]

_FEWEST_POINTS: Final = 24
_ENOUGH_POINTS: Final = 1200
_SMOOTH_SIGMA_PX: Final = 2.0


class Start(NamedTuple):
    """Angle over the full circle, so that d grows towards the bright side; offset, bend, width and the two levels."""

    angle_rad: float
    offset_px: float
    bend_per_px: float
    sigma_px: float
    dark: float
    bright: float


def first_line(points: Points) -> Start:
    """Find the line from the samples half-way between two levels: their principal axis is its direction.

    Raises
    ------
    EdgeError
        Too few samples, or no two levels.
    """
    if points.value.size < _FEWEST_POINTS:
        raise EdgeError(f"only {points.value.size} samples in this region; {_FEWEST_POINTS} are needed")
    stride = max(points.value.size // _ENOUGH_POINTS, 1)
    row, col, value = points.row_px[::stride], points.col_px[::stride], points.value[::stride]
    dark, bright = _two_levels(value)
    step = bright - dark
    if not step > 1e-9:
        raise EdgeError("both sides of the region are equally bright; choose a region across an edge")
    weight = 1.0 - np.square((value - 0.5 * (dark + bright)) * (2.5 / step))
    between = np.flatnonzero(weight > 0)
    if between.size < 8:
        return _divided(row, col, value, dark, bright)
    weight, row_between, col_between = weight[between], row[between], col[between]
    total = float(weight.sum())
    middle_row, middle_col = float(weight @ row_between) / total, float(weight @ col_between) / total
    d_row, d_col = row_between - middle_row, col_between - middle_col
    weighted_row = weight * d_row
    rr, cc, rc = float(weighted_row @ d_row), float(weight @ (d_col * d_col)), float(weighted_row @ d_col)
    angle = -0.5 * np.arctan2(2.0 * rc, rr - cc)
    across_variance = 0.5 * (rr + cc - np.hypot(rr - cc, 2.0 * rc)) / total
    if between.size > 0.6 * value.size:
        return _divided(row, col, value, dark, bright)
    offset = middle_col * np.cos(angle) + middle_row * np.sin(angle)
    side = np.sign(col * np.cos(angle) + row * np.sin(angle) - offset)
    if float(side @ (value - 0.5 * (dark + bright))) < 0:
        angle, offset = angle + np.pi, -offset
    sigma = max(float(np.sqrt(max(across_variance, 0.0))) * 1.6, 0.5)
    return Start(float(angle), float(offset), 0.0, sigma, dark, bright)


def _two_levels(value: FloatArray) -> tuple[float, float]:
    """Give the means of the samples near the dark and near the bright end."""
    tail = max(value.size // 12, 1)
    ordered = np.partition(value, (tail, value.size - 1 - tail))
    low, high = float(ordered[tail]), float(ordered[value.size - 1 - tail])
    quarter = 0.25 * (high - low)
    dark, bright = value[value <= low + quarter], value[value >= high - quarter]
    return float(np.sum(dark) / max(dark.size, 1)), float(np.sum(bright) / max(bright.size, 1))


def _divided(row: FloatArray, col: FloatArray, value: FloatArray, dark: float, bright: float) -> Start:
    """Give the line that divides dark from bright samples best in a linear sense: where few samples lie between."""
    side = np.where(value > 0.5 * (dark + bright), 1.0, -1.0)
    design = np.stack([np.ones_like(side), col, row])
    level, along_col, along_row = np.linalg.lstsq(design.T, side, rcond=None)[0]
    length = float(np.hypot(along_col, along_row))
    if not length > 1e-9:
        raise EdgeError("no line between a dark and a bright side was found in this region")
    angle = float(np.arctan2(along_row, along_col))
    return Start(angle, -float(level) / length, 0.0, _SMOOTH_SIGMA_PX, dark, bright)
