"""Invented lenses whose true MTF50 comes from exact overlap integrals of aberrated pupils.

Nothing here knows of the model that the study fits, so a check against these curves can fail.
"""

from dataclasses import dataclass
from functools import lru_cache

import exact_pupils
import numpy as np
from scipy import interpolate, optimize

WAVELENGTH_UM = 0.55
FULL = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
FAST = (1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
SLOW = (4.0, 5.6, 8.0, 11.0, 16.0, 22.0)
THIRDS = (2.8, 3.5, 4.0, 5.0, 5.6, 7.1, 8.0, 10.0, 11.0, 14.0, 16.0)
USUAL = (0.5, 0.25, 0.3, 0.3)
"""Largest aberrations wide open, in waves: defocus (W20), astigmatism, coma and spherical error (rms)."""


@dataclass(frozen=True)
class PupilLens:
    stops: np.ndarray
    pitch_um: float
    log_mtf50: np.ndarray
    """True, sagittal and tangential averaged."""


@lru_cache(maxsize=1)
def pupil_lenses(count=16):
    """Lenses with random aberrations: wide open up to half a wave of defocus, 0.3 rms of spherical error."""
    random = np.random.default_rng(20)
    return tuple(_lens(random, (FULL, FAST, SLOW, THIRDS)[number % 4]) for number in range(count))


def sharp_lenses(random, stops, count):
    """Lenses whose sharpness rises and falls over the stops."""
    return [_lens(random, stops) for _ in range(count)]


def _lens(random, stops):
    pitch_um = random.uniform(3.0, 6.0)
    strengths = random.uniform(0.0, 1.0, 4) * USUAL
    sigma_px = random.uniform(0.1, 0.5)
    values = [_log_mtf50(stop, stops[0] / stop, pitch_um, strengths, sigma_px) for stop in stops]
    return PupilLens(stops=np.array(stops), pitch_um=pitch_um, log_mtf50=np.array(values))


def _log_mtf50(stop, opening, pitch_um, strengths, sigma_px):
    """Seidel: defocus and astigmatism go with the opening squared, coma cubed, spherical to the fourth."""
    wavefront = exact_pupils.Wavefront(
        w20_waves=strengths[0] * opening**2,
        astigmatism_rms_waves=strengths[1] * opening**2,
        coma_rms_waves=strengths[2] * opening**3,
        spherical_rms_waves=strengths[3] * opening**4,
    )
    frequency = np.geomspace(0.01, 0.8, 48)
    sensor = np.sinc(frequency) * np.exp(-2.0 * (np.pi * sigma_px * frequency) ** 2)
    nu = np.minimum(frequency * WAVELENGTH_UM * stop / pitch_um, 1.0)
    found = [
        _crossing(
            frequency,
            sensor * np.abs(exact_pupils.aberrated_otf(nu, wavefront, azimuth_deg=azimuth, nodes=32)),
        )
        for azimuth in (0.0, 90.0)
    ]
    return np.log(np.mean(found))


def _crossing(frequency, transfer):
    first = int(np.argmax(transfer < 0.5))
    curve = interpolate.CubicSpline(frequency, transfer - 0.5)
    return optimize.brentq(curve, frequency[first - 1], frequency[first])


def shoot(lens, random, *, sd, shots):
    """Log MTF50 of refocused shots at every stop."""
    return tuple(value + sd * random.normal(size=shots) for value in lens.log_mtf50)
