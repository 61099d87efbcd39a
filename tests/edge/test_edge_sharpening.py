"""Sharpening is flagged: an incoherent LSF is never negative, so an ESF beyond its plateaus is processing or noise.

Edges are sharpened by an unsharp mask: the picture plus a share of its difference to a copy blurred by a Gaussian.
"""

from dataclasses import replace
from zlib import crc32

import numpy as np
import pytest
from exact_edges import Blur, Scene, esf_values, samples
from odd_edges import noisy_levels
from odd_kinds import SPREADS, drawn_edge, present_of

from lensbench.edge import measure_edges

DARK, BRIGHT = 0.25, 0.65
BLUR = Blur(q=0.8, sigma_px=0.4)
SCENE = Scene(angle_deg=6.0)
EDGES = 6


def unsharp(radius_px: float, amount: float, blur: Blur = BLUR):
    """ESF values after an unsharp mask, in closed form."""
    plain = esf_values(blur, SCENE)
    soft = esf_values(replace(blur, sigma_px=float(np.hypot(blur.sigma_px, radius_px))), SCENE)
    return plain + amount * (plain - soft)


def regions_of(esf, snr, seed):
    rng = np.random.default_rng(seed)
    noise = (BRIGHT - DARK) / snr
    clean = DARK + (BRIGHT - DARK) * esf
    return [samples(clean + noise * rng.standard_normal(esf.shape)) for _ in range(EDGES)]


def share_bearing(flag, edges):
    measured = [edge for edge in edges if edge.measured]
    return np.mean([any(said.flag == flag for said in edge.flags) for edge in measured])


@pytest.mark.parametrize("snr", [50.0, 150.0])
@pytest.mark.parametrize(
    ("radius_px", "amount"),
    [
        *((0.7, amount) for amount in (2.0, 3.0)),
        *((radius, 0.1) for radius in (10.0, 20.0, 30.0)),
        *((1.5, amount) for amount in (0.5, 1.0)),
        *((3.0, amount) for amount in (0.2, 0.5, 1.0)),
        *((radius, amount) for radius in (5.0, 10.0, 20.0, 30.0) for amount in (0.2, 0.5, 1.0)),
    ],
)
def test_whatever_overshoots_by_a_percent_is_flagged_and_is_no_light(radius_px, amount, snr):
    esf = unsharp(radius_px, amount)
    assert esf.max() > 1.01
    edges = measure_edges(regions_of(esf, snr, seed=crc32(f"{radius_px} {amount}".encode())))
    assert share_bearing("sharpened", edges) == 1.0
    assert share_bearing("uneven_light", edges) == 0.0


@pytest.mark.parametrize(
    ("radius_px", "amount"), [(0.7, 0.05), (0.7, 0.5), (1.5, 0.2), (3.0, 0.05), (5.0, 0.05)]
)
def test_what_does_not_overshoot_cannot_be_told_from_a_sharper_lens(radius_px, amount):
    esf = unsharp(radius_px, amount)
    assert esf.max() < 1.005
    assert share_bearing("sharpened", measure_edges(regions_of(esf, 150.0, seed=3))) == 0.0


def test_at_most_two_in_a_hundred_clean_edges_are_flagged():
    edges = []
    for kind in SPREADS:
        rng = np.random.default_rng(crc32(kind.encode()))
        drawn = [(region, drawn_edge(kind, region, rng)) for region in ("60x40", "25x25 green")]
        edges += measure_edges(
            [
                samples(
                    noisy_levels(edge.esf_values, snr, rng, photons=photons),
                    present=present_of(region, edge.scene),
                )
                for region, edge in drawn
                for snr in (20.0, 50.0, 150.0, 600.0)
                for photons in (False, True)
            ]
        )
    assert len(edges) > 200
    assert share_bearing("sharpened", edges) <= 0.02


@pytest.mark.parametrize("slope", [-0.2, -0.1, 0.1, 0.2])
@pytest.mark.parametrize("flare", [0.0, 0.1])
def test_uneven_light_is_no_sharpening_whichever_side_it_falls_from(slope, flare):
    # Light multiplies both sides; flare lies evenly over them. The slope is the light's change over the half width.
    across = (
        SCENE.distance_px(*np.meshgrid(np.arange(100) - 49.5, np.arange(60) - 29.5, indexing="ij")) / 30.0
    )
    lit = (DARK + (BRIGHT - DARK) * esf_values(BLUR, SCENE)) * (1.0 + slope * across) + flare
    rng = np.random.default_rng(5)
    edges = measure_edges([samples(lit + 0.004 * rng.standard_normal(lit.shape)) for _ in range(EDGES)])
    assert share_bearing("sharpened", edges) == 0.0
    assert share_bearing("uneven_light", edges) == 1.0
