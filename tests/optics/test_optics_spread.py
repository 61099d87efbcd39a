"""Edge spreads against closed forms, brute force and their own transforms."""

import exact_pupils
import numpy as np
import pytest

from lensbench import optics


def rise_px(position_px, esf, *, low=0.1, high=0.9):
    return np.interp(high, esf, position_px) - np.interp(low, esf, position_px)


def test_gaussian_rise():
    # Closed form of the normal distribution: 10-90 % is 2.56310313 sigma, 25-75 % x MTF50 is 0.25278611.
    position = np.linspace(-5.0, 5.0, 100_001)
    esf = exact_pupils.gaussian_esf(position, 0.7)
    assert rise_px(position, esf) == pytest.approx(2.56310313 * 0.7, abs=1e-6)
    mtf50 = 0.18739063 / 0.7
    assert rise_px(position, esf) * mtf50 == pytest.approx(0.48030150, abs=1e-6)
    assert rise_px(position, esf, low=0.25, high=0.75) * mtf50 == pytest.approx(0.25278611, abs=1e-6)


def test_disc_share_by_brute_force():
    points = (np.arange(2000) + 0.5) / 2000 * 2.0 - 1.0
    inside = points[:, None] ** 2 + points[None, :] ** 2 <= 1.0
    for t in (-0.8, -0.1, 0.0, 0.5, 0.95):
        expected = np.sum(inside & (points[None, :] < t)) / np.sum(inside)
        # 1e-3: one column of the grid.
        assert exact_pupils.defocus_esf(t * 2.1, 4.2) == pytest.approx(expected, abs=1e-3)
    assert exact_pupils.defocus_esf(9.0, 4.2) == 1.0


def test_sine_integral_meets_the_closed_forms():
    position = np.linspace(-9.0, 11.0, 81)
    q = 1.3
    # 3e-9: the closed form's own accuracy.
    diffraction = optics.esf_from_mtf(position, lambda f: optics.diffraction_mtf(f, q), highest_cypx=1.0 / q)
    assert diffraction == pytest.approx(exact_pupils.diffraction_esf(position, q), abs=3e-9)
    gaussian = optics.esf_from_mtf(position, lambda f: optics.gaussian_mtf(f, 0.6), highest_cypx=2.5)
    assert gaussian == pytest.approx(exact_pupils.gaussian_esf(position, 0.6), abs=1e-10)


def test_sine_integral_of_gaussian_and_pixel():
    # Closed form, derived: a Gaussian edge over one pixel is a difference of x Phi(x/s) + s phi(x/s).
    sigma = 0.5
    position = np.linspace(-3.0, 3.0, 41)

    def integral(distance):
        density = np.exp(-0.5 * (distance / sigma) ** 2) / np.sqrt(2.0 * np.pi)
        return distance * exact_pupils.gaussian_esf(distance, sigma) + sigma * density

    expected = integral(position + 0.5) - integral(position - 0.5)
    found = optics.esf_from_mtf(
        position, lambda f: optics.gaussian_mtf(f, sigma) * optics.pixel_mtf(f), highest_cypx=3.0
    )
    assert found == pytest.approx(expected, abs=1e-10)


def test_shapes_are_kept():
    distance = np.zeros((2, 3))
    assert optics.esf_from_mtf(
        distance, lambda f: optics.diffraction_mtf(f, 1.0), highest_cypx=1.0
    ).shape == (2, 3)
