"""Pixel, blur and crossing against closed forms."""

import exact_pupils
import numpy as np
import pytest

from lensbench import optics

LN2 = np.log(2.0)


def test_square_pixel():
    # Boreman: sinc; 2/pi at Nyquist and one half at 0.603355 (derived).
    assert optics.pixel_mtf(0.5) == pytest.approx(0.636620, abs=6e-7)
    assert optics.frequency_at(optics.pixel_mtf, 0.5) == pytest.approx(0.603355, abs=6e-7)


@pytest.mark.parametrize("angle_deg", [5.0, 31.0, 45.0, 85.0, -20.0])
def test_square_pixel_along_a_slanted_normal(angle_deg):
    # Brute force: mean of the cosine over a grid of the square's points; 2e-6 is the midpoint rule's error.
    frequency = 0.37
    points = (np.arange(400) + 0.5) / 400 - 0.5
    angle = np.deg2rad(angle_deg)
    along = points[:, None] * np.cos(angle) + points[None, :] * np.sin(angle)
    expected = np.mean(np.cos(2.0 * np.pi * frequency * along))
    assert optics.pixel_mtf(frequency, angle_deg) == pytest.approx(expected, abs=2e-6)
    assert optics.pixel_mtf(frequency / 0.8, angle_deg, fill=0.8) == pytest.approx(expected, abs=2e-6)


# Derived by root finding on the product of the two closed forms (Goodman's pupil, Boreman's pixel).
@pytest.mark.parametrize(
    ("q", "mtf50"),
    [
        (0.25, 0.527916),
        (0.5, 0.450155),
        (0.55, 0.435281),
        (1.0, 0.322282),
        (1.1, 0.302634),
        (1.54, 0.235439),
        (2.0, 0.188926),
        (2.2, 0.173650),
        (3.0, 0.130576),
    ],
)
def test_diffraction_and_pixel(q, mtf50):
    found = optics.frequency_at(lambda f: optics.diffraction_mtf(f, q) * optics.pixel_mtf(f), 0.5)
    assert found == pytest.approx(mtf50, abs=6e-7)


# Derived by root finding on the product of Gaussian and sinc.
@pytest.mark.parametrize(
    ("sigma_px", "mtf50"),
    [(0.25, 0.478749), (0.5, 0.323088), (0.75, 0.232901), (1.0, 0.179964), (1.5, 0.122665)],
)
def test_gaussian_and_pixel(sigma_px, mtf50):
    found = optics.frequency_at(lambda f: optics.gaussian_mtf(f, sigma_px) * optics.pixel_mtf(f), 0.5)
    assert found == pytest.approx(mtf50, abs=6e-7)


def test_gaussian_mtf50():
    # Closed form: sigma x MTF50 = sqrt(2 ln 2) / (2 pi) = 0.18739063.
    found = optics.frequency_at(lambda f: optics.gaussian_mtf(f, 0.8), 0.5)
    assert found * 0.8 == pytest.approx(0.18739063, abs=1e-8)
    assert optics.gaussian_sigma_px(found) == pytest.approx(0.8, rel=1e-8)


def test_geometric_defocus():
    # Hopkins 1955, geometrical: 2 J1(a)/a is one half at a = 2.215089 and first zero at 3.831706, a = pi f d.
    disc_px = 3.7
    half = optics.frequency_at(lambda f: optics.defocus_mtf(f, disc_px), 0.5)
    assert np.pi * half * disc_px == pytest.approx(2.215089, abs=1e-6)
    assert optics.defocus_mtf(3.831706 / (np.pi * disc_px), disc_px) == pytest.approx(0.0, abs=1e-6)
    assert optics.defocus_mtf(0.0, disc_px) == 1.0
    assert optics.defocus_mtf(0.3, 0.0) == 1.0


@pytest.mark.parametrize(("waves", "nu50"), [(0.25, 0.352542), (0.5, 0.176271), (1.0, 0.088136)])
def test_geometric_defocus_in_waves(waves, nu50):
    # Derived: disc diameter = 8 w in units of wavelength x f-number.
    found = optics.frequency_at(lambda nu: optics.defocus_mtf(nu, 8.0 * waves), 0.5)
    assert found == pytest.approx(nu50, abs=6e-7)


def test_four_spots():
    # Boreman (from memory): |cos(pi f d)|, half at 1/(3 d), null at 1/(2 d).
    assert optics.frequency_at(lambda f: exact_pupils.olpf_mtf(f, 0.9), 0.5) == pytest.approx(
        1.0 / 2.7, abs=1e-8
    )
    assert exact_pupils.olpf_mtf(1.0 / 1.8, 0.9) == pytest.approx(0.0, abs=1e-12)
    # Along the diagonal the four spots stand at -d, 0, 0, +d over sqrt 2: (1 + cos) / 2 (derived).
    expected = 0.5 + 0.5 * np.cos(2.0 * np.pi * 0.3 * 0.9 * np.sqrt(2.0) / 2.0)
    assert exact_pupils.olpf_mtf(0.3, 0.9, angle_deg=45.0) == pytest.approx(expected, abs=1e-12)


def test_motion():
    # Boreman (from memory): sinc(f w). Derived: 0.4 px costs 1.17 % of an MTF50 of 0.25.
    assert optics.motion_mtf(0.25, 4.0) == pytest.approx(0.0, abs=1e-12)
    sigma_px = optics.gaussian_sigma_px(0.25)
    moved = optics.frequency_at(lambda f: optics.gaussian_mtf(f, sigma_px) * optics.motion_mtf(f, 0.4), 0.5)
    assert 100.0 * (moved / 0.25 - 1.0) == pytest.approx(-1.17, abs=0.005)


def test_crossing_of_exponential_and_lorentzian_lines():
    # Transform pairs: exp(-|x|/a) gives 1/(1 + (2 pi a f)^2), the Lorentzian line exp(-2 pi a f).
    a = 0.6
    exponential = optics.frequency_at(lambda f: 1.0 / (1.0 + (2.0 * np.pi * a * f) ** 2), 0.5)
    lorentzian = optics.frequency_at(lambda f: np.exp(-2.0 * np.pi * a * f), 0.5)
    assert exponential == pytest.approx(1.0 / (2.0 * np.pi * a), abs=1e-8)
    assert lorentzian == pytest.approx(LN2 / (2.0 * np.pi * a), abs=1e-8)


def test_crossing_takes_the_first_of_several_and_says_when_there_is_none():
    # |sinc| comes back above 0.1 after its first zero; half-maximum of the main lobe: 1.8955 / pi (derived).
    first = optics.frequency_at(lambda f: np.abs(np.sinc(f)), 0.1)
    assert first < 1.0
    assert np.isnan(optics.frequency_at(np.ones_like, 0.5))
