"""Figures drawn from curves, against closed forms."""

import exact_pupils
import numpy as np
import pytest
from scipy.optimize import brentq

from lensbench import optics
from lensbench.edge.curves import crossings_cypx, crossings_px, overshoots_percent, slopes_at

FREQUENCY = np.linspace(0.0, 1.0, 101)


@pytest.mark.parametrize("level", [0.5, 0.3, 0.2, 0.1])
def test_crossings_of_gaussians(level):
    sigmas = np.array([0.4, 0.8, 1.6])
    sfr = np.exp(-2.0 * (np.pi * sigmas[:, None] * FREQUENCY) ** 2)
    exact = np.sqrt(-np.log(level) / 2.0) / (np.pi * sigmas)
    np.testing.assert_allclose(
        crossings_cypx(FREQUENCY, sfr, level), np.where(exact < 1, exact, np.nan), rtol=2e-4
    )


def test_the_first_of_several_crossings_counts():
    # A disc's transfer returns above 0.1 beyond its first zero at 1.22 / d (closed form, Bessel function).
    sfr = np.abs(optics.defocus_mtf(FREQUENCY, 3.0))[None]
    exact = optics.frequency_at(lambda f: np.abs(optics.defocus_mtf(f, 3.0)), 0.1, highest_cypx=0.4)
    assert crossings_cypx(FREQUENCY, sfr, 0.1)[0] == pytest.approx(exact, abs=2e-4)


def test_no_crossing_is_no_number():
    assert np.isnan(crossings_cypx(FREQUENCY, np.full((1, 101), 0.8), 0.5))[0]


def test_slopes_of_a_straight_line():
    np.testing.assert_allclose(slopes_at(FREQUENCY, 1.0 - 0.7 * FREQUENCY[None], np.array([0.333])), -0.7)


def test_rise_of_a_gaussian_and_of_a_disc():
    position = np.arange(-400, 401) * 0.02
    esf = np.stack([exact_pupils.gaussian_esf(position, 1.0), exact_pupils.defocus_esf(position, 4.0)])
    # 2.563103 sigma; for the disc the chord that cuts off a tenth of its area lies at 0.6870 of the radius (solved).
    chord = brentq(lambda x: float(exact_pupils.defocus_esf(np.array(x), 4.0)) - 0.9, 0.0, 2.0)
    low, high = crossings_px(position, esf)
    np.testing.assert_allclose(high - low, [2.563103, 2.0 * chord], rtol=2e-4)


def test_rise_without_plateaus_is_no_number():
    position = np.arange(-10, 11) * 0.1
    assert np.isnan(crossings_px(position, np.full((1, 21), 0.5))).all()


def test_overshoot_and_undershoot():
    esf = np.array([[-0.02, 0.0, 0.5, 1.05, 1.0], [0.0, 0.1, 0.5, 0.9, 1.0]])
    over, under = overshoots_percent(esf)
    np.testing.assert_allclose(over, [5.0, 0.0], atol=1e-9)
    np.testing.assert_allclose(under, [2.0, 0.0], atol=1e-9)
