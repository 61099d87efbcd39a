"""Edge spread functions in closed form, and from any transfer function by an exact integral.

Distances run along the edge's normal in pixels, positive towards the bright side; 0 is the dark plateau and 1
the bright one.
"""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy import special

from lensbench.model.units import FloatArray


def gaussian_esf(distance_px: npt.ArrayLike, sigma_px: float) -> FloatArray:
    """Edge spread of a Gaussian blur: the normal distribution's integral."""
    return np.asarray(special.ndtr(np.asarray(distance_px, dtype=np.float64) / sigma_px), dtype=np.float64)


def defocus_esf(distance_px: npt.ArrayLike, disc_px: float) -> FloatArray:
    """Edge spread of a uniform blur disc: 1/2 + [asin t + t sqrt(1 - t^2)] / pi with t = 2 x / d.

    The area of the disc on one side of a chord, derived.
    """
    t = np.clip(2.0 * np.asarray(distance_px, dtype=np.float64) / disc_px, -1.0, 1.0)
    esf: FloatArray = 0.5 + (np.arcsin(t) + t * np.sqrt(1.0 - t**2)) / np.pi
    return esf


def pixel_esf(distance_px: npt.ArrayLike, angle_deg: float = 0.0) -> FloatArray:
    """Share of a unit square pixel on the bright side of a sharp edge.

    The integral of a trapezoid of outer width |cos a| + |sin a| and inner width ||cos a| - |sin a||, derived.

    Parameters
    ----------
    distance_px : array of any shape
        Distance of the pixel's centre from the edge. [px]
    angle_deg : float
        The edge's angle from the columns. [degree]
    """
    distance = np.clip(np.asarray(distance_px, dtype=np.float64), -1.0, 1.0)
    angle = np.deg2rad(angle_deg)
    long_side, short_side = sorted((abs(np.cos(angle)), abs(np.sin(angle))), reverse=True)
    if short_side < 1e-6:
        share: FloatArray = np.clip(distance / long_side + 0.5, 0.0, 1.0)
        return share
    outer, inner = (long_side + short_side) / 2.0, (long_side - short_side) / 2.0
    rising = _ramp_integral(distance + outer) - _ramp_integral(distance + inner)
    falling = _ramp_integral(distance - inner) - _ramp_integral(distance - outer)
    covered: FloatArray = (rising - falling) / (long_side * short_side)
    return covered


def _ramp_integral(distance: FloatArray) -> FloatArray:
    """Second integral of a step: half the square of the positive part."""
    integral: FloatArray = 0.5 * np.maximum(distance, 0.0) ** 2
    return integral


def esf_from_mtf(
    distance_px: npt.ArrayLike, mtf: Callable[[FloatArray], FloatArray], *, highest_cypx: float
) -> FloatArray:
    """Edge spread of a real, even transfer function by its sine integral.

    ESF(x) = 1/2 + (1/pi) times the integral of MTF(f) sin(2 pi f x) / f from 0 to where the transfer ends.
    Exact to 1e-10 for functions that are smooth up to `highest_cypx`, as that of a pupil up to its cutoff
    1/q.

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
    esf: FloatArray = 0.5 + np.sin(2.0 * np.pi * distance[..., None] * frequency) @ measure / np.pi
    return esf
