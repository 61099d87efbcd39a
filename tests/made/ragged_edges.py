"""Exact edges of a ragged print: the line itself wanders, before the lens and the pixel blur it.

The edge is displaced by h(s), piecewise constant along the edge, a correlated random walk. Through Gaussian blur each
piece gives a product of normal integrals, exactly; the square pixel is integrated point by point.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from exact_edges import Scene, grid
from odd_edges import first_crossing
from scipy.interpolate import RectBivariateSpline
from scipy.signal import lfilter
from scipy.special import ndtr

from lensbench import optics

Array = npt.NDArray[np.float64]

_PIECE_PX = 0.1
_STEP_PX = 0.1
"""Of the table that is interpolated; the blur is at least 0.4 px wide."""
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(6)


@dataclass(frozen=True, kw_only=True)
class RaggedEdge:
    """A wandering edge through Gaussian blur and the square pixel.

    Truth is stated of three edges: the mean one, as an endless print would show (`at`); the sharp one, without any
    wandering (`sharp_at`); and the mean of this very stretch about its own straight line (`realised_at`).
    """

    sigma_px: float
    scene: Scene
    ragged_px: float
    """Rms displacement."""
    correlation_px: float
    """Distance along the edge over which the correlation falls to 1/e."""
    seed: int

    @cached_property
    def walk_px(self) -> tuple[Array, Array]:
        """Places along the edge, from the foot of the region's centre, and the displacement of the piece there."""
        reach = 0.5 * float(np.hypot(self.scene.height, self.scene.width)) + 6.0 * self.sigma_px + 2.0
        place = np.arange(-reach, reach, _PIECE_PX) + 0.5 * _PIECE_PX
        kept = np.exp(-_PIECE_PX / self.correlation_px)
        kick = np.random.default_rng(self.seed).standard_normal(place.size)
        kick[1:] *= np.sqrt(1.0 - kept**2)
        return place, self.ragged_px * lfilter([1.0], [1.0, -kept], kick)

    @cached_property
    def esf_values(self) -> Array:
        """Pixel values, 0 to 1."""
        lens, reach = self._lens_table()
        row, col = grid(self.scene.height, self.scene.width)
        angle = np.radians(self.scene.angle_deg)
        values = np.zeros(row.shape)
        for d_row, row_weight in zip(0.5 * _NODES, 0.5 * _WEIGHTS, strict=True):
            for d_col, col_weight in zip(0.5 * _NODES, 0.5 * _WEIGHTS, strict=True):
                across = self.scene.distance_px(row + d_row, col + d_col)
                along = (col + d_col) * np.sin(angle) - (row + d_row) * np.cos(angle)
                near = np.abs(across) < reach
                level = (across > 0.0).astype(np.float64)
                level[near] = lens.ev(along[near], across[near])
                values += row_weight * col_weight * level
        return 1.0 - values if self.scene.flipped else values

    def _lens_table(self) -> tuple[RectBivariateSpline, float]:
        """The picture before the pixel, over places along and across the edge, and how far across it reaches."""
        place, shift = self.walk_px
        reach = 6.0 * self.sigma_px + float(np.abs(shift).max())
        across = np.linspace(-reach, reach, 2 * int(np.ceil(reach / _STEP_PX)) + 1)
        along = np.arange(place[0], place[-1], _STEP_PX)
        ends = np.append(place - 0.5 * _PIECE_PX, place[-1] + 0.5 * _PIECE_PX)
        ends[0], ends[-1] = -np.inf, np.inf
        shares = -np.diff(ndtr((along[:, None] - ends) / self.sigma_px), axis=1)
        level = shares @ ndtr((across - shift[:, None]) / self.sigma_px)
        return RectBivariateSpline(along, across, level, s=0), reach

    def _sharp(self, frequency_cypx: Array) -> Array:
        pixel = optics.pixel_mtf(frequency_cypx, self.scene.angle_deg)
        return np.asarray(optics.gaussian_mtf(frequency_cypx, self.sigma_px) * pixel)

    def at(self, level: float) -> float:
        """True frequency of the mean edge: displacements are normal, so they blur as a Gaussian does. [cy/px]"""
        wander = self.ragged_px
        return first_crossing(lambda f: np.abs(self._sharp(f)) * optics.gaussian_mtf(f, wander), level)

    def sharp_at(self, level: float) -> float:
        """True frequency of the edge without wandering. [cy/px]"""
        return first_crossing(lambda f: np.abs(self._sharp(f)), level)

    def realised_at(self, level: float) -> float:
        """Frequency of the mean of this stretch of edge, its own best straight line taken out. [cy/px]"""
        place, shift = self.walk_px
        own = np.abs(place) <= 0.5 * self.scene.length_px
        rest = shift[own] - np.polyval(np.polyfit(place[own], shift[own], 1), place[own])

        def mtf(frequency: Array) -> Array:
            phase = np.exp(-2j * np.pi * np.multiply.outer(frequency, rest)).mean(axis=-1)
            return np.asarray(np.abs(self._sharp(frequency) * phase), np.float64)

        return first_crossing(mtf, level)
