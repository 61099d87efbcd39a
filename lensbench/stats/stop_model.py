"""How MTF50 falls and rises over the f-stops, by physics: a model of one zone at one focal length.

The transfer at f-number N is diffraction x pixel x defocus x aberration, with N0 the widest f-number:
diffraction at q = kappa N; a square pixel; a uniform disc of diameter D N0/N (defocus and field curvature);
a Gaussian of variance c^2 + w (N0/N)^6 (a constant blur, and primary spherical aberration, whose transverse
blur goes with the third power of the opening). Against exact overlap integrals of pupils with spherical
aberration, coma, astigmatism and defocus it errs by 0.3 % at most of MTF50 in half of the cases, and by a few
percent in strongly aberrated ones; `curves` allows for that.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import optimize

from lensbench import optics
from lensbench.model.shot import BoolArray
from lensbench.model.units import FloatArray

__all__ = ["PARAMETERS", "Fit", "diffraction_scale", "fit_blur", "log_mtf50"]


PARAMETERS: Final = 4
"""log kappa, c^2 [px^2], D^2 [px^2], w [px^2]."""

_USUAL_PITCH_UM: Final = 4.3
_KNOWN_PITCH_SD: Final = 0.05
_UNKNOWN_PITCH_SD: Final = 0.4
"""Log-spread of kappa: band width of the channel with a known pitch; pitches of 2 to 9 um without."""
_BLUR_PRIOR_SD_PX2: Final = 50.0
_UPPER: Final = (2.0, 50.0, 2000.0, 500.0)
_GRID_CYPX: Final = np.geomspace(0.004, 1.0, 64)
_STEP: Final = 1e-4
_AT_ZERO: Final = 1e-5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """The model laid through points."""

    parameters: FloatArray
    """Shape (4,)."""
    widest_f_number: float
    log_mtf50: FloatArray
    """At the points, shape (points,)."""
    jacobian: FloatArray
    """Of log_mtf50 by the parameters, shape (points, 4)."""
    prior_precision: FloatArray
    """What was known of the parameters beforehand, shape (4, 4)."""

    @property
    def at_zero(self) -> BoolArray:
        """Which parameters stand at their bound of zero, shape (4,)."""
        return np.array([False, *(self.parameters[1:] <= _AT_ZERO)])

    def spare(self, sd: FloatArray) -> float:
        """Give the degrees of freedom that the fit left over, with points of these standard deviations.

        Points less the trace of the hat matrix: a parameter that stands at its bound of zero took none, and one that
        was known beforehand only a part.
        """
        free = ~self.at_zero
        slope = self.jacobian[:, free] / sd[:, None]
        information = slope.T @ slope + self.prior_precision[np.ix_(free, free)]
        return float(len(sd) - np.trace(slope @ np.linalg.solve(information, slope.T)))

    def at(self, f_number: FloatArray) -> FloatArray:
        """Give log MTF50 at other f-numbers."""
        return log_mtf50(f_number, self.parameters, widest_f_number=self.widest_f_number)


def diffraction_scale(pixel_pitch_um: float | None) -> tuple[float, float]:
    """Give log kappa = log(wavelength / pitch) and its standard deviation, wide for an unknown pitch."""
    pitch_um = pixel_pitch_um or _USUAL_PITCH_UM
    return float(np.log(optics.GREEN_UM / pitch_um)), _KNOWN_PITCH_SD if pixel_pitch_um else _UNKNOWN_PITCH_SD


def log_mtf50(f_number: FloatArray, parameters: FloatArray, *, widest_f_number: float) -> FloatArray:
    """Give the natural logarithm of MTF50 in cycles per pixel.

    Parameters
    ----------
    f_number : float array, shape (points,)
        Exact f-numbers.
    parameters : float array, shape (..., 4)
        As `PARAMETERS`; leading axes are looped over in one go.
    widest_f_number : float
        N0, to which D and w refer.

    Returns
    -------
    float array, shape (..., points)
    """
    transfer = _transfer(_GRID_CYPX, f_number, parameters, widest_f_number)
    above = np.clip(np.argmax(transfer < 0.5, axis=-1), 1, None)[..., None]
    low, high = _GRID_CYPX[above - 1], _GRID_CYPX[above]
    start, end = (np.take_along_axis(transfer, index, axis=-1) for index in (above - 1, above))
    frequency = low + (start - 0.5) / (start - end) * (high - low)
    for _ in range(3):  # Newton's steps inside the cell
        here = _transfer(frequency, f_number, parameters, widest_f_number)
        slope = (_transfer(frequency * 1.001, f_number, parameters, widest_f_number) - here) / (
            frequency * 0.001
        )
        frequency = np.clip(frequency + (0.5 - here) / slope, low, high)
    logarithm: FloatArray = np.log(frequency[..., 0])
    return logarithm


def _transfer(
    frequency_cypx: FloatArray, f_number: FloatArray, parameters: FloatArray, widest_f_number: float
) -> FloatArray:
    log_kappa, constant_px2, disc_px2, aberration_px2 = np.moveaxis(parameters[..., None, None, :], -1, 0)
    opening = (widest_f_number / f_number)[:, None]
    sigma_px = np.sqrt(constant_px2 + aberration_px2 * opening**6)
    transfer: FloatArray = (
        optics.circular_mtf(frequency_cypx * np.exp(log_kappa) * f_number[:, None])
        * optics.pixel_mtf(frequency_cypx)
        * optics.defocus_mtf(frequency_cypx * np.sqrt(disc_px2) * opening, 1.0)
        * np.exp(-2.0 * (np.pi * sigma_px * frequency_cypx) ** 2)
    )
    return transfer


def fit_blur(
    f_number: FloatArray, log_values: FloatArray, *, sd: FloatArray, pixel_pitch_um: float | None
) -> Fit:
    """Lay the model through points by least squares, with what is known of the diffraction beforehand.

    Parameters
    ----------
    f_number, log_values, sd : float arrays, shape (points,)
        Exact f-numbers, log MTF50 and its standard deviation.
    pixel_pitch_um : float or None
        Fixes the diffraction within 5 %; unknown, it is left wide.
    """
    widest = float(f_number.min())
    log_kappa, log_kappa_sd = diffraction_scale(pixel_pitch_um)
    prior = np.array([log_kappa, 0.0, 0.0, 0.0])
    prior_sd = np.array([log_kappa_sd, *[_BLUR_PRIOR_SD_PX2] * 3])

    def residual(parameters: FloatArray) -> FloatArray:
        misfit = (log_mtf50(f_number, parameters, widest_f_number=widest) - log_values) / sd
        return np.concatenate([misfit, (parameters - prior) / prior_sd])

    def slope(parameters: FloatArray) -> FloatArray:
        return np.vstack([_jacobian(f_number, parameters, widest) / sd[:, None], np.diag(1.0 / prior_sd)])

    found = optimize.least_squares(
        residual,
        np.array([log_kappa, 0.1, 0.3, 0.1]),
        slope,
        bounds=((-4.0, 0.0, 0.0, 0.0), _UPPER),
        x_scale=(0.1, 0.2, 1.0, 1.0),
        xtol=1e-6,
        ftol=1e-6,
    )
    parameters = np.asarray(found.x, dtype=np.float64)
    return Fit(
        parameters=parameters,
        widest_f_number=widest,
        log_mtf50=log_mtf50(f_number, parameters, widest_f_number=widest),
        jacobian=_jacobian(f_number, parameters, widest),
        prior_precision=np.diag(prior_sd**-2.0),
    )


def _jacobian(f_number: FloatArray, parameters: FloatArray, widest: float) -> FloatArray:
    moved = parameters + np.vstack([np.zeros(PARAMETERS), np.eye(PARAMETERS) * _STEP])
    values = log_mtf50(f_number, moved, widest_f_number=widest)
    jacobian: FloatArray = (values[1:] - values[0]).T / _STEP
    return jacobian
