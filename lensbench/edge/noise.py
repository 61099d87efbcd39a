"""Noise of the two plateaus, each seen beside its own gentle slope of light and the edge's own tail."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.edge.line import EdgeLine
from lensbench.units import FloatArray

__all__ = ["Noise", "plateau_noise"]

_REACH_SIGMA: Final = 3.5
_FEWEST: Final = 12
_FLOOR_OF_STEP: Final = 1e-4
"""Least noise taken, as a part of the step: below it rounding and the shapes' own table decide."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Variance of one sample on each plateau; in between it grows linearly with the signal (photon noise)."""

    dark_variance: float
    bright_variance: float

    def variance_at(self, profile: FloatArray) -> FloatArray:
        """Give a sample's variance where the edge profile is 0 (dark) to 1 (bright)."""
        span = self.bright_variance - self.dark_variance
        return self.dark_variance + span * np.clip(profile, 0.0, 1.0)

    def snr(self, step: float) -> float:
        """Give the step over the rms noise of the two plateaus."""
        return float(step / np.sqrt(0.5 * (self.dark_variance + self.bright_variance)))


def plateau_noise(line: EdgeLine, distance_px: FloatArray, along_px: FloatArray, value: FloatArray) -> Noise:
    """Estimate both plateaus' noise from what a level, two slopes and a 1/d tail leave over.

    Samples more than 4.5 sd off are left out once, so that a speck does not pass for noise.
    """
    reach = _REACH_SIGMA * line.sigma_px + 1.0
    widest = float(np.abs(distance_px).max(initial=0.0))
    reach = min(reach, 0.6 * widest)
    floor = np.square(_FLOOR_OF_STEP * (line.bright - line.dark))
    sides = []
    for side in (-1.0, 1.0):
        far = side * distance_px > reach
        sides.append(_variance(distance_px[far], along_px[far], value[far]))
    dark, bright = sides
    if np.isnan(dark) or np.isnan(bright):
        dark = bright = float(np.nanmean(sides)) if not np.all(np.isnan(sides)) else float("nan")
    if np.isnan(dark):
        return Noise(dark_variance=float(floor), bright_variance=float(floor))
    return Noise(dark_variance=float(max(dark, floor)), bright_variance=float(max(bright, floor)))


def _variance(distance_px: FloatArray, along_px: FloatArray, value: FloatArray) -> float:
    if value.size < _FEWEST:
        return float("nan")
    design = np.empty((4, value.size))
    design[0] = 1.0
    design[1] = distance_px - distance_px.mean()
    design[2] = along_px
    np.reciprocal(distance_px, out=design[3])
    residual = _residual(design, value)
    spread = float(residual @ residual) / (value.size - 4)
    sound = np.square(residual) < 20.0 * spread
    if not sound.all():
        residual = _residual(design[:, sound], value[sound])
        spread = float(residual @ residual) / (residual.size - 4)
    return spread


def _residual(design: FloatArray, value: FloatArray) -> FloatArray:
    gram = design @ design.T
    gram[np.diag_indices_from(gram)] *= 1.0 + 1e-9
    return value - np.linalg.solve(gram, design @ value) @ design
