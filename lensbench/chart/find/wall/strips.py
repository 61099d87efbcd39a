"""Where single edges lie: a blurred step fitted in small windows along known curves, many at once.

    I = m + a erf((d - x) / (sqrt2 s)), d the distance from the expected curve, x the shift sought

The blur s is known well enough: a wrong one does not shift a symmetric window's answer.
"""

from dataclasses import dataclass
from math import ceil
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.chart.find.crossing import Single, erf_and_bell
from lensbench.chart.find.sheet import Picture
from lensbench.model.shot import BoolArray, Box
from lensbench.model.units import FloatArray

_STRIP_ROUNDS: Final = 4
_SMALLEST_HALF_PX, _LARGEST_HALF_PX = 6, 16
_LARGEST_MISFIT: Final = 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strips:
    """Pieces of edges found, one entry a window."""

    point_px: FloatArray
    """Shape (n, 2): a point on the edge."""
    normal: FloatArray
    """Shape (n, 2): unit vector across the edge."""
    sd_px: FloatArray
    """Standard deviation across the edge."""
    good: BoolArray


def locate_strips(picture: Picture, curves_px: FloatArray, *, blur_px: FloatArray, reach_px: float) -> Strips:
    """Find edges that should run through three points each.

    Parameters
    ----------
    picture : Picture
        Read on its own sites, linear.
    curves_px : float array, shape (n, 3, 2)
        Three points along each expected edge, the middle one where the window is placed.
    blur_px : float array, shape (n,)
        Gaussian sigma of the edges.
    reach_px : float
        How far off the expectation the edges may lie.

    Returns
    -------
    Strips
        A window that leaves the picture, or does not look like one edge, is not good.
    """
    before, at, after = np.moveaxis(curves_px, 1, 0)
    along = after - before
    half_chord = np.hypot(*along.T) / 2.0
    along = along / (2.0 * half_chord[:, None])
    normal = np.column_stack((-along[:, 1], along[:, 0]))
    sag = ((at - (before + after) / 2.0) * normal).sum(axis=1)
    half = int(
        np.clip(ceil(2.2 * float(blur_px.max(initial=0.6)) + reach_px), _SMALLEST_HALF_PX, _LARGEST_HALF_PX)
    )
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
) -> tuple[npt.NDArray[np.int64], Single, Single]:
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
