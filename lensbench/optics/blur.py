"""Transfer and edge spread functions of what stands behind the lens, and the way from one to the other.

Frequencies and distances run along the normal of the edge, in cycles per pixel and pixels; distances are positive
towards the bright side, and edge spreads go from 0 on the dark plateau to 1 on the bright one. Products of the transfer
functions and of those in `pupil` describe a whole camera.
"""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy import special

from lensbench.model.units import FloatArray


def pixel_mtf(frequency_cypx: npt.ArrayLike, angle_deg: float = 0.0, *, fill: float = 1.0) -> FloatArray:
    """Transfer of a square pixel along the normal of an edge; it may turn negative.

    sinc(w f cos a) sinc(w f sin a): the square's two sides as the normal sees them.

    Parameters
    ----------
    frequency_cypx : array of any shape
        Along the edge's normal. [cycles/pixel]
    angle_deg : float
        The edge's angle from the columns; its normal makes the same angle with the rows. [degree]
    fill : float
        Side of the sensitive square over the pixel pitch.

    References
    ----------
    G. D. Boreman, Modulation Transfer Function in Optical and Electro-Optical Systems (detector footprint).
    """
    frequency = np.asarray(frequency_cypx, dtype=np.float64) * fill
    angle = np.deg2rad(angle_deg)
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
    """Geometric transfer of a defocused lens, a uniform disc: 2 J1(a)/a with a = pi f d; it may turn negative.

    Good where the disc is several times wavelength x f-number; nearer to focus the exact form in `pupil` holds.

    Parameters
    ----------
    frequency_cypx : array of any shape
        [cycles/pixel]
    disc_px : float
        Diameter of the blur disc. [px]

    References
    ----------
    H. H. Hopkins, Proc. R. Soc. A 231, 91 (1955), the geometrical approximation.
    """
    a = np.abs(np.pi * np.asarray(frequency_cypx, dtype=np.float64) * disc_px)
    safe = np.maximum(a, 1e-6)
    return np.where(a < 1e-6, 1.0, 2.0 * special.j1(safe) / safe)


def motion_mtf(frequency_cypx: npt.ArrayLike, length_px: float) -> FloatArray:
    """Transfer of steady motion over a length along the normal: sinc(f w); it may turn negative."""
    return np.sinc(np.asarray(frequency_cypx, dtype=np.float64) * length_px)


def olpf_mtf(frequency_cypx: npt.ArrayLike, separation_px: float, *, angle_deg: float = 0.0) -> FloatArray:
    """Transfer of a four-spot optical low-pass filter along the normal of an edge; it may turn negative.

    Parameters
    ----------
    frequency_cypx : array of any shape
        Along the edge's normal. [cycles/pixel]
    separation_px : float
        Distance of the spots along rows and along columns. [px]
    angle_deg : float
        The edge's angle from the columns. [degree]

    References
    ----------
    G. D. Boreman, Modulation Transfer Function in Optical and Electro-Optical Systems (from memory).
    """
    phase = np.pi * separation_px * np.asarray(frequency_cypx, dtype=np.float64)
    angle = np.deg2rad(angle_deg)
    return np.asarray(np.cos(phase * np.cos(angle)) * np.cos(phase * np.sin(angle)))


def frequency_at(
    mtf: Callable[[FloatArray], FloatArray], level: float, *, highest_cypx: float = 4.0
) -> float:
    """Lowest frequency at which a transfer function falls below a level, as MTF50 for 0.5.

    The curve is searched on a grid of 1/64 of `highest_cypx`, and the first cell with a crossing is divided on.

    Parameters
    ----------
    mtf : function of a frequency array
        Starts at or above the level at frequency zero.
    level : float
        0.5 for MTF50.
    highest_cypx : float
        Where the search ends. [cycles/pixel]

    Returns
    -------
    float
        Good to 1e-9 of `highest_cypx`; NaN where the curve stays above the level. [cycles/pixel]
    """
    low, high = 0.0, highest_cypx
    for _ in range(5):
        grid = np.linspace(low, high, 65)
        below = np.flatnonzero(mtf(grid) < level)
        if below.size == 0:
            return float("nan")
        first = max(int(below[0]), 1)
        low, high = float(grid[first - 1]), float(grid[first])
    return 0.5 * (low + high)


def gaussian_esf(distance_px: npt.ArrayLike, sigma_px: float) -> FloatArray:
    """Edge spread of a Gaussian blur: the normal distribution's integral."""
    return np.asarray(special.ndtr(np.asarray(distance_px, dtype=np.float64) / sigma_px))


def defocus_esf(distance_px: npt.ArrayLike, disc_px: float) -> FloatArray:
    """Edge spread of a uniform blur disc: 1/2 + [asin t + t sqrt(1 - t^2)] / pi with t = 2 x / d.

    The area of the disc on one side of a chord, derived.
    """
    t = np.clip(2.0 * np.asarray(distance_px, dtype=np.float64) / disc_px, -1.0, 1.0)
    return np.asarray(0.5 + (np.arcsin(t) + t * np.sqrt(1.0 - t**2)) / np.pi)


def esf_from_mtf(
    distance_px: npt.ArrayLike, mtf: Callable[[FloatArray], FloatArray], *, highest_cypx: float
) -> FloatArray:
    """Edge spread of a real, even transfer function by its sine integral.

    ESF(x) = 1/2 + (1/pi) times the integral of MTF(f) sin(2 pi f x) / f from 0 to where the transfer ends.
    Exact to 1e-10 for functions that are smooth up to `highest_cypx`, as that of a pupil up to its cutoff 1/q.

    Parameters
    ----------
    distance_px : array of any shape
        Distance from the edge. [px]
    mtf : function of a frequency array
        Signed transfer, 1 at frequency zero. [cycles/pixel]
    highest_cypx : float
        Where the transfer ends, or has become negligible. [cycles/pixel]

    References
    ----------
    Goodman, Introduction to Fourier Optics (spread and transfer functions are Fourier pairs); derived.
    """
    distance = np.asarray(distance_px, dtype=np.float64)
    cycles = highest_cypx * float(np.max(np.abs(distance), initial=1.0))
    nodes, weights = special.roots_legendre(64 + int(np.ceil(4.0 * cycles)))
    # f = c sin^2 clusters nodes at both ends, where a pupil's transfer has its kinks.
    theta = np.pi / 4.0 * (np.asarray(nodes, dtype=np.float64) + 1.0)
    frequency = highest_cypx * np.sin(theta) ** 2
    measure = np.asarray(weights) * (np.pi / 2.0) * np.cos(theta) / np.sin(theta) * mtf(frequency)
    return np.asarray(0.5 + np.sin(2.0 * np.pi * distance[..., None] * frequency) @ measure / np.pi)
