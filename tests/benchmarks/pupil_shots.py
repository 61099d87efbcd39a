"""Shots of invented lenses for the benchmarks of differences: pupils with aberrations, focused anew for every shot.

MTF50 comes from overlap integrals of the pupil, at the focus that this shot happened to get. Scatter is therefore what
focus makes of it: one-sided, larger at wide stops, and in no way normal. Nothing here knows of the fitted models.
"""

import math
from dataclasses import dataclass, field
from functools import cache

import exact_pupils
import numpy as np
from scipy import interpolate

WAVELENGTH_UM = 0.55
STOPS = (2.8, 4.0, 5.6, 8.0, 11.0)
PITCH_UM = 4.0
_FOCUS_UM = np.linspace(-120.0, 120.0, 33)
_FREQUENCY = np.geomspace(0.008, 0.8, 56)


@dataclass(frozen=True)
class PupilLens:
    """A lens by the rms waves of its aberrations wide open (f/2.8): spherical, coma, astigmatism."""

    waves: tuple[float, float, float]
    extra_px: float = 0.0
    """Gaussian blur on top: a filter, another copy of the lens."""
    scale: float = 1.0
    """Its image is so much finer, all else alike: for lenses that differ by a known share."""
    _curves: dict[float, interpolate.CubicSpline] = field(default_factory=dict, repr=False, compare=False)

    def log_mtf50(self, stop: float, focus_um: np.ndarray) -> np.ndarray:
        """Log MTF50 of shots whose focus lies so far from the best one of this stop."""
        curve, best_um = _through_focus(self.waves, self.extra_px, stop)
        return curve(np.clip(np.asarray(focus_um) + best_um, -120.0, 120.0)) + math.log(self.scale)

    def shots(
        self, random: np.random.Generator, stop: float, *, count: int, focus_sd_um: float, noise_sd: float
    ) -> np.ndarray:
        """Log MTF50 of shots, each focused anew and measured with a little noise."""
        return self.log_mtf50(stop, focus_sd_um * random.normal(size=count)) + noise_sd * random.normal(
            size=count
        )

    def mean_log_mtf50(self, stop: float, *, focus_sd_um: float) -> float:
        """What the mean of endlessly many shots comes to: the truth that intervals have to cover."""
        nodes, weights = np.polynomial.hermite_e.hermegauss(41)
        return float(weights @ self.log_mtf50(stop, focus_sd_um * nodes) / weights.sum())


@cache
def _through_focus(
    waves: tuple[float, float, float], extra_px: float, stop: float
) -> tuple[interpolate.CubicSpline, float]:
    """Log MTF50 against focus, and where it is highest."""
    opening = 2.8 / stop
    found = []
    for focus_um in _FOCUS_UM:
        wavefront = exact_pupils.Wavefront(
            w20_waves=float(focus_um) / (8.0 * stop**2 * WAVELENGTH_UM),
            spherical_rms_waves=waves[0] * opening**4,
            coma_rms_waves=waves[1] * opening**3,
            astigmatism_rms_waves=waves[2] * opening**2,
        )
        found.append(np.mean([_mtf50(wavefront, extra_px, stop, azimuth) for azimuth in (0.0, 90.0)]))
    curve = interpolate.CubicSpline(_FOCUS_UM, np.log(found))
    fine = np.linspace(-100.0, 100.0, 2001)
    return curve, float(fine[int(np.argmax(curve(fine)))])


def _mtf50(wavefront: exact_pupils.Wavefront, extra_px: float, stop: float, azimuth_deg: float) -> float:
    nu = np.minimum(_FREQUENCY * WAVELENGTH_UM * stop / PITCH_UM, 1.0)
    sensor = np.sinc(_FREQUENCY) * np.exp(-2.0 * (math.pi * _FREQUENCY) ** 2 * (0.3**2 + extra_px**2))
    transfer = sensor * np.abs(exact_pupils.aberrated_otf(nu, wavefront, azimuth_deg=azimuth_deg, nodes=40))
    after = int(np.argmax(transfer < 0.5))
    share = (transfer[after - 1] - 0.5) / (transfer[after - 1] - transfer[after])
    return float(_FREQUENCY[after - 1] * (_FREQUENCY[after] / _FREQUENCY[after - 1]) ** share)


LENSES = ((0.0, 0.03, 0.03), (0.10, 0.0, 0.05), (0.05, 0.12, 0.0), (0.15, 0.06, 0.10))
"""From all but perfect to soft wide open."""
