"""What lossy coding took of an edge: a JPEG rounds the finest detail of its blocks of 8 x 8 px away.

The finest waves of an edge are weak, and their steps of rounding the widest: they come out as nothing. So the mean of
many blocks lacks a part of the transfer above some 0.3 cycles per pixel, while what lies below is left as it was. No
lens makes such an edge, and shapes of lens edges laid through it come out too soft throughout. What is lost is thus
a part of the fit of its own, of waves about the edge, whose prior size follows from how roughly the edge was coded; it
never enters the figures. That a picture was coded in blocks is seen in itself: in the true place of the blocks their
finest waves are nearly empty, in every other place they are not.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.edge.region import Coding, Region, pool_regions
from lensbench.edge.samples import Bins, Points
from lensbench.edge.shapes import prior_shape
from lensbench.model.units import FloatArray

_BLOCK: Final = 8
_FINEST: Final[FloatArray] = np.cos(np.pi * np.outer(np.arange(_BLOCK) + 0.5, (5, 6, 7)) / _BLOCK) / 2.0
"""The three finest waves of a block's side (discrete cosine transform; ITU-T T.81, A.3.3, from memory)."""
_CODES: Final = 255.0
_ROUNDING: Final = 0.5
"""Energy, in squared codes, that rounding to whole codes leaves in three waves, and half as much again."""
_CROSSES: Final = 0.2  # a piece of a row holds a part of the edge where its values span this part of all
_EMPTY: Final = (0.2, 0.7)
"""Energy at the blocks' place over that elsewhere: below, the picture was coded in blocks; above, nothing shows it."""
_STEEP: Final = 0.3
_LOST_OF_SQUARE: Final = 120.0
_MOST_LOST: Final = 0.2
"""Prior size of the loss at 0.4 cycles per pixel: so many times the squared rms error at the edge, at most this."""


def coded_share(points: Points) -> float:
    """How surely a region was coded in blocks of 8 px: 0 to 1.

    Rows and columns are looked at apart, in pieces of eight that hold a part of the edge; in the codes of sRGB
    (IEC 61966-2-1), near enough to any camera's.
    """
    height, width = points.shape
    if min(height, width) < 2 * _BLOCK:
        return 0.0
    light = np.clip(points.value, 0.0, 1.0).astype(np.float32)
    curved = np.float32(1.055) * np.maximum(light, np.float32(1e-9)) ** np.float32(1.0 / 2.4) - np.float32(
        0.055
    )
    code = np.full((height, width), np.nan, np.float32)
    row, col = points.sites
    code[row, col] = _CODES * np.where(light <= 0.0031308, 12.92 * light, curved)
    emptiest = min(_emptiness(code), _emptiness(code.T))
    return float(np.clip((_EMPTY[1] - emptiest) / (_EMPTY[1] - _EMPTY[0]), 0.0, 1.0))


def _emptiness(code: npt.NDArray[np.float32]) -> float:
    """Energy of the finest waves at the emptiest of eight places of the blocks, over what is usual at the others."""
    lowest = highest = code
    for reach in (1, 2, 4):  # of two values, of four, of eight
        lowest = np.minimum(lowest[:, reach:], lowest[:, :-reach])
        highest = np.maximum(highest[:, reach:], highest[:, :-reach])
    row, col = np.nonzero(highest - lowest > _CROSSES * float(np.nanmax(code) - np.nanmin(code)))
    held = np.bincount(col % _BLOCK, minlength=_BLOCK)
    if held.min() < _BLOCK:
        return 1.0
    pieces = np.lib.stride_tricks.sliding_window_view(code, _BLOCK, axis=1)[row, col]
    total = np.bincount(col % _BLOCK, np.square(pieces @ _FINEST).sum(axis=1), _BLOCK)
    usual = np.sort(total / held + _ROUNDING)
    return float(usual[0] / np.median(usual[1:]))


def coding_of(region: Region, coded: float) -> Coding | None:
    """What coding did to an edge, by its scatter beyond noise, where it was coded at all; None elsewhere.

    How the loss follows from the scatter is seen in simulated JPEGs of quality 60 to 98: both depend on the contrast
    over the steps of rounding.
    """
    if coded == 0.0:
        return None
    shape = prior_shape(region.shape)
    bins, plateaus = region.pooled(shape.step_px)
    mean = shape.fine.mean
    step = _step(bins, mean[0])
    steep = np.flatnonzero((mean[1] > _STEEP * float(mean[1].max())) & (bins.count > 1.5))
    if steep.size == 0:
        return None
    inside = np.maximum(2.0 * bins.half_square_px2 - np.square(bins.offset_px), 0.0)[steep]
    freedom = bins.count[steep] - 1.0
    slope = float(np.square(mean[1, steep] * step) * inside @ freedom)
    noise = float(plateaus.noise.variance_at(mean[0, steep]) @ freedom) / region.noise_factor
    surplus = max(float(bins.scatter[steep].sum()) - slope - noise, 0.0)
    square = surplus / (float(freedom.sum()) * step**2)
    lost = coded * min(_LOST_OF_SQUARE * square, _MOST_LOST)
    return Coding(rough=coded * surplus / noise, lost=lost) if lost else None


def _step(bins: Bins, mean: FloatArray) -> float:
    """Bright less dark, as all bins tell it: tails of the edge pull at the line's own idea, which sees its middle."""
    told = bins.count * (mean - float(bins.count @ mean) / float(bins.count.sum()))
    return float(told @ bins.value) / float(told @ mean)


@dataclass(slots=True)
class Habits:
    """What the first edges of one photograph told of its file."""

    coded: float | None = None
    """How surely it was coded."""
    noise_factor: float | None = None
    """How noise goes together."""


def allow_for_coding(regions: Sequence[Region], habits: Habits | None) -> None:
    """Note, before a fit, what coding in blocks did to a picture's edges, and the noise that its file is known for."""
    pictures = [region for region in regions if not region.points.is_sensor]
    if habits and habits.coded is None and pictures:
        habits.coded = float(np.median([coded_share(region.points) for region in pictures]))
    for index in {region.shape for region in pictures}:
        pool_regions([region for region in pictures if region.shape == index], prior_shape(index).step_px)
    for region in pictures:
        region.coding = coding_of(
            region, coded_share(region.points) if habits is None else habits.coded or 0.0
        )
        region.noise_factor = habits.noise_factor or 1.0 if habits else region.noise_factor
