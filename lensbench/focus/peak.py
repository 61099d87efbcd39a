"""Laying the through-focus curve through shots: robustly, from a grid of places and widths.

Real pupils fall faster on one side than on the other (spherical aberration), and are flatter on top, as sagittal and
tangential edges have their planes of focus apart (astigmatism). Both are parameters, held by what pupils with up to a
quarter wave of each aberration do; so they matter as soon as a bracket has the shots to tell them.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from lensbench.focus.model import FallTable
from lensbench.model.shot import BoolArray
from lensbench.model.units import FloatArray

FREE: Final = 3
"""Parameters that nothing holds: best step, log of disc diameter per step [px], log MTF50 [cycles/pixel]."""
SMALLEST_SD: Final = 0.003
_HELD: Final = (0.0, 0.2)
_HELD_SD: Final = (0.2, 0.15)
"""Unevenness (log ratio of the discs far behind and before) and half the distance of the two planes of focus (disc
times MTF50): mean and spread over pupils drawn with up to 0.25 waves rms of astigmatism and of coma and 0.3 of
spherical aberration, by the check in the tests."""
_PRECISION: Final = np.diag([0.0, 0.0, 0.0, *(sd**-2.0 for sd in _HELD_SD)])
_STRAYS: Final = 4.0
"""Standard deviations from the curve beyond which a shot is left out."""
_STARTS: Final = 16
_MOST_ROUNDS: Final = 40
_MOST_DAMPING: Final = 1e8
_SETTLED: Final = 1e-4
_FINE: Final = 201


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusShots:
    """The shots of one bracket."""

    step: FloatArray
    """Shape (shots,)."""
    log_mtf50: FloatArray
    table: FallTable

    def kept(self, keep: BoolArray) -> "FocusShots":
        """Shots to be kept, alone."""
        return FocusShots(step=self.step[keep], log_mtf50=self.log_mtf50[keep], table=self.table)

    @property
    def steps(self) -> int:
        """How many different focus positions."""
        return len(np.unique(self.step))

    @property
    def low(self) -> float:
        """The first step."""
        return float(self.step.min())

    @property
    def high(self) -> float:
        """The last step."""
        return float(self.step.max())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FocusCurve:
    """The curve through a bracket."""

    parameters: FloatArray
    """Middle step, log disc per step, log level, unevenness, half the distance of the planes; shape (5,)."""
    table: FallTable
    low: float
    high: float

    @classmethod
    def through(cls, shots: FocusShots, sd: float) -> "FocusCurve":
        """Lay the curve through shots that stray by about sd; shots far off pull little.

        Levenberg's and Marquardt's damped least squares, with the weights of a soft l1 loss.
        """
        span = shots.high - shots.low
        lowest, highest = _gains(shots)
        low = np.array([shots.low - span, lowest, -6.0, -1.0, 0.0])
        high = np.array([shots.high + span, highest, 0.0, 1.0, 1.0])
        curve = cls(
            parameters=np.concatenate([_start(shots, sd), _HELD]),
            table=shots.table,
            low=shots.low,
            high=shots.high,
        )
        damping, cost = 1e-2, curve._cost(shots, sd)
        for _ in range(_MOST_ROUNDS):
            tried = replace(
                curve, parameters=np.clip(curve.parameters + curve._step(shots, sd, damping), low, high)
            )
            reached = tried._cost(shots, sd)  # noqa: SLF001 - its own class
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

    def _cost(self, shots: FocusShots, sd: float) -> float:
        off = (self.at(shots.step) - shots.log_mtf50) / sd
        held = (self.parameters[FREE:] - _HELD) / _HELD_SD
        return float(8.0 * np.sum(np.sqrt(1.0 + off**2 / 4.0) - 1.0) + np.sum(held**2))

    def _step(self, shots: FocusShots, sd: float, damping: float) -> FloatArray:
        off = (self.at(shots.step) - shots.log_mtf50) / sd
        weights = 1.0 / np.sqrt(1.0 + off**2 / 4.0)
        jacobian = self.jacobian(shots.step) / sd
        normal = jacobian.T @ (weights[:, None] * jacobian) + _PRECISION
        slope = jacobian.T @ (weights * off)
        slope[FREE:] += (self.parameters[FREE:] - _HELD) / np.square(_HELD_SD)
        diagonal = np.diag(np.maximum(np.diag(normal), 1e-12))
        return -np.asarray(np.linalg.solve(normal + damping * diagonal, slope), np.float64)

    @staticmethod
    def _at(step: FloatArray, parameters: FloatArray, table: FallTable) -> FloatArray:
        """Log MTF50 for parameters of shape (..., 5), shape (..., steps)."""
        middle, log_gain, log_level, uneven, apart = np.moveaxis(parameters[..., None], -2, 0)
        reach = np.exp(log_gain + log_level) * (step - middle)
        moved = np.stack((reach - apart, reach + apart))
        planes = table.at(moved * np.exp(uneven * np.tanh(moved) - log_level), log_level)
        both: FloatArray = np.logaddexp(planes[0], planes[1]) - np.log(2.0)
        return both

    def at(self, step: FloatArray) -> FloatArray:
        """Log MTF50 at steps."""
        return self._at(step, self.parameters, self.table)

    def jacobian(self, step: FloatArray) -> FloatArray:
        """Jacobian of log MTF50 at steps by the parameters, shape (steps, 5)."""
        moves = np.array([1e-3 * (self.high - self.low), 1e-3, 1e-3, 1e-3, 1e-3])
        changed = self.parameters + np.concatenate([np.diag(moves), -np.diag(moves)])
        ahead, behind = np.split(self._at(step, changed, self.table), 2)
        return np.asarray((ahead - behind).T / (2.0 * moves), np.float64)

    def covariance(self, step: FloatArray, sd: float) -> FloatArray:
        """Covariance of the parameters, for shots at these steps that stray by sd; shape (5, 5)."""
        jacobian = self.jacobian(step) / sd
        return np.asarray(np.linalg.pinv(jacobian.T @ jacobian + _PRECISION, hermitian=True), np.float64)

    def spare(self, step: FloatArray, sd: float) -> float:
        """Degrees of freedom that the shots leave: held parameters take up less than one each."""
        jacobian = self.jacobian(step) / sd
        taken = float(np.trace(self.covariance(step, sd) @ jacobian.T @ jacobian))
        return len(step) - max(taken, float(FREE))

    @property
    def best_step(self) -> float:
        """Where MTF50 is highest, a span beyond the ends included."""
        span = self.high - self.low
        tried = np.linspace(self.low - span, self.high + span, _FINE)
        for _ in range(2):
            place = int(np.argmax(self.at(tried)))
            tried = np.linspace(tried[max(place - 1, 0)], tried[min(place + 1, _FINE - 1)], _FINE)
        return float(tried[int(np.argmax(self.at(tried)))])

    @property
    def curvature(self) -> float:
        """Second derivative of log MTF50 by the step, over a tenth of a blur disc that would halve MTF50."""
        best = self.best_step
        width = 0.3 * float(np.exp(-self.parameters[1] - self.parameters[2]))
        before, here, after = self.at(best + width * np.array([-1.0, 0.0, 1.0]))
        return float(before - 2.0 * here + after) / width**2


def near_curve(shots: FocusShots, curve: FocusCurve, sd: float | None) -> BoolArray:
    """Which shots lie near the curve; at most a quarter is left out, and none of four."""
    off = np.abs(shots.log_mtf50 - curve.at(shots.step))
    usual = max(1.4826 * float(np.median(off)), sd or 0.0, SMALLEST_SD)
    # With few shots the curve follows a stray one: the median distance is then too small.
    usual *= float(np.sqrt(len(off) / max(len(off) - FREE - 1, 1)))
    may_go = np.zeros(len(off), np.bool_)
    if len(off) > FREE + 1:
        may_go[np.argsort(-off)[: len(off) // 4]] = True
    kept: BoolArray = (off <= _STRAYS * usual) | ~may_go
    return kept


def _gains(shots: FocusShots) -> tuple[float, float]:
    """Bounds of log disc per step: from no fall over the bracket to a peak as narrow as its eightieth part."""
    level = float(np.max(shots.log_mtf50))
    span = shots.high - shots.low
    return float(np.log(0.05 / span) - level), float(np.log(40.0 / span) - level)


def _start(shots: FocusShots, sd: float) -> FloatArray:
    span = shots.high - shots.low
    lowest, highest = _gains(shots)
    gains = np.linspace(lowest + 0.1, highest - 0.1, _STARTS)
    places = np.linspace(shots.low - 0.5 * span, shots.high + 0.5 * span, 2 * _STARTS + 1)
    level = min(float(np.max(shots.log_mtf50)), -1e-3)
    discs = np.exp(gains)[:, None, None] * (shots.step - places[:, None])
    curves = shots.table.at(discs, level)
    shift = np.median(shots.log_mtf50 - curves, axis=-1, keepdims=True)
    off = (shots.log_mtf50 - curves - shift) / sd
    cost = np.sum(np.sqrt(1.0 + (off / 2.0) ** 2), axis=-1)
    gain, place = np.unravel_index(int(np.argmin(cost)), cost.shape)
    level = float(np.clip(level + shift[gain, place, 0], -5.9, -1e-3))
    return np.array([places[place], gains[gain], level])
