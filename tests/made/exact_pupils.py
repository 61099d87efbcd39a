"""Closed forms that tests hold the program against: spread functions, obscured and aberrated pupils.

`nu` is the frequency as a fraction of the cutoff 1/(wavelength x f-number); `q` = wavelength x f-number / pixel pitch.
Distances run along the edge's normal, positive towards the bright side.

References
----------
J. W. Goodman, Introduction to Fourier Optics (overlap of displaced, aberrated pupils).
E. L. O'Neill, J. Opt. Soc. Am. 46, 285 (1956) (central obscuration).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import special

from lensbench.model.units import FloatArray
from lensbench.optics import circular_mtf

ComplexArray = npt.NDArray[np.complex128]

_LSF_PEAK: Final = 8.0 / (3.0 * np.pi)
"""Height of the circular pupil's unit-area line spread function. [1 / (wavelength x f-number)]"""


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


def gaussian_esf(distance_px: npt.ArrayLike, sigma_px: float) -> FloatArray:
    """Edge spread of a Gaussian blur: the normal distribution's integral."""
    return np.asarray(special.ndtr(np.asarray(distance_px, dtype=np.float64) / sigma_px))


def defocus_esf(distance_px: npt.ArrayLike, disc_px: float) -> FloatArray:
    """Edge spread of a uniform blur disc: 1/2 + [asin t + t sqrt(1 - t^2)] / pi with t = 2 x / d.

    The area of the disc on one side of a chord, derived.
    """
    t = np.clip(2.0 * np.asarray(distance_px, dtype=np.float64) / disc_px, -1.0, 1.0)
    return np.asarray(0.5 + (np.arcsin(t) + t * np.sqrt(1.0 - t**2)) / np.pi)


def diffraction_lsf(distance_px: npt.ArrayLike, q: float) -> FloatArray:
    """Line spread function of a perfect circular pupil, of unit area over pixels.

    H1(2 pi x) / (pi x)^2 with the Struve function H1 and x in units of wavelength x f-number.

    Parameters
    ----------
    distance_px : array of any shape
        Distance from the line's centre. [px]
    q : float
        Wavelength times f-number over pixel pitch, above 0.

    Returns
    -------
    array
        [1/px]
    """
    x = np.abs(np.asarray(distance_px, dtype=np.float64)) / q
    near = x < 1e-4
    safe = np.where(near, 1.0, x)
    lsf = np.where(near, _LSF_PEAK, special.struve(1, 2.0 * np.pi * safe) / (np.pi * safe) ** 2)
    return lsf / q


def diffraction_esf(distance_px: npt.ArrayLike, q: float) -> FloatArray:
    """Edge spread function of a perfect circular pupil, from 0 (dark) to 1 (bright).

    1/2 + (1/pi) [S(t) - H1(t)/t] with t = 2 pi x, x in units of wavelength x f-number, and S(t) the integral
    of H0(u)/u from 0 to t. Far out, 1 - ESF falls as 2 / (pi^3 x). Good to 2e-9.

    Parameters
    ----------
    distance_px : array of any shape
        Distance from the edge, positive towards the bright side. [px]
    q : float
        Wavelength times f-number over pixel pitch, above 0.
    """
    distance = np.asarray(distance_px, dtype=np.float64)
    t = 2.0 * np.pi * np.abs(distance) / q
    safe = np.maximum(t, 1e-9)
    rise = np.pi / 2.0 - special.it2struve0(safe) - special.struve(1, safe) / safe
    return np.asarray(0.5 + np.sign(distance) * rise / np.pi)


def obscured_mtf(nu: npt.ArrayLike, epsilon: float) -> FloatArray:
    """MTF of a circular pupil with a central round obscuration, as a mirror lens has.

    Parameters
    ----------
    nu : array of any shape
        Frequency as a fraction of the cutoff.
    epsilon : float
        Diameter of the obscuration over that of the pupil, 0 to below 1.

    Raises
    ------
    ValueError
        `epsilon` lies outside 0 to 1.
    """
    if not 0.0 <= epsilon < 1.0:
        raise ValueError(f"epsilon is {epsilon}, and must lie between 0 and 1")
    fraction = np.abs(np.asarray(nu, dtype=np.float64))
    if epsilon == 0.0:
        return circular_mtf(fraction)
    hole = epsilon**2 * circular_mtf(fraction / epsilon)
    return (circular_mtf(fraction) + hole + _hole_crossing(fraction, epsilon)) / (1.0 - epsilon**2)


def _hole_crossing(nu: FloatArray, epsilon: float) -> FloatArray:
    """O'Neill's third term: the displaced pupil's overlap with the hole of the other."""
    phi = np.arccos(np.clip((1.0 + epsilon**2 - 4.0 * nu**2) / (2.0 * epsilon), -1.0, 1.0))
    ratio = (1.0 + epsilon) / (1.0 - epsilon)
    term = (
        -2.0 * epsilon**2
        + (2.0 * epsilon / np.pi) * np.sin(phi)
        + ((1.0 + epsilon**2) / np.pi) * phi
        - (2.0 * (1.0 - epsilon**2) / np.pi) * np.arctan(ratio * np.tan(np.minimum(phi, np.pi - 1e-12) / 2.0))
    )
    inner = np.where(nu <= (1.0 - epsilon) / 2.0, -2.0 * epsilon**2, term)
    return np.where(nu >= (1.0 + epsilon) / 2.0, 0.0, inner)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wavefront:
    """Primary aberrations of a circular pupil; the orders of Zernike are normalised to their rms in waves."""

    w20_waves: float = 0.0
    """Defocus at the rim, as in w20 rho^2 (its rms is w20 / sqrt(12))."""
    astigmatism_rms_waves: float = 0.0
    """sqrt(6) rho^2 cos(2 theta)."""
    astigmatism_deg: float = 0.0
    """Direction of the astigmatism's axis."""
    coma_rms_waves: float = 0.0
    """sqrt(8) (3 rho^3 - 2 rho) cos(theta)."""
    coma_deg: float = 0.0
    """Direction of the coma's axis."""
    spherical_rms_waves: float = 0.0
    """sqrt(5) (6 rho^4 - 6 rho^2 + 1)."""
    fifth_order_rms_waves: float = 0.0
    """sqrt(7) (20 rho^6 - 30 rho^4 + 12 rho^2 - 1): spherical aberration of the next order."""

    def at(self, along: FloatArray, across: FloatArray) -> FloatArray:
        """Wavefront error at places of the unit pupil, in waves."""
        rho2 = along**2 + across**2
        twice = 2.0 * np.deg2rad(self.astigmatism_deg)
        once = np.deg2rad(self.coma_deg)
        astigmatism = (along**2 - across**2) * np.cos(twice) + 2.0 * along * across * np.sin(twice)
        coma = (3.0 * rho2 - 2.0) * (along * np.cos(once) + across * np.sin(once))
        spherical = 6.0 * rho2**2 - 6.0 * rho2 + 1.0
        fifth_order = 20.0 * rho2**3 - 30.0 * rho2**2 + 12.0 * rho2 - 1.0
        return np.asarray(
            self.w20_waves * rho2
            + self.astigmatism_rms_waves * np.sqrt(6.0) * astigmatism
            + self.coma_rms_waves * np.sqrt(8.0) * coma
            + self.spherical_rms_waves * np.sqrt(5.0) * spherical
            + self.fifth_order_rms_waves * np.sqrt(7.0) * fifth_order
        )


def aberrated_otf(
    nu: npt.ArrayLike, wavefront: Wavefront, *, azimuth_deg: float = 0.0, nodes: int = 48
) -> ComplexArray:
    """Complex OTF of an aberrated circular pupil by the overlap integral.

    The pupil is laid over itself, displaced by plus and minus nu along the azimuth; Gauss-Legendre nodes over
    the lens-shaped overlap converge to 1e-12 for errors below one wave.

    Parameters
    ----------
    nu : array of any shape
        Frequency as a fraction of the cutoff; zero comes out from 1 on.
    wavefront : Wavefront
        The aberrations.
    azimuth_deg : float
        Direction of the frequency, in the axes of the wavefront. [degree]
    nodes : int
        Nodes along each direction; raise it in step with the wavefront error beyond about two waves.
    """
    fraction = np.minimum(np.abs(np.asarray(nu, dtype=np.float64)), 1.0)[..., None, None]
    abscissas, weights = special.roots_legendre(nodes)
    theta = np.arccos(fraction) * abscissas[:, None]
    half_length = np.cos(theta) - fraction
    along, across = half_length * abscissas, np.sin(theta)
    cosine, sine = np.cos(np.deg2rad(azimuth_deg)), np.sin(np.deg2rad(azimuth_deg))
    ahead, behind = (
        wavefront.at(x * cosine - across * sine, x * sine + across * cosine)
        for x in (along + fraction, along - fraction)
    )
    kernel = np.exp(2j * np.pi * (ahead - behind)) * half_length * np.cos(theta) * np.arccos(fraction)
    otf: ComplexArray = np.einsum("...ij,i,j->...", kernel, weights, weights) / np.pi
    return otf
