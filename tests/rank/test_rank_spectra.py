"""The pieces of ranking against closed forms."""

import numpy as np
import pytest

from lensbench.rank.order import deming_slope, holm, noise_ratio


def powers(transfer, noise, *, scene=1.0):
    """Expected powers and cross powers of frames with given transfer and noise."""
    transfer = np.asarray(transfer)
    return scene * np.outer(transfer, transfer) + np.diag(noise)


@pytest.mark.parametrize("noise", [(0.1, 0.1), (0.3, 0.1), (0.0, 0.0)])
def test_the_slope_is_exact_where_the_noise_ratio_is_known(noise):
    # a_i = h_i^2 P + n_i, c_ij = h_i h_j P: the slope must be h_i / h_j.
    ratio = (
        np.array([[1.0, noise[0] / noise[1]], [noise[1] / noise[0], 1.0]]) if noise[1] else np.ones((2, 2))
    )
    slope = deming_slope(powers([0.8, 1.1], noise), ratio)
    assert slope[0, 1] == pytest.approx(0.8 / 1.1, rel=1e-9)
    assert slope[1, 0] == pytest.approx(1.1 / 0.8, rel=1e-9)
    assert np.diagonal(slope) == pytest.approx(1.0)


def drawn(levels, *, scene, seed, pieces=20, rings=8, bins=60):
    """Powers of random spectra: a common scene, and noise of these levels."""
    random = np.random.default_rng(seed)

    def normal(*shape):
        return (random.normal(size=shape) + 1j * random.normal(size=shape)) / np.sqrt(2.0)

    common = np.sqrt(scene) * normal(pieces, rings, 1, bins)
    own = np.sqrt(np.asarray(levels))[:, None] * normal(pieces, rings, len(levels), bins)
    spectra = common + own
    return np.real(spectra @ np.conj(np.swapaxes(spectra, -1, -2))) / bins


def test_unequal_noise_is_seen_and_equal_noise_is_left_alone():
    assert noise_ratio(drawn([1.0, 1.0], scene=0.1, seed=1), np.ones((8, 2, 2))) == pytest.approx(1.0)
    ratio = noise_ratio(drawn([2.0, 1.0], scene=0.1, seed=2), np.ones((8, 2, 2)))
    # 9600 bins: the ratio of two mean powers is good to 1.5 %.
    assert ratio[0, 1] == pytest.approx(2.0, rel=0.06)
    assert ratio[1, 0] == pytest.approx(0.5, rel=0.06)


def test_noise_is_taken_for_equal_where_the_scene_is_everywhere():
    assert noise_ratio(drawn([0.02, 0.01], scene=1.0, seed=3), np.ones((8, 2, 2))) == pytest.approx(1.0)


def test_holm_on_the_example_of_a_textbook():
    # Four tests at 5 %: limits 0.0125, 0.0167, 0.025, 0.05 in turn (Holm 1979, by its rule).
    assert holm(np.array([0.01, 0.04, 0.03, 0.005])).tolist() == [True, False, False, True]
    assert holm(np.array([0.04])).tolist() == [True]
