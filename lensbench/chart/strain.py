"""The doubt about a sheet's geometry where it is no true plane: bent, stretched by damp, or joined a little off.

Then crossings stray from the fitted plane by more than their noise, and neighbours stray alike, which the fit's own
covariance takes for chance. Leaving out one part of the sheet after the other shows it (block jackknife; Kuensch 1989,
Annals of Statistics 17:1217, from memory).
"""

from dataclasses import replace
from typing import Final

import numpy as np

from lensbench.chart.mapping import Mapping, fit_mapping
from lensbench.records import BoolArray
from lensbench.units import FloatArray

__all__ = ["with_strain"]

_NOISE_PX: Final = 0.03
"""What crossings stray in any case: the lens's distortion is no polynomial."""
_STRAINED: Final = 3.0
"""Times the noise."""
_BLOCKS: Final = (2, 3)
"""Parts along the sheet's height and width."""
_FEWEST: Final = 12
"""Targets, for a part to be left out."""


def with_strain(
    mapping: Mapping,
    centers_mm: FloatArray,
    seen_px: FloatArray,
    *,
    noise_px: float,
    size_px: tuple[int, int],
) -> Mapping:
    """Give the mapping with a spread that holds for a strained sheet; as it is where nothing speaks for one.

    Parameters
    ----------
    mapping : Mapping
        As fitted to all.
    centers_mm, seen_px : float arrays, shape (n, 2)
        The targets on the sheet and in the picture.
    noise_px : float
        Typical standard deviation of a crossing's coordinate.
    size_px : (rows, columns)
        Of the picture.
    """
    stray_px = float(np.sqrt(((mapping.to_px(centers_mm) - seen_px) ** 2).mean()))
    if len(centers_mm) < _FEWEST or stray_px <= _STRAINED * np.hypot(noise_px, _NOISE_PX):
        return mapping
    without = [
        fit_mapping(centers_mm[kept], seen_px[kept], start=mapping.homography, size_px=size_px).homography
        for kept in _parts_left_out(centers_mm)
    ]
    scaled = np.array([one / one[2, 2] for one in without])
    count = len(scaled)
    spread = np.sqrt((count - 1.0) / count) * (scaled - scaled.mean(axis=0)) * mapping.homography[2, 2]
    return replace(mapping, spread=spread)


def _parts_left_out(centers_mm: FloatArray) -> list[BoolArray]:
    """Give, for each part of the sheet that holds targets, the targets outside it."""
    low, high = centers_mm.min(axis=0), centers_mm.max(axis=0)
    place = (centers_mm - low) / np.maximum(high - low, 1e-9)
    rows, cols = (
        np.minimum((place[:, axis] * count).astype(int), count - 1) for axis, count in enumerate(_BLOCKS)
    )
    part = rows * _BLOCKS[1] + cols
    return [part != number for number in np.unique(part)]
