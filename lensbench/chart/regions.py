"""The regions of a target: for every arm the largest box of whole pixels that holds this one edge only.

Near a crossing the picture is an affine image of the printed target, so a box suits an arm when its four
corners lie in the half disc on the arm's side of the other line, by margins that grow with the blur.
"""

from dataclasses import dataclass
from math import ceil, floor, pi
from typing import Final

import numpy as np

from lensbench.chart.layout import ARMS
from lensbench.records import Box
from lensbench.units import FloatArray

__all__ = ["ArmRegion", "arm_regions", "edge_angle_deg"]

_BLUR_MARGIN: Final = 3.5
"""Sigmas of blur between a box and crossing or rim."""
_PLAIN_MARGIN_PX: Final = 2.0
_LARGEST_MARGIN: Final = 0.35
"""Of the target's radius."""
_SHORTEST_EDGE_PX: Final = 16.0
_NARROWEST_PX: Final = 12

_PLACES: Final = np.linspace(0.3, 0.75, 10)
_SHAPES_RAD: Final = np.linspace(0.12, pi / 2.0 - 0.12, 11)


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmRegion:
    """One edge of a target, ready to be measured."""

    arm: int
    """1 to 4, counter-clockwise on the chart as printed."""
    box: Box
    angle_deg: float
    """Expected: from the columns' direction, in [-90, 90), positive when the upper end leans to the right."""
    center_px: tuple[float, float]
    """The middle of the edge's piece inside the box."""


def edge_angle_deg(direction: FloatArray) -> float:
    """Give the angle of a line along (down, right) from vertical, in [-90, 90).

    >>> round(edge_angle_deg(np.array([-1.0, 0.1])), 1)
    5.7
    """
    angle = float(np.degrees(np.arctan2(direction[1], -direction[0])))
    return (angle + 90.0) % 180.0 - 90.0


def arm_regions(
    crossing_px: FloatArray,
    *,
    arms_px: FloatArray,
    blur_px: float,
    size_px: tuple[int, int],
) -> tuple[ArmRegion, ...]:
    """Give the regions of one target; an arm with too little of it in the picture is left out.

    Among the boxes that suit an arm, the one of largest area times length of edge is taken: length tells more
    about an edge than width does.

    Parameters
    ----------
    crossing_px : float array, shape (2,)
        Where the arms meet.
    arms_px : float array, shape (4, 2)
        From there to the ends of arms 1 to 4 on the rim, in the picture.
    blur_px : float
        Sigma of the picture's blur at the target.
    size_px : (rows, columns)
        Of the picture.
    """
    regions = (_arm_region(arm, crossing_px, arms_px, blur_px, size_px) for arm in ARMS)
    return tuple(region for region in regions if region is not None)


def _arm_region(
    arm: int, crossing_px: FloatArray, arms_px: FloatArray, blur_px: float, size_px: tuple[int, int]
) -> ArmRegion | None:
    along, across = arms_px[arm - 1], arms_px[arm % 4]
    # Rows of `inverse` give a point's place along this arm and across it, the rim standing at 1.
    inverse = np.linalg.inv(np.column_stack((along, across)))
    margin = _PLAIN_MARGIN_PX + _BLUR_MARGIN * blur_px
    from_line = min(margin * float(np.hypot(*inverse[0])), _LARGEST_MARGIN)
    inside_rim = 1.0 - min(margin * float(np.linalg.norm(inverse, 2)), _LARGEST_MARGIN)
    place, half = _best_box(crossing_px, along, inverse, (from_line, inside_rim), size_px)
    center = crossing_px + place * along
    box = _whole_pixels(center, half)
    length_px = _edge_length_px(half, along)
    if box is None or min(box.height, box.width) < _NARROWEST_PX or length_px < _SHORTEST_EDGE_PX:
        return None
    return ArmRegion(
        arm=arm, box=box, angle_deg=edge_angle_deg(along), center_px=(float(center[0]), float(center[1]))
    )


def _best_box(
    crossing_px: FloatArray,
    along: FloatArray,
    inverse: FloatArray,
    limits: tuple[float, float],
    size_px: tuple[int, int],
) -> tuple[float, FloatArray]:
    """Give the best box as the place of its middle along the arm, and its half height and half width."""
    places, shapes = np.meshgrid(_PLACES, _SHAPES_RAD, indexing="ij")
    unit = np.stack((np.sin(shapes), np.cos(shapes)), axis=-1)
    room = _room(places, unit, inverse, limits)
    center = crossing_px + places[..., None] * along
    to_border = np.minimum(center, np.asarray(size_px) - 1.0 - center) / unit
    size = np.clip(np.minimum(room, to_border.min(axis=-1)), 0.0, None)
    half = size[..., None] * unit
    worth = half.prod(axis=-1) * _edge_length_px(half, along)
    best = np.unravel_index(int(np.argmax(worth)), worth.shape)
    return float(places[best]), half[best]


def _room(
    places: FloatArray, unit: FloatArray, inverse: FloatArray, limits: tuple[float, float]
) -> FloatArray:
    """Give how far a box of each shape may grow round each place till a corner meets line or rim, in px."""
    from_line, inside_rim = limits
    room = np.full(places.shape, np.inf)
    for signs in ((1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)):
        step = (unit * np.asarray(signs)) @ inverse.T
        towards_line = np.maximum(-step[..., 0], 1e-12)
        room = np.minimum(room, (places - from_line) / towards_line)
        # |place e1 + s step| = inside_rim, solved for s > 0.
        square = (step**2).sum(axis=-1)
        half_linear = places * step[..., 0]
        beyond = np.clip(half_linear**2 - square * (places**2 - inside_rim**2), 0.0, None)
        room = np.minimum(room, (np.sqrt(beyond) - half_linear) / square)
    return room


def _edge_length_px(half: FloatArray, along: FloatArray) -> FloatArray:
    """Give the length of the edge through the middle of a box."""
    direction = np.abs(along) / np.hypot(*along)
    length: FloatArray = 2.0 * (half / np.maximum(direction, 1e-9)).min(axis=-1)
    return length


def _whole_pixels(center: FloatArray, half: FloatArray) -> Box | None:
    """Give the pixels whose centres lie inside the box."""
    top, left = (ceil(float(middle - reach)) for middle, reach in zip(center, half, strict=True))
    bottom, right = (floor(float(middle + reach)) for middle, reach in zip(center, half, strict=True))
    if bottom < top or right < left:
        return None
    return Box(top=top, left=left, height=bottom - top + 1, width=right - left + 1)
