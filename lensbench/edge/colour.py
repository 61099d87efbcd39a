"""Lateral colour: how far another colour's edge lies from the measured one, across the edge and along the radius."""

from dataclasses import dataclass
from math import cos, hypot, isnan, nan, radians, sin, sqrt
from typing import Final, Self

import numpy as np

from lensbench.edge.line import span_px
from lensbench.model.shot import Edge, Samples
from lensbench.model.units import FloatArray

_ROUNDS: Final = 3
_SETTLED_PX: Final = 0.03  # A step this small leaves a thousandth: the second derivative takes up its square
_FEWEST_SAMPLES: Final = 40
_FARTHEST_PX: Final = 8.0
_LEAST_STEP: Final = 0.01  # of the brightest sample: a colour whose edge is fainter shows no shift
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

    @classmethod
    def of(cls, edge: Edge) -> Self | None:
        """Take the shapes from an edge; None where it has no ESF."""
        if edge.esf.size < 3:
            return None
        position = edge.esf_position_px
        even = np.linspace(position[0], position[-1], position.size)
        esf = np.interp(even, position, edge.esf)
        step_px = float(even[1] - even[0])
        slope = np.gradient(esf, step_px)
        rise_px = max(0.0, edge.rise_10_90_px)  # 0 where it is NaN
        return cls(
            first_px=float(even[0]),
            step_px=step_px,
            table=np.stack((esf, slope, np.gradient(slope, step_px))),
            reach_px=_REACH_PX + _REACH_RISES * rise_px,
        )

    def at(self, distance_px: FloatArray) -> FloatArray:
        """Look the three shapes up, shape (3, samples); beyond the table its ends go on."""
        last = self.table.shape[1] - 1
        place = np.clip((distance_px - self.first_px) / self.step_px, 0.0, last - 1e-9)
        index = place.astype(np.intp)
        part = place - index
        shapes: FloatArray = self.table[:, index] * (1.0 - part) + self.table[:, index + 1] * part
        return shapes


def colour_shift(samples: Samples, edge: Edge, shapes: EdgeShapes | None = None) -> Shift:
    """Another colour's shift along the measured edge's normal; NaN where it is not clear.

    The samples are fitted by the measured edge's ESF with its first two derivatives, whose coefficients are shift and
    difference in blur, by least squares.

    Parameters
    ----------
    samples : Samples
        The other colour in the same region, or in a part of it.
    edge : Edge
        The measured one, with its ESF and the point it passes through.
    shapes : EdgeShapes, optional
        `EdgeShapes.of(edge)`, where it is at hand.

    Returns
    -------
    Shift
        Positive along (cos angle to the right, sin angle down). The sd holds the other colour's noise, and the
        measured edge's own as far as its SNR and SFR tell. [px]
    """
    shapes = EdgeShapes.of(edge) if shapes is None else shapes
    if shapes is None:
        return _UNKNOWN
    angle = radians(edge.angle_deg)
    height, width = samples.values.shape
    right = np.arange(width) + (samples.box.left - edge.point_px[1])
    down = np.arange(height) + (samples.box.top - edge.point_px[0])
    distance = np.add.outer(down * sin(angle), right * cos(angle))
    near = samples.present & (np.abs(distance) < shapes.reach_px)
    distance, values = distance[near], samples.values[near]
    before = distance < 0.0
    count = int(np.count_nonzero(before))
    if min(count, values.size - count) < _FEWEST_SAMPLES // 2:
        return _UNKNOWN
    side = 1.0 if values[before].sum() / count < values[~before].sum() / (values.size - count) else -1.0
    bright = _towards_bright(np.multiply(distance, side), values, shapes)
    own = position_sd_px(edge)
    return Shift(px=side * bright.px, sd_px=bright.sd_px if isnan(own) else hypot(bright.sd_px, own))


def _towards_bright(distance: FloatArray, values: FloatArray, shapes: EdgeShapes) -> Shift:
    shift, least = 0.0, _LEAST_STEP * float(np.abs(values).max())
    design = np.ones((4, distance.size))
    for _ in range(_ROUNDS):
        design[1:] = shapes.at(distance - shift)
        gram = design @ design.T
        try:
            fit = np.linalg.solve(gram, design @ values)
        except np.linalg.LinAlgError:
            return _UNKNOWN
        if not fit[1] > least:
            return _UNKNOWN
        step = -float(fit[2] / fit[1])
        shift += step
        if abs(step) < _SETTLED_PX:
            break
    if not abs(shift) < _FARTHEST_PX:
        return _UNKNOWN
    residual = values - fit @ design
    variance = float(residual @ residual) / max(values.size - 4, 1)
    return Shift(px=shift, sd_px=sqrt(variance * float(np.linalg.inv(gram)[2, 2])) / float(fit[1]))


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
