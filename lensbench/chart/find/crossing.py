"""Where two arms cross, and where single edges lie, to hundredths of a pixel: models fitted to many at once.

    I = m + gr y + gc x - a erf(d1 / (sqrt2 s)) erf(d2 / (sqrt2 s))

with d1, d2 the distances from the two lines: exact for a Gaussian blur s and lines at right angles, near
enough for the rest. The slopes gr and gc take up light that falls unevenly. Levenberg-Marquardt on the sites
present only, all patches in one batch: an iteration costs little more for forty than for one.

Single edges are found likewise, by a blurred step in small windows along known curves:

    I = m + a erf((d - x) / (sqrt2 s)), d the distance from the expected curve, x the shift sought

There the blur is known well enough: a wrong one does not shift a symmetric window's answer.
"""

from dataclasses import dataclass, fields
from math import ceil
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from lensbench.model.shot import BoolArray, Box, IntArray, Overview, Samples
from lensbench.model.units import FloatArray

Single = npt.NDArray[np.float32]


class Picture(Protocol):
    """What finding needs of a photograph; `photo.Photo` is one."""

    @property
    def size_px(self) -> tuple[int, int]:
        """Rows and columns."""

    def cut(self, box: Box) -> Samples:
        """Linear samples inside a box."""

    def overview(self, max_px: int) -> Overview:
        """Grey copy of at most this many pixels."""


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
_SETTLED_PX: Final = 0.01  # a step this small leaves less than a thousandth of a pixel to the next

_ROW, _COL, _ANGLE_1, _ANGLE_2, _LOG_BLUR, _MEAN, _SLOPE_ROW, _SLOPE_COL, _AMPLITUDE = range(9)
_LARGEST_STEP: Final = np.array([2.0, 2.0, 0.1, 0.1, 0.5, np.inf, np.inf, np.inf, np.inf])
_SIDES: Final = np.array([1.0, -1.0], dtype=np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patches:
    """Small square pieces of a picture, one around each expected crossing."""

    values: FloatArray  # shape (n, side, side)
    present: BoolArray  # where a piece holds a sample, same shape
    corner_px: FloatArray  # shape (n, 2): (row, column) of each piece's first pixel


@dataclass(frozen=True, slots=True, eq=False)
class Crossings:
    """What was fitted, one entry a piece."""

    position_px: FloatArray  # shape (n, 2)
    position_sd_px: FloatArray  # standard deviation of one coordinate, from the noise that the fit leaves
    line_rad: FloatArray  # shape (n, 2): directions of arms 1 and 2, from the row axis to the column axis
    blur_px: FloatArray  # sigma of the Gaussian that fits best
    mean: FloatArray
    amplitude: FloatArray  # half of bright minus dark; negative where dark and light quarters are exchanged
    misfit: FloatArray  # rms of what the fit leaves, as a fraction of the amplitude

    def where(self, chosen: BoolArray) -> "Crossings":
        """Chosen entries only."""
        return Crossings(**{part.name: getattr(self, part.name)[chosen] for part in fields(self)})


def fit_crossings(
    patches: Patches, *, start_px: FloatArray, line_rad: FloatArray, blur_px: float
) -> Crossings:
    """Fit the model to every patch; one that does not suit it comes back with a large misfit.

    Expected crossings, shape (n, 2), must be good to about the blur or three pixels; directions of arms 1 and 2,
    (n, 2), are angles of (row, column) = (cos, sin).
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
    variance = cost / max(held.shape[1], 10)
    covariance = np.linalg.pinv(normal, hermitian=True)
    spread = (covariance[:, _ROW, _ROW] + covariance[:, _COL, _COL]) / 2.0
    amplitude = parameters[:, _AMPLITUDE]
    return Crossings(
        position_px=start_px + parameters[:, _ROW : _COL + 1],
        position_sd_px=np.sqrt(variance * spread.clip(0.0)),
        line_rad=parameters[:, _ANGLE_1 : _ANGLE_2 + 1],
        blur_px=np.exp(parameters[:, _LOG_BLUR]),
        mean=parameters[:, _MEAN],
        amplitude=amplitude,
        misfit=np.sqrt(variance) / np.maximum(np.abs(amplitude), 1e-9),
    )


def _held(present: BoolArray) -> IntArray:
    """Places of each piece's samples, of all pieces as many as the poorest has."""
    places = np.nonzero(present)[1]
    counts = present.sum(axis=1)
    fewest = int(counts.min(initial=present.shape[1]))
    starts = np.cumsum(counts) - counts
    return np.asarray(places[starts[:, None] + np.arange(fewest)], np.int64)


@dataclass(frozen=True, slots=True, eq=False)
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
        parameters = parameters.copy()
        cost, gradient, normal = self.assess(parameters)
        damping = np.full(len(parameters), 1e-3)
        active = np.arange(len(parameters))
        for _ in range(_ROUNDS):
            diagonal = np.einsum("nii->ni", normal[active])
            damped = normal[active] + (damping[active, None] * diagonal + 1e-12)[:, :, None] * np.eye(9)
            step = np.linalg.solve(damped, gradient[active][:, :, None])[:, :, 0]
            trial = parameters[active] + np.clip(step, -_LARGEST_STEP, _LARGEST_STEP)
            field = self
            if len(active) < len(parameters):
                field = _Field(self.rows[active], self.cols[active], self.values[active])
            assessed = field.assess(trial)
            better = assessed[0] < cost[active]
            damping[active] *= np.where(better, 0.1, 10.0)
            kept = active[better]
            for held, new in zip((parameters, cost, gradient, normal), (trial, *assessed), strict=True):
                held[kept] = new[better]
            active = active[np.abs(step[:, : _COL + 1]).max(axis=1) >= _SETTLED_PX]
            if not len(active):
                break
        return parameters, normal, cost

    def assess(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
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
        slopes[:, _MEAN], slopes[:, _SLOPE_ROW], slopes[:, _SLOPE_COL] = 1.0, down, right
        slopes[:, _AMPLITUDE] = -edge[:, 0] * edge[:, 1]
        mean, slope_row, slope_col = (parameters[:, k, None] for k in (_MEAN, _SLOPE_ROW, _SLOPE_COL))
        model = mean + slope_row * down + slope_col * right + amplitude * slopes[:, _AMPLITUDE]
        slopes[:, _ROW] -= slope_row
        slopes[:, _COL] -= slope_col
        return model, slopes


_STRIP_ROUNDS: Final = 4
_SMALLEST_HALF_PX, _LARGEST_HALF_PX = 6, 16
_LARGEST_MISFIT: Final = 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strips:
    """Pieces of edges found, one entry a window."""

    point_px: FloatArray  # shape (n, 2): a point on the edge
    normal: FloatArray  # shape (n, 2): unit vector across the edge
    sd_px: FloatArray  # standard deviation across the edge
    good: BoolArray


def locate_strips(picture: Picture, curves_px: FloatArray, *, blur_px: FloatArray, reach_px: float) -> Strips:
    """Find edges that should run through three points each, shape (n, 3, 2), and lie at most `reach_px` off.

    A window about the middle point that leaves the picture, or does not look like one edge, is not good.
    """
    before, at, after = np.moveaxis(curves_px, 1, 0)
    along = after - before
    half_chord = np.hypot(*along.T) / 2.0
    along = along / (2.0 * half_chord[:, None])
    normal = np.column_stack((-along[:, 1], along[:, 0]))
    sag = ((at - (before + after) / 2.0) * normal).sum(axis=1)
    reach = ceil(2.2 * float(blur_px.max(initial=0.6)) + reach_px)
    half = int(np.clip(reach, _SMALLEST_HALF_PX, _LARGEST_HALF_PX))
    side = 2 * half + 1
    first = np.rint(at) - half
    inside = ((first >= 0) & (first + side <= np.asarray(picture.size_px))).all(axis=1)
    places, values, weights = _samples(picture, first, half=half, inside=inside)
    down = places // side + (first - at)[:, :1]
    right = places % side + (first - at)[:, 1:]
    forward = along[:, :1] * down + along[:, 1:] * right
    distance = normal[:, :1] * down + normal[:, 1:] * right + (sag / half_chord**2)[:, None] * forward**2
    shift, sd, fits = _shifts(values, distance.astype(np.float32), weights, np.maximum(blur_px, 0.5))
    return Strips(
        point_px=at + shift[:, None] * normal,
        normal=normal,
        sd_px=sd,
        good=inside & fits & (np.abs(shift) < half - 2.0),
    )


def _samples(
    picture: Picture, first: FloatArray, *, half: int, inside: BoolArray
) -> tuple[IntArray, Single, Single]:
    """Places in the window, values and weights of each window's samples in a disc; weight 0 fills up."""
    side = 2 * half + 1
    span = np.arange(-half, half + 1)
    disc = (span[:, None] ** 2 + span**2 <= (half + 0.5) ** 2).ravel()
    values = np.zeros((len(first), side * side), np.float32)
    present = np.zeros((len(first), side * side), np.bool_)
    for index in np.flatnonzero(inside):
        row, col = (int(place) for place in first[index])
        piece = picture.cut(Box(top=row, left=col, height=side, width=side))
        values[index], present[index] = piece.values.ravel(), piece.present.ravel()
    present &= disc
    counts = present.sum(axis=1)
    window, place = np.nonzero(present)
    order = np.arange(len(window)) - np.repeat(np.cumsum(counts) - counts, counts)
    places = np.full((len(first), int(counts.max(initial=1))), side * side // 2)
    weights = np.zeros(places.shape, np.float32)
    places[window, order], weights[window, order] = place, 1.0
    return places, np.take_along_axis(values, places, axis=1), weights


def _shifts(
    values: Single, distance: Single, weights: Single, blur_px: FloatArray
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Fit level, step and shift of every window by Gauss-Newton."""
    width = (np.sqrt(2.0) * blur_px[:, None]).astype(np.float32)
    shift = np.zeros(len(values))
    basis = np.empty((len(values), 3, values.shape[1]), np.float32)
    basis[:, 0] = 1.0
    basis[:, 2] = 0.0
    step: FloatArray = np.zeros((len(values), 3))
    normal: FloatArray = np.zeros((len(values), 3, 3))
    for turn in range(_STRIP_ROUNDS):
        basis[:, 1], bell = erf_and_bell((distance - shift[:, None].astype(np.float32)) / width)
        if turn:
            basis[:, 2] = (-2.0 / np.sqrt(np.pi) * step[:, 1:2]).astype(np.float32) / width * bell
        weighted = basis * weights[:, None]
        normal = (weighted @ basis.transpose(0, 2, 1)).astype(np.float64) + 1e-12 * np.eye(3)
        seen = (weighted @ values[:, :, None]).astype(np.float64)
        step = np.asarray(np.linalg.solve(normal, seen)[:, :, 0], np.float64)
        shift = shift + (np.clip(step[:, 2], -2.0, 2.0) if turn else 0.0)
    left = values - (step[:, None].astype(np.float32) @ basis)[:, 0]
    freedom = np.maximum(weights.sum(axis=1) - 3.0, 1.0)
    variance = (weights * left**2).sum(axis=1).astype(np.float64) / freedom
    spread = np.linalg.inv(normal)[:, 2, 2]
    fits = np.sqrt(variance) <= _LARGEST_MISFIT * np.abs(step[:, 1])
    return shift, np.sqrt(variance * np.abs(spread)), fits
