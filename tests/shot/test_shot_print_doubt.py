"""The doubt about a print widens every figure that it is divided out of; blurs here are Gaussian, in closed form."""

import dataclasses
from math import hypot, log, pi, sqrt

import numpy as np
import pytest
from chart_edges import a_chart_edge, an_edge
from invented_shots import result

from lensbench.chart.find import Mapping
from lensbench.model.shot import Direction, PrintProfile
from lensbench.shot.corrections import freed_of_print

LEVELS = {"mtf50": 0.5, "mtf30": 0.3, "mtf20": 0.2, "mtf10": 0.1}
FREQUENCY = np.arange(1001) / 1000.0
LENS_PX, PRINT_PX, PRINT_SD_PX, SFR_SD = 1.2, 0.2, 0.02, 0.001
PX_PER_MM = 2.0


def gaussian(sigma_px):
    return np.exp(-2.0 * (pi * sigma_px * FREQUENCY) ** 2)


def falls_to(level, sigma_px):
    return sqrt(log(1.0 / level) / 2.0) / (pi * sigma_px)


def freed_edge():
    both = hypot(LENS_PX, PRINT_PX)
    edge = an_edge(
        falls_to(0.5, both),
        sd=0.001,
        **{f"{name}_cypx": falls_to(level, both) for name, level in LEVELS.items() if name != "mtf50"},
        rise_10_90_px=2.563 * both,
        rise_10_90_sd_px=0.01,
        frequency_cypx=FREQUENCY,
        sfr=gaussian(both),
        sfr_sd=np.full(FREQUENCY.size, SFR_SD),
    )
    edges = tuple(
        a_chart_edge(edge, height=0.2, direction=direction)
        for direction in (Direction.SAGITTAL, Direction.TANGENTIAL)
    )
    mapping = Mapping(
        homography=np.diag([PX_PER_MM, PX_PER_MM, 1.0]),
        center_px=(2000.0, 3000.0),
        half_diagonal_px=3600.0,
        radial=(0.0, 0.0),
    )
    profile = PrintProfile(
        name="wall",
        edge_sigma_mm=PRINT_PX / PX_PER_MM,
        edge_sigma_sd_mm=PRINT_SD_PX / PX_PER_MM,
        frequency_cymm=np.zeros(1),
        mtf=np.ones(1),
        mtf_sd=np.zeros(1),
        made_from="a test",
    )
    shot = dataclasses.replace(result("a.dng", 0.15), edges=edges)
    return freed_of_print(shot, mapping, profile).edges[0].edge


@pytest.mark.parametrize("name", LEVELS)
def test_noise_and_print_add_up_in_each_figures_sd(name):
    edge, level = freed_edge(), LEVELS[name]
    figure = falls_to(level, LENS_PX)
    assert getattr(edge, f"{name}_cypx") == pytest.approx(figure, rel=1e-3)
    # The Gaussians' squares subtract: d ln f / d print = print / lens^2; noise is divided by the print and the slope.
    shared = figure * PRINT_PX * PRINT_SD_PX / LENS_PX**2
    left = np.exp(-2.0 * (pi * PRINT_PX * figure) ** 2)
    own = SFR_SD / left / (4.0 * (pi * LENS_PX) ** 2 * figure * level)
    assert getattr(edge, f"{name}_sd_cypx") == pytest.approx(hypot(own, shared), rel=0.01)


def test_the_rise_stays_as_photographed():
    assert freed_edge().rise_10_90_sd_px == 0.01
