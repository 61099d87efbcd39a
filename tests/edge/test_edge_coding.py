"""Coded and interpolated pictures: what coding took is seen and allowed for, and never taken for specks."""

from dataclasses import replace

import numpy as np
import pytest
from exact_edges import Scene
from odd_edges import Gaussian, OddEdge
from processed_edges import PROCESSINGS, processed
from scipy.ndimage import correlate1d

from lensbench.edge import measure_edges
from lensbench.edge.clusters import grain
from lensbench.edge.coding import coded_share
from lensbench.edge.fit import fit_refined
from lensbench.edge.lost import LostDetail
from lensbench.edge.samples import Noise, Plateaus, points_of, pool_together, stack_bins
from lensbench.edge.shapes import MIDDLES, nearest_shape, prior_shape
from lensbench.model.errors import EdgeError

EDGE = OddEdge(spread=Gaussian(sigma_px=0.6), scene=Scene(angle_deg=-9.0, height=60, width=40))


def in_files(kind, snr, count, edge=EDGE):
    rng = np.random.default_rng(5)
    return [processed(edge, PROCESSINGS[kind], rng).samples(snr, rng) for _ in range(count)]


@pytest.mark.parametrize(
    ("kind", "coded"), [("JPEG 60 4:2:0", 1.0), ("JPEG 75 4:4:4", 1.0), ("8-bit sRGB", 0.0)]
)
def test_blocks_are_seen_wherever_they_begin(kind, coded):
    shares = [coded_share(points_of(region)) for region in in_files(kind, 150.0, 4)]
    assert shares == pytest.approx([coded] * 4, abs=0.25)


def test_what_is_left_beside_the_lost_waves_is_what_their_covariance_leaves():
    # Sums weighed by the inverse of the noise's and the waves' covariance, inverted by brute force.
    shape = prior_shape(nearest_shape(0.25))
    distance, along = np.random.default_rng(1).uniform(-15.0, 15.0, (2, 900))
    pooled, places = pool_together([(distance, along, np.ones(900))], step_px=shape.step_px)
    bins = stack_bins([pooled.row(0, places[0])], shape.step_px)
    plateaus = Plateaus(
        noise=Noise(dark_variance=1.0, bright_variance=1.0), dark_slope_per_px=0.0, bright_slope_per_px=0.0,
        dark_slope_sd_per_px=0.0, bright_slope_sd_per_px=0.0, lost=0.1,
    )  # fmt: skip
    waves = LostDetail.of(bins, shape.fitted, slice(0, MIDDLES.size), [plateaus], np.array([50.0]))
    filled = np.flatnonzero(bins.count[0])
    own, weight = waves.columns[0][:, filled], bins.count[:, filled]
    columns = np.random.default_rng(2).standard_normal((1, 3, filled.size))
    left = columns - replace(waves, columns=own[None]).taken(columns, weight)
    expected = columns[0] @ np.linalg.inv(np.diag(1.0 / weight[0]) + own.T @ own) @ columns[0].T
    np.testing.assert_allclose((left * weight) @ columns[0].T, expected[None], rtol=1e-6)


@pytest.mark.parametrize("kernel", [[1.0], [0.25, 0.5, 0.25]])
def test_grain_is_the_power_of_a_blurred_noise(kernel):
    # Power of the kernel's transform at half of MTF50 along the normal, over its sum of squares (derived).
    rng, powers = np.random.default_rng(3), []
    for _ in range(6):
        exact = processed(EDGE, PROCESSINGS["8-bit sRGB"], rng).samples(None, rng)
        noise = correlate1d(
            correlate1d(rng.standard_normal(exact.values.shape), kernel, axis=0), kernel, axis=1
        )
        fit = fit_refined([points_of(replace(exact, values=exact.values + 0.01 * noise))])[0]
        assert not isinstance(fit, EdgeError)
        powers.append(grain(fit))
    turn = np.pi * EDGE.at(0.5) * np.array([np.cos(np.radians(-9.0)), np.sin(np.radians(-9.0))])
    passed = 1.0 if len(kernel) == 1 else float(np.prod(np.square(0.5 + 0.5 * np.cos(turn))))
    expected = passed / float(np.sum(np.square(kernel))) ** 2
    assert np.mean(powers) == pytest.approx(expected, rel=0.2)


@pytest.mark.parametrize("kind", ["JPEG 75 4:2:0", "demosaic bilinear, 16-bit linear"])
def test_a_pattern_of_coding_or_colours_is_no_speck_and_dust_still_is(kind):
    regions = in_files(kind, 150.0, 2)
    dusty = []
    for region in regions:
        values = region.values.copy()
        values[10:13, 32:35] -= 0.4 * np.ptp(values)
        dusty.append(replace(region, values=values, clipped=np.zeros(values.shape, bool)))
    clean, dust = (
        [{flag.flag for flag in edge.flags} for edge in measure_edges(some)] for some in (regions, dusty)
    )
    assert not any(flags & {"outliers", "second_edge", "no_edge"} for flags in clean)
    assert all("outliers" in flags for flags in dust)
