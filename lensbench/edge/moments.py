"""Samples of a region pooled by distance from a line, with all the moments that a fit of line and blur needs."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lensbench.edge.aperture import EdgeTable
from lensbench.edge.line import EdgeLine
from lensbench.edge.points import Points
from lensbench.units import FloatArray

__all__ = ["BinMoments", "moments_of"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BinMoments:
    """Samples pooled by distance: means over each bin that holds any. o is the distance from the bin's middle."""

    bin: npt.NDArray[np.intp]
    """Which of the table's bins."""
    count: FloatArray
    value: FloatArray
    o: FloatArray
    oo: FloatArray
    t: FloatArray
    tt: FloatArray
    ot: FloatArray
    vt: FloatArray
    t_scale_px: float
    """t above is the place along the edge over this length."""


def moments_of(points: Points, line: EdgeLine, table: EdgeTable) -> BinMoments:
    """Pool the samples of a region about a line."""
    distance, along = line.distance_px(points)
    lookup, middle = table.bin_of, table.distance_px
    half = lookup.size // 2
    place = np.rint(distance * (1.0 / table.step_px)).astype(np.intp) + half
    value = points.value
    if place.min() < 0 or place.max() >= lookup.size:
        inside = (place >= 0) & (place < lookup.size)
        place, distance, along, value = place[inside], distance[inside], along[inside], value[inside]
    where = lookup[place]
    size = middle.size
    count = np.bincount(where, minlength=size)
    filled = np.flatnonzero(count)
    number = count[filled].astype(np.float64)
    scale = max(float(np.abs(along).max()), 1.0)
    apart, t = distance - middle[where], along / scale

    def mean(weight: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(where, weight, size)[filled] / number, np.float64)

    return BinMoments(
        bin=filled,
        count=number,
        value=mean(value),
        o=mean(apart),
        oo=mean(apart * apart),
        t=mean(t),
        tt=mean(t * t),
        ot=mean(apart * t),
        vt=mean(value * t),
        t_scale_px=scale,
    )
