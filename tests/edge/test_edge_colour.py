"""Lateral colour on hand-made Gaussian edges and on exact ones: sign, size, sd, and what cannot be told."""

from dataclasses import replace
from math import cos, isnan, pi, radians, sin, sqrt

import numpy as np
import pytest
from exact_edges import BRIGHT, DARK, Blur, Scene, esf_values, noisy, samples, sites
from scipy.special import ndtr

from lensbench import optics
from lensbench.edge import EdgeShapes, Shift, colour_shift, measure_edge, radial_shift
from lensbench.edge.colour import position_sd_px
from lensbench.model.shot import Box, Edge, Samples

BOX = Box(top=100, left=300, height=70, width=50)
FREQUENCY = np.linspace(0.0, 1.0, 101)


def edge_samples(
    *, angle_deg, shift_px, sigma_px=0.8, bright_right=True, every=2, noise=0.0, seed=4
) -> Samples:
    """A Gaussian edge through the box's centre, moved along (cos angle right, sin angle down)."""
    rows, columns = np.indices((BOX.height, BOX.width))
    down, right = rows - (BOX.height - 1) / 2, columns - (BOX.width - 1) / 2
    distance = right * cos(radians(angle_deg)) + down * sin(radians(angle_deg)) - shift_px
    step = ndtr(distance / sigma_px * (1 if bright_right else -1))
    values = 0.1 + 0.5 * step + np.random.default_rng(seed).normal(0, noise, step.shape)
    present = (rows % every == 0) & (columns % every == 0)
    return Samples(box=BOX, channel="red", values=values, present=present, clipped=np.zeros_like(present))


def measured_edge(*, angle_deg, sigma_px=0.7, snr=float("nan"), point_px=(134.5, 324.5)) -> Edge:
    position = np.arange(-12, 12.01, 0.1)
    return Edge(
        roi=BOX,
        channel="green",
        angle_deg=angle_deg,
        snr=snr,
        rise_10_90_px=2.563 * sigma_px,
        point_px=point_px,
        frequency_cypx=FREQUENCY,
        sfr=optics.gaussian_mtf(FREQUENCY, sigma_px),
        esf_position_px=position,
        esf=ndtr(position / sigma_px),
    )


@pytest.mark.parametrize("shift", [0.0, 0.13, -0.4, 1.7])
@pytest.mark.parametrize("angle", [5.0, -12.0, 80.0, -84.0])
@pytest.mark.parametrize("bright_right", [True, False])
def test_the_shift_comes_back_with_its_sign(shift, angle, bright_right):
    region = edge_samples(angle_deg=angle, shift_px=shift, bright_right=bright_right)
    assert colour_shift(region, measured_edge(angle_deg=angle)).px == pytest.approx(shift, abs=0.01)


def test_the_sd_is_true():
    edge = measured_edge(angle_deg=5.0)
    shapes = EdgeShapes.of(edge)
    found = [
        colour_shift(edge_samples(angle_deg=5.0, shift_px=0.2, noise=0.01, seed=seed), edge, shapes)
        for seed in range(200)
    ]
    off = np.array([(shift.px - 0.2) / shift.sd_px for shift in found])
    assert abs(off.mean()) < 0.25
    assert 0.9 < off.std() < 1.1  # one sd of this scatter of 200: 0.05


def test_the_measured_edge_brings_its_own_uncertainty():
    # For a Gaussian: sqrt(2 sqrt(pi) sigma / length) / SNR, derived from the Fisher information.
    edge = measured_edge(angle_deg=0.0, snr=50.0)
    closed = sqrt(2 * sqrt(pi) * 0.7 / BOX.height) / 50
    assert position_sd_px(edge) == pytest.approx(closed, rel=1e-3)
    assert position_sd_px(edge, share=0.25) == pytest.approx(2 * closed, rel=1e-3)
    region = edge_samples(angle_deg=0.0, shift_px=0.2)
    assert colour_shift(region, edge).sd_px >= closed * 0.999


def test_two_measured_colours_of_a_real_region():
    red = edge_samples(angle_deg=6.0, shift_px=0.31, every=1, noise=0.004, seed=1)
    green = edge_samples(angle_deg=6.0, shift_px=0.0, every=1, noise=0.004, seed=2, sigma_px=0.7)
    shift = colour_shift(red, measure_edge(green))
    assert shift.px == pytest.approx(0.31, abs=4 * shift.sd_px)
    assert shift.sd_px < 0.01


@pytest.mark.parametrize(("right", "sign"), [(900.0, 1.0), (-900.0, -1.0)])
def test_along_the_radius_it_is_positive_outwards(right, sign):
    """Right of the centre a shift to the right is outwards, left of it inwards."""
    told = radial_shift(Shift(px=0.3, sd_px=0.02), measured_edge(angle_deg=6.0), radius=(0.0, right))
    assert told.px == pytest.approx(sign * 0.3 / cos(radians(6)))
    assert told.sd_px == pytest.approx(0.02 / cos(radians(6)))


def test_an_edge_along_the_radius_tells_nothing():
    edge = measured_edge(angle_deg=0.0)
    assert isnan(
        radial_shift(Shift(px=0.3, sd_px=0.02), edge, radius=(100.0, 100.0 / np.tan(radians(61)))).px
    )
    assert not isnan(
        radial_shift(Shift(px=0.3, sd_px=0.02), edge, radius=(100.0, 100.0 / np.tan(radians(59)))).px
    )


def test_what_is_no_edge_gives_nan():
    flat = edge_samples(angle_deg=5.0, shift_px=40.0)
    assert isnan(colour_shift(flat, measured_edge(angle_deg=5.0, sigma_px=0.3)).px)
    blank = Edge(roi=BOX, channel="green", angle_deg=5.0)
    assert isnan(colour_shift(flat, blank).px)


SIDE_PX = 72
OFFSET_PX = 0.13
GREEN = Blur(q=0.8)


def exact(blur, *, colour, shift_px=0.0, snr=None, draws=1, flipped=False):
    """Exact samples of one colour's sites, as many draws of noise as are wanted."""
    scene = Scene(
        angle_deg=5.0, height=SIDE_PX, width=SIDE_PX, offset_px=OFFSET_PX + shift_px, flipped=flipped
    )
    clean = DARK + (BRIGHT - DARK) * esf_values(blur, scene)
    present = sites(f"bayer {colour}", SIDE_PX, SIDE_PX)
    if snr is None:
        return [samples(clean, present=present)]
    random = np.random.default_rng(round(1000 * blur.sigma_px) + round(100 * shift_px) + round(snr))
    return noisy(clean, snr, random, draws, present)


@pytest.fixture(scope="module")
def exact_green():
    return measure_edge(exact(GREEN, colour="green")[0])


@pytest.mark.parametrize("flipped", [False, True])
@pytest.mark.parametrize("sigma", [0.0, 0.5, 1.0, 1.5])
@pytest.mark.parametrize("shift", [0.0, 0.1, 0.5, 1.0, 2.5, 4.0, -2.5, -4.0])
def test_it_comes_to_rest_where_the_other_colour_is_softer(exact_green, shift, sigma, flipped):
    """Red blurred more and moved: both are known exactly."""
    green = measure_edge(exact(GREEN, colour="green", flipped=True)[0]) if flipped else exact_green
    (red,) = exact(Blur(q=0.8, sigma_px=sigma), colour="red", shift_px=shift, flipped=flipped)
    found = colour_shift(red, green)
    assert found.px == pytest.approx(shift, abs=0.003)
    assert 0.001 <= found.sd_px < 0.003  # without noise, no more than the rounds leave


@pytest.mark.parametrize("shift", [0.0, 0.5, 2.5])
@pytest.mark.parametrize(
    ("green", "red"),
    [
        (Blur(q=0.8, sigma_px=1.2), GREEN),
        (Blur(q=0.8, waves=0.5), Blur(q=0.8, waves=1.0)),
        (Blur(q=0.8, waves=1.0), GREEN),
    ],
    ids=["green blurred", "red out of focus", "green out of focus"],
)
def test_it_comes_to_rest_where_the_blurs_shapes_differ(green, red, shift):
    edge = measure_edge(exact(green, colour="green")[0])
    found = colour_shift(exact(red, colour="red", shift_px=shift)[0], edge)
    assert found.px == pytest.approx(shift, abs=0.02)
    assert abs(found.px - shift) < 3.0 * found.sd_px


@pytest.mark.parametrize("snr", [50.0, 150.0])
@pytest.mark.parametrize("sigma", [0.0, 0.5, 1.0, 1.5])
@pytest.mark.parametrize("shift", [0.1, 2.5])
def test_the_sd_is_true_where_the_blurs_differ(shift, sigma, snr):
    greens = exact(GREEN, colour="green", snr=snr, draws=40)
    reds = exact(Blur(q=0.8, sigma_px=sigma), colour="red", shift_px=shift, snr=snr, draws=40)
    found = [colour_shift(red, measure_edge(green)) for red, green in zip(reds, greens, strict=True)]
    off = np.array([(told.px - shift) / told.sd_px for told in found])
    # The mean of 40 scatters by 0.16, their rms by 0.11.
    assert abs(off.mean()) < 0.6
    assert 0.7 < np.sqrt(np.mean(off**2)) < 1.45


def test_what_does_not_come_to_rest_is_not_told(exact_green):
    """A bar of 3 px, and an edge 9 px away: no edge that the measured one could be moved on to."""
    (dark_side,) = exact(GREEN, colour="red", shift_px=9.0)
    bar = replace(
        dark_side, values=dark_side.values - exact(GREEN, colour="red", shift_px=12.0)[0].values + DARK
    )
    for odd in (dark_side, bar):
        assert isnan(colour_shift(odd, exact_green).px)
