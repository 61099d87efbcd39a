"""Regions of any size, numbers of any kind, and neighbours in a batch: none of them moves a figure."""

import numpy as np
import pytest
from exact_edges import BRIGHT, DARK, Blur, Scene, esf_values, noisy, samples

from lensbench.edge import measure_edge, measure_edges

BLUR = Blur(q=2.0)
SNR = 150.0


def values_of(scene, *, seed=1):
    clean = DARK + (BRIGHT - DARK) * esf_values(BLUR, scene)
    return noisy(clean, SNR, np.random.default_rng(seed), 1)[0].values


def away_sd(edge, scene):
    """Distance from the closed form's MTF50 in stated standard deviations."""
    return abs(edge.mtf50_cypx - BLUR.at(0.5, scene.angle_deg)) / edge.mtf50_sd_cypx


@pytest.mark.parametrize(
    ("height", "width", "angle_deg"), [(1200, 100, 4.0), (1200, 200, 6.0), (1211, 100, 4.0)]
)
def test_a_tall_region_is_not_thinned_in_the_rhythm_of_its_rows(height, width, angle_deg):
    scene = Scene(angle_deg=angle_deg, height=height, width=width)
    edge = measure_edge(samples(values_of(scene)))
    # 4 sd: one in sixteen thousand if the stated sd is true.
    assert away_sd(edge, scene) < 4.0
    assert not {flag.flag for flag in edge.flags} & {"curved", "ragged_print"}


@pytest.mark.parametrize(("scale", "kind"), [(200, np.uint8), (60_000, np.uint16), (4000, np.int16)])
def test_integers_are_measured_as_the_numbers_they_are(scale, kind):
    scene = Scene(angle_deg=7.0)
    codes = np.rint(values_of(scene) * scale).astype(kind)
    whole, broken = measure_edge(samples(codes)), measure_edge(samples(codes.astype(np.float64)))
    assert whole.mtf50_cypx == pytest.approx(broken.mtf50_cypx, rel=1e-9)
    assert away_sd(whole, scene) < 4.0


@pytest.mark.parametrize("codes", [50, 100])
def test_an_edge_in_coarse_codes_is_about_right_or_refused(codes):
    # Without noise rounding makes terraces of the plateaus; what is left is the slope, good to a code of some sixty.
    scene = Scene(angle_deg=6.0)
    clean = DARK + (BRIGHT - DARK) * esf_values(BLUR, scene)
    edge = measure_edge(samples(np.rint(clean * codes) / codes))
    if edge.measured:
        assert edge.mtf50_cypx == pytest.approx(BLUR.at(0.5, scene.angle_deg), rel=0.1)


def test_neighbours_in_a_batch_do_not_move_an_edge():
    scenes = [Scene(angle_deg=float(angle)) for angle in np.linspace(3.0, 40.0, 20)]
    regions = [samples(values_of(scene, seed=k)) for k, scene in enumerate(scenes)]
    alone = np.array([measure_edge(region).mtf50_cypx for region in regions])
    together = np.array([edge.mtf50_cypx for edge in measure_edges(regions)])
    np.testing.assert_allclose(together, alone, rtol=1e-6)


@pytest.mark.parametrize("wild", [1e160, 1e13, np.inf, np.nan])
def test_one_wild_number_costs_its_own_region_only(wild):
    region = samples(values_of(Scene(angle_deg=7.0)))
    spoiled = region.values.copy()
    spoiled[3, 3] = wild
    sound, refused = measure_edges([region, samples(spoiled)])
    assert sound.measured
    assert not refused.measured
    assert refused.flags
