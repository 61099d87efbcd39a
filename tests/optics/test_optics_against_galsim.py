"""The same curves from galsim, an independent optics library for astronomy."""

import exact_pupils
import numpy as np
import pytest

from lensbench import optics

NU = np.array([0.05, 0.2, 0.35, 0.5, 0.7, 0.9])


@pytest.fixture(scope="module")
def galsim():
    """Half a second, for the process that needs it alone."""
    import galsim  # noqa: PLC0415

    return galsim


def transfer(profile, *, frequency, azimuth_deg=0.0):
    """Sample a profile's Fourier transform at frequencies in cycles per unit of length."""
    azimuth = np.deg2rad(azimuth_deg)
    k = 2.0 * np.pi * np.asarray(frequency)
    flux = profile.kValue(0.0, 0.0)
    pairs = zip(k * np.cos(azimuth), k * np.sin(azimuth), strict=True)
    return np.array([profile.kValue(kx, ky) / flux for kx, ky in pairs])


def test_diffraction(galsim):
    airy = galsim.Airy(lam_over_diam=1.0)
    assert transfer(airy, frequency=NU).real == pytest.approx(optics.circular_mtf(NU), abs=1e-9)


@pytest.mark.parametrize("epsilon", [0.2, 0.45])
def test_obscured(galsim, epsilon):
    airy = galsim.Airy(lam_over_diam=1.0, obscuration=epsilon)
    assert transfer(airy, frequency=NU).real == pytest.approx(
        exact_pupils.obscured_mtf(NU, epsilon), abs=1e-9
    )


def test_pixel_along_a_slanted_normal(galsim):
    expected = transfer(galsim.Pixel(1.0), frequency=NU, azimuth_deg=23.0).real
    assert optics.pixel_mtf(NU, 23.0) == pytest.approx(expected, abs=1e-9)


def test_gaussian(galsim):
    expected = transfer(galsim.Gaussian(sigma=0.6), frequency=NU).real
    assert optics.gaussian_mtf(NU, 0.6) == pytest.approx(expected, abs=1e-9)


def test_geometric_defocus(galsim):
    expected = transfer(galsim.TopHat(radius=1.4), frequency=NU).real
    assert optics.defocus_mtf(NU, 2.8) == pytest.approx(expected, abs=1e-6)


# Sampled pupil, four times oversampled and padded: its grid is 3.5e-4 off the exact integral.
# Noll's defocus: sqrt(3) (2 rho^2 - 1), so its rms is w20 / sqrt(12).
@pytest.mark.parametrize(
    ("theirs", "ours"),
    [
        ({"defocus": 0.2 / np.sqrt(12.0), "spher": 0.06}, {"w20_waves": 0.2, "spherical_rms_waves": 0.06}),
        ({"coma2": 0.08, "astig2": 0.07}, {"coma_rms_waves": 0.08, "astigmatism_rms_waves": 0.07}),
    ],
)
def test_aberrations(galsim, theirs, ours):
    psf = galsim.OpticalPSF(lam_over_diam=1.0, oversampling=4.0, pad_factor=4.0, **theirs)
    for azimuth_deg in (0.0, 90.0):
        expected = np.abs(transfer(psf, frequency=NU, azimuth_deg=azimuth_deg))
        found = np.abs(
            exact_pupils.aberrated_otf(NU, exact_pupils.Wavefront(**ours), azimuth_deg=azimuth_deg)
        )
        assert found == pytest.approx(expected, abs=5e-4)
