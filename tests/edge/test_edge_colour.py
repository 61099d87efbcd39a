"""Lateral colour on hand-made Gaussian edges: sign, size, standard deviation, and what cannot be told."""

from math import cos, isnan, pi, radians, sin, sqrt

import numpy as np
import pytest
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
    samples = edge_samples(angle_deg=angle, shift_px=shift, bright_right=bright_right)
    assert colour_shift(samples, measured_edge(angle_deg=angle)).px == pytest.approx(shift, abs=0.01)


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
    samples = edge_samples(angle_deg=0.0, shift_px=0.2)
    assert colour_shift(samples, edge).sd_px >= closed * 0.999


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
