"""A sheet that is no true plane, each part a little off: the stated doubt about its geometry must hold that."""

import numpy as np
import pytest

from lensbench.chart.find.mapping import Mapping, fit_mapping, with_strain
from lensbench.chart.layout.sheet import sheet

SIZE = (2000, 3000)
NOISE_PX = 0.02


def slanted(random):
    """Pixels of points on a plane seen at a slant: 6.7 px a mm, perspective of some degrees, 1 % of barrel."""
    slope = random.uniform(-2e-4, 2e-4, 2)
    homography = np.array([[6.7, 0.02, 999.5], [-0.03, 6.7, 1499.5], [0.0, 0.0, 1.0]])
    homography[2, :2] = slope
    homography[:2, :2] += np.outer((999.5, 1499.5), slope)
    return Mapping(
        homography=homography,
        center_px=(999.5, 1499.5),
        half_diagonal_px=float(np.hypot(*SIZE)) / 2,
        radial=(-0.01, 0.0),
    )


def lying_off(random, sd_mm):
    """Where each target comes to lie when each sixth of an A3 sheet, two rows of three, lies a little off."""
    centers = np.array([target.center_mm for target in sheet("A3").targets])
    off = random.normal(0.0, sd_mm, (2, 3, 2))
    rows, cols = (centers[:, 0] > 0).astype(int), np.digitize(centers[:, 1], (-70.0, 70.0))
    return centers, centers + off[rows, cols]


def told(sd_mm, seed):
    """Fit one photograph; give error and stated sd of the two perspective terms."""
    random = np.random.default_rng(seed)
    true = slanted(random)
    centers, lying = lying_off(random, sd_mm)
    seen = true.to_px(lying) + random.normal(0.0, NOISE_PX, lying.shape)
    fit = fit_mapping(centers, seen, start=true.homography, size_px=SIZE)
    strained = with_strain(fit, centers, seen, noise_px=NOISE_PX, size_px=SIZE)
    terms = strained.homography[2, :2] / strained.homography[2, 2]
    changed = strained.homography + strained.spread
    sd = np.sqrt(((changed[:, 2, :2] / changed[:, 2, 2:] - terms) ** 2).sum(axis=0))
    return terms - true.homography[2, :2], sd, strained is fit


@pytest.mark.parametrize("sd_mm", [0.1, 0.4])
def test_the_doubt_holds_parts_that_lie_off(sd_mm):
    """Over 40 sheets errors scatter as stated; the covariance of the fit, which knows no neighbours, falls short."""
    error, sd, plain = zip(*(told(sd_mm, seed) for seed in range(40)), strict=True)
    assert not any(plain)
    # 80 scores from six parts each: Student's t of 5 has an sd of 1.29; its rms over 80 lies within 0.9 to 1.75.
    assert 0.7 < np.sqrt(np.mean(np.square(np.divide(error, sd)))) < 1.75


def test_a_true_plane_keeps_the_fits_own_doubt():
    error, sd, plain = zip(*(told(0.0, seed) for seed in range(40)), strict=True)
    assert all(plain)
    # 80 scores: within 1 +- 0.24 in 99.7 % of cases (chi-squared).
    assert 0.76 < np.sqrt(np.mean(np.square(np.divide(error, sd)))) < 1.24
