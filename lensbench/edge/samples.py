"""The samples of one region as flat arrays, with their positions from the region's centre."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from lensbench.model.shot import BoolArray, Samples
from lensbench.model.units import FloatArray

__all__ = ["Points", "points_of"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Points:
    """The usable samples of one region; positions count from the region's centre."""

    row_px: FloatArray
    col_px: FloatArray
    value: FloatArray
    shape: tuple[int, int]
    """Of the region: rows, columns."""

    def kept(self, keep: BoolArray) -> "Points":
        """Give the samples marked, without the others."""
        return Points(
            row_px=self.row_px[keep], col_px=self.col_px[keep], value=self.value[keep], shape=self.shape
        )


def points_of(region: Samples) -> Points:
    """List the present samples of a region."""
    height, width = region.values.shape
    row_px, col_px = _grid(height, width)
    points = Points(row_px=row_px, col_px=col_px, value=region.values.ravel(), shape=(height, width))
    return points if region.present.all() else points.kept(region.present.ravel())


@lru_cache(maxsize=256)
def _grid(height: int, width: int) -> tuple[FloatArray, FloatArray]:
    rows, cols = np.divmod(np.arange(height * width), width)
    row_px, col_px = rows - 0.5 * (height - 1), cols - 0.5 * (width - 1)
    row_px.flags.writeable = col_px.flags.writeable = False
    return row_px, col_px
