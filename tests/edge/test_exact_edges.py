"""The exact edges themselves: against direct integration over the pixel, closed forms and tabulated values."""

import exact_pupils
import numpy as np
import pytest
from exact_edges import Blur, Scene, esf_values, grid, noisy, profile_of, sites
from scipy import integrate, special
from standard_bias import HALF_WIDTHS_PX, WINDOW_BIAS_PERCENT, derived_mtf50_cypx


@pytest.mark.parametrize("angle", [0.0, 5.0, 26.565, 44.5, 81.0])
def test_pixel_values_are_the_mean_of_the_lens_edge_over_the_pixel(angle):
    # Diffraction's ESF is a closed form (Struve functions); the square pixel is integrated in two dimensions.
    scene = Scene(angle_deg=angle, height=24, width=20)
    nodes, weights = np.polynomial.legendre.leggauss(16)
    row, col = grid(scene.height, scene.width)
    mean = np.zeros_like(row)
    for d_row, row_weight in zip(nodes / 2, weights / 2, strict=True):
        for d_col, col_weight in zip(nodes / 2, weights / 2, strict=True):
            distance = scene.distance_px(row + d_row, col + d_col)
            mean += row_weight * col_weight * exact_pupils.diffraction_esf(distance, 1.1)
    np.testing.assert_allclose(esf_values(Blur(q=1.1), scene), mean, atol=2e-6)


def test_the_sine_integral_agrees_with_adaptive_quadrature():
    blur = Blur(q=0.8, waves=0.5, sigma_px=0.4)
    profile = profile_of(blur, 14.036, 20.0)
    for distance in (0.05, 0.4, 1.3, 3.7, 12.1):
        whole, _ = integrate.quad(
            lambda f, d=distance: float(blur.transfer(np.array([f]), 14.036)[0]) * np.sin(2 * np.pi * f * d) / f,
            1e-12, 1.25, limit=400, epsabs=1e-9,
        )  # fmt: skip
        assert profile(np.array([distance]))[0] == pytest.approx(0.5 + whole / np.pi, abs=2e-6)


def test_a_gaussian_over_a_square_pixel_is_a_difference_of_integrated_normals():
    # At angle 0 the pixel is a box: its mean of Phi(d / s) is the difference of s (u Phi(u) + phi(u)).
    sigma, distance = 0.75, np.linspace(-4.0, 4.0, 41)

    def integral(x):
        u = x / sigma
        return sigma * (u * special.ndtr(u) + np.exp(-u * u / 2) / np.sqrt(2 * np.pi))

    expected = integral(distance + 0.5) - integral(distance - 0.5)
    np.testing.assert_allclose(profile_of(Blur(sigma_px=sigma), 0.0, 10.0)(distance), expected, atol=1e-6)


@pytest.mark.parametrize(("q", "f50"), [(0.5, 0.450155), (1.0, 0.322282), (2.0, 0.188926), (0.55, 0.435281)])
def test_truth_of_diffraction_and_pixel(q, f50):
    # Derived by quadrature, apart from this code.
    assert Blur(q=q).at(0.5) == pytest.approx(f50, abs=2e-6)


@pytest.mark.parametrize(("sigma", "f50"), [(0.5, 0.323088), (0.75, 0.232901), (1.5, 0.122665)])
def test_truth_of_gaussian_and_pixel(sigma, f50):
    # Derived by quadrature, apart from this code.
    assert Blur(sigma_px=sigma).at(0.5) == pytest.approx(f50, abs=2e-6)


def test_a_bent_edge_without_bend_is_the_straight_one():
    straight = Scene(angle_deg=8.0, height=30, width=30)
    nearly = Scene(angle_deg=8.0, height=30, width=30, sagitta_px=1e-7)
    np.testing.assert_allclose(esf_values(Blur(q=1.1), nearly), esf_values(Blur(q=1.1), straight), atol=1e-6)


def test_the_arc_departs_from_its_chord_by_the_sagitta():
    scene = Scene(angle_deg=0.0, height=101, width=60, offset_px=0.0, sagitta_px=2.0)
    end = scene.distance_px(np.array([-50.5, 0.0, 50.5]), np.array([0.0, 0.0, 0.0]))
    assert abs(end[1]) < 1e-9
    np.testing.assert_allclose(np.abs(end[[0, 2]]), 2.0, rtol=0.01)


def test_noise_has_the_snr_of_the_two_plateaus():
    clean = np.concatenate([np.full((200, 200), 0.06), np.full((200, 200), 0.72)])
    noise = noisy(clean, 50.0, np.random.default_rng(0), 1)[0].values - clean
    rms = np.sqrt(0.5 * (noise[:200].var() + noise[200:].var()))
    assert 0.66 / rms == pytest.approx(50.0, rel=0.02)


def test_shares_of_sites():
    assert [
        sites(name, 60, 60).mean() for name in ("bayer green", "bayer red", "x-trans green")
    ] == pytest.approx([1 / 2, 1 / 4, 5 / 9])


@pytest.mark.parametrize("q", WINDOW_BIAS_PERCENT)
def test_the_derivation_gives_the_tabulated_bias_of_the_window(q):
    truth = Blur(q=q).at(0.5)
    for half, expected in zip(HALF_WIDTHS_PX, WINDOW_BIAS_PERCENT[q], strict=True):
        found = derived_mtf50_cypx(Blur(q=q), 0.0, half, difference=False, bins=False)
        assert 100.0 * (found / truth - 1.0) == pytest.approx(expected, abs=0.04)
