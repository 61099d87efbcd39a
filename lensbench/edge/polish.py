"""A last touch to the edge line, with the edge's own profile in place of the first Gaussian idea."""

from typing import Final

import numpy as np

from lensbench.edge.bins import Bins
from lensbench.edge.line import EdgeLine
from lensbench.edge.posterior import Posterior
from lensbench.units import FloatArray

__all__ = ["polished"]

_LEAST_SLOPE: Final = 0.02
"""Samples count where the profile is at least this steep, as a part of its steepest."""


def polished(
    line: EdgeLine,
    distance_px: FloatArray,
    along_px: FloatArray,
    value: FloatArray,
    *,
    fit: tuple[Posterior, Bins],
) -> EdgeLine:
    """Shift, turn and bend the line by what the residuals beside it still show: one Gauss-Newton step."""
    posterior, bins = fit
    level, slope, bend = posterior.profile()
    steep = np.abs(slope) > _LEAST_SLOPE * float(np.abs(slope).max())
    near = np.flatnonzero(steep[bins.place])
    at = bins.place[near]
    apart = distance_px[near] - posterior.rung.fine.position_px[at]
    residual = value[near] - (level[at] + apart * (slope[at] + 0.5 * apart * bend[at]))
    gradient = slope[at] + apart * bend[at]
    scale = max(float(np.abs(along_px[near]).max(initial=0.0)), 1.0)
    s = along_px[near] / scale
    columns = np.stack([gradient, gradient * s, gradient * s * s])
    gram = columns @ columns.T
    gram[range(3), range(3)] *= 1.0 + 1e-9
    if not np.all(np.diagonal(gram) > 0):
        return line
    shift, turn, curve = (float(delta) for delta in np.linalg.solve(gram, columns @ residual))
    if not max(abs(shift), abs(turn), abs(curve)) < 0.5 * line.sigma_px:
        return line
    return line.moved(shift, turn, curve, scale_px=scale)
