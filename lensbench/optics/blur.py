"""Transfer functions of what stands behind an edge: the pupil, the pixel, defocus, motion; and the way to its spread.

Frequencies (any shape) and distances run along the normal of the edge, in cycles per pixel and pixels; distances are
positive towards the bright side, and edge spreads go from 0 on the dark plateau to 1 on the bright one. Two scales
hold for a pupil: `q` = wavelength x f-number / pixel pitch gives the cutoff 1/q in cycles per pixel, and `nu` is the
frequency as a fraction of the cutoff, so that nothing passes above 1. Products of the functions describe a whole
camera.

References
----------
J. W. Goodman, Introduction to Fourier Optics (the circular pupil; spread and transfer functions are Fourier pairs).
H. H. Hopkins, Proc. R. Soc. A 231, 91 (1955) (defocus, exact and in the geometrical approximation).
G. D. Boreman, Modulation Transfer Function in Optical and Electro-Optical Systems (detector footprint).
"""

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from lensbench.model.units import FloatArray

_legendre = lru_cache(maxsize=64)(special.roots_legendre)


def diffraction_q(*, f_number: float, pixel_pitch_um: float, wavelength_um: float) -> float:
    """Ratio q = wavelength x f-number / pixel pitch, the reciprocal of the cutoff in cycles per pixel.

    >>> round(diffraction_q(f_number=8.0, pixel_pitch_um=4.0, wavelength_um=0.55), 6)
    1.1
    """
    return wavelength_um * f_number / pixel_pitch_um


def circular_mtf(nu: npt.ArrayLike) -> FloatArray:
    """MTF of a perfect circular pupil: (2/pi) [acos nu - nu sqrt(1 - nu^2)], zero from nu = 1 on, even in nu."""
    inside = np.minimum(np.abs(np.asarray(nu, dtype=np.float64)), 1.0)
    return np.asarray((2.0 / np.pi) * (np.arccos(inside) - inside * np.sqrt(1.0 - inside**2)))


def diffraction_mtf(frequency_cypx: npt.ArrayLike, q: float) -> FloatArray:
    """MTF of a perfect circular pupil with a cutoff of 1/q; q is 0 or more."""
    return circular_mtf(np.asarray(frequency_cypx, dtype=np.float64) * q)


def defocused_diffraction_otf(nu: npt.ArrayLike, w20_waves: npt.ArrayLike) -> FloatArray:
    """Exact OTF of a perfect circular pupil out of focus; it is real and may turn negative, and zero from nu = 1 on.

    (4/pi) times the integral over x from 0 to 1 - nu of sqrt(1 - (x + nu)^2) cos(8 pi w nu x); the substitution x + nu
    = cos(theta) takes the root out of it, so that Gauss-Legendre nodes give 1e-12. The wavefront error w at the pupil's
    rim, in waves, broadcasts against nu; a focus shift of dz gives dz / (8 wavelength f-number^2).
    """
    waves = np.asarray(w20_waves, dtype=np.float64)
    fraction = np.minimum(np.abs(np.asarray(nu, dtype=np.float64)), 1.0)
    count = 24 + int(np.ceil(6.0 * np.max(np.abs(waves), initial=0.0)))
    nodes, weights = _legendre(count)
    reach = np.arccos(fraction)[..., None]
    theta = 0.5 * reach * (1.0 + nodes)
    phase = (8.0 * np.pi * waves * fraction)[..., None] * (np.cos(theta) - fraction[..., None])
    integral = (0.5 * reach * np.sin(theta) ** 2 * np.cos(phase)) @ weights
    return np.asarray((4.0 / np.pi) * integral)


def pixel_mtf(
    frequency_cypx: npt.ArrayLike, angle_deg: npt.ArrayLike = 0.0, *, fill: float = 1.0
) -> FloatArray:
    """Transfer of a square pixel along the normal of an edge; it may turn negative.

    sinc(w f cos a) sinc(w f sin a): the square's two sides as the normal sees them. The angle is the edge's from the
    columns, as the normal's from the rows; `fill` is the side of the sensitive square over the pixel pitch.
    """
    frequency = np.asarray(frequency_cypx, dtype=np.float64) * fill
    angle = np.deg2rad(np.asarray(angle_deg, dtype=np.float64))
    return np.asarray(np.sinc(frequency * np.cos(angle)) * np.sinc(frequency * np.sin(angle)))


def gaussian_mtf(frequency_cypx: npt.ArrayLike, sigma_px: float) -> FloatArray:
    """MTF of a Gaussian blur: exp(-2 pi^2 sigma^2 f^2); it also describes random jitter."""
    frequency = np.asarray(frequency_cypx, dtype=np.float64)
    return np.asarray(np.exp(-2.0 * (np.pi * sigma_px * frequency) ** 2))


def gaussian_sigma_px(mtf50_cypx: float) -> float:
    """Sigma of the Gaussian blur with this MTF50: sqrt(2 ln 2) / (2 pi f50).

    >>> round(gaussian_sigma_px(0.25), 6)
    0.749563
    """
    return float(np.sqrt(2.0 * np.log(2.0)) / (2.0 * np.pi * mtf50_cypx))


def defocus_mtf(frequency_cypx: npt.ArrayLike, disc_px: float) -> FloatArray:
    """Geometric transfer of a uniform disc of this diameter: 2 J1(a)/a with a = pi f d; it may turn negative.

    Good where the disc is several times wavelength x f-number; nearer to focus `defocused_diffraction_otf` holds.
    """
    a = np.abs(np.pi * np.asarray(frequency_cypx, dtype=np.float64) * disc_px)
    safe = np.maximum(a, 1e-6)
    return np.where(a < 1e-6, 1.0, 2.0 * special.j1(safe) / safe)


def motion_mtf(frequency_cypx: npt.ArrayLike, length_px: float) -> FloatArray:
    """Transfer of steady motion over a length along the normal: sinc(f w); it may turn negative."""
    return np.sinc(np.asarray(frequency_cypx, dtype=np.float64) * length_px)


def frequency_at(
    mtf: Callable[[FloatArray], FloatArray], level: float, *, highest_cypx: float = 4.0
) -> float:
    """Lowest frequency at which a transfer function falls below a level, as MTF50 for 0.5. [cycles/pixel].

    The curve, which starts at or above the level, is searched on a grid of 1/64 of `highest_cypx`, where the search
    ends; the first cell with a crossing is divided on twice, and the last one is taken for straight. Good to 1e-9 of
    `highest_cypx`; NaN where the curve stays above the level.
    """
    low, high, share = 0.0, highest_cypx, 0.0
    for _ in range(3):
        grid = np.linspace(low, high, 65)
        values = mtf(grid)
        below = np.flatnonzero(values < level)
        if below.size == 0:
            return float("nan")
        first = max(int(below[0]), 1)
        low, high = float(grid[first - 1]), float(grid[first])
        share = float((values[first - 1] - level) / max(values[first - 1] - values[first], 1e-12))
    return low + min(max(share, 0.0), 1.0) * (high - low)


def esf_from_mtf(
    distance_px: npt.ArrayLike, mtf: Callable[[FloatArray], FloatArray], *, highest_cypx: float
) -> FloatArray:
    """Edge spread, over distances of any shape, of a real, even, signed transfer function by its sine integral.

    ESF(x) = 1/2 + (1/pi) times the integral of MTF(f) sin(2 pi f x) / f from 0 to `highest_cypx`, where the transfer
    ends or has become negligible (derived). Exact to 1e-10 for functions that are smooth up to there, as that of a
    pupil up to its cutoff 1/q.
    """
    distance = np.asarray(distance_px, dtype=np.float64)
    cycles = highest_cypx * float(np.max(np.abs(distance), initial=1.0))
    nodes, weights = _legendre(64 + int(np.ceil(4.0 * cycles)))
    # f = c sin^2 clusters nodes at both ends, where a pupil's transfer has its kinks.
    theta = np.pi / 4.0 * (np.asarray(nodes, dtype=np.float64) + 1.0)
    frequency = highest_cypx * np.sin(theta) ** 2
    measure = np.asarray(weights) * (np.pi / 2.0) * np.cos(theta) / np.sin(theta) * mtf(frequency)
    return np.asarray(0.5 + np.sin(2.0 * np.pi * distance[..., None] * frequency) @ measure / np.pi)
