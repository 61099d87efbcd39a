"""The waves that stand for what lossy coding took of an edge's finest detail; `coding` tells how much that may be.

They are no part of the edge: the fit sets them aside, so that shapes answer for what coding left, and for no more.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.edge.samples import Bins, Plateaus
from lensbench.edge.shapes import Shapes
from lensbench.model.units import FloatArray

_FREQUENCY_CYPX: Final[FloatArray] = 0.05 * np.arange(3.0, 17.0)
_WIDTH_CYPX: Final = 0.035
"""The waves of the loss and their width: they fade 4.5 px from the edge, some 13 px away nothing is left."""
_MEAN: Final = 0.75
_TOGETHER: Final = 0.5
_OWN: Final = 0.4
_ASIDE: Final = 0.3
"""What all waves lose together, its prior sd, that of what each loses by itself and shows aside, by the loss's size."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LostDetail:
    """Waves about the edge that stand for what coding took, in the bins of several regions; prior variance 1."""

    columns: FloatArray
    """Shape (regions, waves, bins)."""
    mean: FloatArray
    """What is lost as a rule: (regions, bins)."""

    @classmethod
    def of(
        cls, bins: Bins, table: Shapes, span: slice, plateaus: Sequence[Plateaus], step: FloatArray
    ) -> "LostDetail | None":
        """Waves of the prior size that each region's plateaus bear; None where none lost anything."""
        size = np.array([sides.lost for sides in plateaus]) * step
        if not size.any():
            return None
        offset = bins.offset_px[:, span]
        distance = (table.position_px[span] + offset)[:, None]
        spread = np.maximum(2.0 * bins.half_square_px2[:, span] - np.square(offset), 0.0)[:, None]
        turn = 2.0 * np.pi * _FREQUENCY_CYPX[:, None]
        passed = np.minimum((_FREQUENCY_CYPX / 0.4) ** 3, 1.0) / (1.0 + (_FREQUENCY_CYPX / 0.65) ** 4)
        # A Gaussian about each frequency of the transfer, turned into the ESF, and into its mean over a wide bin.
        height = 2.0 * np.sqrt(2.0 * np.pi) * _WIDTH_CYPX * size[:, None, None] * passed[:, None] / turn
        fading = height * np.exp(
            -0.5 * (np.square(2.0 * np.pi * _WIDTH_CYPX * distance) + np.square(turn) * spread)
        )
        waves = fading * np.sin(turn * distance)
        spacing = _FREQUENCY_CYPX[1] - _FREQUENCY_CYPX[0]
        together = waves.sum(axis=1, keepdims=True) * (spacing / (np.sqrt(2.0 * np.pi) * _WIDTH_CYPX))
        aside = _ASIDE * fading * np.cos(turn * distance)
        columns = np.concatenate([_TOGETHER * together, _OWN * waves, aside], axis=1)
        return cls(columns=columns, mean=-_MEAN * together[:, 0])

    def gram(self, columns: FloatArray, weight: FloatArray) -> FloatArray:
        """Weighed sums of products of columns, with the waves integrated out: (regions, columns, columns)."""
        left = columns - self.taken(columns, weight)
        return np.asarray((left * weight[:, None]) @ columns.transpose(0, 2, 1), np.float64)

    def taken(self, columns: FloatArray, weight: FloatArray) -> FloatArray:
        """What of other columns the waves may explain, to be taken off them: (regions, columns, bins).

        A sum over what is left, weighed, is one over the whole with the waves integrated out.
        """
        weighted = self.columns * weight[:, None]
        inner = weighted @ self.columns.transpose(0, 2, 1)
        inner[:, range(inner.shape[1]), range(inner.shape[1])] += 1.0
        shared = weighted @ columns.transpose(0, 2, 1)
        return np.asarray(np.linalg.solve(inner, shared).transpose(0, 2, 1) @ self.columns, np.float64)
