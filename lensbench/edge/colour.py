"""Lateral colour: how far another colour's edge lies from the measured one, across the edge and along the radius."""

from dataclasses import dataclass, replace
from math import cos, hypot, isnan, nan, radians, sin, sqrt
from typing import Final, Self

import numpy as np

from lensbench import optics
from lensbench.edge.clusters import PIECE_PX, Pieces, noise_factor
from lensbench.edge.line import span_px
from lensbench.model.shot import Edge, Samples
from lensbench.model.units import FloatArray

_ROUNDS: Final = 24
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

    def at(self, distance_px: FloatArray) -> FloatArray:
        """Look the three shapes up, shape (3, samples); beyond the table its ends go on."""
        last = self.table.shape[1] - 1
        place = (distance_px - self.first_px) / self.step_px
        place = np.minimum(np.maximum(place, 0.0), last - 1e-9)
        index = place.astype(np.intp)
        shapes: FloatArray = self.table.take(index, axis=1)
        shapes += (self.table.take(index + 1, axis=1) - shapes) * (place - index)
        return shapes


def _slopes(values: FloatArray, step_px: float) -> FloatArray:
    """Slope at every one of evenly spaced places, to second order but at both ends."""
    slopes = np.empty_like(values)
    slopes[1:-1] = (values[2:] - values[:-2]) / (2.0 * step_px)
    slopes[0], slopes[-1] = (values[1] - values[0]) / step_px, (values[-1] - values[-2]) / step_px
    return slopes


def colour_shift(samples: Samples, edge: Edge, shapes: EdgeShapes | None = None, *, sd: bool = True) -> Shift:
    """Another colour's shift along the measured edge's normal; NaN where it is not clear.

    The samples are fitted by the measured edge's ESF with its first two derivatives, whose coefficients are shift and
    difference in blur, by least squares, until the shift rests; where the blurs differ by much, the ESF is blurred
    or drawn together by the difference found. NaN, too, where it does not come to rest.

    Parameters
    ----------
    samples : Samples
        The other colour in the same region, or in a part of it.
    edge : Edge
        The measured one, with its ESF and the point it passes through.
    shapes : EdgeShapes, optional
        `EdgeShapes.of(edge)`, where it is at hand.
    sd : bool
        Whether the sd is asked for: it takes a third of the time, and is NaN without.

    Returns
    -------
    Shift
        Positive along (cos angle to the right, sin angle down). The sd holds the other colour's noise (larger
        where errors hang together along the edge, as misfit of the shape does), the measured edge's own as far as
        its SNR and SFR tell, and the thousandth that the rounds leave. [px]
    """
    shapes = EdgeShapes.of(edge) if shapes is None else shapes
    if shapes is None:
        return _UNKNOWN
    angle = radians(edge.angle_deg)
    height, width = samples.values.shape
    right = np.arange(width) + (samples.box.left - edge.point_px[1])
    down = np.arange(height) + (samples.box.top - edge.point_px[0])
    distance = np.add.outer(down * sin(angle), right * cos(angle)).ravel()
    near = np.flatnonzero(samples.present.ravel() & (np.abs(distance) < shapes.reach_px))
    distance, values = distance[near], samples.values.ravel()[near]
    before = distance < 0.0
    count = int(np.count_nonzero(before))
    if min(count, values.size - count) < _FEWEST_SAMPLES // 2:
        return _UNKNOWN
    dark = float(values @ before)
    side = 1.0 if dark / count < (float(values.sum()) - dark) / (values.size - count) else -1.0
    along = None
    if sd:
        row, column = np.divmod(near, width)
        along = column * sin(angle) - row * cos(angle)
    bright = _towards_bright(np.multiply(distance, side), along, values, shapes)
    if along is None:
        return Shift(px=side * bright.px, sd_px=nan)
    share = float(samples.present.mean())
    own = position_sd_px(edge) / sqrt(1.0 - 2.0 * share if share < _MOSAIC else 1.0)
    return Shift(px=side * bright.px, sd_px=hypot(bright.sd_px, 0.0 if isnan(own) else own, _AT_REST_PX))


def _towards_bright(
    distance: FloatArray, along: FloatArray | None, values: FloatArray, shapes: EdgeShapes
) -> Shift:
    """Gauss-Newton for shift and difference in blur; a blur that is wider by much is put into the shapes."""
    shift, variance, least = 0.0, 0.0, _LEAST_STEP * float(np.abs(values).max())
    blurred = shapes
    design = np.ones((4, distance.size))
    for _ in range(_ROUNDS):
        design[1:] = blurred.at(distance - shift)
        try:
            inverse = np.linalg.inv(design @ design.T)
        except np.linalg.LinAlgError:
            return _UNKNOWN
        fit = inverse @ (design @ values)
        if not fit[1] > least:
            return _UNKNOWN
        step = min(max(-float(fit[2] / fit[1]), -_LONGEST_STEP_PX), _LONGEST_STEP_PX)
        change = 2.0 * float(fit[3] / fit[1])
        wider = min(max(variance + change, (_NARROWEST - 1.0) * shapes.variance_px2), _WIDEST_PX2)
        shift += step
        alike = abs(change) < _ALIKE_PX2
        if (alike or wider == variance) and abs(step) < (_SETTLED_PX if alike else _AT_REST_PX):
            break
        if not alike and abs(step) < _NEAR_PX:
            variance, blurred = wider, shapes.with_blur(wider)
    else:
        return _UNKNOWN
    if not abs(shift) < _FARTHEST_PX:
        return _UNKNOWN
    if along is None:
        return Shift(px=shift, sd_px=nan)
    return Shift(px=shift, sd_px=_sd_px(along, values - fit @ design, inverse[2] @ design) / float(fit[1]))


def _sd_px(along: FloatArray, residual: FloatArray, pull: FloatArray) -> float:
    """Standard deviation of the slope's coefficient, larger where errors hang together along the edge."""
    variance = float(residual @ residual) / max(residual.size - 4, 1) * float(pull @ pull)
    low, high = float(along.min()), float(along.max())
    count = int((high - low) / PIECE_PX)
    if count < _FEWEST_PIECES or not variance > 0.0:
        return sqrt(variance)
    piece = np.minimum(((along - low) / (high - low) * count).astype(np.intp), count - 1)
    sums = np.bincount(piece, pull * residual, count)
    between = count / (count - 1.0) * float(np.square(sums - sums.mean()).sum())
    return sqrt(variance * noise_factor([Pieces(ratio=between / variance, dof=count - 1.0)]))


def position_sd_px(edge: Edge, *, share: float = 1.0) -> float:
    """Least sd with which noise lets an edge's position be known; NaN without its SFR.

    1 / (SNR sqrt(length * integral of LSF^2)), and that integral is twice the integral of SFR^2 (Parseval), 1 / (2
    sqrt(pi) sigma) for a Gaussian. `share` is the part of the pixels that bear this colour: 1/2 or 1/4 on an array of
    colour filters.
    """
    if edge.sfr.size < 3 or not edge.snr > 0.0:
        return nan
    length_px, _ = span_px(edge.roi, edge.angle_deg)
    sharp = 2.0 * float(np.trapezoid(np.square(edge.sfr), edge.frequency_cypx))
    return 1.0 / (edge.snr * sqrt(share * length_px * sharp))


def radial_shift(shift: Shift, edge: Edge, *, radius: tuple[float, float]) -> Shift:
    """Purely radial shift that one along the edge's normal would have to be, positive outwards along (down, right).

    Only the shift across the edge can be seen; NaN where the edge's normal lies more than 60 degrees off the radius.
    """
    angle = radians(edge.angle_deg)
    outward = (sin(angle) * radius[0] + cos(angle) * radius[1]) / hypot(*radius)
    if abs(outward) < cos(radians(STEEPEST_DEG)):
        return _UNKNOWN
    return Shift(px=shift.px / outward, sd_px=shift.sd_px / abs(outward))
