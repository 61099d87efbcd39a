"""Shake: blur in one direction of the picture that all edges share, whatever their place.

Movement by a length L along a direction adds L^2/12 cos^2 of the angle between it and an edge's normal to the
squared blur of every edge. A lens's own astigmatism turns with the radius and vanishes in the centre, so both can
be told apart where edges of all directions are spread over the field.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, degrees, hypot, radians, sqrt
from typing import Final

import numpy as np

from lensbench.model.flags import Remark, remark
from lensbench.model.shot import ChartEdge
from lensbench.model.units import FloatArray
from lensbench.optics import gaussian_sigma_px

LARGEST_LOSS_PERCENT: Final = 6.0
"""Difference of MTF50 between edges across and along the movement."""
_SURE: Final = 5.0
"""Standard deviations from none."""
_FEWEST_EDGES: Final = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonBlur:
    """Blur in one direction over the whole field."""

    loss_percent: float
    """Of MTF50: edges across the movement against edges along it."""
    loss_sd_percent: float
    direction_deg: float
    """Of the movement: 0 level, 90 upright, positive counter-clockwise, in [0, 180)."""
    length_px: float
    """Of an even movement that would do this."""


def shake_remarks(edges: Sequence[ChartEdge]) -> list[Remark]:
    """Raise the flag for shake where the common blur is large and beyond doubt."""
    blur = common_blur(edges)
    if blur is None or blur.loss_percent < max(LARGEST_LOSS_PERCENT, _SURE * blur.loss_sd_percent):
        return []
    moved = f"{blur.length_px:.1f} px of {_named(blur.direction_deg)} movement"
    limit = f"limit {LARGEST_LOSS_PERCENT:.0f} %"
    return [remark("shake", f"{blur.loss_percent:.0f} % of MTF50 by {moved}, {limit}")]


def _named(direction_deg: float) -> str:
    if 30.0 < direction_deg < 60.0 or 120.0 < direction_deg < 150.0:
        return "slanting"
    return "upright" if 60.0 <= direction_deg <= 120.0 else "level"


def common_blur(edges: Sequence[ChartEdge]) -> CommonBlur | None:
    """Find the blur that edges share by their direction in the picture; None with fewer than 30 edges.

    Least squares on squared blur: even powers of the image height, a slope across the field, the same turned with
    the radius (astigmatism, from zero in the centre), and the common direction.
    """
    measured = [edge for edge in edges if edge.edge.measured and edge.edge.mtf50_cypx > 0.0]
    if len(measured) < _FEWEST_EDGES:
        return None
    squared = np.array([gaussian_sigma_px(edge.edge.mtf50_cypx) ** 2 for edge in measured])
    design = _design(measured)
    kept = np.ones(len(squared), np.bool_)
    for _ in range(2):  # once more without the edges that stray
        fit = np.linalg.lstsq(design[kept], squared[kept], rcond=None)[0]
        stray = np.abs(squared - design @ fit)
        kept = stray <= 4.0 * 1.4826 * float(np.median(stray[kept])) + 1e-12
    degrees_left = int(kept.sum()) - design.shape[1]
    if degrees_left < 1:
        return None
    variance = float((stray[kept] ** 2).sum()) / degrees_left
    covariance = variance * np.linalg.pinv(design[kept].T @ design[kept])
    amplitude = hypot(float(fit[-2]), float(fit[-1]))
    middle = float(np.median(squared))
    turn_deg = degrees(0.5 * atan2(float(fit[-1]), float(fit[-2])))
    return CommonBlur(
        loss_percent=100.0 * amplitude / middle,
        loss_sd_percent=100.0 * sqrt(float(covariance[-1, -1] + covariance[-2, -2]) / 2.0) / middle,
        direction_deg=turn_deg % 180.0,
        length_px=sqrt(24.0 * amplitude),
    )


def _design(edges: list[ChartEdge]) -> FloatArray:
    height = np.array([edge.image_height for edge in edges])
    azimuth = np.array([radians(edge.azimuth_deg) for edge in edges])
    # The normal of an edge at angle a points a below the level, so -a counter-clockwise.
    normal = np.array([radians(-edge.edge.angle_deg) for edge in edges])
    turned = np.cos(2.0 * (normal - azimuth))
    return np.column_stack(
        (
            np.ones_like(height),
            height**2,
            height**4,
            height * np.cos(azimuth),
            height * np.sin(azimuth),
            height**2 * turned,
            height**4 * turned,
            np.cos(2.0 * normal),
            np.sin(2.0 * normal),
        )
    )
