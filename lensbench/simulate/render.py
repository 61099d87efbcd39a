"""Filtering a patch through the optics and the pixel, without any other blur.

In Fourier space the patch is multiplied by the exact optical transfer function and by the square pixel's, the
Gaussian that its edges were drawn with is divided out, and the spectrum is folded down to one sample a pixel,
as sampling at the pixel centres does. The small inverse transform gives the pixels' values.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.simulate.lens import PointBlur
from lensbench.simulate.pattern import FINE_SIGMA_PX, OVERSAMPLING, Patch

_TABLE: Final = 32_768
"""Entries of the radial transfer's table, at most 1e-4 cycles per pixel apart: exact to 5e-5."""
_NODES: Final = 2048
"""Frequencies at which the closed forms are computed; between them the table is linear, exact to 2e-6."""

Single = npt.NDArray[np.float32]
SingleComplex = npt.NDArray[np.complex64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spectrum:
    """A patch in Fourier space: all rows' frequencies, the columns' from zero up."""

    top: int
    left: int
    size_px: int
    values: SingleComplex


def spectrum_of(patch: Patch) -> Spectrum:
    """Transform a patch; the result serves every stop and focus of the same geometry."""
    from scipy import fft  # noqa: PLC0415 - heavy

    return Spectrum(top=patch.top, left=patch.left, size_px=patch.size_px, values=fft.rfft2(patch.fine))


def pixels_of(spectrum: Spectrum, blur: PointBlur) -> Single:
    """Pixels of a patch seen through a blur, integrated over squares; shape (size, size)."""
    from scipy import fft  # noqa: PLC0415 - heavy

    size = spectrum.size_px
    copies = min(OVERSAMPLING, max(1, int(np.ceil(2.0 / blur.q))))
    filtered = _cropped(spectrum.values, size * copies) * _transfer(size, copies, blur)
    folded = _folded(filtered, size, copies) / np.float32(OVERSAMPLING**2)
    pixels: Single = fft.irfft2(folded, s=(size, size))
    return pixels


def _transfer(size: int, copies: int, blur: PointBlur) -> Single | SingleComplex:
    """Transfer of optics and pixel over that of the fine Gaussian, on a patch's frequencies."""
    radius, rows, cols = _frequencies(size, copies)
    transfer: Single | SingleComplex
    if blur.pupil is None:
        highest = np.sqrt(0.5) * copies
        nodes = np.linspace(0.0, highest, _NODES)
        table = np.interp(np.linspace(0.0, highest, _TABLE), nodes, blur.radial(nodes)).astype(np.float32)
        transfer = table.take(radius)
    else:
        transfer = blur.pupil.at(rows[:, None], cols).astype(np.complex64)
    transfer *= np.sinc(rows).astype(np.float32)[:, None]
    transfer *= np.sinc(cols).astype(np.float32)
    row_row, row_col, col_col = -2.0 * np.pi**2 * np.array(blur.spread_px2)
    fine = -2.0 * np.pi**2 * FINE_SIGMA_PX**2
    exponent = np.outer(2.0 * row_col * rows, cols).astype(np.float32)
    exponent += ((row_row - fine) * rows**2).astype(np.float32)[:, None]
    exponent += ((col_col - fine) * cols**2).astype(np.float32)
    transfer *= np.exp(exponent, out=exponent)
    if blur.motion_px != (0.0, 0.0):
        down, right = blur.motion_px
        transfer *= np.sinc(np.add.outer(down * rows, right * cols)).astype(np.float32)
    return transfer


@lru_cache(maxsize=12)
def _frequencies(
    size: int, copies: int
) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Each frequency's place in the radial table, and the row and column frequencies in cy/px."""
    fine = size * copies
    rows = np.fft.fftfreq(fine) * copies
    cols = np.fft.rfftfreq(fine) * copies
    radius = np.hypot(rows[:, None], cols)
    place: npt.NDArray[np.int32] = np.rint(radius * ((_TABLE - 1) / (np.sqrt(0.5) * copies))).astype(np.int32)
    return place, rows.astype(np.float64), cols.astype(np.float64)


def _cropped(values: SingleComplex, fine: int) -> SingleComplex:
    """Keep the frequencies that the lens can pass: the lowest `fine` of each axis."""
    half = fine // 2
    if fine == values.shape[0]:
        return values
    return np.concatenate([values[:half, : half + 1], values[-half:, : half + 1]])


def _folded(values: SingleComplex, size: int, copies: int) -> SingleComplex:
    """Add up the frequencies that sampling once a pixel cannot tell apart."""
    if copies == 1:
        return values
    rows = values.reshape(copies, size, -1).sum(axis=0)
    mirrored = np.conj(np.concatenate([rows[:1], rows[:0:-1]]))
    low = np.arange(size // 2 + 1)
    total = np.zeros((size, low.size), dtype=np.complex64)
    for copy in range(copies):
        column = low + copy * size
        upper = column > copies * size // 2
        total[:, ~upper] += rows[:, column[~upper]]
        total[:, upper] += mirrored[:, copies * size - column[upper]]
    return total
