"""What the blur of an edge is made of: its parts, what physics allows, and one lens at one stop.

The transfer of a lens before a sensor is taken as a circular pupil, in focus or not (exact, Hopkins 1955) x a square
pixel x a Gaussian for all the rest (aberrations, the print) x steady motion. Defocus disc times diffraction would count
the pupil's edge twice and be up to 15 % too soft at small stops.

References
----------
H. H. Hopkins, Proc. R. Soc. A 231, 91 (1955): the defocused pupil; a disc of diameter c on the sensor is a wavefront
error of c / (8 wavelength N) at the pupil's rim.
"""

import math
from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from lensbench.model.shot import PhysicalFit
from lensbench.model.units import FloatArray
from lensbench.optics.blur import (
    defocused_diffraction_otf,
    diffraction_mtf,
    frequency_at,
    motion_mtf,
    pixel_mtf,
)

RISE_10_90_SIGMAS: Final = 2.563_103
"""10-90 % rise of a Gaussian edge over its sigma: twice the normal distribution's 90 % point (derived)."""

_GAUSSIAN: Final = 0.187_391  # MTF50 times sigma of a Gaussian: sqrt(ln 2 / 2) / pi
_DIFFRACTION: Final = 0.403_973  # MTF50 times q of a perfect round pupil
_DISC: Final = 0.705_085  # MTF50 times diameter of a disc: where 2 J1(pi u) / (pi u) falls to one half
_PIXEL: Final = 0.603_355  # MTF50 of a square pixel along a row or column: where sinc(f) falls to one half
_LEAST_LEFT: Final = 1e-3  # of the contrast that diffraction and pixel leave where they explain an MTF50
_HIGHEST_CYPX: Final = 1.0
_LARGEST_DISC_PX: Final = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LensBlur:
    """One lens at one stop on one sensor."""

    q: float
    """Wavelength times working f-number over pixel pitch; above 0 where there is defocus."""
    variance_px2: float = 0.0
    """Of the Gaussian; a little below zero where a measured figure is above what physics allows."""
    disc_px: float = 0.0
    """Diameter of the geometric blur disc."""
    motion_px: float = 0.0
    """Length of a steady motion across the edge."""

    @classmethod
    def in_focus(cls, mtf50_cypx: float, q: float) -> Self:
        """Explain an MTF50 measured in focus by diffraction, the pixel and a Gaussian.

        `q` is that of the working f-number before the chart, as `working_q` gives it.
        """
        return cls(q=q, variance_px2=float(variance_in_focus_px2(mtf50_cypx, q)))

    def transfer(self, frequency_cypx: npt.ArrayLike, *, angle_deg: float = 0.0) -> FloatArray:
        """Modulus of the transfer along an edge's normal."""
        frequency = np.asarray(frequency_cypx, dtype=np.float64)
        pupil = (
            defocused_diffraction_otf(frequency * self.q, self.disc_px / (8.0 * self.q))
            if self.disc_px > 0.0
            else diffraction_mtf(frequency, self.q)
        )
        square = pixel_mtf(frequency, angle_deg)
        rest = np.exp(-2.0 * np.pi**2 * self.variance_px2 * frequency**2)
        return np.abs(pupil * square * motion_mtf(frequency, self.motion_px) * rest)

    @property
    def mtf50_cypx(self) -> float:
        """MTF50 across rows or columns. [cycles/pixel]."""
        span_px = max(self.disc_px, self.motion_px)
        highest = min(_HIGHEST_CYPX, 4.0 / span_px) if span_px > 0.0 else _HIGHEST_CYPX
        return frequency_at(self.transfer, 0.5, highest_cypx=highest)

    def disc_px_for(self, share: float) -> float:
        """Diameter of the defocus disc that leaves a share of the MTF50. [px]."""
        from scipy import optimize  # noqa: PLC0415  # half of this room's loading time, and asked for by few

        wanted = share * self.mtf50_cypx

        def excess(log_disc: float) -> float:
            return replace(self, disc_px=math.exp(log_disc)).mtf50_cypx - wanted

        low, high = math.log(1e-3), math.log(_LARGEST_DISC_PX)
        return math.exp(float(optimize.brentq(excess, low, high, xtol=1e-4)))


def variance_in_focus_px2(
    mtf50_cypx: npt.ArrayLike, q: float, *, angle_deg: npt.ArrayLike = 0.0
) -> FloatArray:
    """Variance of `LensBlur.in_focus` for many edges at once."""
    figures = np.asarray(mtf50_cypx, dtype=np.float64)
    left = diffraction_mtf(figures, q) * pixel_mtf(figures, angle_deg)
    return np.asarray(np.log(np.maximum(left, _LEAST_LEFT) / 0.5) / (2.0 * np.pi**2 * figures**2))


def allowed_mtf50_cypx(q: float, *, sigma_px: float = 0.0) -> float:
    """MTF50 that physics allows: a perfect lens on square pixels, before a print of a Gaussian blur if any.

    >>> round(allowed_mtf50_cypx(1.1), 4)
    0.3026
    """
    return LensBlur(q=q, variance_px2=sigma_px**2).mtf50_cypx


@dataclass(frozen=True, slots=True, kw_only=True)
class BlurParts:
    """Each part as the sigma of the Gaussian that alone would have the same MTF50."""

    diffraction_px: float
    pixel_px: float
    defocus_px: float
    other_px: float
    """Lens faults, shake, the print: all that is like a Gaussian."""

    @property
    def largest(self) -> str:
        """Name the largest: diffraction, pixel, defocus or other."""
        sizes = {name: getattr(self, f"{name}_px") for name in ("diffraction", "pixel", "defocus", "other")}
        return max(sizes, key=lambda name: float(sizes[name]))


def blur_parts(reading: PhysicalFit) -> BlurParts:
    """Parts of the blur that a physical reading found.

    Every constant solves «transfer = 1/2» for one part alone. The scale is for comparing parts; squares of parts of
    different shape only nearly add up.
    """
    return BlurParts(
        diffraction_px=_GAUSSIAN / _DIFFRACTION * reading.diffraction_q,
        pixel_px=_GAUSSIAN / _PIXEL,
        defocus_px=_GAUSSIAN / _DISC * reading.defocus_disc_px,
        other_px=reading.gaussian_sigma_px,
    )
