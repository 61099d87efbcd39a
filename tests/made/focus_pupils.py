"""Lenses out of focus whose true MTF50 comes from overlap integrals of aberrated pupils, as `pupil_shoots`.

The truth knows nothing of the curve that is fitted to focus brackets.
"""

from dataclasses import dataclass
from functools import lru_cache

import exact_pupils
import numpy as np
from scipy import interpolate, optimize

WAVELENGTH_UM = 0.55
FREQUENCY = np.geomspace(0.02, 0.7, 40)


@dataclass(frozen=True)
class FocusPupil:
    """One lens at one stop, over defocus in waves at the pupil's rim."""

    q: float
    log_mtf50: interpolate.CubicSpline
    best_waves: float
    log_peak: float
    low_waves: float
    """Where 30 % of the peak are lost, before and behind."""
    high_waves: float

    @property
    def width(self):
        return self.high_waves - self.low_waves


@lru_cache(maxsize=4)
def focus_pupils(count=6, seed=1):
    """Random aberrations, up to 0.25 waves rms of astigmatism and of coma, and 0.3 of spherical error."""
    random = np.random.default_rng(seed)
    return tuple(_pupil(random) for _ in range(count))


def _pupil(random):
    q = WAVELENGTH_UM * random.choice([1.4, 2.0, 2.8, 4.0, 5.6, 8.0]) / random.uniform(3.0, 6.0)
    rms = random.uniform(0.0, 0.25, 2), random.uniform(-0.3, 0.3)
    sigma_px = random.uniform(0.1, 0.6)
    waves = np.linspace(-2.5, 2.5, 41)
    values = [
        np.mean([mtf50(q, wavefront(one, *rms[0], rms[1]), sigma_px, azimuth_deg=a) for a in (0.0, 90.0)])
        for one in waves
    ]
    curve = interpolate.CubicSpline(waves, np.log(values))
    fine = np.linspace(-2.45, 2.45, 4001)
    level = curve(fine)
    top = int(np.argmax(level))
    lost = level < level[top] + np.log(0.7)
    before, behind = np.flatnonzero(lost[:top]), np.flatnonzero(lost[top:])
    return FocusPupil(
        q=q,
        log_mtf50=curve,
        best_waves=fine[top],
        log_peak=level[top],
        low_waves=fine[before[-1]] if before.size else fine[0],
        high_waves=fine[top + behind[0]] if behind.size else fine[-1],
    )


def wavefront(w20_waves, astigmatism, coma, spherical):
    return exact_pupils.Wavefront(
        w20_waves=w20_waves,
        astigmatism_rms_waves=astigmatism,
        coma_rms_waves=coma,
        spherical_rms_waves=spherical,
    )


def mtf50(q, front, sigma_px, *, azimuth_deg, nodes=28):
    """MTF50 of pupil x pixel x Gaussian for edges square to an azimuth of the wavefront's axes."""
    nu = np.minimum(FREQUENCY * q, 1.0)
    pupil = np.abs(exact_pupils.aberrated_otf(nu, front, azimuth_deg=azimuth_deg, nodes=nodes))
    transfer = pupil * np.sinc(FREQUENCY) * np.exp(-2.0 * (np.pi * sigma_px * FREQUENCY) ** 2)
    first = int(np.argmax(transfer < 0.5))
    curve = interpolate.CubicSpline(FREQUENCY, transfer - 0.5)
    return optimize.brentq(curve, FREQUENCY[first - 1], FREQUENCY[first])


def bracket(pupil, random, *, shots=7, sd=0.01, off=0.2, span=1.0):
    """Steps and log MTF50 of a bracket over the width of the peak times `span`, set off its middle by up to `off`."""
    middle = 0.5 * (pupil.low_waves + pupil.high_waves) + random.uniform(-off, off) * pupil.width
    steps = middle + span * pupil.width * np.linspace(-0.5, 0.5, shots)
    steps = np.clip(steps, -2.5, 2.5)
    return steps, pupil.log_mtf50(steps) + sd * random.normal(size=shots)
