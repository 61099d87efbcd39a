"""MTF50 away from the plane of focus, from the MTF50 measured in focus: the blur budget of one lens at one stop.

In focus, the measured figure is explained by diffraction, the pixel, and a Gaussian for all the rest (the
lens's aberrations, the print). What is added out of focus is Hopkins' exact defocus of a circular pupil, and
for hands the steady motion during the exposure. Defocus disc times diffraction would count the pupil's edge
twice and be up to 15 % too soft at small stops.

References
----------
H. H. Hopkins, Proc. R. Soc. A 231, 91 (1955): the defocused pupil; a disc of diameter c on the sensor is a
wavefront error of c / (8 wavelength N) at the pupil's rim.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import optimize

from lensbench import optics
from lensbench.model.units import FloatArray

__all__ = ["Blur", "blur_in_focus", "working_q"]


WAVELENGTH_UM: Final = 0.55
"""Middle of the green channel; common practice, no source."""
_HIGHEST_CYPX: Final = 1.0
_LARGEST_DISC_PX: Final = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Blur:
    """One lens at one stop, as it stands before a scene."""

    q: float
    """Wavelength times working f-number over pixel pitch."""
    variance_px2: float
    """Of the Gaussian; a little below zero where the measured figure is above what physics allows."""

    def transfer(
        self, frequency_cypx: FloatArray, *, disc_px: float = 0.0, motion_px: float = 0.0
    ) -> FloatArray:
        """Give the modulus of the transfer, for edges across the motion."""
        optical = (
            optics.defocused_diffraction_otf(frequency_cypx * self.q, disc_px / (8.0 * self.q))
            if disc_px > 0.0
            else optics.diffraction_mtf(frequency_cypx, self.q)
        )
        transfer: FloatArray = np.abs(
            optical
            * optics.pixel_mtf(frequency_cypx)
            * optics.motion_mtf(frequency_cypx, motion_px)
            * np.exp(-2.0 * np.pi**2 * self.variance_px2 * frequency_cypx**2)
        )
        return transfer

    def mtf50_cypx(self, *, disc_px: float = 0.0, motion_px: float = 0.0) -> float:
        """Give MTF50 for a defocus disc and a motion on the sensor, in cycles per pixel."""
        span_px = max(disc_px, motion_px)
        highest = min(_HIGHEST_CYPX, 4.0 / span_px) if span_px > 0.0 else _HIGHEST_CYPX
        return optics.frequency_at(
            lambda frequency: self.transfer(frequency, disc_px=disc_px, motion_px=motion_px),
            0.5,
            highest_cypx=highest,
        )

    def disc_px_for(self, share: float) -> float:
        """Give the defocus disc that leaves a share of the MTF50 in focus, in pixels."""
        wanted = share * self.mtf50_cypx()
        found = optimize.brentq(
            lambda log_disc: self.mtf50_cypx(disc_px=math.exp(log_disc)) - wanted,
            math.log(1e-3),
            math.log(_LARGEST_DISC_PX),
            xtol=1e-4,
        )
        return float(math.exp(found))

    def at(self, q: float) -> "Blur":
        """Give the same lens at another distance, which makes another working f-number of the stop."""
        return Blur(q=q, variance_px2=self.variance_px2)


def working_q(f_number: float, *, magnification: float, pixel_pitch_um: float) -> float:
    """Give q for the working f-number N (1 + m)."""
    return optics.diffraction_q(
        f_number=optics.effective_f_number(f_number, magnification=magnification),
        pixel_pitch_um=pixel_pitch_um,
        wavelength_um=WAVELENGTH_UM,
    )


def blur_in_focus(mtf50_cypx: float, q: float) -> Blur:
    """Explain an MTF50 measured in focus by diffraction, pixel and a Gaussian.

    Parameters
    ----------
    mtf50_cypx : float
        [cycles/pixel]
    q : float
        Of the working f-number before the chart, as `working_q` gives it.
    """
    bound = float(optics.diffraction_mtf(mtf50_cypx, q) * optics.pixel_mtf(mtf50_cypx))
    return Blur(q=q, variance_px2=math.log(max(bound, 1e-3) / 0.5) / (2.0 * math.pi**2 * mtf50_cypx**2))
