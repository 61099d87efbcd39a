"""How sharpness lies over the picture in one shot: by image height, from side to side, sagittal against tangential.

One least-squares fit on log MTF50: even powers of the image height, a slope to the right and one down, half the split
of sagittal and tangential edges with the square of the height, and the common direction that shake would give, lest
it be taken for the split.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, degrees, hypot
from typing import Final

import numpy as np

from lensbench.model.condition import Side
from lensbench.model.shot import ChartEdge, Direction, ShotResult
from lensbench.model.units import FloatArray
from lensbench.shot import is_usable

_SPLIT_HEIGHT: Final = 0.8
_SIDE_HEIGHT: Final = 0.7
_FEWEST_EDGES: Final = 16
_MANY_HEIGHTS: Final = 10
_OUTLIER_SDS: Final = 4.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldShape:
    """The field of one shot, or of the peaks of a focus bracket."""

    asymmetry: FloatArray
    """Log MTF50 of the right side less that of the left, and of the bottom less that of the top, shape (2,): at image
    height 0.7, or where the picture ends before."""
    covariance: FloatArray
    """Of the asymmetry, from the edges' scatter about the fit, shape (2, 2). It is mostly the lens's and the print's
    own unevenness, which repeats don't reduce."""
    split: float
    """Log MTF50 of sagittal less that of tangential edges at image height 0.8."""
    split_sd: float
    freedom: float


def sides_reach(size_px: tuple[int, int]) -> FloatArray:
    """Image heights of the right side and of the bottom at which sides are compared, shape (2,)."""
    rows, cols = size_px
    return np.minimum(np.array([cols, rows]) / hypot(rows, cols), _SIDE_HEIGHT)


def side_of(azimuth_deg: float) -> Side:
    """Name of the side at an azimuth.

    >>> side_of(-40.0).value
    'lower right'
    """
    return list(Side)[round((azimuth_deg % 360.0) / 45.0) % 8]


def softer_azimuth_deg(asymmetry: FloatArray, size_px: tuple[int, int]) -> float:
    """Azimuth of the softest side, counter-clockwise from the right, in (-180, 180]."""
    right, down = asymmetry / sides_reach(size_px)
    return degrees(atan2(float(down), -float(right)))


def field_shape(result: ShotResult) -> FieldShape | None:
    """Fit the field of one photograph; None where too few edges, or too few targets, were measured."""
    edges = [
        edge
        for edge in result.edges
        if is_usable(edge) and edge.direction is not Direction.OBLIQUE and edge.edge.mtf50_cypx > 0.0
    ]
    log_values = np.log([edge.edge.mtf50_cypx for edge in edges])
    return fit_field(edges, log_values, size_px=result.size_px)


def fit_field(
    edges: Sequence[ChartEdge], log_values: FloatArray, *, size_px: tuple[int, int]
) -> FieldShape | None:
    """Fit log values of edges, shape (edges,): of one shot, or their peaks through focus."""
    if len(edges) < _FEWEST_EDGES:
        return None
    design = _design(edges)
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    keep = np.ones(len(edges), np.bool_)
    for _ in range(2):  # once more without the outliers
        fit = np.linalg.lstsq(design[keep], log_values[keep], rcond=None)[0]
        off = np.abs(log_values - design @ fit)
        keep = off <= _OUTLIER_SDS * 1.4826 * float(np.median(off[keep])) + 1e-9
    freedom = int(keep.sum()) - design.shape[1]
    if freedom < 1 or np.linalg.matrix_rank(design[keep]) < design.shape[1]:
        return None
    fit = np.linalg.lstsq(design[keep], log_values[keep], rcond=None)[0]
    variance = float(np.sum((log_values[keep] - design[keep] @ fit) ** 2)) / freedom
    covariance = variance * np.linalg.inv(design[keep].T @ design[keep])
    across = 2.0 * sides_reach(size_px)
    return FieldShape(
        asymmetry=across * fit[:2],
        covariance=across[:, None] * covariance[:2, :2] * across,
        split=_SPLIT_HEIGHT**2 * float(fit[2]),
        split_sd=_SPLIT_HEIGHT**2 * float(np.sqrt(covariance[2, 2])),
        freedom=float(freedom),
    )


def _design(edges: Sequence[ChartEdge]) -> FloatArray:
    """Columns: right, down, split, then what is not asked for: level, heights, the direction of shake."""
    right, down, height2, split = position_columns(edges)
    # The normal of an edge at angle a points a below the level, so -a counter-clockwise.
    twice = np.radians([-2.0 * edge.edge.angle_deg for edge in edges])
    columns = [right, down, split, np.ones_like(right), height2, np.cos(twice), np.sin(twice)]
    if len({edge.target for edge in edges}) > _MANY_HEIGHTS:
        columns.append(height2**2)
    return np.column_stack(columns)


def position_columns(edges: Sequence[ChartEdge]) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Position of edges to the right and down, squared height, half the split with it: each of shape (edges,)."""
    height = np.array([edge.image_height for edge in edges])
    azimuth = np.radians([edge.azimuth_deg for edge in edges])
    half = np.array([0.5 if edge.direction is Direction.SAGITTAL else -0.5 for edge in edges])
    return height * np.cos(azimuth), -height * np.sin(azimuth), height**2, height**2 * half
