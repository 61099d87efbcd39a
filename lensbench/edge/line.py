"""The edge line: where the edge runs through a region, at what angle, and how it bends.

A line is fitted jointly with a first, Gaussian idea of the blur, to the samples near the edge only. Distances along
the normal are d = col cos a + row sin a - offset - bend t^2, positions from the region's centre, with a the edge's
angle from the columns' direction, positive when the upper end leans right; t = col sin a - row cos a runs along the
edge, upwards. All regions given together are fitted together, step by step, from a first idea without any fit.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.edge.first_line import EQUALLY_BRIGHT, FEWEST_POINTS, Start, first_lines, strata
from lensbench.edge.samples import Points
from lensbench.model.errors import EdgeError
from lensbench.model.shot import Box
from lensbench.model.units import FloatArray

Places = npt.NDArray[np.intp]

_NARROWEST_SIGMA_PX: Final = 0.18
_MOST_POINTS: Final = (400, 1200)
"""Of each choice: few for the first, more for the last, so that what the Gaussian misses of the edge cancels out."""
_TOGETHER: Final = 34  # regions worked on at a time: their arrays then fit the processor's cache
_ROUNDS: Final = ((4.0, 1.2, 4), (3.2, 1.0, 2))
"""Reach in sigma and px, and steps, of each choice of the samples near the edge."""
_MOST_ROUNDS: Final = 5
_SETTLED_PX: Final = 3e-3
_NEAR_ENOUGH_PX: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeLine:
    """A straight or gently bent edge, and the first idea of its profile."""

    angle_deg: float
    offset_px: float
    """Distance of the line from the region's centre along the normal."""
    bend_per_px: float
    """d of the edge is bend t^2: twice this is the curvature."""
    sigma_px: float
    """Width of the Gaussian edge that fits best."""
    dark: float
    bright: float
    bright_side: int
    """+1 where the bright side lies towards positive d, else -1."""

    @property
    def step(self) -> float:
        """Bright less dark."""
        return self.bright - self.dark

    def distance_px(self, points: Points) -> tuple[FloatArray, FloatArray]:
        """(d, t): distance from the edge towards its bright side, and place along the edge. [px]."""
        angle = np.radians(self.angle_deg)
        cosine, sine = self.bright_side * float(np.cos(angle)), self.bright_side * float(np.sin(angle))
        across = points.col_px * cosine
        across += points.row_px * sine
        across -= self.bright_side * self.offset_px
        along = points.col_px * (self.bright_side * sine)
        along -= points.row_px * (self.bright_side * cosine)
        if self.bend_per_px:
            across -= (self.bright_side * self.bend_per_px) * along * along
        return across, along

    def moved(self, shift_px: float, turn_px: float, bend_px: float, *, scale_px: float) -> "EdgeLine":
        """Line after d has grown by shift + turn s + bend s^2, with s the place along it over `scale_px`."""
        # d falls with the angle by t, and with offset and bend: the line moves against the growth of d.
        turned_deg = self.angle_deg - self.bright_side * float(np.degrees(np.arctan(turn_px / scale_px)))
        angle_deg = (turned_deg + 90.0) % 180.0 - 90.0
        # Half a turn changes the sign of d, and so of offset, bend and the bright side.
        sign = 1 if abs(turned_deg - angle_deg) < 90.0 else -1
        return replace(
            self,
            angle_deg=angle_deg,
            offset_px=sign * (self.offset_px - self.bright_side * shift_px),
            bend_per_px=sign * (self.bend_per_px - self.bright_side * bend_px / scale_px**2),
            bright_side=sign * self.bright_side,
        )


def span_px(box: Box, angle_deg: float) -> tuple[float, float]:
    """Length of an edge through the box's centre, and the half-width of the box along its normal."""
    angle = np.radians(angle_deg)
    cosine, sine = abs(np.cos(angle)), abs(np.sin(angle))
    length = min(box.height / max(cosine, 1e-9), box.width / max(sine, 1e-9))
    area = box.height * box.width
    return float(length), float(area / length / 2.0)


def fit_lines(regions: Sequence[Points]) -> list[EdgeLine | EdgeError]:
    """Fit position, angle, bend, width and levels of each region's edge to the samples near it.

    Damped Gauss-Newton steps on y = dark + (bright - dark) Phi(d / sigma). A region without an edge gives its error.
    """
    lines: list[EdgeLine | EdgeError] = []
    for first in range(0, len(regions), _TOGETHER):
        lines.extend(_fit_together(regions[first : first + _TOGETHER]))
    return lines


def _fit_together(regions: Sequence[Points]) -> list[EdgeLine | EdgeError]:
    states: list[FloatArray | EdgeError] = [
        start if isinstance(start, EdgeError) else _state(start) for start in first_lines(regions)
    ]
    for number in range(_MOST_ROUNDS):
        reach_sigma, reach_px, steps = _ROUNDS[min(number, 1)]
        open_ones = [
            i for i, state in enumerate(states) if not isinstance(state, EdgeError) and state[_MOVED] > 0
        ]
        if not open_ones:
            break
        most = _MOST_POINTS[min(number, 1)]
        reach = (reach_sigma, reach_px)
        near = [_near(regions[i], states[i], reach, most) for i in open_ones]  # type: ignore[arg-type]
        alive = [
            (i, picked) for i, picked in zip(open_ones, near, strict=True) if picked.size >= FEWEST_POINTS
        ]
        for i, picked in zip(open_ones, near, strict=True):
            if picked.size < FEWEST_POINTS:
                states[i] = EdgeError("the edge runs outside this region")
        if alive:
            state = np.array([states[i] for i, _ in alive])
            batch = _Batch([regions[i] for i, _ in alive], [picked for _, picked in alive], state)
            moved = batch.fit(state, steps=steps, settled=number > 0)
            for (i, _), own in zip(alive, moved, strict=True):
                # An infinity or NaN anywhere makes the sum one.
                is_sound = math.isfinite(own.sum())
                states[i] = own if is_sound else EdgeError("no line could be fitted in this region")
    return [state if isinstance(state, EdgeError) else _line(state) for state in states]


# A state is one row of numbers for the batch: see these places. Distances in it are towards the bright side, at an
# angle over the full circle; `_line` turns it into the convention of the records.
# Levels are counted from the first idea of the dark one, in units of the first idea of the step; light along the edge
# may differ on both sides.
_ANGLE, _OFFSET, _BEND, _SIGMA, _DARK, _BRIGHT, _DARK_LIGHT, _BRIGHT_LIGHT, _MOVED, _ZERO, _UNIT = range(11)
_UNKNOWNS: Final = 8


def _state(start: Start) -> FloatArray:
    geometry = (start.angle_rad, start.offset_px, 0.0, start.sigma_px)
    return np.array([*geometry, 0.0, 1.0, 0.0, 0.0, 1.0, start.dark, start.bright - start.dark])


def _near(points: Points, state: FloatArray, reach: tuple[float, float], most: int) -> Places:
    """Pick the samples near the line, so many sigma and pixels from it, thinned where they are more than `most`."""
    cosine, sine = np.cos(state[_ANGLE]), np.sin(state[_ANGLE])
    distance = points.col_px * cosine
    distance += points.row_px * sine
    if state[_BEND]:
        along = points.col_px * sine - points.row_px * cosine
        along *= along
        along *= state[_BEND]
        distance -= along
    distance -= state[_OFFSET]
    near = np.abs(distance, out=distance) < reach[0] * state[_SIGMA] + reach[1]
    picked: Places = near.nonzero()[0]
    return picked[(strata(most) * picked.size).astype(np.intp)] if picked.size > most else picked


class _Batch:
    """Samples near the edges of several regions, padded to one length; padding weighs nothing."""

    def __init__(self, regions: list[Points], near: list[Places], state: FloatArray) -> None:
        longest = max(picked.size for picked in near)
        self._samples = np.zeros((3, len(near), longest), np.float32)
        self._weight = np.zeros((len(near), longest), np.float32)
        for place, (points, picked) in enumerate(zip(regions, near, strict=True)):
            row, col, value = self._samples[:, place, : picked.size]
            row[:], col[:] = points.row_px.take(picked), points.col_px.take(picked)
            value[:] = (points.value.take(picked) - state[place, _ZERO]) / state[place, _UNIT]
            self._weight[place, : picked.size] = 1.0

    def fit(self, state: FloatArray, *, steps: int, settled: bool) -> FloatArray:
        """Take Gauss-Newton steps; `settled` marks as done the edges that hardly move any more."""
        limit = _SETTLED_PX if settled else _NEAR_ENOUGH_PX
        resting = np.zeros(len(state), bool)
        for _ in range(steps):
            # An edge that rests stays: how far its neighbours have come must not move it.
            stepped = self._step(state, _UNKNOWNS if settled else _UNKNOWNS - 2)
            state = np.where(resting[:, None], state, stepped)
            resting |= state[:, _MOVED] < limit
            if resting.all():
                break
        if settled:
            state[state[:, _MOVED] < _SETTLED_PX, _MOVED] = 0.0
        return state

    def _step(self, state: FloatArray, unknowns: int) -> FloatArray:
        row, col, value = self._samples
        # Single precision places a line to a millionth of a pixel, in half the time.
        column = state.T[:, :, None].astype(np.float32)
        cosine, sine = (f(state[:, _ANGLE, None]).astype(np.float32) for f in (np.cos, np.sin))
        along = col * sine
        along -= row * cosine
        u = col * cosine
        u += row * sine
        u -= column[_OFFSET]
        u -= column[_BEND] * (along * along)
        u /= column[_SIGMA]
        step = column[_BRIGHT] - column[_DARK]
        scale = np.maximum(np.abs(along).max(axis=1, keepdims=True), 1.0)
        along /= scale
        jacobian = np.empty((unknowns + 1, *u.shape), np.float32)
        slope, turn, widen, dark, bright, bend = jacobian[:6]
        residual = jacobian[unknowns]
        np.multiply(u, np.float32(-0.5) * u, out=slope)
        np.exp(slope, out=slope)
        slope *= np.float32(0.3989422804014327) * step / column[_SIGMA]
        slope *= self._weight
        np.multiply(slope, along, out=turn)
        np.multiply(slope, u, out=widen)
        np.multiply(turn, along, out=bend)
        np.multiply(_normal(u), self._weight, out=bright)
        np.subtract(self._weight, bright, out=dark)
        np.subtract(value, column[_DARK], out=residual)
        residual *= self._weight
        residual -= step * bright
        # The first choice of samples knows no light along the edge.
        lights = zip(jacobian[6:unknowns], (dark, bright), (_DARK_LIGHT, _BRIGHT_LIGHT), strict=False)
        for light, side, amount in lights:
            np.multiply(side, along, out=light)
            residual -= column[amount] * light
        gram = np.empty((len(state), unknowns + 1, unknowns + 1))
        for place, own in enumerate(jacobian):  # for so few rows sooner done than a product of matrices
            gram[:, place:, place] = np.vecdot(jacobian[place:], own).T
            gram[:, place, place:] = gram[:, place:, place]
        moment, gram = gram[:, :-1, -1:], gram[:, :-1, :-1]
        diagonal = np.arange(unknowns)
        own = gram[:, diagonal, diagonal]
        gram[:, diagonal, diagonal] = own + 1e-9 * own.sum(axis=1, keepdims=True) + 1e-300
        delta = np.asarray(np.linalg.solve(gram, moment)[:, :, 0], np.float64)
        return _moved(state, delta, scale[:, 0].astype(np.float64))


def _normal(u: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Cumulative normal distribution to 2e-4, by an odd formula: no line moves by its error. From memory."""
    cubic = u * u
    cubic *= np.float32(0.0356774)
    cubic += np.float32(0.7978846)
    cubic *= u
    np.tanh(cubic, out=cubic)
    cubic *= np.float32(0.5)
    cubic += np.float32(0.5)
    return cubic


def _moved(state: FloatArray, delta: FloatArray, scale: FloatArray) -> FloatArray:
    """Apply steps of shift, turn, width, levels and bend, none larger than the blur allows.

    d must grow by shift + turn s + bend s^2, and by the angle it falls by t: so the line moves the other way.
    """
    moved = state.copy()
    limit = state[:, _SIGMA] + 0.5
    shift, turn, bend = np.clip(delta.T[[0, 1, 5]], -limit, limit)
    sigma = np.clip(state[:, _SIGMA] - delta[:, 2], 0.5 * state[:, _SIGMA], 2.0 * state[:, _SIGMA])
    moved[:, _OFFSET] -= shift
    moved[:, _ANGLE] -= np.arctan(turn / scale)
    moved[:, _BEND] -= bend / scale**2
    moved[:, _SIGMA] = np.maximum(sigma, _NARROWEST_SIGMA_PX)
    moved[:, _DARK] += delta[:, 3]
    moved[:, _BRIGHT] += delta[:, 4]
    if delta.shape[1] == _UNKNOWNS:
        moved[:, _DARK_LIGHT] += delta[:, 6]
        moved[:, _BRIGHT_LIGHT] += delta[:, 7]
    moved[:, _MOVED] = np.abs(shift) + np.abs(turn) + np.abs(bend) + 1e-9
    return moved


def _line(state: FloatArray) -> EdgeLine | EdgeError:
    """Turn a state into the records' convention: the angle in [-90, 90), and which side is bright."""
    turned = float(np.degrees(state[_ANGLE]))
    angle_deg = (turned + 90.0) % 180.0 - 90.0
    side = 1 if round((turned - angle_deg) / 180.0) % 2 == 0 else -1
    if not state[_BRIGHT] > state[_DARK]:
        return EdgeError(EQUALLY_BRIGHT)
    return EdgeLine(
        angle_deg=angle_deg,
        offset_px=float(side * state[_OFFSET]),
        bend_per_px=float(side * state[_BEND]),
        sigma_px=float(state[_SIGMA]),
        dark=float(state[_ZERO] + state[_UNIT] * state[_DARK]),
        bright=float(state[_ZERO] + state[_UNIT] * state[_BRIGHT]),
        bright_side=side,
    )
