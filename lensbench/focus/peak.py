"""MTF50 through focus by physics, and the curve of it laid through the shots of a bracket.

The transfer is a circular pupil out of focus (exact, Hopkins 1955) x a square pixel x a Gaussian, whose width is what
the sharpness in focus leaves for it. Beyond twelve waves of defocus the geometric disc is good to half a percent at the
frequencies that matter, and stands alone.

The curve is laid robustly, from a grid of places and widths. Real pupils fall faster on one side than on the other
(spherical aberration), and are flatter on top, as sagittal and tangential edges have their planes of focus apart
(astigmatism). Both are parameters, held by what pupils with up to a quarter wave of each aberration do; so they matter
as soon as a bracket has the shots to tell them.
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench import optics
from lensbench.model.shot import BoolArray
from lensbench.model.units import FloatArray

_PARTS: Final = 6
_GEOMETRIC_WAVES: Final = 12.0
_PEAKS: Final = 20
_DISCS: Final = 40
_FREQUENCIES: Final = 72
_LOWEST_PEAK_CYPX: Final = 0.01
_HIGHEST_PEAK_CYPX: Final = 0.62  # a pixel alone has its MTF50 at 0.603
_WIDEST: Final = 12.0
_HIGHEST_OF_CUTOFF: Final = 0.44  # a perfect pupil alone has its MTF50 at 0.404 of its cutoff
FREE: Final = 3
"""Parameters that nothing holds: best step, log of disc diameter per step [px], log MTF50 [cycles/pixel]."""
SMALLEST_SD: Final = 0.003
_HELD: Final = (0.0, 0.2)
_HELD_SD: Final = (0.2, 0.15)
"""Unevenness (log ratio of the discs far behind and before) and half the distance of the two planes of focus (disc
times MTF50): mean and spread over pupils drawn with up to 0.25 waves rms of astigmatism and of coma and 0.3 of
spherical aberration, by the check in the tests."""
_PRECISION: Final = np.diag([0.0, 0.0, 0.0, *(sd**-2.0 for sd in _HELD_SD)])
_STRAYS: Final = 4.0  # standard deviations from the curve beyond which a shot is left out
_STARTS: Final = 16
_MOST_ROUNDS: Final = 40
_MOST_DAMPING: Final = 1e8
_SETTLED: Final = 1e-4
_FINE: Final = 201


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FallTable:
    """Log of MTF50 over MTF50 in focus, tabulated for one pupil and pixel."""

    log_peak: FloatArray  # log MTF50 in focus, ascending, shape (peaks,). [log cycles/pixel]
    reach: FloatArray  # asinh of disc diameter times MTF50 in focus, from 0, evenly spaced, shape (discs,)
    q: float
    fall: FloatArray  # shape (peaks, discs); 0 in focus, negative elsewhere; NaN in rows that nobody asked for yet

    def at(self, disc_px: FloatArray, log_peak: npt.ArrayLike) -> FloatArray:
        """Log MTF50 for defocus discs of any shape, for lenses with these log MTF50 in focus."""
        level = np.asarray(log_peak, np.float64)
        product = np.arcsinh(np.abs(disc_px) * np.exp(level))
        step = self.reach[1]
        place = np.minimum(product, self.reach[-1]) / step
        middle = np.minimum(np.rint(place).astype(np.intp), _DISCS - 2)
        before, here, after = (self._row(level, index) for index in (np.abs(middle - 1), middle, middle + 1))
        # A parabola through three neighbours, mirrored at the start.
        offset = place - middle
        between = here + 0.5 * offset * (after - before + offset * (after - 2.0 * here + before))
        # Far out MTF50 goes with one over the disc.
        beyond = np.maximum(product - self.reach[-1], 0.0)
        return np.asarray(level + between - beyond, np.float64)

    def loss(self, disc_px: float, log_peak: float) -> float:
        """Share of MTF50 that such a disc costs a lens of this log MTF50 in focus."""
        return float(-np.expm1(self.at(np.array([disc_px]), log_peak)[0] - log_peak))

    def _row(self, level: FloatArray, disc: npt.NDArray[np.intp]) -> FloatArray:
        """Values of the table between two peaks."""
        rows = (level - self.log_peak[0]) / (self.log_peak[1] - self.log_peak[0])
        rows = np.clip(rows, 0.0, _PEAKS - 1.0)
        below = np.minimum(rows.astype(np.intp), _PEAKS - 2)
        for peak in range(int(below.min(initial=_PEAKS)), int(below.max(initial=-2)) + 2):
            if np.isnan(self.fall[peak, 0]):  # most lenses ask for few
                self.fall[peak] = _fall(float(np.exp(self.log_peak[peak])), np.sinh(self.reach), self.q)
        share = rows - below
        return np.asarray((1.0 - share) * self.fall[below, disc] + share * self.fall[below + 1, disc])


def fall_table(q: float) -> FallTable:
    """Fall for q = wavelength x working f-number / pixel pitch, to three digits; kept for the next time."""
    return _fall_table(max(round(q, 3), 0.02))


@lru_cache(maxsize=64)
def _fall_table(q: float) -> FallTable:
    highest = min(_HIGHEST_PEAK_CYPX, _HIGHEST_OF_CUTOFF / q)
    log_peak = np.linspace(np.log(_LOWEST_PEAK_CYPX), np.log(highest), _PEAKS)
    reach = np.linspace(0.0, float(np.arcsinh(_WIDEST)), _DISCS)
    return FallTable(log_peak=log_peak, reach=reach, q=q, fall=np.full((_PEAKS, _DISCS), np.nan))


def _fall(peak_cypx: float, products: FloatArray, q: float) -> FloatArray:
    """Log MTF50 / peak for discs of `products` / peak pixels."""
    discs_px = products / peak_cypx
    # The crossing lies a little below the smaller of the peak and of what the disc alone leaves, 0.705 / disc.
    bound = 1.0 / np.hypot(1.0, products / 0.705)
    frequency = peak_cypx * bound[:, None] * np.linspace(0.6, 1.5, _FREQUENCIES)
    frequency[0] = peak_cypx * np.linspace(0.6, 1.02, _FREQUENCIES)
    # The Gaussian's variance is below zero where the peak is above what physics allows.
    variance_px2 = optics.LensBlur.in_focus(peak_cypx, q).variance_px2
    rest = optics.pixel_mtf(frequency) * np.exp(-2.0 * np.pi**2 * variance_px2 * frequency**2)
    transfer = _pupil(frequency, discs_px, q) * rest
    first = np.clip(np.argmax(transfer < 0.5, axis=1), 1, _FREQUENCIES - 1)
    rows = np.arange(len(products))
    start, end = transfer[rows, first - 1], transfer[rows, first]
    low, high = frequency[rows, first - 1], frequency[rows, first]
    crossing = low + (start - 0.5) / (start - end) * (high - low)
    fall = np.log(crossing / peak_cypx)
    return np.asarray(fall - fall[0], np.float64)


def _pupil(frequency_cypx: FloatArray, discs_px: FloatArray, q: float) -> FloatArray:
    waves = discs_px / (8.0 * q)
    near = waves <= _GEOMETRIC_WAVES
    transfer = np.empty_like(frequency_cypx)
    for part in np.array_split(np.flatnonzero(near), _PARTS):  # the fewer waves, the fewer nodes
        transfer[part] = optics.defocused_diffraction_otf(frequency_cypx[part] * q, waves[part, None])
    transfer[~near] = optics.defocus_mtf(frequency_cypx[~near] * discs_px[~near, None], 1.0)
    return transfer


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusShots:
    """The shots of one bracket."""

    step: FloatArray  # shape (shots,)
    log_mtf50: FloatArray
    table: FallTable

    def kept(self, keep: BoolArray) -> "FocusShots":
        """Shots to be kept, alone."""
        return replace(self, step=self.step[keep], log_mtf50=self.log_mtf50[keep])

    @property
    def steps(self) -> int:
        """How many different focus positions."""
        return len(np.unique(self.step))

    @property
    def ends(self) -> tuple[float, float]:
        """First and last step."""
        return float(self.step.min()), float(self.step.max())

    @property
    def gains(self) -> tuple[float, float]:
        """Bounds of log disc per step: from no fall over the bracket to a peak as narrow as its eightieth part."""
        level, span = float(np.max(self.log_mtf50)), self.ends[1] - self.ends[0]
        return float(np.log(0.05 / span) - level), float(np.log(40.0 / span) - level)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusCurve:
    """The curve through a bracket."""

    parameters: FloatArray  # middle step, log disc a step, log level, unevenness, half the planes' distance
    shots: FocusShots

    @classmethod
    def through(cls, shots: FocusShots, sd: float) -> "FocusCurve":
        """Lay the curve through shots that stray by sd: damped least squares (Levenberg, Marquardt), soft l1 loss."""
        first, last = shots.ends
        lowest, highest = shots.gains
        low = np.array([first - (last - first), lowest, -6.0, -1.0, 0.0])
        high = np.array([last + (last - first), highest, 0.0, 1.0, 1.0])
        curve = cls(parameters=np.concatenate([_start(shots, sd), _HELD]), shots=shots)
        damping, cost = 1e-2, curve.cost(sd)
        for _ in range(_MOST_ROUNDS):
            moved = np.clip(curve.parameters + curve.move(sd, damping), low, high)
            tried = replace(curve, parameters=moved)
            reached = tried.cost(sd)
            if reached > cost:
                damping *= 8.0
                if damping > _MOST_DAMPING:
                    break
                continue
            gained, curve, cost = cost - reached, tried, reached
            damping = max(damping / 8.0, 1e-7)
            if gained < _SETTLED * (1.0 + cost):
                break
        return curve

    @property
    def off(self) -> FloatArray:
        """By how much the curve lies above each shot, shape (shots,)."""
        return self.at(self.shots.step) - self.shots.log_mtf50

    def cost(self, sd: float) -> float:
        """What the damped least squares make small."""
        off, held = self.off / sd, (self.parameters[FREE:] - _HELD) / _HELD_SD
        return float(8.0 * np.sum(np.sqrt(1.0 + off**2 / 4.0) - 1.0) + np.sum(held**2))

    def move(self, sd: float, damping: float) -> FloatArray:
        """Step of the parameters towards a lower cost, shape (5,)."""
        off = self.off / sd
        weights = 1.0 / np.sqrt(1.0 + off**2 / 4.0)
        jacobian = self.jacobian(self.shots.step) / sd
        normal = jacobian.T @ (weights[:, None] * jacobian) + _PRECISION
        slope = jacobian.T @ (weights * off)
        slope[FREE:] += (self.parameters[FREE:] - _HELD) / np.square(_HELD_SD)
        diagonal = np.diag(np.maximum(np.diag(normal), 1e-12))
        return -np.asarray(np.linalg.solve(normal + damping * diagonal, slope), np.float64)

    def at(self, step: FloatArray, parameters: FloatArray | None = None) -> FloatArray:
        """Log MTF50 at steps; for other parameters of shape (..., 5), shape (..., steps)."""
        parameters = self.parameters if parameters is None else parameters
        middle, log_gain, log_level, uneven, apart = np.moveaxis(parameters[..., None], -2, 0)
        reach = np.exp(log_gain + log_level) * (step - middle)
        moved = np.stack((reach - apart, reach + apart))
        planes = self.shots.table.at(moved * np.exp(uneven * np.tanh(moved) - log_level), log_level)
        return np.asarray(np.logaddexp(planes[0], planes[1]) - np.log(2.0), np.float64)

    def jacobian(self, step: FloatArray) -> FloatArray:
        """Jacobian of log MTF50 at steps by the parameters, shape (steps, 5)."""
        first, last = self.shots.ends
        moves = np.array([1e-3 * (last - first), 1e-3, 1e-3, 1e-3, 1e-3])
        changed = self.parameters + np.concatenate([np.diag(moves), -np.diag(moves)])
        ahead, behind = np.split(self.at(step, changed), 2)
        return np.asarray((ahead - behind).T / (2.0 * moves), np.float64)

    def covariance(self, sd: float) -> FloatArray:
        """Covariance of the parameters, for shots that stray by sd; shape (5, 5)."""
        jacobian = self.jacobian(self.shots.step) / sd
        return np.asarray(np.linalg.pinv(jacobian.T @ jacobian + _PRECISION, hermitian=True), np.float64)

    def spare(self, sd: float) -> float:
        """Degrees of freedom that the shots leave: held parameters take up less than one each."""
        jacobian = self.jacobian(self.shots.step) / sd
        taken = float(np.trace(self.covariance(sd) @ jacobian.T @ jacobian))
        return len(self.shots.step) - max(taken, float(FREE))

    @property
    def best_step(self) -> float:
        """Where MTF50 is highest, a span beyond the ends included."""
        first, last = self.shots.ends
        tried = np.linspace(first - (last - first), last + (last - first), _FINE)
        for _ in range(2):
            best = int(np.argmax(self.at(tried)))
            tried = np.linspace(tried[max(best - 1, 0)], tried[min(best + 1, _FINE - 1)], _FINE)
        return float(tried[int(np.argmax(self.at(tried)))])

    def near(self) -> BoolArray:
        """Which of its shots lie near it; at most a quarter is left out, and none of four."""
        off = np.abs(self.off)
        usual = max(1.4826 * float(np.median(off)), SMALLEST_SD)
        # With few shots the curve follows a stray one: the median distance is then too small.
        usual *= float(np.sqrt(len(off) / max(len(off) - FREE - 1, 1)))
        may_go = np.zeros(len(off), np.bool_)
        if len(off) > FREE + 1:
            may_go[np.argsort(-off)[: len(off) // 4]] = True
        return np.asarray((off <= _STRAYS * usual) | ~may_go, np.bool_)


def _start(shots: FocusShots, sd: float) -> FloatArray:
    first, last = shots.ends
    reach = 0.5 * (last - first)
    gains = np.linspace(shots.gains[0] + 0.1, shots.gains[1] - 0.1, _STARTS)
    middles = np.linspace(first - reach, last + reach, 2 * _STARTS + 1)
    level = min(float(np.max(shots.log_mtf50)), -1e-3)
    discs = np.exp(gains)[:, None, None] * (shots.step - middles[:, None])
    curves = shots.table.at(discs, level)
    shift = np.median(shots.log_mtf50 - curves, axis=-1, keepdims=True)
    off = (shots.log_mtf50 - curves - shift) / sd
    cost = np.sum(np.sqrt(1.0 + (off / 2.0) ** 2), axis=-1)
    gain, middle = np.unravel_index(int(np.argmin(cost)), cost.shape)
    level = float(np.clip(level + shift[gain, middle, 0], -5.9, -1e-3))
    return np.array([middles[middle], gains[gain], level])
