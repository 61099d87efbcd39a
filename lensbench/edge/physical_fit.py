"""The physical model of an edge and its fit: damped Gauss-Newton steps on weighted squares.

    y = dark + step * ESF(d - shift + turn t; disc^2, variance) + light + noise

with the ESF of `lens_model`, and d, t from the line that was fitted to the region. All samples are pooled in bins of d;
inside a bin the model is expanded to second order with the samples' own moments, those with t among them, so that the
edge's angle stays a free parameter. Sizes of blur enter as squares and may end at zero.

A sample's variance grows linearly with its level (photon noise), so the weights follow the model; what t tells within a
bin is in the normal equations only. A general solver takes three times as long and can do neither. Levenberg, Q. Appl.
Math. 2, 164 (1944); Marquardt, J. SIAM 11, 431 (1963).
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench import optics
from lensbench.edge.curves import crossing_cypx, slopes_at
from lensbench.edge.lens_model import Aperture, EdgeTable, edge_table
from lensbench.edge.line import EdgeLine
from lensbench.edge.samples import Noise, Points
from lensbench.model.errors import EdgeError
from lensbench.model.units import FloatArray

DARK, STEP, SHIFT, TURN, DISC, VARIANCE = range(6)
PARAMETERS: Final = 10
SIZES: Final = (DISC, VARIANCE)
BLUR: Final = slice(DISC, VARIANCE + 1)
_LIGHT: Final = slice(6, PARAMETERS)
LIGHT: Final = tuple(range(6, PARAMETERS))
_MOST_STEPS: Final = 14
_SETTLED: Final = 1e-2  # A step that lowers chi-square by less is the last
_FEWEST_BINS: Final = 12
_UNEVEN: Final = 18.5
"""Light slopes are fitted where they would lower chi-square by more: one in a thousand even fields (4 degrees)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlurFit:
    """Best parameters of the model, with everything that judging them needs."""

    problem: "EdgeProblem"
    parameters: FloatArray
    free: tuple[int, ...]
    """The parameters that were fitted; some blur terms among them may have ended at zero."""
    model: "EdgeModel"
    mtf50_cypx: float
    mtf50_sd_cypx: float  # the Cramer-Rao bound at the solution

    @property
    def reduced_chi2(self) -> float:
        """Weighted squares over bins less parameters."""
        return self.model.chi2 / max(self.model.residual.size - len(self.free), 1)


def _score(model: "EdgeModel", free: tuple[int, ...], extra: tuple[int, ...]) -> float:
    """Fall of chi-square that further parameters would bring, to first order."""
    f, x = np.array(free), np.array(extra)
    across = solved(model.gram[f[:, None], f], model.gram[f[:, None], x])
    left = model.gram[x[:, None], x] - model.gram[x[:, None], f] @ across
    pull = model.moment[x] - across.T @ model.moment[f]
    return float(pull @ solved(left, pull, damping=1e-6))


def fit_blur(points: Points, line: EdgeLine, noise: Noise, aperture: Aperture) -> BlurFit:
    """Physical model fitted to a region's samples; an EdgeError where too few distances from the edge are sampled."""
    step_px = float(2.0 ** np.floor(np.log2(max(0.1 * line.sigma_px, 0.125))))
    table = edge_table(aperture, step_px)
    free: tuple[int, ...] = (DARK, STEP, SHIFT, TURN, DISC, VARIANCE)
    parameters = _start(line, aperture)
    widest_px = 2.0 * line.sigma_px + 0.5

    def about(line: EdgeLine) -> "EdgeProblem":
        bins = moments_of(points, line, table)
        return EdgeProblem(bins, table, noise, angle_deg=line.angle_deg)

    problem = about(line)
    if problem.bins.count.size < _FEWEST_BINS:
        raise EdgeError("too few distances from the edge are sampled for the physical reading")
    parameters, model = _descend(problem, parameters, free, widest_px=widest_px)
    if abs(parameters[SHIFT]) > 0.5 * step_px:
        line = replace(line, offset_px=line.offset_px + line.bright_side * float(parameters[SHIFT]))
        parameters[SHIFT] = 0.0
        problem = about(line)
        parameters, model = _descend(problem, parameters, free, widest_px=widest_px)
    if _score(problem.at(parameters, light=True), free, LIGHT) > _UNEVEN:
        free += LIGHT
        parameters, model = _descend(problem, parameters, free, widest_px=widest_px)
    mtf50, sd = _mtf50_of(problem, parameters, free, model)
    return BlurFit(
        problem=problem, parameters=parameters, free=free, model=model, mtf50_cypx=mtf50, mtf50_sd_cypx=sd
    )


def _start(line: EdgeLine, aperture: Aperture) -> FloatArray:
    """Share the width of the Gaussian edge out among the blur terms."""
    parameters = np.zeros(PARAMETERS)
    parameters[DARK], parameters[STEP] = line.dark, line.bright - line.dark
    spare = max(line.sigma_px**2 - 1.0 / 12.0 - 0.2 * aperture.q**2, 0.02)
    parameters[BLUR] = np.array([8.0, 0.5]) * spare
    return parameters


def _descend(
    problem: "EdgeProblem", parameters: FloatArray, free: tuple[int, ...], *, widest_px: float
) -> tuple[FloatArray, "EdgeModel"]:
    """Lower the weighted squares; squared sizes stay at or above zero, and within reason."""
    limits = widest_px**2 * np.array([16.0, 1.0])
    light = LIGHT[0] in free
    model, damping = problem.at(parameters, light=light), 1e-6
    for _ in range(_MOST_STEPS):
        trial = parameters + _bounded_step(model, parameters, free, damping)
        trial[SHIFT] = np.clip(trial[SHIFT], -widest_px, widest_px)
        trial[BLUR] = np.minimum(trial[BLUR], limits)
        moved = problem.at(trial, light=light)
        gain = model.chi2 - float(model.weight @ np.square(moved.residual))
        if gain > -_SETTLED:
            parameters, model, damping = trial, moved, max(0.1 * damping, 1e-9)
            if gain < _SETTLED:
                break
        elif damping > 1e4:
            break
        else:
            damping = max(30.0 * damping, 1e-3)
    return parameters, model


def _bounded_step(
    model: "EdgeModel", parameters: FloatArray, free: tuple[int, ...], damping: float
) -> FloatArray:
    """Solve the damped normal equations; a squared size that would fall below zero is held at zero, and they again."""
    step = np.zeros(PARAMETERS)
    moving = list(free)
    while True:
        index = np.array(moving)
        gram = model.gram[index[:, None], index]
        pull = model.moment[index] - model.gram[index] @ step[: model.moment.size]
        change = solved(gram, pull, damping=damping)
        held = [
            k for k, delta in zip(moving, change, strict=True) if k in SIZES and parameters[k] + delta < 0.0
        ]
        if not held:
            step[index] = change
            return step
        lowest = min(
            held, key=lambda k: float((parameters[k] + change[moving.index(k)]) / abs(parameters[k] + 1e-3))
        )
        step[lowest] = -parameters[lowest]
        moving.remove(lowest)


def _mtf50_of(
    problem: "EdgeProblem", parameters: FloatArray, free: tuple[int, ...], model: "EdgeModel"
) -> tuple[float, float]:
    """MTF50 and its sd from the model's transfer."""
    table = problem.table
    grid, spread = table.figure_grid
    transfer = problem.transfer(parameters[BLUR])
    sfr = spread @ transfer[0]
    mtf50 = crossing_cypx(grid, sfr, 0.5)
    if not np.isfinite(mtf50):
        return mtf50, float("nan")
    low = min(int(mtf50 / grid[1]), grid.size - 2)
    share = mtf50 / grid[1] - low
    gradient = np.zeros(model.moment.size)
    gradient[BLUR] = transfer[1:] @ ((1.0 - share) * spread[low] + share * spread[low + 1])
    gradient /= slopes_at(grid, sfr[None], np.array([mtf50]))[0]
    fitted = np.array(free)
    gram, gradient = model.gram[fitted[:, None], fitted], gradient[fitted]
    return mtf50, float(np.sqrt(gradient @ solved(gram, gradient)))


def solved(gram: FloatArray, right: FloatArray, *, damping: float = 1e-11) -> FloatArray:
    """Solve normal equations scaled to a unit diagonal and damped; a parameter that tells nothing stays put."""
    scale = 1.0 / np.sqrt(np.maximum(gram.diagonal(), 1e-200))
    system = gram * scale * scale[:, None]
    system.ravel()[:: scale.size + 1] += damping
    column = scale if right.ndim == 1 else scale[:, None]
    return np.asarray(column * np.linalg.solve(system, column * right), np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeModel:
    """The model of one edge at some parameters, in its bins."""

    profile: FloatArray  # level of every bin between 0 (dark) and 1 (bright)
    fitted: FloatArray
    jacobian: FloatArray  # derivative of `fitted` by each parameter
    weight: FloatArray  # reciprocal variance of every bin's mean
    residual: FloatArray
    gram: FloatArray  # Fisher information of the parameters
    moment: FloatArray
    chi2: float


class EdgeProblem:
    """One edge's data and tables, evaluated at any parameters."""

    def __init__(self, bins: "BinMoments", table: EdgeTable, noise: Noise, *, angle_deg: float) -> None:
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
        """OTF at the table's nodes, and its derivatives by the blur terms."""
        return self.table.transfer(blur_px2, self.pixel)

    def shapes(self, transfer: FloatArray) -> FloatArray:
        """ESF less a half, LSF and slope in every bin, for each row of transfers: (3, bins, transfers)."""
        shapes = (self._flat @ transfer.T).reshape(3, -1, transfer.shape[0])[:, self._half_bin]
        shapes[0] *= self._side[:, None]
        shapes[2] *= self._side[:, None]
        return shapes

    def content(
        self, shapes: FloatArray, shift: float, turn: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Bins' true content of shapes, its derivative by distance, and the same for t times it."""
        b = self.bins
        first = b.o - shift + turn * b.t
        second = b.oo + shift * (shift - 2.0 * b.o) + turn * (2.0 * b.ot - 2.0 * shift * b.t + turn * b.tt)
        esf, lsf, slope = shapes
        content = esf + lsf * first[:, None] + slope * (0.5 * second)[:, None]
        rate = lsf[:, 0] + slope[:, 0] * first
        rate_t = lsf[:, 0] * b.t + slope[:, 0] * (b.ot - shift * b.t + turn * b.tt)
        return content, rate, rate_t

    def _light(self, profile: FloatArray) -> FloatArray:
        """Slopes of light across and along, dark side then bright side."""
        across = self.place_px / max(float(np.abs(self.place_px).max()), 1.0)
        ways = np.stack([across, self.bins.t])
        return np.concatenate([(1.0 - profile) * ways, profile * ways])

    def at(self, parameters: FloatArray, *, light: bool = False) -> EdgeModel:
        """Evaluate model, derivatives, information and misfit; with `light`, by the slopes of light too."""
        dark, step, shift, turn = (float(value) for value in parameters[:DISC])
        shapes = self.shapes(self.transfer(parameters[BLUR]))
        content, rate, rate_t = self.content(shapes, shift, turn)
        profile = 0.5 + content[:, 0]
        jacobian = np.empty((PARAMETERS if light else VARIANCE + 1, profile.size))
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BinMoments:
    """Samples pooled by distance: means over each bin that holds any.

    o is the distance from the bin's middle, t the place along the edge as a share of the longest one.
    """

    bin: npt.NDArray[np.intp]  # which of the table's bins
    count: FloatArray
    value: FloatArray
    o: FloatArray
    oo: FloatArray
    t: FloatArray
    tt: FloatArray
    ot: FloatArray
    vt: FloatArray


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
    )
