"""Edges crisper than diffraction and pixel let any clear lens be are processed, though they may not overshoot."""

import numpy as np
import pytest
from exact_edges import BRIGHT, DARK, Blur, Scene, edge_samples, esf_values, noisy

from lensbench.edge import measure_edges
from lensbench.shot import flagged_if_too_crisp

SCENE = Scene(angle_deg=6.0)


def share_flagged(blur, q, *, snr, edges=10):
    clean = DARK + (BRIGHT - DARK) * esf_values(blur, SCENE)
    measured = measure_edges(noisy(clean, snr, np.random.default_rng(4), edges))
    found = [flagged_if_too_crisp(edge, q) for edge in measured]
    return np.mean([any(said.flag == "sharpened" for said in edge.flags) for edge in found])


@pytest.mark.parametrize("q", [0.3, 0.8, 1.5])
@pytest.mark.parametrize("snr", [20.0, 50.0, 150.0, 600.0])
def test_a_perfect_lens_is_not_flagged(q, snr):
    assert share_flagged(Blur(q=q), q, snr=snr) == 0.0


@pytest.mark.parametrize("sharpening", [0.2, 0.5])
def test_sharpening_without_overshoot_shows_where_the_aperture_is_known(sharpening):
    blur = Blur(q=1.1, sharpening=sharpening)
    assert share_flagged(blur, 1.1, snr=150.0) == 1.0


def test_without_an_aperture_nothing_is_said():
    assert share_flagged(Blur(q=1.1, sharpening=0.2), None, snr=150.0) == 0.0


def test_the_flag_tells_the_response_and_what_physics_allows():
    (edge,) = measure_edges([edge_samples(Blur(q=0.55), SCENE)])
    # As if the lens had been stopped down twice as far as it was.
    (said,) = flagged_if_too_crisp(edge, 1.1).flags
    assert said.flag == "sharpened"
    assert "by diffraction and pixel" in said.message
    assert flagged_if_too_crisp(flagged_if_too_crisp(edge, 1.1), 1.1).flags == (said,)
