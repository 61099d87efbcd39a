"""A first idea of the edge line, without any fit."""

from typing import Final, NamedTuple

import numpy as np

from lensbench.edge.points import Points
from lensbench.errors import EdgeError
from lensbench.units import FloatArray

__all__ = ["Start", "first_line"]

_FEWEST_POINTS: Final = 24
_ENOUGH_POINTS: Final = 1200
_ENOUGH_FOR_BAND: Final = 3000
_SMOOTH_SIGMA_PX: Final = 2.0
_BAND: Final = 0.3
"""Samples this near to the half-way level, as a part of the step, lie on the edge."""
_FEWEST_BETWEEN: Final = 8
_ENOUGH_BETWEEN: Final = 40
_NOISY: Final = 0.05
_TRUSTED_PX: Final = 6.0
"""How far the line that divides dark from bright may be off."""
_FAR_MEDIANS: Final = 3.0
_SIGMA_OF_SPREAD: Final = 2.2
"""The samples of the band reach 0.84 sigma to each side of a Gaussian edge, and spread 0.4 sigma (derived)."""


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
    dark, bright = _two_levels(points.value[::stride])
    step = bright - dark
    if not step > 1e-9 * max(abs(dark), abs(bright), 1e-300):
        raise EdgeError("both sides of the region are equally bright; choose a region across an edge")
    middle = 0.5 * (dark + bright)
    thin = slice(None, None, stride)
    pace = max(points.value.size // _ENOUGH_FOR_BAND, 1)
    between = pace * np.flatnonzero(np.abs(points.value[::pace] - middle) < _BAND * step)
    divided = None
    if (
        _noisy(points.value[thin], dark, bright)
        or not _FEWEST_BETWEEN <= between.size < 0.6 * points.value.size / pace
    ):
        divided = _divided(points.row_px[thin], points.col_px[thin], points.value[thin], dark, bright)
        off_line = points.row_px[between] * np.sin(divided.angle_rad) + points.col_px[between] * np.cos(
            divided.angle_rad
        )
        between = between[np.abs(off_line - divided.offset_px) < _TRUSTED_PX]
    if divided is not None and between.size < _ENOUGH_BETWEEN:
        return divided
    row, col = points.row_px[between], points.col_px[between]
    weight = 1.0 - np.square((points.value[between] - middle) / (_BAND * step))
    angle, offset, spread = _principal_axis(row, col, weight)
    # Noise puts a few samples of the plateaus between the levels: those far from the line are left out.
    apart = np.abs(row * np.sin(angle) + col * np.cos(angle) - offset)
    near = apart < _FAR_MEDIANS * float(np.median(apart)) + 0.75
    if np.count_nonzero(near) >= _FEWEST_BETWEEN:
        angle, offset, spread = _principal_axis(row[near], col[near], weight[near])
    side = points.row_px[::stride] * np.sin(angle) + points.col_px[::stride] * np.cos(angle) > offset
    values = points.value[::stride]
    rising = float(values[side].sum() - middle * np.count_nonzero(side)) - float(
        values[~side].sum() - middle * np.count_nonzero(~side)
    )
    if rising < 0:
        angle, offset = angle + np.pi, -offset
    return Start(angle, offset, 0.0, max(_SIGMA_OF_SPREAD * spread, 0.5), dark, bright)


def _noisy(value: FloatArray, dark: float, bright: float) -> bool:
    """Tell whether plateau samples may pass for samples between the levels: noise above a twentieth of the step."""
    step = bright - dark
    scatter = np.concatenate(
        [value[value < dark + 0.25 * step] - dark, value[value > bright - 0.25 * step] - bright]
    )
    return bool(scatter.size and np.abs(scatter).mean() > 0.8 * _NOISY * step)


def _principal_axis(row: FloatArray, col: FloatArray, weight: FloatArray) -> tuple[float, float, float]:
    """Give angle and offset of the line along which weighted samples lie, and their rms distance from it."""
    total = float(weight.sum())
    middle_row, middle_col = float(weight @ row) / total, float(weight @ col) / total
    d_row, d_col = row - middle_row, col - middle_col
    weighted_row = weight * d_row
    rr, cc, rc = float(weighted_row @ d_row), float(weight @ (d_col * d_col)), float(weighted_row @ d_col)
    angle = float(-0.5 * np.arctan2(2.0 * rc, rr - cc))
    variance = 0.5 * (rr + cc - float(np.hypot(rr - cc, 2.0 * rc))) / total
    offset = middle_col * float(np.cos(angle)) + middle_row * float(np.sin(angle))
    return angle, offset, float(np.sqrt(max(variance, 0.0)))


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
