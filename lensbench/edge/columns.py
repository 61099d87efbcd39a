"""The columns of an edge fit: what levels, light and shapes make of the pooled samples of several regions."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from lensbench.edge.samples import Bins, Plateaus, roughness
from lensbench.edge.shapes import MIDDLES, PriorShape, Shapes
from lensbench.model.units import FloatArray

_ONE_DISTANCE_PX: Final = 0.25
"""Samples within this count as being at one distance: no transfer that a lens leaves varies faster."""


def turn_share(bins: Bins, shape: PriorShape, span: slice) -> FloatArray:
    """Weigh the spread of the places along the edge within narrow strips of distance against the whole of it."""
    width = max(round(_ONE_DISTANCE_PX / shape.step_px), 1)
    first = np.arange(span.start, span.stop, width)
    count, along = bins.count[:, span], bins.along_px[:, span]
    square = bins.along_scatter_px2[:, span] + count * np.square(along)
    number, sums, squares = (
        np.add.reduceat(terms, first - span.start, axis=1) for terms in (count, count * along, square)
    )
    steep = np.square(shape.fitted.mean[1, np.minimum(first + width // 2, MIDDLES.size - 1)])
    within = (squares - np.square(sums) / np.maximum(number, 1.0)) @ steep
    whole = squares @ steep - np.square(sums @ steep) / np.maximum(number @ steep, 1e-300)
    return np.asarray(within / np.maximum(whole, 1e-300), np.float64)


def farthest(bins: Bins, table: Shapes, span: slice) -> FloatArray:
    """Largest distance from the edge in each region, at least 1: (regions, 1). [px]."""
    distance = np.abs(table.position_px[span] + bins.offset_px[:, span]) * (bins.count[:, span] > 0)
    return np.asarray(np.maximum(distance.max(axis=1, keepdims=True), 1.0), np.float64)


def rows(bins: Bins, samples: FloatArray, span: slice, own: slice = slice(None)) -> FloatArray:
    """Evaluate shapes (3, shapes, positions) at the bins' true content: (regions, shapes, bins)."""
    rows = samples[1, :, span] * bins.offset_px[own, None, span]
    rows += samples[0, :, span]
    rows += samples[2, :, span] * bins.half_square_px2[own, None, span]
    return rows


def level_columns(bins: Bins, table: Shapes, span: slice) -> FloatArray:
    """Dark level, step, shift; light across and along, dark side then bright side: (regions, 7, bins)."""
    mean = rows(bins, table.mean[:, None], span)[:, 0]
    distance = table.position_px[span] + bins.offset_px[:, span]
    across = distance / farthest(bins, table, span)
    along = bins.along_px[:, span]
    along = along / np.maximum(np.abs(along).max(axis=1, keepdims=True), 1.0)
    other = 1.0 - mean
    slope = np.broadcast_to(table.mean[1, span], mean.shape)
    columns = [np.ones_like(mean), mean, slope, other * across, other * along, mean * across, mean * along]
    return np.stack(columns, axis=1)


def light_along(
    bins: Bins, plateaus: Sequence[Plateaus], span: slice, mean: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Known slope of the light along the edge at each bin, and the prior sd of what is left of it."""
    along = bins.along_px[:, span]
    dark = np.array([sides.dark_slope_per_px for sides in plateaus])[:, None]
    bright = np.array([sides.bright_slope_per_px for sides in plateaus])[:, None]
    sd = np.array([(sides.dark_slope_sd_per_px, sides.bright_slope_sd_per_px) for sides in plateaus])
    farthest = np.maximum(np.abs(along).max(axis=1, keepdims=True), 1.0)
    return (dark * (1.0 - mean) + bright * mean) * along, sd * farthest


def variance(plateaus: Sequence[Plateaus], profile: FloatArray, distance_px: FloatArray) -> FloatArray:
    """Variance of a sample of each region where its profile is 0 (dark) to 1 (bright), so far from the edge."""
    dark = np.array([sides.noise.dark_variance for sides in plateaus])[:, None]
    bright = np.array([sides.noise.bright_variance for sides in plateaus])[:, None]
    plain: FloatArray = dark + (bright - dark) * np.clip(profile, 0.0, 1.0)
    rough = np.array([sides.rough for sides in plateaus])[:, None]
    return plain * roughness(rough, distance_px) if rough.any() else plain
