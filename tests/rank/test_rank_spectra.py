"""The pieces of ranking against closed forms."""

import numpy as np
import pytest

from lensbench.rank.fit import Rings, fit_blur
from lensbench.rank.order import holm

RADIUS_CYPX = np.arange(0.04, 0.44, 0.02)


def rings(blur_px2, noise, brightness, *, developed=False, pieces=12):
    """Expected powers of frames of one scene, whose power falls with the square of frequency (derived).

    a_i = (b_i h_i)^2 P + n_i and c_ij = b_i h_i b_j h_j P, h = exp(-2 pi^2 f^2 v); n is told as a share of P at the
    highest ring.
    """
    scene = (RADIUS_CYPX[-1] / RADIUS_CYPX) ** 2
    seen = np.asarray(brightness) * np.exp(-2.0 * np.pi**2 * RADIUS_CYPX[:, None] ** 2 * np.asarray(blur_px2))
    powers = scene[:, None, None] * seen[:, :, None] * seen[:, None, :] + np.diag(noise)
    # Pieces of unlike level, as those of a picture are.
    levels = np.linspace(0.5, 2.0, pieces)[:, None, None, None]
    return Rings(powers=levels * powers, radius_cypx=RADIUS_CYPX, bins=9e3 * RADIUS_CYPX, developed=developed)


@pytest.mark.parametrize("developed", [False, True])
@pytest.mark.parametrize("noise", [(0.1, 0.1), (0.02, 0.32), (1e-9, 1e-9)])
def test_blur_is_exact_whatever_noise_and_brightness(noise, developed):
    fit = fit_blur(rings([0.3, 0.5], noise, [1.0, 0.5], developed=developed))
    # The prior of the noises' ratio may pull where developing leaves that ratio in doubt, far less than the sd.
    assert fit.variance_px2 == pytest.approx([-0.1, 0.1], abs=1e-4 + 0.1 * developed * fit.sd_px2[0, 1])


def test_frames_of_very_unlike_blur_and_noise_come_out_too():
    fit = fit_blur(rings([4.0, 0.0], [0.001, 0.016], [1.0, 1.0]))
    assert fit.variance_px2 == pytest.approx([2.0, -2.0], rel=0.002)  # the same prior


def test_three_frames_agree():
    fit = fit_blur(rings([0.1, 0.4, 1.0], [0.01, 0.16, 0.04], [1.0, 0.7, 1.4]))
    assert fit.variance_px2 == pytest.approx([-0.4, -0.1, 0.5], abs=1e-3)
    assert fit.sd_px2 == pytest.approx(fit.sd_px2.T)


def test_developing_leaves_unlike_frames_in_doubt_and_those_alike_not():
    def sd(noise, brightness, *, developed):
        return fit_blur(rings([0.3, 0.3], noise, brightness, developed=developed)).sd_px2[0, 1]

    # Expected powers without chance: what remains is the doubt.
    assert sd([0.1, 0.1], [1.0, 1.0], developed=True) < 1.1 * sd([0.1, 0.1], [1.0, 1.0], developed=False)
    assert sd([0.1, 1.6], [1.0, 1.0], developed=True) > 10.0 * sd([0.1, 1.6], [1.0, 1.0], developed=False)
    assert sd([0.1, 0.1], [1.0, 0.5], developed=True) > 10.0 * sd([0.1, 0.1], [1.0, 0.5], developed=False)


def test_frames_that_share_nothing_have_no_order():
    alone = rings([0.0, 0.0], [1.0, 1.0], [0.0, 0.0])
    assert fit_blur(alone) is None


def test_holm_on_the_example_of_a_textbook():
    # Four tests at 5 %: limits 0.0125, 0.0167, 0.025, 0.05 in turn (Holm 1979, by its rule).
    assert holm(np.array([0.01, 0.04, 0.03, 0.005])).tolist() == [True, False, False, True]
    assert holm(np.array([0.04])).tolist() == [True]
