"""What counts beyond a region: the light up to its reach, and of what lies further out the rim's diffraction alone.

The definition (docs/method/method.md, 5.3) is worked out by brute force from the very profile that was drawn.
"""

from dataclasses import replace

import numpy as np
import pytest
from exact_edges import BRIGHT, DARK, grid, noisy
from scipy import special

from lensbench.edge import crossing_cypx, measure_edges

CORE_PX, FADING_PX = 1.4, 14.0


def profile(distance_px, far):
    """A Gaussian core, and a part of the light in an exponential spread to both sides (closed forms)."""
    core = special.ndtr(distance_px / CORE_PX)
    wide = 0.5 * (1.0 + np.sign(distance_px) * -np.expm1(-np.abs(distance_px) / FADING_PX))
    return (1.0 - far) * core + far * wide


def defined_mtf50(far, reach_px, q):
    """MTF50 of the light within the reach and of 4 q / (pi^3 R) of it that falls as 1 / x^2 from there on."""
    place = np.linspace(-reach_px, reach_px, 20001)
    light, middle = np.diff(profile(place, far)), 0.5 * (place[1:] + place[:-1])
    at = np.linspace(0.02, 0.3, 561)
    beyond = reach_px * np.exp(np.linspace(0.0, 9.0, 4001))
    rim = 4.0 * q / (np.pi**3 * reach_px)
    tail = reach_px * np.cos(np.pi * np.outer(at, beyond[1:] + beyond[:-1])) @ -np.diff(1.0 / beyond)
    sfr = np.abs(np.exp(-2j * np.pi * np.outer(at, middle)) @ light + rim * tail) / (light.sum() + rim)
    return crossing_cypx(at, sfr, 0.5)


@pytest.mark.parametrize("far", [0.1, 0.2])
def test_of_light_beyond_the_region_only_the_rims_counts(far):
    q, turn = 0.3, np.radians(6.0)
    row, col = grid(100, 44)
    level = DARK + (BRIGHT - DARK) * profile(col * np.cos(turn) + row * np.sin(turn), far)
    regions = [
        replace(region, light_slope_per_px=(0.0, 0.0))
        for region in noisy(level, 300.0, np.random.default_rng(3), 6)
    ]
    told, untold = measure_edges(regions, q=q), measure_edges(regions)
    true = defined_mtf50(far, float(np.abs(told[0].esf_position_px).max()), q)
    off, guessed = (np.mean([edge.mtf50_cypx for edge in edges]) / true - 1.0 for edges in (told, untold))
    assert abs(off) < 0.005
    assert abs(off) < 0.5 * abs(guessed)
