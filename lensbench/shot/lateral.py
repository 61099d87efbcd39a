"""Lateral colour: how far red and blue edges lie from the green one, along the radius."""

from dataclasses import dataclass
from math import cos, hypot, nan, radians, sin
from typing import Final, Self

import numpy as np

from lensbench.records import Box, Edge, Samples
from lensbench.units import FloatArray

__all__ = ["EdgeShapes", "edge_shift_px", "middle_of", "radial_shifts_px"]

_ROUNDS: Final = 3
_SETTLED_PX: Final = 0.03
"""A step this small leaves a thousandth: the second derivative takes up its square."""
_FEWEST_SAMPLES: Final = 40
_SIDE_PX: Final = 72
_FARTHEST_PX: Final = 8.0
_REACH_PX: Final = 6.0
_REACH_RISES: Final = 3.0


def middle_of(box: Box) -> Box:
    """Give the middle of a region: enough for a hundredth of a pixel, and quick."""
    height, width = min(box.height, _SIDE_PX), min(box.width, _SIDE_PX)
    return Box(
        top=box.top + (box.height - height) // 2,
        left=box.left + (box.width - width) // 2,
        height=height,
        width=width,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeShapes:
    """A measured edge's ESF with its first two derivatives, as an evenly spaced table towards the bright side."""

    first_px: float
    step_px: float
    table: FloatArray
    """Shape (3, n)."""
    reach_px: float
    """How far from the edge samples are looked at."""

    @classmethod
    def of(cls, edge: Edge) -> Self | None:
        """Take the shapes from an edge; None where it has no ESF."""
        if edge.esf.size < 3:
            return None
        position = edge.esf_position_px
        even = np.linspace(position[0], position[-1], position.size)
        esf = np.interp(even, position, edge.esf)
        step_px = float(even[1] - even[0])
        slope = np.gradient(esf, step_px)
        rise_px = max(0.0, edge.rise_10_90_px)  # 0 where it is NaN
        return cls(
            first_px=float(even[0]),
            step_px=step_px,
            table=np.stack((esf, slope, np.gradient(slope, step_px))),
            reach_px=_REACH_PX + _REACH_RISES * rise_px,
        )

    def at(self, distance_px: FloatArray) -> FloatArray:
        """Look the three shapes up, shape (3, samples); beyond the table its ends go on."""
        last = self.table.shape[1] - 1
        place = np.clip((distance_px - self.first_px) / self.step_px, 0.0, last - 1e-9)
        index = place.astype(np.intp)
        part = place - index
        found: FloatArray = self.table[:, index] * (1.0 - part) + self.table[:, index + 1] * part
        return found


def radial_shifts_px(
    colours: tuple[Samples, ...], edge: Edge, *, radius: tuple[float, float]
) -> tuple[float, ...]:
    """Give the shift of other colours' edges against a measured one, along the radius, positive outwards.

    Only the shift across the edge can be seen; what a purely radial one would have to be follows from the angle
    between the edge's normal and the radius, so the edge should stand square to the radius.

    Parameters
    ----------
    colours : Samples
        The other colours in the same region.
    edge : Edge
        The measured one, with its ESF and the point it passes through.
    radius : (down, right)
        From the picture's centre to the edge; any length but 0.
    """
    shapes = EdgeShapes.of(edge)
    angle = radians(edge.angle_deg)
    outward = (sin(angle) * radius[0] + cos(angle) * radius[1]) / hypot(*radius)
    return tuple(
        nan if shapes is None else edge_shift_px(samples, edge, shapes) / outward for samples in colours
    )


def edge_shift_px(samples: Samples, edge: Edge, shapes: EdgeShapes) -> float:
    """Give the shift along the edge's normal (cos angle to the right, sin angle down); NaN where it is not clear.

    The samples are fitted by the measured edge's ESF with its first two derivatives, whose coefficients are
    shift and difference in blur, by least squares.
    """
    angle = radians(edge.angle_deg)
    height, width = samples.values.shape
    right = np.arange(width) + (samples.box.left - edge.point_px[1])
    down = np.arange(height) + (samples.box.top - edge.point_px[0])
    distance = np.add.outer(down * sin(angle), right * cos(angle))
    near = samples.present & (np.abs(distance) < shapes.reach_px)
    distance, values = distance[near], samples.values[near]
    before = distance < 0.0
    count = int(np.count_nonzero(before))
    if min(count, values.size - count) < _FEWEST_SAMPLES // 2:
        return nan
    side = 1.0 if values[before].sum() / count < values[~before].sum() / (values.size - count) else -1.0
    return side * _towards_bright(np.multiply(distance, side), values, shapes)


def _towards_bright(distance: FloatArray, values: FloatArray, shapes: EdgeShapes) -> float:
    shift = 0.0
    design = np.ones((4, distance.size))
    for _ in range(_ROUNDS):
        design[1:] = shapes.at(distance - shift)
        try:
            fit = np.linalg.solve(design @ design.T, design @ values)
        except np.linalg.LinAlgError:
            return nan
        if not fit[1] > 0.0:
            return nan
        step = -float(fit[2] / fit[1])
        shift += step
        if abs(step) < _SETTLED_PX:
            break
    return shift if abs(shift) < _FARTHEST_PX else nan
