"""Edges that no lens makes: a second image, half a halo. Their intervals hold the truth, or a flag says so."""

from dataclasses import dataclass

import numpy as np
import pytest
from exact_edges import BRIGHT, DARK, Scene, samples, sites
from odd_edges import Chain, Gaussian, Mixture, OddEdge, Pupil, RoundExponential, noisy_levels
from odd_kinds import drawn_edge, drawn_good_lens, drawn_scene, present_of
from scipy import special

from lensbench.edge import measure_edges


@dataclass(frozen=True)
class Ring:
    """A soft ring: transfer J0 of 2 pi f times its radius (Hankel transform), and a Gaussian of a fifth of that."""

    radius_px: float
    highest_cypx: float = 12.0

    def otf(self, frequency_cypx, _angle_deg, /):
        turn = 2.0 * np.pi * self.radius_px * frequency_cypx
        return (special.j0(turn) * np.exp(-0.02 * turn**2)).astype(complex)


@dataclass(frozen=True)
class Disc:
    """An even disc: transfer 2 J1(a) / a with a of pi f times its diameter (Hankel transform)."""

    diameter_px: float
    highest_cypx: float = 12.0

    def otf(self, frequency_cypx, _angle_deg, /):
        turn = np.maximum(np.pi * self.diameter_px * frequency_cypx, 1e-9)
        return (2.0 * special.j1(turn) / turn).astype(complex)


def measured(kind, region="100x60", *, snr=150.0, count=12):
    """Edges with their distance from the truth in stated sd, and whether they are called odd or refused."""
    rng = np.random.default_rng(7)
    drawn = [drawn_edge(kind, region, rng) for _ in range(count)]
    regions = [
        samples(noisy_levels(edge.esf_values, snr, rng, photons=True), present=present_of(region, edge.scene))
        for edge in drawn
    ]
    edges = measure_edges(regions)
    away = [
        (edge.mtf50_cypx - made.at(0.5)) / edge.mtf50_sd_cypx if edge.measured else 0.0
        for edge, made in zip(edges, drawn, strict=True)
    ]
    said = [
        {flag.flag for flag in edge.flags} & {"odd_shape", "second_edge", "uneven_light"} for edge in edges
    ]
    return np.abs(away), np.array([bool(flags) for flags in said])


@pytest.mark.parametrize("kind", ["double image 5 % at 6 px", "double image 10 % at 4 px"])
def test_a_second_image_is_named_and_no_figure_is_sure_beside_it(kind):
    away, named = measured(kind)
    # Without either these stood up to 17 sd off, half of them more than 4, none named.
    assert np.count_nonzero(named) >= 8
    assert np.all(named | (away < 4.0))
    assert np.median(away) < 1.96


@pytest.mark.parametrize("kind", ["one-sided halo 20 % sigma 10 px", "double image 5 % at 6 px"])
def test_light_thrown_aside_is_held_where_one_edge_hardly_shows_it(kind):
    away, named = measured(kind, snr=20.0)
    # By the misfit alone six and three of the twelve stood further off. Three by chance once in fifty (binomial, 95 %).
    assert np.count_nonzero(away > 1.96) <= 2
    assert np.all(named | (away < 3.0))


@pytest.mark.parametrize("halo", [Gaussian(sigma_px=15.0), RoundExponential(scale_px=12.0)])
def test_a_figure_is_that_of_the_light_between_the_plateaus_that_the_region_shows(halo):
    rng = np.random.default_rng(11)
    errors, away = [], []
    for lean in (4.0, -7.0, 12.0, 19.0, -9.0, 15.0):
        core = drawn_good_lens(rng)
        spread = Mixture(parts=((0.88, core), (0.12, Chain(parts=(core, halo)))))
        made = OddEdge(spread=spread, scene=Scene(angle_deg=lean, height=60, width=40))
        (edge,) = measure_edges([samples(noisy_levels(made.esf_values, 600.0, rng, photons=True))])
        errors.append(edge.mtf50_cypx / made.seen_at(0.5, core.parts[0].q) - 1.0)
        away.append((edge.mtf50_cypx - made.at(0.5)) / edge.mtf50_sd_cypx)
    # With what the shapes believe of the light beyond, figures were 2.0 and 2.1 % low. A rim may send 0.8 % more of the
    # light beyond than a good lens's does here, which costs half as much of the response, and of MTF50 a little more.
    assert np.abs(np.median(errors)) < 0.013
    assert np.median(np.abs(away)) < 1.96


def test_light_that_stays_in_the_region_is_all_seen():
    scene = Scene(angle_deg=5.0, height=100, width=60)
    for spread, q in ((Gaussian(sigma_px=1.1), 0.0), (Pupil(q=1.1), 1.1), (Pupil(q=0.6, coma=0.8), 0.6)):
        made = OddEdge(spread=spread, scene=scene)
        assert made.seen_at(0.5, q) == pytest.approx(made.at(0.5), rel=1e-3)


@pytest.mark.parametrize("lies", [False, True])
def test_bands_of_the_sensor_along_an_edge_widen_its_interval(lies):
    rng, away, sds = np.random.default_rng(3), [], []
    for number in range(14):
        lean = float(rng.uniform(2.5, 6.0) * rng.choice([-1.0, 1.0]))
        scene = Scene(angle_deg=lean - np.copysign(90.0, lean) if lies else lean, height=70, width=70)
        made = OddEdge(spread=Gaussian(sigma_px=0.7 + 0.05 * number), scene=scene)
        level = noisy_levels(made.esf_values, 150.0, rng, photons=True)
        band = 0.004 * (BRIGHT - DARK) * rng.standard_normal(70)
        plain, banded = measure_edges([samples(level), samples(level + (band[:, None] if lies else band))])
        away.append((banded.mtf50_cypx - made.at(0.5)) / banded.mtf50_sd_cypx)
        sds.append(banded.mtf50_sd_cypx / plain.mtf50_sd_cypx)
    # Taken for misfit alone, bands make the sd 5 to 6 times as wide.
    assert 1.5 < np.median(sds) < 4.5
    assert np.count_nonzero(np.abs(away) < 1.96) >= 11  # fewer by chance once in 240 (binomial, 95 %)


@pytest.mark.parametrize("kind", ["spherical 1 wave, defocus -0.6", "tail 30 % of 2.5 px, one-sided"])
def test_blurs_of_lenses_are_not_called_odd(kind):
    away, named = measured(kind, "60x40", snr=300.0)
    assert not named.any()
    assert np.count_nonzero(away < 1.96) >= 9  # of 12: fewer by chance once in 450 (binomial, 95 %)


def test_a_halo_wider_than_its_region_reads_as_the_light_that_the_region_shows():
    # Truth: the line spread cut at the furthest sample, by quadrature (`seen_at`). What is granted to a pupil's rim
    # beyond it lowers the figure: by 1.5 % where half as much again was granted.
    rng = np.random.default_rng(3)
    odd = [drawn_edge("halo exponential 20 % scale 8 px", "60x40", rng) for _ in range(12)]
    edges = measure_edges([samples(noisy_levels(edge.esf_values, 300.0, rng, photons=False)) for edge in odd])
    truth = np.array([edge.seen_at(0.5, edge.spread.parts[0][1].parts[0].q) for edge in odd])
    assert np.mean([edge.mtf50_cypx for edge in edges] / truth) == pytest.approx(1.0, abs=0.012)


def test_rings_and_discs_of_light_are_held():
    away = []
    for part, halo, snr in ((0.1, Ring(4.0), 150.0), (0.15, Disc(12.0), 50.0)):
        rng = np.random.default_rng(7)
        odd = []
        for _ in range(40):
            core = drawn_good_lens(rng)
            spread = Mixture(parts=((1.0 - part, core), (part, Chain(parts=(core, halo)))))
            odd.append(OddEdge(spread=spread, scene=drawn_scene("60x40", rng)))
        edges = measure_edges(
            [samples(noisy_levels(edge.esf_values, snr, rng, photons=True)) for edge in odd]
        )
        away += [
            (edge.mtf50_cypx - made.at(0.5)) / edge.mtf50_sd_cypx
            for edge, made in zip(edges, odd, strict=True)
        ]
    # 1.33 where no round departures were weighed; beyond 1.25 by chance once in a thousand (chi-square, 80 degrees).
    assert np.sqrt(np.mean(np.square(away))) < 1.25


def test_a_line_that_leads_its_profile_astray_is_put_back():
    # 0.4 degrees off 18.43, where green sites repeat three distances a pixel, beside a halo that no kind holds.
    core = Chain(parts=(Pupil(q=0.904, w20=-0.124), Gaussian(sigma_px=0.343)))
    spread = Mixture(parts=((0.85, core), (0.15, Chain(parts=(core, Disc(12.0))))))
    scene = Scene(angle_deg=18.8, height=60, width=44, offset_px=0.093, flipped=True)
    made, present = OddEdge(spread=spread, scene=scene), sites("bayer green", 60, 44)
    edges = measure_edges(
        [
            samples(
                noisy_levels(made.esf_values, 600.0, np.random.default_rng(seed), photons=True),
                present=present,
                channel="green",
            )
            for seed in range(20)
        ]
    )
    found = np.array([edge.mtf50_cypx for edge in edges]) / made.at(0.5)
    # Left where they came to rest twelve were more than 3 % off, three of these sevenfold.
    assert np.abs(found - 1.0).max() < 0.02
