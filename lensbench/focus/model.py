"""MTF50 through focus by physics: how it falls away from the plane of focus, for a lens of known sharpness in it.

The transfer is a circular pupil out of focus (exact, Hopkins 1955) x a square pixel x a Gaussian, whose width is
what the sharpness in focus leaves for it. Beyond twelve waves of defocus the geometric disc is good to half a percent
at the frequencies that matter, and stands alone.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench import optics
from lensbench.model.units import FloatArray

_GEOMETRIC_WAVES: Final = 12.0
_PEAKS: Final = 20
_DISCS: Final = 40
_FREQUENCIES: Final = 72
_LOWEST_PEAK_CYPX: Final = 0.01
_HIGHEST_PEAK_CYPX: Final = 0.62
"""A pixel alone has its MTF50 at 0.603."""
_WIDEST: Final = 12.0
_HIGHEST_OF_CUTOFF: Final = 0.44
"""A perfect pupil alone has its MTF50 at 0.404 of its cutoff."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FallTable:
    """Log of MTF50 over MTF50 in focus, tabulated for one pupil and pixel."""

    log_peak: FloatArray
    """Log MTF50 in focus, ascending, shape (peaks,). [log cycles/pixel]"""
    reach: FloatArray
    """asinh of disc diameter times MTF50 in focus, ascending from 0, evenly spaced, shape (discs,)."""
    fall: FloatArray
    """Shape (peaks, discs); 0 in focus, negative elsewhere."""

    def at(self, disc_px: FloatArray, log_peak: npt.ArrayLike) -> FloatArray:
        """Log MTF50 for defocus discs of any shape, for lenses with these log MTF50 in focus."""
        level = np.asarray(log_peak, np.float64)
        product = np.arcsinh(np.abs(disc_px) * np.exp(level))
        step = self.reach[1]
        place = np.minimum(product, self.reach[-1]) / step
        middle = np.minimum(np.rint(place).astype(np.intp), _DISCS - 2)
        before, here, after = (self._row(level, index) for index in (np.abs(middle - 1), middle, middle + 1))
        # A parabola through three neighbours, mirrored at the start.
        offset = place - middle
        between = here + 0.5 * offset * (after - before + offset * (after - 2.0 * here + before))
        # Far out MTF50 goes with one over the disc.
        beyond = np.maximum(product - self.reach[-1], 0.0)
        return np.asarray(level + between - beyond, np.float64)

    def _row(self, level: FloatArray, disc: npt.NDArray[np.intp]) -> FloatArray:
        """Values of the table between two peaks."""
        rows = (level - self.log_peak[0]) / (self.log_peak[1] - self.log_peak[0])
        rows = np.clip(rows, 0.0, _PEAKS - 1.0)
        below = np.minimum(rows.astype(np.intp), _PEAKS - 2)
        share = rows - below
        values: FloatArray = (1.0 - share) * self.fall[below, disc] + share * self.fall[below + 1, disc]
        return values


@lru_cache(maxsize=64)
def fall_table(q: float) -> FallTable:
    """Work out the fall for q = wavelength x working f-number / pixel pitch; kept for the next time."""
    highest = min(_HIGHEST_PEAK_CYPX, _HIGHEST_OF_CUTOFF / q)
    log_peak = np.linspace(np.log(_LOWEST_PEAK_CYPX), np.log(highest), _PEAKS)
    reach = np.linspace(0.0, float(np.arcsinh(_WIDEST)), _DISCS)
    fall = np.array([_fall(float(np.exp(level)), np.sinh(reach), q) for level in log_peak])
    return FallTable(log_peak=log_peak, reach=reach, fall=fall)


def _fall(peak_cypx: float, products: FloatArray, q: float) -> FloatArray:
    """Log MTF50 / peak for discs of `products` / peak pixels."""
    discs_px = products / peak_cypx
    # The crossing lies a little below the smaller of the peak and of what the disc alone leaves, 0.705 / disc.
    bound = 1.0 / np.hypot(1.0, products / 0.705)
    frequency = peak_cypx * bound[:, None] * np.linspace(0.6, 1.5, _FREQUENCIES)
    frequency[0] = peak_cypx * np.linspace(0.6, 1.02, _FREQUENCIES)
    transfer = _pupil(frequency, discs_px, q) * _rest(frequency, peak_cypx, q)
    first = np.clip(np.argmax(transfer < 0.5, axis=1), 1, _FREQUENCIES - 1)
    rows = np.arange(len(products))
    start, end = transfer[rows, first - 1], transfer[rows, first]
    low, high = frequency[rows, first - 1], frequency[rows, first]
    crossing = low + (start - 0.5) / (start - end) * (high - low)
    fall: FloatArray = np.log(crossing / peak_cypx)
    return np.asarray(fall - fall[0], np.float64)


def _pupil(frequency_cypx: FloatArray, discs_px: FloatArray, q: float) -> FloatArray:
    waves = discs_px / (8.0 * q)
    near = waves <= _GEOMETRIC_WAVES
    transfer = np.empty_like(frequency_cypx)
    transfer[near] = optics.defocused_diffraction_otf(frequency_cypx[near] * q, waves[near, None])
    far = frequency_cypx[~near] * discs_px[~near, None]
    transfer[~near] = optics.defocus_mtf(far, 1.0)
    return transfer


def _rest(frequency_cypx: FloatArray, peak_cypx: float, q: float) -> FloatArray:
    """Pixel times Gaussian; the latter's variance is below zero where the peak is above what physics allows."""
    variance_px2 = optics.LensBlur.in_focus(peak_cypx, q).variance_px2
    rest: FloatArray = optics.pixel_mtf(frequency_cypx) * np.exp(
        -2.0 * np.pi**2 * variance_px2 * frequency_cypx**2
    )
    return rest
