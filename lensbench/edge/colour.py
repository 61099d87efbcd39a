"""Lateral colour: how far another colour's edge lies from the measured one, across the edge and along the radius."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from math import cos, hypot, isnan, nan, radians, sin, sqrt
from typing import Final, Self

import numpy as np

from lensbench import optics
from lensbench.edge.clusters import PIECE_PX, Pieces, noise_factor
from lensbench.edge.line import span_px
from lensbench.model.shot import Edge, Samples
from lensbench.model.units import FloatArray

_ROUNDS: Final = 24
_TOGETHER: Final = 32
_LONGEST_STEP_PX: Final = 1.5
_NEAR_PX: Final = 0.3
"""A step from which the second derivative tells of blur; further off it tells of the way that is left."""
_SETTLED_PX: Final = 0.03
"""A step this small leaves a thousandth where the blurs are alike: the second derivative takes up its square."""
_AT_REST_PX: Final = 0.001
"""Where they differ, each step leaves a share of itself."""
_ALIKE_PX2: Final = 0.04
"""Difference of the blurs' variances up to which the second derivative is enough."""
_WIDEST_PX2: Final = 16.0
_NARROWEST: Final = 0.1
"""Of the measured edge's variance."""
_FEWEST_PIECES: Final = 3
_FEWEST_SAMPLES: Final = 40
_FARTHEST_PX: Final = 8.0
_MOSAIC: Final = 0.4
"""Red or blue on fewer of the pixels than this stands on an array of colour filters; green has all but twice that."""
_LEAST_STEP: Final = 0.01
"""Of the brightest sample: a colour whose edge is fainter shows no shift."""
_REACH_PX: Final = 6.0
_REACH_RISES: Final = 3.0
STEEPEST_DEG: Final = 60.0
"""Largest angle between an edge's normal and the radius at which a radial shift is told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """A shift and its standard deviation."""

    px: float
    sd_px: float


_UNKNOWN: Final = Shift(px=nan, sd_px=nan)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeShapes:
    """A measured edge's ESF with its first two derivatives, as an evenly spaced table towards the bright side."""

    first_px: float
    step_px: float
    table: FloatArray
    """Shape (3, n)."""
    reach_px: float
    """How far from the edge samples are looked at."""
    variance_px2: float
    """Of the Gaussian whose edge rises over the same way; 0 where the rise is not known."""
    position_sd_px: float
    """Of the edge itself by noise, as `position_sd_px` has it for all pixels; 0 where that is not known."""

    @classmethod
    def of(cls, edge: Edge) -> Self | None:
        """Take the shapes from an edge; None where it has no ESF."""
        if edge.esf.size < 3:
            return None
        position = edge.esf_position_px
        even = np.linspace(position[0], position[-1], position.size)
        esf = np.interp(even, position, edge.esf)
        step_px = float(even[1] - even[0])
        table = np.stack((esf, slope := _slopes(esf, step_px), _slopes(slope, step_px)))
        rise_px = max(0.0, edge.rise_10_90_px)  # 0 where it is NaN
        return cls(
            first_px=float(even[0]),
            step_px=step_px,
            table=table,
            reach_px=_REACH_PX + _REACH_RISES * rise_px,
            position_sd_px=0.0 if isnan(own := position_sd_px(edge)) else own,
            variance_px2=(rise_px / optics.RISE_10_90_SIGMAS) ** 2,
        )

    def with_blur(self, variance_px2: float) -> "EdgeShapes":
        """Blur the shapes by a Gaussian of this variance more; where it is negative, draw them together."""
        if variance_px2 <= 0.0:
            share = sqrt(max(1.0 + variance_px2 / self.variance_px2, _NARROWEST)) if variance_px2 else 1.0
            table = self.table / np.array([[1.0], [share], [share**2]])
            return replace(self, first_px=share * self.first_px, step_px=share * self.step_px, table=table)
        from scipy.ndimage import gaussian_filter1d  # noqa: PLC0415  heavy: only where colours are measured

        sigma = sqrt(variance_px2) / self.step_px
        margin = int(4.0 * sigma) + 1
        wider = np.pad(self.table, ((0, 0), (margin, margin)), mode="edge")
        return replace(
            self,
            first_px=self.first_px - margin * self.step_px,
            table=gaussian_filter1d(wider, sigma, axis=1, mode="nearest"),
        )


def _slopes(values: FloatArray, step_px: float) -> FloatArray:
    """Slope at every one of evenly spaced places, to second order but at both ends."""
    slopes = np.empty_like(values)
    slopes[1:-1] = (values[2:] - values[:-2]) / (2.0 * step_px)
    slopes[0], slopes[-1] = (values[1] - values[0]) / step_px, (values[-1] - values[-2]) / step_px
    return slopes


def colour_shift(samples: Samples, edge: Edge) -> Shift:
    """Another colour's shift along a measured edge's normal; see `colour_shifts`."""
    return colour_shifts([(samples, edge)])[0]


def colour_shifts(pairs: Iterable[tuple[Samples, Edge]]) -> list[Shift]:
    """Other colours' shifts along the measured edges' normals; NaN where one is not clear.

    The samples are fitted by the measured edge's ESF with its first two derivatives, whose coefficients are shift and
    difference in blur, by least squares, until the shift rests; where the blurs differ by much, the ESF is blurred
    or drawn together by the difference found. NaN, too, where it does not come to rest.

    Parameters
    ----------
    pairs : iterable of (Samples, Edge)
        The other colour in the same region, or in a part of it, and the measured edge, with its ESF and the point it
        passes through. Those of one edge should follow each other.

    Returns
    -------
    list of Shift
        Positive along (cos angle to the right, sin angle down). The sd holds the other colour's noise (larger
        where errors hang together along the edge, as misfit of the shape does), the measured edge's own as far as
        its SNR and SFR tell, and the thousandth that the rounds leave. [px]
    """
    found: list[Shift] = []
    waiting = iter(pairs)
    edge, shapes = None, None
    while some := list(islice(waiting, _TOGETHER)):
        seen: list[_Near | None] = []
        for samples, own in some:
            if own is not edge:
                edge, shapes = own, EdgeShapes.of(own)
            seen.append(_near(samples, own, shapes) if shapes is not None else None)
        bright = iter(_towards_bright([near for near in seen if near is not None]))
        for near in seen:
            shift = _UNKNOWN if near is None else next(bright)
            if near is not None and not isnan(shift.px):
                sd_px = hypot(shift.sd_px, near.position_sd_px, _AT_REST_PX)
                shift = Shift(px=near.side * shift.px, sd_px=sd_px)
            found.append(shift)
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Near:
    """One colour's samples near a measured edge."""

    distance_px: FloatArray
    """Towards the bright side."""
    along_px: FloatArray
    value: FloatArray
    side: float
    shapes: EdgeShapes
    position_sd_px: float


def _near(samples: Samples, edge: Edge, shapes: EdgeShapes) -> _Near | None:
    """Samples of a colour near the edge; None where too few lie on one side."""
    angle = radians(edge.angle_deg)
    width = samples.values.shape[1]
    held = np.flatnonzero(samples.present)
    row, column = np.divmod(held, width)
    distance = (row + (samples.box.top - edge.point_px[0])) * sin(angle)
    distance += (column + (samples.box.left - edge.point_px[1])) * cos(angle)
    near = np.flatnonzero(np.abs(distance) < shapes.reach_px)
    distance, value = distance[near], samples.values.ravel()[held[near]]
    before = distance < 0.0
    count = int(np.count_nonzero(before))
    if min(count, value.size - count) < _FEWEST_SAMPLES // 2:
        return None
    dark = float(value @ before)
    side = 1.0 if dark / count < (float(value.sum()) - dark) / (value.size - count) else -1.0
    share = held.size / samples.present.size
    return _Near(
        distance_px=side * distance,
        along_px=column[near] * sin(angle) - row[near] * cos(angle),
        value=value,
        side=side,
        shapes=shapes,
        position_sd_px=shapes.position_sd_px / sqrt(1.0 - 2.0 * share if share < _MOSAIC else 1.0),
    )


class _Tables:
    """Shapes of several edges, one after another in one table, to be looked up at once."""

    def __init__(self, shapes: Sequence[EdgeShapes]) -> None:
        self._table = np.concatenate([own.table for own in shapes], axis=1)
        size = np.array([[own.table.shape[1]] for own in shapes])
        self._start = np.cumsum(size, axis=0) - size
        self._last = size - 1
        self._first = np.array([[own.first_px] for own in shapes])
        self._step = np.array([[own.step_px] for own in shapes])

    def at(self, distance_px: FloatArray) -> FloatArray:
        """Look the three shapes up, shape (3, edges, samples); beyond a table its ends go on."""
        place = (distance_px - self._first) / self._step
        place = np.minimum(np.maximum(place, 0.0), self._last - 1e-9)
        index = place.astype(np.intp)
        place -= index
        index += self._start
        shapes: FloatArray = self._table.take(index, axis=1)
        shapes += (self._table.take(index + 1, axis=1) - shapes) * place
        return shapes


def _padded(rows: Sequence[FloatArray]) -> FloatArray:
    padded = np.zeros((len(rows), max(row.size for row in rows)))
    for own, row in zip(padded, rows, strict=True):
        own[: row.size] = row
    return padded


def _towards_bright(seen: Sequence[_Near]) -> list[Shift]:
    """Gauss-Newton for shift and difference in blur; a blur that is wider by much is put into the shapes."""
    found = [_UNKNOWN] * len(seen)
    if not seen:
        return found
    distance, value, along = (
        _padded([getattr(near, name) for near in seen]) for name in ("distance_px", "value", "along_px")
    )
    held = _padded([np.ones(near.value.size) for near in seen])
    least = _LEAST_STEP * np.abs(value).max(axis=1)
    own = np.array([near.shapes.variance_px2 for near in seen])
    shift, variance = np.zeros((2, len(seen)))
    blurred = [near.shapes for near in seen]
    going, tables = np.arange(len(seen)), _Tables(blurred)
    for _ in range(_ROUNDS):
        design = np.empty((going.size, 4, distance.shape[1]))
        design[:, 0] = held[going]
        design[:, 1:] = tables.at(distance[going] - shift[going, None]).transpose(1, 0, 2)
        design[:, 1:] *= held[going, None]
        inverse = _inverses(design @ design.transpose(0, 2, 1))
        fit = (inverse @ (design @ value[going, :, None]))[:, :, 0]
        clear = fit[:, 1] > least[going]
        amount = np.where(clear, fit[:, 1], 1.0)
        step = np.clip(-fit[:, 2] / amount, -_LONGEST_STEP_PX, _LONGEST_STEP_PX)
        change = 2.0 * fit[:, 3] / amount
        wider = np.clip(variance[going] + change, (_NARROWEST - 1.0) * own[going], _WIDEST_PX2)
        shift[going] += step
        alike = np.abs(change) < _ALIKE_PX2
        rests = clear & (alike | (wider == variance[going]))
        rests &= np.abs(step) < np.where(alike, _SETTLED_PX, _AT_REST_PX)
        done = np.flatnonzero(rests & (np.abs(shift[going]) < _FARTHEST_PX))
        if done.size:
            at = going[done]
            left = (value[at] - (fit[done, None] @ design[done])[:, 0]) * held[at]
            sd_px = _sds_px(along[at], held[at], left, (inverse[done, None, 2] @ design[done])[:, 0])
            for place, px, sd in zip(at.tolist(), shift[at].tolist(), sd_px / fit[done, 1], strict=True):
                found[place] = Shift(px=px, sd_px=float(sd))
        for k in np.flatnonzero(clear & ~rests & ~alike & (np.abs(step) < _NEAR_PX)).tolist():
            place = int(going[k])
            variance[place], blurred[place] = wider[k], seen[place].shapes.with_blur(float(wider[k]))
        going = going[clear & ~rests]
        if not going.size:
            break
        tables = _Tables([blurred[place] for place in going])
    return found


def _inverses(grams: FloatArray) -> FloatArray:
    """Inverse of each matrix; NaN for those that have none."""
    try:
        return np.asarray(np.linalg.inv(grams), np.float64)
    except np.linalg.LinAlgError:
        if len(grams) == 1:
            return np.full(grams.shape, np.nan)
        return np.concatenate([_inverses(gram[None]) for gram in grams])


def _sds_px(along: FloatArray, held: FloatArray, residual: FloatArray, pull: FloatArray) -> FloatArray:
    """Standard deviation of each slope's coefficient, larger where errors hang together along the edge."""
    count = held.sum(axis=1)
    variance = np.square(residual).sum(axis=1) / np.maximum(count - 4.0, 1.0) * np.square(pull).sum(axis=1)
    low = np.where(held > 0.0, along, np.inf).min(axis=1, keepdims=True)
    span = np.where(held > 0.0, along, -np.inf).max(axis=1, keepdims=True) - low
    pieces = (span / PIECE_PX).astype(np.intp)
    most = max(int(pieces.max()), 1)
    place = np.clip(
        ((along - low) / np.maximum(span, 1e-9) * pieces).astype(np.intp), 0, np.maximum(pieces - 1, 0)
    )
    place += most * np.arange(len(along))[:, None]
    sums = np.bincount(place.ravel(), (pull * residual).ravel(), most * len(along)).reshape(-1, most)
    factor = np.ones(len(along))
    for k, number in enumerate(pieces[:, 0].tolist()):
        if number >= _FEWEST_PIECES and variance[k] > 0.0:
            own = sums[k, :number]
            between = number / (number - 1.0) * float(np.square(own - own.mean()).sum())
            factor[k] = noise_factor([Pieces(ratio=between / float(variance[k]), dof=number - 1.0)])
    return np.asarray(np.sqrt(variance * factor), np.float64)


def position_sd_px(edge: Edge, *, share: float = 1.0) -> float:
    """Least sd with which noise lets an edge's position be known; NaN without its SFR.

    1 / (SNR sqrt(length * integral of LSF^2)), and that integral is twice the integral of SFR^2 (Parseval), 1 /
    (2 sqrt(pi) sigma) for a Gaussian.

    Parameters
    ----------
    edge : Edge
        With its SNR, SFR and angle.
    share : float
        Part of the pixels that bear this colour: 1/2 or 1/4 on an array of colour filters.
    """
    if edge.sfr.size < 3 or not edge.snr > 0.0:
        return nan
    length_px, _ = span_px(edge.roi, edge.angle_deg)
    sharp = 2.0 * float(np.trapezoid(np.square(edge.sfr), edge.frequency_cypx))
    return 1.0 / (edge.snr * sqrt(share * length_px * sharp))


def radial_shift(shift: Shift, edge: Edge, *, radius: tuple[float, float]) -> Shift:
    """Purely radial shift that this would have to be, positive outwards.

    Only the shift across the edge can be seen; NaN where the edge's normal lies more than 60 degrees off the radius.

    Parameters
    ----------
    shift : Shift
        Along the edge's normal. [px]
    edge : Edge
        Its angle gives the normal.
    radius : (down, right)
        From the picture's centre to the edge; any length but 0.
    """
    angle = radians(edge.angle_deg)
    outward = (sin(angle) * radius[0] + cos(angle) * radius[1]) / hypot(*radius)
    if abs(outward) < cos(radians(STEEPEST_DEG)):
        return _UNKNOWN
    return Shift(px=shift.px / outward, sd_px=shift.sd_px / abs(outward))
