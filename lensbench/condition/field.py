"""How sharpness lies over the picture in one shot.

Even with the image height, uneven from side to side, and split between sagittal and tangential edges.

One least-squares fit on log MTF50: even powers of the image height, a slope to the right and one down, half the split
with the square of the height, and the common direction that shake would give, lest it be taken for the split.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, radians, sin
from typing import Final

import numpy as np

from lensbench.model.shot import ChartEdge, Direction, ShotResult
from lensbench.model.units import FloatArray
from lensbench.shot import is_usable

__all__ = ["SPLIT_HEIGHT", "FieldShape", "field_shape", "side_of", "sides_reach"]


SPLIT_HEIGHT: Final = 0.8
"""Image height at which the split is stated."""
_SIDE_HEIGHT: Final = 0.7
_FEWEST_EDGES: Final = 16
_MANY_HEIGHTS: Final = 10
_STRAYS: Final = 4.0
_SIDES: Final = ("right", "upper right", "top", "upper left", "left", "lower left", "bottom", "lower right")


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
    """Give the image heights of the right side and of the bottom at which sides are compared, shape (2,)."""
    rows, cols = size_px
    half_diagonal = hypot(rows, cols)
    return np.minimum(np.array([cols, rows]) / half_diagonal, _SIDE_HEIGHT)


def side_of(azimuth_deg: float) -> str:
    """Name the side at an azimuth.

    >>> side_of(-40.0)
    'lower right'
    """
    return _SIDES[round((azimuth_deg % 360.0) / 45.0) % 8]


def softer_azimuth_deg(asymmetry: FloatArray, size_px: tuple[int, int]) -> float:
    """Give the azimuth of the side that is softest, counter-clockwise from the right, in (-180, 180]."""
    right, down = asymmetry / sides_reach(size_px)
    return degrees(atan2(float(down), -float(right)))


def field_shape(result: ShotResult) -> FieldShape | None:
    """Fit the field of one photograph; None where too few edges, or too few places, were measured."""
    edges = [edge for edge in result.edges if is_usable(edge) and edge.direction is not Direction.OBLIQUE]
    values = np.array([edge.edge.mtf50_cypx for edge in edges])
    good = values > 0.0
    edges = [edge for edge, well in zip(edges, good, strict=True) if well]
    return fit_field(edges, np.log(values[good]), size_px=result.size_px)


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
    for _ in range(2):  # once more without the edges that stray
        fit = np.linalg.lstsq(design[keep], log_values[keep], rcond=None)[0]
        off = np.abs(log_values - design @ fit)
        keep = off <= _STRAYS * 1.4826 * float(np.median(off[keep])) + 1e-9
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
        split=SPLIT_HEIGHT**2 * float(fit[2]),
        split_sd=SPLIT_HEIGHT**2 * float(np.sqrt(covariance[2, 2])),
        freedom=float(freedom),
    )


def _design(edges: Sequence[ChartEdge]) -> FloatArray:
    """Give the columns: right, down, split, then what is not asked for: level, heights, the direction of shake."""
    height = np.array([edge.image_height for edge in edges])
    azimuth = [radians(edge.azimuth_deg) for edge in edges]
    side = np.array([0.5 if edge.direction is Direction.SAGITTAL else -0.5 for edge in edges])
    # The normal of an edge at angle a points a below the level, so -a counter-clockwise.
    twice = np.array([-2.0 * radians(edge.edge.angle_deg) for edge in edges])
    columns = [
        height * [cos(one) for one in azimuth],
        height * [-sin(one) for one in azimuth],
        height**2 * side,
        np.ones_like(height),
        height**2,
        np.cos(twice),
        np.sin(twice),
    ]
    if len({edge.target for edge in edges}) > _MANY_HEIGHTS:
        columns.append(height**4)
    return np.column_stack(columns)
