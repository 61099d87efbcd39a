"""Lateral colour: how far red and blue edges lie from the green one, along the radius."""

from math import cos, hypot, radians, sin
from typing import Final

import numpy as np

from lensbench.records import Edge, Samples
from lensbench.units import FloatArray

__all__ = ["edge_shift_px", "radial_shift_px"]

_ROUNDS: Final = 3
_SETTLED_PX: Final = 0.002
_FEWEST_SAMPLES: Final = 40
_FARTHEST_PX: Final = 8.0


def radial_shift_px(samples: Samples, edge: Edge, *, radius: tuple[float, float]) -> float:
    """Give the shift of another colour's edge against a measured one, along the radius, positive outwards.

    Only the shift across the edge can be seen; what a purely radial one would have to be follows from the angle
    between the edge's normal and the radius, so the edge should stand square to the radius.

    Parameters
    ----------
    samples : Samples
        The other colour in the same region.
    edge : Edge
        The measured one, with its ESF and the point it passes through.
    radius : (down, right)
        From the picture's centre to the edge; any length but 0.
    """
    angle = radians(edge.angle_deg)
    outward = (sin(angle) * radius[0] + cos(angle) * radius[1]) / hypot(*radius)
    return edge_shift_px(samples, edge) / outward


def edge_shift_px(samples: Samples, edge: Edge) -> float:
    """Give the shift along the edge's normal (cos angle to the right, sin angle down); NaN where it is not clear.

    The samples are fitted by the measured edge's ESF with its first two derivatives, whose coefficients are
    shift and difference in blur, by least squares.
    """
    if edge.esf.size < 3 or np.count_nonzero(samples.present) < _FEWEST_SAMPLES:
        return float("nan")
    angle = radians(edge.angle_deg)
    rows, columns = np.nonzero(samples.present)
    right = columns + (samples.box.left - edge.point_px[1])
    down = rows + (samples.box.top - edge.point_px[0])
    distance: FloatArray = np.asarray(right * cos(angle) + down * sin(angle), np.float64)
    values = samples.values[samples.present]
    rising = values[distance > 0.0].sum() * np.count_nonzero(distance <= 0.0) > (
        values[distance <= 0.0].sum() * np.count_nonzero(distance > 0.0)
    )
    side = 1.0 if rising else -1.0
    return side * _towards_bright(np.multiply(distance, side), values, edge)


def _towards_bright(distance: FloatArray, values: FloatArray, edge: Edge) -> float:
    slope = np.gradient(edge.esf, edge.esf_position_px)
    shapes = (edge.esf, slope, np.gradient(slope, edge.esf_position_px))
    shift = 0.0
    for _ in range(_ROUNDS):
        columns = [np.interp(distance - shift, edge.esf_position_px, shape) for shape in shapes]
        design = np.column_stack((np.ones_like(distance), *columns))
        normal = design.T @ design
        try:
            fit = np.linalg.solve(normal, design.T @ values)
        except np.linalg.LinAlgError:
            return float("nan")
        if not fit[1] > 0.0:
            return float("nan")
        step = -float(fit[2] / fit[1])
        shift += step
        if abs(step) < _SETTLED_PX:
            break
    return shift if abs(shift) < _FARTHEST_PX else float("nan")
