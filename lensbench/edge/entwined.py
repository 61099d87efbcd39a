"""Edges whose line and profile cannot be told apart sample by sample: both are fitted together.

Where an edge passes few rows of sites (a small region, an angle close to an axis or a diagonal, sparse colours), every
distance from it is sampled at one place along it. A turn of the line then looks like another profile: a line fitted
first, with any profile but the true one, comes to rest off the mark whatever the noise, and figures that take it as
known claim too much. So turn and bend join the columns of the linear fit, and the line moves until it rests.
"""

from typing import Final

import numpy as np

from lensbench.edge.bins import Bins, Plateaus
from lensbench.edge.line import EdgeLine
from lensbench.edge.posterior import LineColumns, Posterior
from lensbench.units import FloatArray

__all__ = ["LEAST_SHARE", "line_columns", "moved"]

LEAST_SHARE: Final = 0.7
"""Line and profile are fitted together where the share that the profile cannot take falls below (`Posterior`)."""
_TURN_SD_PX: Final = 1.0
"""Prior sd of what is left of the turn, at the region's ends: wide enough to say nothing."""
_BEND_SD_PER_PX: Final = 1e-4
"""Prior sd of the bend: five times that of 5 % distortion in the corner of a picture with 2500 px half-diagonal."""
_LEAST_SLOPE: Final = 0.02
"""Samples tell of the line where the profile is at least this steep, as a part of its steepest."""


def line_columns(
    line: EdgeLine,
    place: tuple[FloatArray, FloatArray],
    value: FloatArray,
    *,
    fit: tuple[Posterior, Bins, Plateaus],
) -> LineColumns:
    """Give the columns by which turn and bend of the line enter the fit of the profile.

    Parameters
    ----------
    line : EdgeLine
        As it lies now.
    place : two arrays
        Distance from the edge and place along it, for every sample. [px]
    value : array
        The samples.
    fit : Posterior, Bins, Plateaus
        What was fitted with the line as it lies.
    """
    posterior, bins, plateaus = fit
    level, slope, curve = posterior.profile()
    steep = np.abs(slope) > _LEAST_SLOPE * float(np.abs(slope).max())
    near = np.flatnonzero(steep[bins.place])
    at = bins.place[near]
    apart = place[0][near] - posterior.rung.fine.position_px[at]
    scale = max(float(np.abs(place[1][near]).max(initial=0.0)), 1.0)
    s = place[1][near] / scale
    effect = np.stack([s, s * s]) * (slope[at] + apart * curve[at])
    residual = value[near] - level[at] - apart * (slope[at] + 0.5 * apart * curve[at])
    count = np.maximum(np.bincount(at, minlength=bins.count.size), 1.0)
    mean = np.stack([np.bincount(at, one, bins.count.size) for one in effect]) / count
    rest = np.bincount(at, residual, bins.count.size) / count
    profile = np.clip((level[at] - posterior.dark) / posterior.step, 0.0, 1.0)
    within = effect - mean[:, at]
    weighted = within / plateaus.noise.variance_at(profile)
    gram = weighted @ within.T
    # The distances already hold the bend as it is; the prior is about the whole of it.
    centre = np.array([0.0, -line.bright_side * line.bend_per_px * scale * scale])
    return LineColumns(
        columns=mean,
        gram=gram,
        moment=weighted @ (residual - rest[at]) + gram @ centre,
        centre=centre,
        prior_sd=np.array([_TURN_SD_PX, _BEND_SD_PER_PX * scale * scale]),
        scale_px=scale,
    )


def moved(line: EdgeLine, move: FloatArray, scale_px: float) -> EdgeLine:
    """Turn and bend the line by what the fit says: move in px at `scale_px` along the edge, at most half a blur."""
    turn, bend = np.clip(move, -0.5 * line.sigma_px - 0.1, 0.5 * line.sigma_px + 0.1)
    return line.moved(0.0, float(turn), float(bend), scale_px=scale_px)
