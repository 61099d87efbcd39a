"""The standard deviation of an edge in a finished picture, whose noise is not that of a sensor.

A JPEG's errors hang together over its blocks, are larger near an edge than on the plateaus, and vanish where the
picture is flat: noise read off the plateaus promises too much. So the edge is divided along its length into pieces as
long as a block; how differently the pieces pull at MTF50 is what one would see on repeating (the sandwich, or
cluster-robust, variance; White, Econometrica 48, 817 (1980), clustered as by Liang and Zeger, Biometrika 73, 13 (1986);
both from memory). What compression and demosaicing do alike to all pieces of one edge comes on top.
"""

from typing import Final

import numpy as np

from lensbench.edge.posterior import pull_of
from lensbench.edge.refined import RefinedFit
from lensbench.edge.transfer import Curves, mtf50_gradient

__all__ = ["finished_sd_cypx"]

_PIECE_PX: Final = 8.0
_FEWEST_PIECES: Final = 2
_ALIKE: Final = 0.02
"""Of MTF50, done alike to all of an edge: left over on simulated JPEGs of quality 95, at whose edges the errors of
MTF50 spread by 3 % while pieces of the edge tell 2.2 %."""


def finished_sd_cypx(fit: RefinedFit, curves: Curves) -> float:
    """Give the sd of MTF50 in a finished picture: no less than that of the noise. [cy/px]."""
    told = np.nanmax([curves.mtf50_sd_cypx, _scattered_sd_cypx(fit, curves)])
    return float(np.hypot(told, _ALIKE * curves.mtf_cypx[0]))


def _scattered_sd_cypx(fit: RefinedFit, curves: Curves) -> float:
    """Give the sd of MTF50 from the scatter between pieces of the edge; NaN where it is too short for two."""
    distance, along = fit.line.distance_px(fit.points)
    low, high = float(along.min()), float(along.max())
    pieces = int((high - low) / _PIECE_PX)
    if pieces < _FEWEST_PIECES:
        return float("nan")
    piece = np.minimum(((along - low) / (high - low) * pieces).astype(np.intp), pieces - 1)
    gradient = mtf50_gradient(fit.posterior, curves.mtf_cypx[0])
    pull = pull_of(fit.posterior, fit.bins, fit.plateaus, gradient)
    level, slope, bend = fit.posterior.profile()
    at = fit.bins.place
    apart = distance - fit.posterior.rung.fine.position_px[at]
    residual = fit.points.value - level[at] - apart * (slope[at] + 0.5 * apart * bend[at])
    pulls = np.bincount(piece, pull[at] * residual, pieces)
    return float(np.sqrt(pieces / (pieces - 1.0) * np.sum(np.square(pulls - pulls.mean()))))
