"""A sheet that is joined a little off: the stated doubt about its geometry must hold that."""

import numpy as np
import pytest

from lensbench.chart.draw.tiling import tiling
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


def joined_badly(plan, random, sd_mm):
    """Where each target comes to lie when every page sits a little off."""
    off = random.normal(0.0, sd_mm, (len(plan.tiles), 2))

    def page_of(center_mm):
        for number, tile in enumerate(plan.tiles):
            start = np.subtract(tile.center_mm, np.divide(tile.shown_mm, 2))
            end = np.add(start, tile.shown_mm) - 10.0 * ~np.array(tile.last)
            if (center_mm >= start).all() and (center_mm < end).all():
                return number
        raise AssertionError(center_mm)

    centers = np.array([target.center_mm for target in sheet("A3").targets])
    return centers, centers + off[[page_of(center) for center in centers]]


def told(sd_mm, seed):
    """Fit one photograph; give error and stated sd of the two perspective terms."""
    random = np.random.default_rng(seed)
    true = slanted(random)
    centers, lying = joined_badly(tiling(sheet("A3"), "A4"), random, sd_mm)
    seen = true.to_px(lying) + random.normal(0.0, NOISE_PX, lying.shape)
    fit = fit_mapping(centers, seen, start=true.homography, size_px=SIZE)
    strained = with_strain(fit, centers, seen, noise_px=NOISE_PX, size_px=SIZE)
    terms = strained.homography[2, :2] / strained.homography[2, 2]
    changed = strained.homography + strained.spread
    sd = np.sqrt(((changed[:, 2, :2] / changed[:, 2, 2:] - terms) ** 2).sum(axis=0))
    return terms - true.homography[2, :2], sd, strained is fit


@pytest.mark.parametrize("sd_mm", [0.1, 0.4])
def test_the_doubt_holds_pages_that_sit_off(sd_mm):
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
