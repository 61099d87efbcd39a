"""The standard's method shows the standard's own bias, no more and no less."""

import numpy as np
import pytest
from exact_edges import BRIGHT, DARK, Blur, Scene, edge_samples, esf_values, noisy, sites
from standard_bias import HALF_WIDTHS_PX, WINDOW_BIAS_PERCENT, derived_mtf50_cypx

from lensbench.edge import measure_edge, measure_edges


def iso_mtf50(blur, *, angle=4.0, lines=100, width=40, offsets=8):
    """Mean over even sub-pixel offsets: a bin holds few phases, so that single edges scatter."""
    places = (np.arange(offsets) + 0.5) / offsets - 0.5
    scenes = [Scene(angle_deg=angle, height=lines, width=width, offset_px=float(place)) for place in places]
    edges = measure_edges([edge_samples(blur, scene) for scene in scenes], method="iso")
    return np.mean([edge.mtf50_cypx for edge in edges])


@pytest.mark.parametrize("half", HALF_WIDTHS_PX)
@pytest.mark.parametrize("q", WINDOW_BIAS_PERCENT)
def test_bias_is_that_of_window_bins_and_difference(q, half):
    # Derived in standard_bias; its window part is checked against tabulated figures in test_exact_edges.
    blur = Blur(q=q)
    expected = derived_mtf50_cypx(blur, 4.0, half, difference=True, bins=True)
    assert 100.0 * (iso_mtf50(blur, width=2 * half) - expected) / blur.at(0.5, 4.0) == pytest.approx(
        0.0, abs=0.1
    )


@pytest.mark.parametrize("half", [16, 20, 32])
@pytest.mark.parametrize("q", WINDOW_BIAS_PERCENT)
def test_bias_is_that_of_the_window_times_the_loss_of_the_bins(q, half):
    # Where the region is not too narrow, the steps commute well enough: the tabulated bias and sinc(f/4).
    blur = Blur(q=q)
    expected = derived_mtf50_cypx(blur, 4.0, half, difference=False, bins=True)
    assert 100.0 * (iso_mtf50(blur, width=2 * half) - expected) / blur.at(0.5, 4.0) == pytest.approx(
        0.0, abs=0.1
    )


def test_the_frequency_runs_along_the_normal():
    # Uncorrected, 10 degrees would read 1.5 % low.
    blur = Blur(sigma_px=0.8)
    at_2, at_10 = (iso_mtf50(blur, angle=angle, lines=115) / blur.at(0.5, angle) for angle in (2.0, 10.0))
    assert at_10 == pytest.approx(at_2, rel=0.002)


@pytest.mark.parametrize("turn", [np.transpose, np.rot90, np.fliplr, np.flipud])
def test_edges_along_the_rows_are_turned_first(turn):
    region = edge_samples(Blur(q=1.1), Scene(angle_deg=5.0, height=80, width=50))
    turned = type(region)(
        box=type(region.box)(
            top=0, left=0, height=turn(region.values).shape[0], width=turn(region.values).shape[1]
        ),
        channel="grey",
        values=np.ascontiguousarray(turn(region.values)),
        present=np.ascontiguousarray(turn(region.present)),
        clipped=np.ascontiguousarray(turn(region.clipped)),
    )
    plain, other = (measure_edge(one, method="iso") for one in (region, turned))
    assert other.mtf50_cypx == pytest.approx(plain.mtf50_cypx, rel=0.004)


def test_sfr_starts_at_one_and_keeps_the_line_and_flags_of_the_refined_reading():
    region = edge_samples(Blur(q=1.1), Scene(angle_deg=5.0))
    iso, refined = measure_edge(region, method="iso"), measure_edge(region)
    assert iso.sfr[0] == pytest.approx(1.0)
    assert (iso.angle_deg, iso.snr, iso.flags) == (refined.angle_deg, refined.snr, refined.flags)
    assert iso.frequency_cypx.max() <= 1.0 + 1e-9


def test_stated_sd_is_about_the_spread():
    # (2 pi f50 / (0.693 SNR)) sqrt(0.3974 x 2W / (2 Ny)) for a Gaussian edge (derived).
    blur, scene = Blur(sigma_px=0.75), Scene(angle_deg=5.0, height=92, width=40)
    clean = DARK + (BRIGHT - DARK) * esf_values(blur, scene)
    edges = measure_edges(noisy(clean, 100.0, np.random.default_rng(4), 80), method="iso")
    spread = np.std([edge.mtf50_cypx for edge in edges])
    f50 = blur.at(0.5, 5.0)
    formula = f50 * 2 * np.pi * f50 / (0.693 * 100.0) * np.sqrt(0.3974 * 40 / (2 * 92))
    assert spread == pytest.approx(formula, rel=0.3)
    assert np.mean([edge.mtf50_sd_cypx for edge in edges]) == pytest.approx(formula, rel=0.15)


def test_sites_of_a_filter_array():
    scene = Scene(angle_deg=5.0, height=92, width=48)
    present = sites("bayer green", scene.height, scene.width)
    edge = measure_edge(edge_samples(Blur(q=1.1), scene, present=present), method="iso")
    assert edge.mtf50_cypx == pytest.approx(Blur(q=1.1).at(0.5, 5.0), rel=0.05)


def test_an_edge_that_leaves_by_the_sides_gives_no_wild_figure_unflagged():
    edge = measure_edge(edge_samples(Blur(q=1.1), Scene(angle_deg=44.5)), method="iso")
    assert (
        not edge.measured
        or edge.flags
        or edge.mtf50_cypx == pytest.approx(Blur(q=1.1).at(0.5, 44.5), rel=0.1)
    )
