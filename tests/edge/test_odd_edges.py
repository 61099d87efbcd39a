"""The odd edges themselves: against transforms of drawn pupils, another library, closed forms and brute force."""

from dataclasses import replace

import exact_pupils
import numpy as np
import pytest
from exact_edges import BRIGHT, DARK, Scene, grid
from odd_edges import (
    Chain,
    ExponentialLine,
    Gaussian,
    Mixture,
    OddEdge,
    Pupil,
    RoundExponential,
    Trail,
    noisy_levels,
)
from odd_kinds import KINDS, REGIONS, SPREADS, drawn_edge, drawn_scene, in_green_light, present_of
from ragged_edges import RaggedEdge
from scipy import integrate, special, stats

from lensbench import optics

NU = np.linspace(0.0, 1.0, 201)

PUPILS = {
    "spherical": Pupil(q=1.0, w40=1.0, w20=-0.6),
    "strong spherical": Pupil(q=1.0, w40=2.0, w20=-2.0),
    "sixth order": Pupil(q=1.0, w60=4.0, w40=-5.0, w20=1.2),
    "coma": Pupil(q=1.0, coma=1.5, azimuth_deg=30.0),
    "astigmatism": Pupil(q=1.0, astigmatism=1.0, w20=-0.4, azimuth_deg=20.0),
    "mirror": Pupil(q=1.0, stop=0.45, w20=0.3),
    "clipped": Pupil(q=1.0, cut=(0.9, 0.6), w20=0.7, coma=0.3, azimuth_deg=50.0),
}


def drawn_pupil_otf(pupil, angle_deg, *, cells=384):
    """Transfer along the normal, from the pupil drawn cell by cell and correlated with itself by two transforms."""
    at = (np.arange(cells) + 0.5) / cells * 2.0 - 1.0
    along_normal, across = np.meshgrid(at, at, indexing="ij")
    turn = np.radians(pupil.azimuth_deg - angle_deg)
    t = along_normal * np.cos(turn) + across * np.sin(turn)
    u = across * np.cos(turn) - along_normal * np.sin(turn)
    square = along_normal**2 + across**2
    open_ = (square <= 1.0) & (square >= pupil.stop**2)
    if pupil.cut is not None:
        open_ &= (t - pupil.cut[1]) ** 2 + u**2 <= pupil.cut[0] ** 2
    waves = pupil.w20 * square + pupil.w40 * square**2 + pupil.w60 * square**3
    waves = waves + pupil.coma * square * t + pupil.astigmatism * t**2
    field = open_ * np.exp(2j * np.pi * waves)
    # The spread is |integral of field exp(-2 pi i u x)|^2, and its transform the correlation at a shift of -2 nu.
    power = np.abs(np.fft.fft2(field, (2 * cells, 2 * cells))) ** 2
    overlap = np.conj(np.fft.ifft2(power)[: cells + 1, 0])
    return np.interp(NU, np.arange(cells + 1) / cells, overlap / overlap[0])


@pytest.mark.parametrize("name", PUPILS)
def test_pupils_against_the_correlation_of_a_drawn_pupil(name):
    found = PUPILS[name].otf(NU, 12.0)
    # A drawn rim is a staircase: its error falls with the cells, and is 0.002 here.
    np.testing.assert_allclose(found, drawn_pupil_otf(PUPILS[name], 12.0), atol=4e-3)


ZERNIKE = {
    # Peak coefficients in the polynomials of Noll, J. Opt. Soc. Am. 66, 207 (1976); tilt does not change the modulus.
    "spherical": {4: (1.0 - 0.6) / (2.0 * np.sqrt(3.0)), 11: 1.0 / (6.0 * np.sqrt(5.0))},
    "strong spherical": {11: 2.0 / (6.0 * np.sqrt(5.0))},
    "coma": {7: 1.5 * np.sin(np.radians(30.0)) / (3.0 * np.sqrt(8.0)),
             8: 1.5 * np.cos(np.radians(30.0)) / (3.0 * np.sqrt(8.0))},
    "mirror": {4: 0.3 / (2.0 * np.sqrt(3.0))},
}  # fmt: skip


@pytest.mark.parametrize("name", ZERNIKE)
def test_pupils_against_another_library(name):
    import galsim  # noqa: PLC0415  half a second, for the process that needs it alone

    pupil = PUPILS[name]
    aberrations = [0.0] * 12
    for index, waves in ZERNIKE[name].items():
        aberrations[index] = waves
    # Wavelength over diameter is 1 arcsec, so the cutoff 2 pi per arcsec; Zernike's polynomials of the full disc.
    spread = galsim.OpticalPSF(
        lam_over_diam=1.0, aberrations=aberrations, obscuration=pupil.stop, oversampling=3.0, pad_factor=2.0,
        annular_zernike=False,
    )  # fmt: skip
    angle = np.radians(12.0)
    expected = [
        abs(spread.kValue(2.0 * np.pi * nu * np.cos(angle), 2.0 * np.pi * nu * np.sin(angle)))
        for nu in NU[::10]
    ]
    np.testing.assert_allclose(np.abs(pupil.otf(NU[::10], 12.0)), expected, atol=6e-3)


def test_pupils_against_closed_forms():
    np.testing.assert_allclose(Pupil(q=1.0).otf(NU, 0.0), optics.circular_mtf(NU), atol=1e-5)
    np.testing.assert_allclose(
        Pupil(q=1.0, stop=0.45).otf(NU, 0.0), exact_pupils.obscured_mtf(NU, 0.45), atol=1e-4
    )


def test_coma_throws_its_light_to_one_side():
    # The centroid is the pupil's mean slope: of coma r^2 t, 2 / (4 pi r^2) times ... = coma / 2 waves per radius, and
    # one wave per radius moves by 2 q px (derived from the transform's scale). Across its azimuth nothing moves.
    pupil = Pupil(q=0.7, coma=1.0, azimuth_deg=40.0)
    step = 1e-4
    moved = -np.angle(pupil.otf(np.array([step]), 40.0))[0] / (2.0 * np.pi * step)
    assert abs(moved) == pytest.approx(2.0 * 0.7 * 1.0, rel=0.01)
    assert np.angle(pupil.otf(np.array([step]), 130.0))[0] == pytest.approx(0.0, abs=1e-9)


def over_the_pixel(esf, scene, nodes=24):
    """Mean of a function of distance over each square pixel, in two dimensions."""
    at, weights = np.polynomial.legendre.leggauss(nodes)
    row, col = grid(scene.height, scene.width)
    mean = np.zeros(row.shape)
    for d_row, row_weight in zip(at / 2, weights / 2, strict=True):
        for d_col, col_weight in zip(at / 2, weights / 2, strict=True):
            mean += row_weight * col_weight * esf(scene.distance_px(row + d_row, col + d_col))
    return mean


CLOSED = {
    "halo": (
        Mixture(parts=((0.8, Gaussian(sigma_px=0.5)), (0.2, Gaussian(sigma_px=10.0)))),
        lambda x: 0.8 * special.ndtr(x / 0.5) + 0.2 * special.ndtr(x / 10.0),
    ),
    "tail": (
        Chain(parts=(Gaussian(sigma_px=0.6), Trail(share=0.6, scale_px=2.5))),
        lambda x: 0.4 * special.ndtr(x / 0.6) + 0.6 * stats.exponnorm.cdf(x, 2.5 / 0.6, scale=0.6),
    ),
}


@pytest.mark.parametrize("name", CLOSED)
@pytest.mark.parametrize("flipped", [False, True])
def test_pixel_values_are_the_mean_of_a_closed_form_over_the_pixel(name, flipped):
    spread, esf = CLOSED[name]
    scene = Scene(angle_deg=-17.0, height=26, width=22, flipped=flipped)
    expected = over_the_pixel(esf, scene, 12)
    expected = 1.0 - expected if flipped else expected
    np.testing.assert_allclose(OddEdge(spread=spread, scene=scene).esf_values, expected, atol=2e-6)


def test_an_exponential_line_over_a_pixel_is_its_second_integral_differenced():
    # At angle 0 the pixel is a box; the integral of the Laplace cdf is x + a exp(-x / a) / 2 for x > 0 (derived).
    scale, x = 0.7, np.linspace(-6.0, 6.0, 97)

    def integral(x):
        return np.maximum(x, 0.0) + 0.5 * scale * np.exp(-np.abs(x) / scale)

    edge = OddEdge(spread=ExponentialLine(scale_px=scale), scene=Scene(angle_deg=0.0))
    np.testing.assert_allclose(edge.profile(x), integral(x + 0.5) - integral(x - 0.5), atol=2e-5)


@pytest.mark.parametrize("frequency", [0.01, 0.05, 0.2])
def test_a_round_exponential_is_the_transform_of_its_own_projection(frequency):
    # exp(-r / a) / (2 pi a^2) along lines: |x| K1(|x| / a) / (pi a^2) (Abel transform, Gradshteyn 3.387, from memory).
    scale = 3.0
    total, _ = integrate.quad(
        lambda x: 2.0 * x * special.k1(x / scale) / (np.pi * scale**2) * np.cos(2.0 * np.pi * frequency * x),
        1e-12, 120.0, limit=800,
    )  # fmt: skip
    found = RoundExponential(scale_px=scale).otf(np.array([frequency]), 0.0)[0]
    assert found == pytest.approx(total, abs=1e-7)


@pytest.mark.parametrize("kind", SPREADS)
def test_light_is_neither_lost_nor_negative(kind):
    rng = np.random.default_rng(3)
    for _ in range(3):
        edge = drawn_edge(kind, "60x40", rng)
        assert edge.transfer(np.array([0.0]))[0] == pytest.approx(1.0)
        esf = edge.profile(np.linspace(-35.0, 35.0, 2001))
        assert np.diff(esf).min() > -2e-6, "a spread of light is nowhere negative"
        assert -1e-4 < esf[0] < 0.05
        assert 0.95 < esf[-1] < 1.0001
        levels = [edge.at(level) for level in (0.5, 0.3, 0.2, 0.1)]
        assert levels == sorted(levels)
        np.testing.assert_allclose(np.abs(edge.transfer(np.array(levels))), [0.5, 0.3, 0.2, 0.1], atol=1e-6)


ONE_SIDED = ("coma", "clipped", "mixed", "tail", "double", "one-sided")


@pytest.mark.parametrize("kind", SPREADS)
def test_only_coma_cuts_and_trails_are_one_sided(kind):
    edge = drawn_edge(kind, "60x40", np.random.default_rng(5))
    distance = np.linspace(0.0, 25.0, 500)
    uneven = np.abs(edge.profile(distance) + edge.profile(-distance) - 1.0).max()
    assert bool(uneven > 0.005) is kind.startswith(ONE_SIDED)


def test_the_samples_show_the_transfer_phase_and_all():
    # The differences from pixel to pixel down a column are the slope over one more pixel, sampled once a pixel: their
    # transform is the transfer times a sinc, and what lies one cycle per pixel away folds over it.
    edge = OddEdge(
        spread=Pupil(q=0.8, coma=1.0, azimuth_deg=-90.0),
        scene=Scene(angle_deg=-90.0, height=1600, width=3, offset_px=0.0),
    )
    distance = edge.scene.distance_px(*grid(1600, 3))[:, 0]
    slope = np.diff(edge.esf_values[:, 0]) * np.sign(np.diff(distance))
    middle = 0.5 * (distance[1:] + distance[:-1])
    found = np.sum(slope * np.exp(-2j * np.pi * 0.11 * middle))
    own, below, above = edge.transfer(np.array([0.11, 0.89, 1.11]))
    expected = own * np.sinc(0.11) + np.conj(below) * np.sinc(0.89) + above * np.sinc(1.11)
    assert abs(expected.imag) > 0.5
    assert found == pytest.approx(expected, abs=2e-4)


def test_green_light_is_the_mean_over_its_wavelengths():
    pupil = Pupil(q=0.6, w20=0.5)
    mixture = in_green_light(pupil)
    assert sum(share for share, _ in mixture.parts) == pytest.approx(1.0)
    frequency = np.array([0.3, 0.9])
    for share, part in mixture.parts:
        ratio = part.q / pupil.q
        assert 0.85 < ratio < 1.15
        expected = optics.defocused_diffraction_otf(frequency * part.q, 0.5 / ratio)
        np.testing.assert_allclose(part.otf(frequency, 0.0), expected, atol=2e-5)
        assert 0.0 < share < 0.5


@pytest.mark.parametrize("photons", [False, True])
def test_noise_has_the_snr_of_the_two_plateaus(photons):
    rng = np.random.default_rng(1)
    dark, bright = (
        noisy_levels(np.full((400, 400), level), 50.0, rng, photons=photons) for level in (0.0, 1.0)
    )
    assert [dark.mean(), bright.mean()] == pytest.approx([DARK, BRIGHT], abs=2e-4)
    rms = np.sqrt(0.5 * (dark.var() + bright.var()))
    assert (BRIGHT - DARK) / rms == pytest.approx(50.0, rel=0.01)
    assert bright.var() / dark.var() == pytest.approx(BRIGHT / DARK if photons else 1.0, rel=0.03)


def test_without_noise_levels_are_exact():
    levels = noisy_levels(np.array([0.0, 0.25, 1.0]), None, np.random.default_rng(0), photons=True)
    assert levels == pytest.approx([DARK, 0.75 * DARK + 0.25 * BRIGHT, BRIGHT])


@pytest.mark.parametrize("region", REGIONS)
def test_drawn_scenes_lean_off_the_axes_and_lie_along_their_region(region):
    rng = np.random.default_rng(2)
    scenes = [drawn_scene(region, rng) for _ in range(300)]
    off_axis = np.abs((np.array([scene.angle_deg for scene in scenes]) + 45.0) % 90.0 - 45.0)
    assert 3.0 <= off_axis.min() < 4.0
    assert 41.0 < off_axis.max() <= 42.0
    for scene in scenes:
        assert (abs(scene.angle_deg) > 45.0) == (scene.width > scene.height) or scene.width == scene.height
        share = present_of(region, scene).mean()
        assert share == pytest.approx(0.5 if region.endswith("green") else 1.0, abs=0.001)
    assert {scene.flipped for scene in scenes} == {True, False}
    assert {scene.angle_deg > 0.0 for scene in scenes} == {True, False}


@pytest.mark.parametrize("kind", KINDS)
def test_a_seed_draws_the_same_edge_again(kind):
    first, again = (drawn_edge(kind, "25x25 green", np.random.default_rng(9)) for _ in range(2))
    np.testing.assert_array_equal(first.esf_values, again.esf_values)
    assert first.esf_values.shape == (25, 25)


RAGGED = RaggedEdge(
    sigma_px=0.6, scene=Scene(angle_deg=8.0, height=60, width=24), ragged_px=0.4, correlation_px=5.0, seed=1
)


def test_a_print_without_raggedness_has_a_straight_edge():
    straight = OddEdge(spread=Gaussian(sigma_px=0.6), scene=RAGGED.scene)
    smooth = replace(RAGGED, ragged_px=0.0)
    np.testing.assert_allclose(smooth.esf_values, straight.esf_values, atol=2e-6)
    assert smooth.at(0.5) == pytest.approx(straight.at(0.5), abs=1e-8)
    assert smooth.realised_at(0.5) == pytest.approx(straight.at(0.5), abs=1e-8)


def test_the_walk_has_its_rms_and_correlation():
    walks = np.array([replace(RAGGED, seed=seed).walk_px[1] for seed in range(300)])
    assert walks.std() == pytest.approx(0.4, rel=0.03)
    lag = round(5.0 / 0.1)
    assert np.mean(walks[:, lag:] * walks[:, :-lag]) / walks.var() == pytest.approx(np.exp(-1.0), abs=0.04)


def test_ragged_pixel_values_are_the_mean_over_each_displaced_piece():
    # Brute force: the blurred half plane at the pixel, as a sum over strips along the edge and points in the pixel.
    place, shift = RAGGED.walk_px
    angle = np.radians(8.0)
    at, weights = np.polynomial.legendre.leggauss(10)
    row, col = grid(60, 24)
    for r, c in ((10, 12), (30, 11), (45, 10)):
        total = 0.0
        for d_row, row_weight in zip(at / 2, weights / 2, strict=True):
            for d_col, col_weight in zip(at / 2, weights / 2, strict=True):
                y, x = row[r, c] + d_row, col[r, c] + d_col
                across = float(RAGGED.scene.distance_px(y, x))
                along = x * np.sin(angle) - y * np.cos(angle)
                strip = special.ndtr((place + 0.05 - along) / 0.6) - special.ndtr(
                    (place - 0.05 - along) / 0.6
                )
                total += row_weight * col_weight * np.sum(strip * special.ndtr((across - shift) / 0.6))
        assert RAGGED.esf_values[r, c] == pytest.approx(total, abs=2e-5)


def test_many_ragged_edges_have_the_mean_edge():
    scene = Scene(angle_deg=8.0, height=24, width=20)
    ragged = replace(RAGGED, scene=scene, correlation_px=3.0)
    mean = np.mean([replace(ragged, seed=seed).esf_values for seed in range(200)], axis=0)
    blurred, sharp = (
        OddEdge(spread=Gaussian(sigma_px=s), scene=scene) for s in (float(np.hypot(0.6, 0.4)), 0.6)
    )
    assert blurred.at(0.5) == pytest.approx(ragged.at(0.5), abs=1e-8)
    assert sharp.at(0.5) == pytest.approx(ragged.sharp_at(0.5), abs=1e-8)
    assert np.std(mean - blurred.esf_values) < 0.004
    assert np.std(mean - sharp.esf_values) > 0.01


def test_a_stretch_of_ragged_edge_is_sharper_than_the_endless_one():
    # A line of its own takes a part of the wandering out.
    realised = [replace(RAGGED, seed=seed).realised_at(0.5) for seed in range(60)]
    assert RAGGED.at(0.5) < np.mean(realised) < RAGGED.sharp_at(0.5)
