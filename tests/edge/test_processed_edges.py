"""Edges of finished files: the ways to colours on flat and sloping pictures, and truths that closed forms give."""

from dataclasses import replace

import numpy as np
import pytest
from demosaics import DEMOSAICS
from exact_edges import BRIGHT, DARK, Scene
from odd_edges import Gaussian, OddEdge
from processed_edges import PROCESSINGS, Processing, made_over_exact, processed, srgb_code, srgb_light

EDGE = OddEdge(spread=Gaussian(sigma_px=0.6), scene=Scene(angle_deg=-14.0, height=40, width=30))
RATIO_EDGE = replace(EDGE, scene=Scene(angle_deg=-14.0, height=64, width=64, offset_px=0.0))
LINEAR = Processing(deep=True)


@pytest.mark.parametrize("name", DEMOSAICS)
def test_every_demosaic_gives_a_flat_colour_back(name):
    row, col = np.indices((96, 80)) % 2
    colour = np.array([0.2, 0.5, 0.7])
    found = DEMOSAICS[name](colour[row + col])
    assert found.shape == (96, 80, 3)
    np.testing.assert_allclose(found[16:-16, 16:-16], np.broadcast_to(colour, (64, 48, 3)), atol=5e-5)


@pytest.mark.parametrize("name", DEMOSAICS)
@pytest.mark.parametrize("axis", [0, 1])
def test_every_demosaic_leaves_a_grey_slope_where_it_is(name, axis):
    slope = np.broadcast_to(np.linspace(0.2, 0.7, 96).reshape((96, 1) if axis == 0 else (1, 96)), (96, 96))
    found = DEMOSAICS[name](slope.copy())[16:-16, 16:-16]
    np.testing.assert_allclose(found, np.repeat(slope[16:-16, 16:-16, None], 3, axis=2), atol=5e-5)


def test_the_demosaics_differ_at_an_edge():
    values = {}
    for name in DEMOSAICS:
        edge = processed(EDGE, Processing(demosaic=DEMOSAICS[name], deep=True), np.random.default_rng(1))
        values[name] = edge.samples(50.0, np.random.default_rng(2)).values
    names = list(values)
    for k, name in enumerate(names):
        for other in names[:k]:
            assert np.abs(values[name] - values[other]).max() > 0.005, f"{name} and {other}"


def test_srgb_goes_there_and_back():
    light = np.linspace(0.0, 1.0, 1001)
    np.testing.assert_allclose(srgb_light(srgb_code(light)), light, atol=1e-6)
    # IEC 61966-2-1: 18 % grey is code 0.4614 (derived from its formula).
    assert srgb_code(np.array([0.18]))[0] == pytest.approx(1.055 * 0.18 ** (1 / 2.4) - 0.055)
    assert srgb_light(np.array([0.5]))[0] == pytest.approx(0.21404, abs=1e-5)


@pytest.mark.parametrize("flipped", [False, True])
@pytest.mark.parametrize("seed", range(4))
def test_a_file_that_changes_nothing_holds_the_exact_edge(seed, flipped):
    edge = replace(EDGE, scene=replace(EDGE.scene, flipped=flipped))
    made = processed(edge, LINEAR, np.random.default_rng(seed))
    samples = made.samples(None, np.random.default_rng(0))
    np.testing.assert_allclose(samples.values, DARK + (BRIGHT - DARK) * edge.esf_values, atol=1e-5)
    assert samples.tone_known
    assert samples.present.all()
    assert not samples.clipped.any()


@pytest.mark.parametrize("name", [name for name in PROCESSINGS if PROCESSINGS[name].truths == ("optics",)])
def test_files_without_a_filter_show_the_edge_within_the_errors_of_their_codes(name):
    made = processed(EDGE, PROCESSINGS[name], np.random.default_rng(3))
    samples = made.samples(None, np.random.default_rng(0))
    error = samples.values - (DARK + (BRIGHT - DARK) * EDGE.esf_values)
    assert np.sqrt(np.mean(error**2)) < (0.025 if "JPEG" in name else 0.003)
    assert not samples.tone_known
    for level in (0.5, 0.1):
        assert made.truth(level, "optics", 50.0) == EDGE.at(level)


def test_stronger_compression_leaves_larger_errors():
    errors = []
    for quality in (60, 75, 85, 95, 98):
        made = processed(EDGE, PROCESSINGS[f"JPEG {quality} 4:4:4"], np.random.default_rng(3))
        values = made.samples(None, np.random.default_rng(0)).values
        errors.append(float(np.std(values - (DARK + (BRIGHT - DARK) * EDGE.esf_values))))
    assert errors == sorted(errors, reverse=True)
    assert errors[0] > 3.0 * errors[-1]


def test_noise_of_the_raised_colours_grows_by_the_root_of_what_they_lack():
    bare = Processing(demosaic=lambda mosaic: np.stack([mosaic] * 3, axis=2), deep=True)
    values = bare.picture(np.ones((400, 400)), 50.0, np.random.default_rng(1))
    row, col = np.indices(values.shape) % 2
    sd = [values[row + col == site].std() for site in (0, 1, 2)]
    # Photon noise: the bright side's variance over the mean of the two sides' is BRIGHT over the mean level.
    green = (BRIGHT - DARK) / 50.0 * np.sqrt(2.0 * BRIGHT / (DARK + BRIGHT))
    assert sd == pytest.approx([green / np.sqrt(0.5), green, green / np.sqrt(0.65)], rel=0.02)


@pytest.mark.parametrize("angle", [-12.0, 5.0, 31.0, -70.0])
def test_the_truth_of_bilinear_green_is_its_kernel(angle):
    # Half the sites are their own value, half the mean of four neighbours (derived).
    edge = replace(RATIO_EDGE, scene=replace(RATIO_EDGE.scene, angle_deg=angle))
    frequency, ratio = made_over_exact(edge, Processing(demosaic=DEMOSAICS["bilinear"], deep=True), None)
    normal = np.radians(angle)
    waves = np.cos(2.0 * np.pi * frequency * np.cos(normal)) + np.cos(
        2.0 * np.pi * frequency * np.sin(normal)
    )
    own = frequency < 0.5
    np.testing.assert_allclose(ratio[own], np.abs(0.5 + 0.25 * waves)[own], atol=2e-3)


@pytest.mark.parametrize("angle", [-12.0, 31.0])
def test_the_truth_of_the_gradient_corrected_green_is_its_kernel(angle):
    # At half the sites: the mean of four neighbours, and an eighth of the site's own curvature over two px (derived).
    edge = replace(RATIO_EDGE, scene=replace(RATIO_EDGE.scene, angle_deg=angle))
    processing = Processing(demosaic=DEMOSAICS["gradient-corrected"], deep=True)
    frequency, ratio = made_over_exact(edge, processing, None)
    x, y = (
        2.0 * np.pi * frequency * np.cos(np.radians(angle)),
        2.0 * np.pi * frequency * np.sin(np.radians(angle)),
    )
    interpolated = 0.5 * (np.cos(x) + np.cos(y)) + (4.0 - 2.0 * np.cos(2.0 * x) - 2.0 * np.cos(2.0 * y)) / 8.0
    own = frequency < 0.5
    np.testing.assert_allclose(ratio[own], np.abs(0.5 + 0.5 * interpolated)[own], atol=2e-3)


def test_a_file_that_changes_nothing_keeps_the_transfer():
    frequency, clean = made_over_exact(RATIO_EDGE, LINEAR, None)
    np.testing.assert_allclose(clean[frequency < 0.6], 1.0, atol=1e-3)
    _, noisy = made_over_exact(RATIO_EDGE, LINEAR, 50.0)
    np.testing.assert_allclose(noisy[frequency < 0.3], 1.0, atol=0.015)


def test_truths_of_a_picture_follow_what_was_done_to_it():
    soft = processed(EDGE, PROCESSINGS["demosaic bilinear, 16-bit linear"], np.random.default_rng(0))
    assert 0.6 < soft.truth(0.5, "clean") / EDGE.at(0.5) < 0.9
    blurred = processed(EDGE, PROCESSINGS["denoised gaussian, 8-bit sRGB"], np.random.default_rng(0))
    assert blurred.truth(0.5, "noisy", 600.0) < 0.9 * EDGE.at(0.5)
    assert blurred.truth(0.5, "optics", 600.0) == EDGE.at(0.5)
