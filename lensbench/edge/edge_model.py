"""The physical model of an edge, evaluated with its derivatives and its Fisher information.

    y = dark + step * ESF(d - shift + turn t; disc^2, variance, motion^2) + light + noise

with the ESF of `aperture`, and d, t from the line that was fitted to the region. All samples are pooled in bins of d;
inside a bin the model is expanded to second order with the samples' own moments, those with t among them, so that the
edge's angle stays a free parameter.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.edge.aperture import EdgeTable
from lensbench.edge.bins import Noise
from lensbench.edge.moments import BinMoments
from lensbench.units import FloatArray

__all__ = [
    "BLUR",
    "DARK",
    "DISC",
    "LIGHT",
    "MOTION",
    "PARAMETERS",
    "SHIFT",
    "SIZES",
    "STEP",
    "TURN",
    "VARIANCE",
    "EdgeModel",
    "EdgeProblem",
    "solved",
]

DARK, STEP, SHIFT, TURN, DISC, VARIANCE, MOTION = range(7)
LIGHT: Final = (7, 8, 9, 10)
PARAMETERS: Final = 11
SIZES: Final = (DISC, VARIANCE, MOTION)
BLUR: Final = slice(DISC, MOTION + 1)
_LIGHT: Final = slice(7, 11)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeModel:
    """The model of one edge at some parameters, in its bins."""

    profile: FloatArray
    """Level of every bin between 0 (dark) and 1 (bright)."""
    fitted: FloatArray
    jacobian: FloatArray
    """Derivative of `fitted` by each parameter."""
    weight: FloatArray
    """Reciprocal variance of every bin's mean."""
    residual: FloatArray
    gram: FloatArray
    """Fisher information of the parameters."""
    moment: FloatArray
    chi2: float


def solved(gram: FloatArray, right: FloatArray, *, damping: float = 1e-11) -> FloatArray:
    """Solve normal equations scaled to a unit diagonal and damped; a parameter that tells nothing stays put."""
    scale = 1.0 / np.sqrt(np.maximum(gram.diagonal(), 1e-200))
    system = gram * scale * scale[:, None]
    system.ravel()[:: scale.size + 1] += damping
    column = scale if right.ndim == 1 else scale[:, None]
    return np.asarray(column * np.linalg.solve(system, column * right), np.float64)


class EdgeProblem:
    """One edge's data and tables, evaluated at any parameters."""

    def __init__(self, bins: BinMoments, table: EdgeTable, noise: Noise, *, angle_deg: float) -> None:
        self.bins, self.table, self.noise = bins, table, noise
        self.pixel = optics.pixel_mtf(table.frequency_cypx, angle_deg)
        half = table.half_distance_px.size - 1
        signed = bins.bin - half
        self._half_bin = np.abs(signed)
        self._side = np.where(signed < 0, -1.0, 1.0)
        self._flat = table.kernels.reshape(-1, table.frequency_cypx.size)

    @property
    def place_px(self) -> FloatArray:
        """Mean distance of every bin's samples from the line."""
        return self.table.distance_px[self.bins.bin] + self.bins.o

    def transfer(self, blur_px2: FloatArray) -> FloatArray:
        """Give the OTF at the table's nodes, and its derivatives by the blur terms."""
        return self.table.transfer(blur_px2, self.pixel)

    def shapes(self, transfer: FloatArray) -> FloatArray:
        """Give ESF less a half, LSF and slope in every bin, for each row of transfers: (3, bins, transfers)."""
        found = (self._flat @ transfer.T).reshape(3, -1, transfer.shape[0])[:, self._half_bin]
        found[0] *= self._side[:, None]
        found[2] *= self._side[:, None]
        return found

    def content(
        self, shapes: FloatArray, shift: float, turn: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Give the bins' true content of shapes, its derivative by distance, and the same for t times it."""
        b = self.bins
        first = b.o - shift + turn * b.t
        second = b.oo + shift * (shift - 2.0 * b.o) + turn * (2.0 * b.ot - 2.0 * shift * b.t + turn * b.tt)
        esf, lsf, slope = shapes
        content = esf + lsf * first[:, None] + slope * (0.5 * second)[:, None]
        rate = lsf[:, 0] + slope[:, 0] * first
        rate_t = lsf[:, 0] * b.t + slope[:, 0] * (b.ot - shift * b.t + turn * b.tt)
        return content, rate, rate_t

    def _light(self, profile: FloatArray) -> FloatArray:
        """Give slopes of light across and along, dark side then bright side."""
        across = self.place_px / max(float(np.abs(self.place_px).max()), 1.0)
        ways = np.stack([across, self.bins.t])
        return np.concatenate([(1.0 - profile) * ways, profile * ways])

    def at(self, parameters: FloatArray, *, light: bool = False) -> EdgeModel:
        """Evaluate model, derivatives, information and misfit; with `light`, by the slopes of light too."""
        dark, step, shift, turn = (float(value) for value in parameters[:DISC])
        shapes = self.shapes(self.transfer(parameters[BLUR]))
        content, rate, rate_t = self.content(shapes, shift, turn)
        profile = 0.5 + content[:, 0]
        jacobian = np.empty((PARAMETERS if light else MOTION + 1, profile.size))
        fitted = dark + step * profile
        if light:
            jacobian[_LIGHT] = self._light(profile)
            fitted += parameters[_LIGHT] @ jacobian[_LIGHT]
        jacobian[DARK], jacobian[STEP] = 1.0, profile
        jacobian[SHIFT], jacobian[TURN] = -step * rate, step * rate_t
        jacobian[BLUR] = step * content[:, 1:].T
        weight = self.bins.count / self.noise.variance_at(profile)
        residual = self.bins.value - fitted
        weighted = jacobian * weight
        gram, moment = weighted @ jacobian.T, weighted @ residual
        # What t tells beside the bins' means: its scatter within each bin.
        b, lsf = self.bins, step * shapes[1, :, 0]
        spread = b.tt - b.t * b.t
        gram[TURN, TURN] += (weight * lsf * lsf) @ spread
        moment[TURN] += (weight * lsf) @ (b.vt - b.value * b.t - lsf * (b.ot - b.o * b.t + turn * spread))
        return EdgeModel(
            profile=profile,
            fitted=fitted,
            jacobian=jacobian,
            weight=weight,
            residual=residual,
            gram=gram,
            moment=moment,
            chi2=float(weight @ (residual * residual)),
        )
