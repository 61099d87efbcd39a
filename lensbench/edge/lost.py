"""The waves that stand for what a file did to an edge: coding took its finest detail, whole codes rounded its levels.

They are no part of the edge: the fit sets them aside, so that shapes answer for what was left, and for no more.
`coding` tells how much may be lost, the plateaus' scatter (`samples`) how much rounding does alike to many samples.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

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
_SAWTOOTH: Final = (1, 2, 3, 4)
"""Orders of the waves of rounding: those left out are a seventh of its error's square."""
_SHARE: Final = float(np.sqrt(0.5) / np.linalg.norm(1.0 / np.array(_SAWTOOTH)))
"""Of the rounding error, that of the first wave in either of two ideas of the level."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LostDetail:
    """Waves that stand for what coding took and what rounding did, in the bins of several regions; variance 1."""

    columns: FloatArray  # shape (regions, waves, bins)
    mean: FloatArray  # what is lost as a rule: (regions, bins)

    @classmethod
    def of(
        cls, bins: Bins, table: Shapes, span: slice, plateaus: Sequence[Plateaus], step: FloatArray
    ) -> "LostDetail | None":
        """Waves of the prior size that each region's plateaus bear; None where none lost anything."""
        size = np.array([sides.lost for sides in plateaus]) * step
        rounded = _rounded(bins, table, span, plateaus, step)
        if not size.any():
            return None if rounded is None else cls(columns=rounded, mean=np.zeros_like(rounded[:, 0]))
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
        columns = [_TOGETHER * together, _OWN * waves, aside, *([] if rounded is None else [rounded])]
        return cls(columns=np.concatenate(columns, axis=1), mean=-_MEAN * together[:, 0])

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


def _rounded(
    bins: Bins, table: Shapes, span: slice, plateaus: Sequence[Plateaus], step: FloatArray
) -> FloatArray | None:
    """Waves of the level, whose phase is not known: the first ones of the sawtooth that rounding adds to it.

    Samples of nearly one level then err alike, and a bin that many levels pass does not err. (The series of the
    quantiser's error: Widrow and Kollar, Quantization Noise (2008), from memory.) Which samples are of one level is
    told by two ideas of the edge, half by each: the mean shape, whose tails pass codes far out, and a Gaussian.
    """
    size = _SHARE * np.array([sides.rounded for sides in plateaus])
    if not size.any():
        return None
    code = np.array([sides.code for sides in plateaus])
    offset = bins.offset_px[:, span]
    spread = np.maximum(2.0 * bins.half_square_px2[:, span] - np.square(offset), 0.0)
    mean, slope = table.mean[0, span], table.mean[1, span]
    steepest = float(table.mean[1].max())
    sigmas = np.sqrt(2.0 * np.pi) * steepest * (table.position_px[span] + offset)
    waves = []
    for level, rate in (
        (mean + offset * slope, slope),
        (special.ndtr(sigmas), steepest * np.exp(-0.5 * np.square(sigmas))),
    ):
        for side, from_level in enumerate((level, level - 1.0)):
            codes = np.divide(step, code[:, side], out=np.zeros(len(step)), where=size[:, side] > 0.0)
            turns = 2.0 * np.pi * codes[:, None]
            own = np.where(np.abs(from_level) < 0.5, size[:, side, None], 0.0)
            for k in _SAWTOOTH:
                passed = own / k * np.exp(-0.5 * np.square(k * turns * rate) * spread)
                waves += [passed * np.cos(k * turns * from_level), passed * np.sin(k * turns * from_level)]
    return np.stack(waves, axis=1)
