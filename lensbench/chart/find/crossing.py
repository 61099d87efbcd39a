"""Where two arms cross, to hundredths of a pixel: a model of the blurred target, fitted to many at once.

    I = m + gr y + gc x - a erf(d1 / (sqrt2 s)) erf(d2 / (sqrt2 s))

with d1, d2 the distances from the two lines: exact for a Gaussian blur s and lines at right angles, near
enough for the rest. The slopes gr and gc take up light that falls unevenly. Levenberg-Marquardt on the sites
present only, all patches in one batch: an iteration costs little more for forty than for one.
"""

from dataclasses import dataclass, fields
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.model.shot import BoolArray
from lensbench.model.units import FloatArray

Single = npt.NDArray[np.float32]

_P: Final = np.float32(0.327_591_1)
_TERMS: Final = tuple(
    np.float32(term) for term in (1.061_405_429, -1.453_152_027, 1.421_413_741, -0.284_496_736, 0.254_829_592)
)


def erf_and_bell(x: Single) -> tuple[Single, Single]:
    """Error function erf(x) and its bell exp(-x^2), from one exponential.

    Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.26: within 1.5e-7, where the library's erf takes
    six times as long in single precision.

    >>> erf, bell = erf_and_bell(np.array([-0.5, 0.0, 2.0], np.float32))
    >>> [round(float(value), 5) for value in (*erf, *bell)]
    [-0.5205, 0.0, 0.99532, 0.7788, 1.0, 0.01832]
    """
    bell = np.multiply(x, x)
    np.negative(bell, out=bell)
    np.exp(bell, out=bell)
    t = np.abs(x)
    t *= _P
    t += np.float32(1.0)
    np.reciprocal(t, out=t)
    tail = t * _TERMS[0]
    for term in _TERMS[1:]:
        tail += term
        tail *= t
    tail *= bell
    np.subtract(np.float32(1.0), tail, out=tail)
    return np.copysign(tail, x, out=tail), bell


_ROUNDS: Final = 10
_SETTLED_PX: Final = 0.01
"""A step this small leaves less than a thousandth of a pixel to the next."""

_ROW, _COL, _ANGLE_1, _ANGLE_2, _LOG_BLUR, _MEAN, _SLOPE_ROW, _SLOPE_COL, _AMPLITUDE = range(9)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patches:
    """Small square pieces of a picture, one around each expected crossing."""

    values: FloatArray
    """Shape (n, side, side)."""
    present: BoolArray
    """Where a piece holds a sample, same shape."""
    corner_px: FloatArray
    """Shape (n, 2): (row, column) of each piece's first pixel."""


@dataclass(frozen=True, slots=True, eq=False)
class Crossings:
    """What was fitted, one entry a piece."""

    position_px: FloatArray
    """Shape (n, 2)."""
    position_sd_px: FloatArray
    """Standard deviation of one coordinate, from the noise that the fit leaves."""
    line_rad: FloatArray
    """Shape (n, 2): directions of arms 1 and 2, as angles from the row axis to the column axis."""
    blur_px: FloatArray
    """Sigma of the Gaussian that fits best."""
    mean: FloatArray
    amplitude: FloatArray
    """Half of bright minus dark; negative where dark and light quarters are exchanged."""
    misfit: FloatArray
    """Rms of what the fit leaves, as a fraction of the amplitude."""

    def where(self, chosen: BoolArray) -> "Crossings":
        """Chosen entries only."""
        return Crossings(**{part.name: getattr(self, part.name)[chosen] for part in fields(self)})


def fit_crossings(
    patches: Patches, *, start_px: FloatArray, line_rad: FloatArray, blur_px: float
) -> Crossings:
    """Fit the model to every patch.

    Parameters
    ----------
    patches : Patches
        n pieces of the picture.
    start_px : float array, shape (n, 2)
        Expected crossings, good to about the blur or three pixels.
    line_rad : float array, shape (n, 2)
        Expected directions of arms 1 and 2: angle of (row, column) = (cos, sin).
    blur_px : float
        Expected blur.

    Returns
    -------
    Crossings
        A patch that does not suit the model comes back with a large misfit, never with an exception.
    """
    count, side, _ = patches.values.shape
    held = _held(patches.present.reshape(count, -1))
    down, right = np.divmod(held, side)
    first = patches.corner_px - start_px
    field = _Field(
        rows=(down + first[:, :1]).astype(np.float32),
        cols=(right + first[:, 1:]).astype(np.float32),
        values=np.take_along_axis(patches.values.reshape(count, -1), held, axis=1).astype(np.float32),
    )
    parameters = np.zeros((count, 9))
    parameters[:, _ANGLE_1 : _ANGLE_2 + 1] = line_rad
    parameters[:, _LOG_BLUR] = np.log(blur_px)
    parameters = field.with_linear_terms(parameters)
    parameters, normal, cost = field.descend(parameters)
    return _crossings(parameters, normal, cost / max(held.shape[1], 10), start_px)


def _held(present: BoolArray) -> npt.NDArray[np.int64]:
    """Places of each piece's samples, of all pieces as many as the poorest has."""
    places = np.nonzero(present)[1]
    counts = present.sum(axis=1)
    fewest = int(counts.min(initial=present.shape[1]))
    starts = np.cumsum(counts) - counts
    return np.asarray(places[starts[:, None] + np.arange(fewest)], np.int64)


def _crossings(
    parameters: FloatArray, normal: FloatArray, variance: FloatArray, start_px: FloatArray
) -> Crossings:
    covariance = np.linalg.pinv(normal, hermitian=True)
    amplitude = parameters[:, _AMPLITUDE]
    spread = (covariance[:, _ROW, _ROW] + covariance[:, _COL, _COL]) / 2.0
    return Crossings(
        position_px=start_px + parameters[:, _ROW : _COL + 1],
        position_sd_px=np.sqrt(variance * spread.clip(0.0)),
        line_rad=parameters[:, _ANGLE_1 : _ANGLE_2 + 1],
        blur_px=np.exp(parameters[:, _LOG_BLUR]),
        mean=parameters[:, _MEAN],
        amplitude=amplitude,
        misfit=np.sqrt(variance) / np.maximum(np.abs(amplitude), 1e-9),
    )


@dataclass(slots=True, eq=False)
class _State:
    """Where the descent stands, one entry a patch; changed in place."""

    parameters: FloatArray
    cost: FloatArray
    gradient: FloatArray
    normal: FloatArray
    damping: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Field:
    """Samples of all patches at their distances from the expected crossings, each of shape (n, samples)."""

    rows: Single
    cols: Single
    values: Single

    def with_linear_terms(self, parameters: FloatArray) -> FloatArray:
        """Set mean, slopes and amplitude to what suits the other parameters best."""
        _, slopes = self._model(parameters)
        linear = slopes[:, _MEAN:]
        normal = (linear @ linear.transpose(0, 2, 1)).astype(np.float64) + 1e-9 * np.eye(4)
        seen = (linear @ self.values[:, :, None]).astype(np.float64)
        solved = np.linalg.solve(normal, seen)[:, :, 0]
        return np.concatenate((parameters[:, :_MEAN], solved), axis=1)

    def descend(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Run Levenberg-Marquardt on all patches; give parameters, normal matrices and sums of squares."""
        state = _State(parameters.copy(), *self._assess(parameters), np.full(len(parameters), 1e-3))
        active = np.arange(len(parameters))
        for _ in range(_ROUNDS):
            moved = self._part(active).advance(state, active)
            active = active[moved >= _SETTLED_PX]
            if not len(active):
                break
        return state.parameters, state.normal, state.cost

    def _part(self, chosen: npt.NDArray[np.int64]) -> "_Field":
        if len(chosen) == len(self.rows):
            return self
        return _Field(rows=self.rows[chosen], cols=self.cols[chosen], values=self.values[chosen])

    def advance(self, state: "_State", active: npt.NDArray[np.int64]) -> FloatArray:
        """Take one step of the active patches, whose samples this field holds; tell how far crossings moved."""
        normal = state.normal[active]
        diagonal = np.einsum("nii->ni", normal)
        damped = normal + (state.damping[active, None] * diagonal + 1e-12)[:, :, None] * np.eye(9)
        step = np.linalg.solve(damped, state.gradient[active][:, :, None])[:, :, 0]
        trial = state.parameters[active] + np.clip(step, -_LARGEST_STEP, _LARGEST_STEP)
        cost, gradient, normal = self._assess(trial)
        better = cost < state.cost[active]
        state.damping[active] *= np.where(better, 0.1, 10.0)
        kept = active[better]
        state.parameters[kept], state.cost[kept] = trial[better], cost[better]
        state.gradient[kept], state.normal[kept] = gradient[better], normal[better]
        moved: FloatArray = np.abs(step[:, : _COL + 1]).max(axis=1)
        return moved

    def _assess(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Residual squares, gradients and normal matrices."""
        model, slopes = self._model(parameters)
        residual = self.values - model
        gradient = (slopes @ residual[:, :, None])[:, :, 0]
        cost = np.einsum("ns,ns->n", residual, residual)
        normal = slopes @ slopes.transpose(0, 2, 1)
        return cost.astype(np.float64), gradient.astype(np.float64), normal.astype(np.float64)

    def _model(self, exact: FloatArray) -> tuple[Single, Single]:
        """Model, shape (n, samples), and its slopes, shape (n, 9, samples)."""
        parameters = exact.astype(np.float32)
        down = self.rows - parameters[:, _ROW, None]
        right = self.cols - parameters[:, _COL, None]
        width = np.float32(np.sqrt(2.0)) * np.exp(parameters[:, _LOG_BLUR, None])
        amplitude = parameters[:, _AMPLITUDE, None]
        cosine, sine = np.cos(parameters[:, 2:4, None]), np.sin(parameters[:, 2:4, None])
        # Distances from the lines; the sides are chosen so that both are positive between arms 1 and 2.
        along = cosine * down[:, None] + sine * right[:, None]
        across = (cosine * right[:, None] - sine * down[:, None]) * _SIDES[:, None]
        edge, peak = erf_and_bell(across / width[:, None])
        peak *= np.float32(2.0 / np.sqrt(np.pi)) / width[:, None]
        slope_1, slope_2 = -amplitude * edge[:, 1] * peak[:, 0], -amplitude * edge[:, 0] * peak[:, 1]
        slopes = np.empty((len(parameters), 9, self.rows.shape[1]), dtype=np.float32)
        slopes[:, _ROW] = slope_1 * sine[:, 0] * _SIDES[0] + slope_2 * sine[:, 1] * _SIDES[1]
        slopes[:, _COL] = -slope_1 * cosine[:, 0] * _SIDES[0] - slope_2 * cosine[:, 1] * _SIDES[1]
        slopes[:, _ANGLE_1] = -slope_1 * along[:, 0] * _SIDES[0]
        slopes[:, _ANGLE_2] = -slope_2 * along[:, 1] * _SIDES[1]
        slopes[:, _LOG_BLUR] = -slope_1 * across[:, 0] - slope_2 * across[:, 1]
        slopes[:, _MEAN] = 1.0
        slopes[:, _SLOPE_ROW], slopes[:, _SLOPE_COL] = down, right
        slopes[:, _AMPLITUDE] = -edge[:, 0] * edge[:, 1]
        model = (
            parameters[:, _MEAN, None]
            + parameters[:, _SLOPE_ROW, None] * down
            + parameters[:, _SLOPE_COL, None] * right
            + amplitude * slopes[:, _AMPLITUDE]
        )
        slopes[:, _ROW] -= parameters[:, _SLOPE_ROW, None]
        slopes[:, _COL] -= parameters[:, _SLOPE_COL, None]
        return model, slopes


_SIDES: Final = np.array([1.0, -1.0], dtype=np.float32)
_LARGEST_STEP: Final = np.array([2.0, 2.0, 0.1, 0.1, 0.5, np.inf, np.inf, np.inf, np.inf])
