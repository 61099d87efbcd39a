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

    columns: FloatArray  # shape (regions, waves, bins)
    mean: FloatArray  # what is lost as a rule: (regions, bins)

    @classmethod
    def of(
        cls, bins: Bins, table: Shapes, span: slice, plateaus: Sequence[Plateaus], step: FloatArray
    ) -> "LostDetail | None":
        """Waves of the prior size that each region's plateaus bear; None where none lost anything."""
        size = np.array([sides.lost for sides in plateaus]) * step
        if not size.any():
            return None
        offset = bins.offset_px[:, span]
        distance = table.position_px[span] + offset
        spread = np.maximum(2.0 * bins.half_square_px2[:, span] - np.square(offset), 0.0)
        turn = 2.0 * np.pi * _FREQUENCY_CYPX
        passed = np.minimum((_FREQUENCY_CYPX / 0.4) ** 3, 1.0) / (1.0 + (_FREQUENCY_CYPX / 0.65) ** 4)
        # A Gaussian about each frequency of the transfer, turned into the ESF, and into its mean over a wide bin.
        height = 2.0 * np.sqrt(2.0 * np.pi) * _WIDTH_CYPX * passed / turn
        fading = size[:, None] * np.exp(-0.5 * np.square(2.0 * np.pi * _WIDTH_CYPX * distance))
        waves, aside = np.empty((2, len(size), turn.size, distance.shape[1]))
        # Frequencies are evenly spaced: each wave is the one before times the same.
        apart = turn[1] - turn[0]
        wave = fading * np.exp(1j * turn[0] * distance - 0.5 * turn[0] ** 2 * spread)
        onwards = np.exp(1j * apart * distance - 0.5 * apart * (turn[0] + turn[1]) * spread)
        narrower = np.exp(-(apart**2) * spread)
        for place in range(turn.size):
            waves[:, place], aside[:, place] = height[place] * wave.imag, (_ASIDE * height[place]) * wave.real
            wave *= onwards
            onwards *= narrower
        spacing = _FREQUENCY_CYPX[1] - _FREQUENCY_CYPX[0]
        together = waves.sum(axis=1, keepdims=True) * (spacing / (np.sqrt(2.0 * np.pi) * _WIDTH_CYPX))
        columns = np.concatenate([_TOGETHER * together, _OWN * waves, aside], axis=1)
        return cls(columns=columns, mean=-_MEAN * together[:, 0])

    def gram(self, columns: FloatArray, weight: FloatArray) -> FloatArray:
        """Weighed sums of products of columns, with the waves integrated out: (regions, columns, columns)."""
        inner, shared = self._products(columns, weight)
        root = columns * np.sqrt(weight)[:, None]
        whole = root @ root.transpose(0, 2, 1)
        return np.asarray(whole - shared.transpose(0, 2, 1) @ np.linalg.solve(inner, shared), np.float64)

    def taken(self, columns: FloatArray, weight: FloatArray) -> FloatArray:
        """What of other columns the waves may explain, to be taken off them: (regions, columns, bins).

        A sum over what is left, weighed, is one over the whole with the waves integrated out.
        """
        inner, shared = self._products(columns, weight)
        return np.asarray(np.linalg.solve(inner, shared).transpose(0, 2, 1) @ self.columns, np.float64)

    def _products(self, columns: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Weighed sums of products of the waves with each other, their prior added, and with other columns."""
        weighted = self.columns * weight[:, None]
        inner = weighted @ self.columns.transpose(0, 2, 1)
        inner[:, range(inner.shape[1]), range(inner.shape[1])] += 1.0
        return inner, weighted @ columns.transpose(0, 2, 1)
