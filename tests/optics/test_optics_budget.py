"""One lens at one stop, and what physics allows it, against closed forms."""

import math
from dataclasses import replace

import numpy as np
import pytest

from lensbench import optics
from lensbench.model.shot import PhysicalFit
from lensbench.optics import LensBlur, allowed_mtf50_cypx, blur_parts, working_q


def test_q_goes_by_the_working_f_number():
    # Any optics textbook: N (1 + m); life-size, f/8 works as f/16.
    assert working_q(8.0, pixel_pitch_um=4.0, magnification=1.0, wavelength_um=0.5) == 2.0
    for far in (None, math.nan, 0.0):
        assert working_q(8.0, pixel_pitch_um=4.0, magnification=far, wavelength_um=0.5) == 1.0


# Derived by root finding on the product of the two closed forms (Goodman's pupil, Boreman's pixel).
@pytest.mark.parametrize(("q", "mtf50"), [(0.5, 0.450155), (1.1, 0.302634), (2.2, 0.173650)])
def test_physics_allows_diffraction_times_pixel(q, mtf50):
    assert allowed_mtf50_cypx(q) == pytest.approx(mtf50, abs=1e-6)


def test_a_soft_print_leaves_its_own_gaussian():
    # Where the Gaussian is all, MTF50 is sqrt(ln 2 / 2) / (pi sigma); 20 px leave nothing to the rest.
    sigma_px = 20.0
    alone = math.sqrt(math.log(2.0) / 2.0) / (math.pi * sigma_px)
    assert allowed_mtf50_cypx(0.05, sigma_px=sigma_px) == pytest.approx(alone, rel=2e-3)


def test_the_transfer_is_the_product_of_its_parts():
    # Boreman's pixel and motion, Goodman's pupil, a Gaussian: each in closed form.
    frequency, q, sigma_px, motion_px = np.array([0.05, 0.2, 0.4]), 1.2, 0.6, 1.5
    lens = LensBlur(q=q, variance_px2=sigma_px**2, motion_px=motion_px)
    nu = q * frequency
    pupil = 2.0 / np.pi * (np.arccos(nu) - nu * np.sqrt(1.0 - nu**2))
    rest = np.sinc(frequency) * np.sinc(frequency * motion_px)
    gaussian = np.exp(-2.0 * (np.pi * sigma_px * frequency) ** 2)
    np.testing.assert_allclose(lens.transfer(frequency), pupil * rest * gaussian, rtol=1e-12)


def test_what_is_sharper_than_physics_allows_is_explained_too():
    lens = LensBlur.in_focus(0.33, 1.1)
    assert lens.variance_px2 < 0.0
    assert lens.mtf50_cypx == pytest.approx(0.33, rel=1e-6)
    assert replace(lens, disc_px=2.0).mtf50_cypx < 0.33


def test_parts_share_one_scale():
    """Each part's sigma is that of the Gaussian with the part's own MTF50, solved on its closed form."""
    reading = PhysicalFit(
        fits=True,
        mtf50_cypx=0.2,
        mtf50_sd_cypx=0.001,
        diffraction_q=1.3,
        defocus_disc_px=2.5,
        gaussian_sigma_px=0.4,
        reduced_chi2=1.0,
    )
    parts = blur_parts(reading)
    gaussian = optics.frequency_at(lambda f: optics.gaussian_mtf(f, 1.0), 0.5, highest_cypx=1.0)
    alone = {
        parts.diffraction_px: lambda f: optics.diffraction_mtf(f, 1.3),
        parts.pixel_px: lambda f: optics.pixel_mtf(f, 0.0),
        parts.defocus_px: lambda f: optics.defocus_mtf(f, 2.5),
        parts.other_px: lambda f: optics.gaussian_mtf(f, 0.4),
    }
    for sigma_px, transfer in alone.items():
        mtf50 = optics.frequency_at(transfer, 0.5, highest_cypx=1.0 if sigma_px != parts.defocus_px else 0.45)
        assert sigma_px == pytest.approx(gaussian / mtf50, rel=1e-4)
    assert parts.largest == "defocus"
