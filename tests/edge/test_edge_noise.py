"""Random error: close to the statistical floor, and as large as the method says."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from exact_edges import BRIGHT, DARK, Blur, Scene, esf_values, noisy, sites

from lensbench.edge import measure_edges

SCENE = Scene(angle_deg=6.0, height=80, width=56)
BLURS = (Blur(q=0.55), Blur(q=1.1, sigma_px=0.3), Blur(q=2.2), Blur(q=0.55, waves=0.5), Blur(sigma_px=0.75))
SNRS = (20.0, 50.0, 200.0)
DRAWS = 60


def drawn(blur, snr, *, draws=DRAWS, seed=0, present=None):
    clean = DARK + (BRIGHT - DARK) * esf_values(blur, SCENE)
    return measure_edges(noisy(clean, snr, np.random.default_rng([seed, int(snr)]), draws, present))


@pytest.fixture(scope="module")
def cells():
    return {(blur, snr): drawn(blur, snr, seed=k) for k, blur in enumerate(BLURS) for snr in SNRS}


@pytest.mark.parametrize("snr", SNRS)
def test_the_stated_sd_covers_the_truth_as_often_as_it_says(cells, snr):
    inside = [
        abs(edge.mtf50_cypx - blur.at(0.5, SCENE.angle_deg)) <= 1.96 * edge.mtf50_sd_cypx
        for (blur, own), edges in cells.items()
        if own == snr
        for edge in edges
    ]
    # The target is 93 to 97 %; 300 draws of a true 95 % scatter by 1.3 %.
    assert 0.92 <= np.mean(inside) <= 0.98


def test_the_sfr_s_sd_covers_the_truth_too(cells):
    inside = []
    for (blur, _), edges in cells.items():
        for edge in edges:
            true = blur.sfr(edge.frequency_cypx, SCENE.angle_deg)
            # A modulus near zero is not normally distributed: only where there is some response.
            part = (edge.frequency_cypx >= 0.05) & (edge.frequency_cypx <= 0.5) & (true > 0.15)
            inside.append(np.mean(np.abs(edge.sfr - true)[part] <= 1.96 * edge.sfr_sd[part]))
    assert 0.92 <= np.mean(inside) <= 0.98


def test_random_error_is_near_the_floor_of_a_gaussian_edge(cells):
    # Cramer-Rao bound for a Gaussian edge of known shape: 2.663 / (SNR sqrt(s Ny)), s = 0.18739 / MTF50 (derived).
    for snr in SNRS:
        blur = BLURS[-1]
        truth = blur.at(0.5, SCENE.angle_deg)
        found = np.array([edge.mtf50_cypx for edge in cells[blur, snr]])
        floor = 2.663 / (snr * np.sqrt(0.18739063 / truth * SCENE.length_px))
        assert found.std(ddof=1) / truth <= 1.5 * floor
        assert abs(found.mean() / truth - 1.0) <= 0.5 * floor


def test_random_error_is_well_below_that_of_the_standard_method():
    for seed, blur in enumerate((Blur(q=0.55), Blur(q=1.1))):
        clean = DARK + (BRIGHT - DARK) * esf_values(blur, SCENE)
        regions = noisy(clean, 50.0, np.random.default_rng(seed), 60)
        refined, iso = (
            np.std([edge.mtf50_cypx for edge in measure_edges(regions, method=method)])
            for method in ("refined", "iso")
        )
        assert refined <= 0.75 * iso


def test_snr_is_step_over_rms_noise_of_the_plateaus(cells):
    for (_, snr), edges in cells.items():
        assert np.mean([edge.snr for edge in edges]) == pytest.approx(snr, rel=0.04)


@pytest.mark.parametrize("name", ["bayer green", "bayer red", "x-trans green"])
def test_sparse_sites_cost_no_more_than_the_root_of_their_share(name):
    blur, present = Blur(sigma_px=0.75), sites(name, SCENE.height, SCENE.width)
    every = np.std([edge.mtf50_cypx for edge in drawn(blur, 80.0, draws=100)])
    some = np.std([edge.mtf50_cypx for edge in drawn(blur, 80.0, draws=100, present=present)])
    # Two sds from 100 draws each: their ratio scatters by a tenth.
    assert some * np.sqrt(present.mean()) / every == pytest.approx(1.0, abs=0.25)


def test_less_noise_and_longer_edges_make_for_smaller_sd():
    blur = Blur(q=1.1)
    stated = []
    for snr, height in ((25.0, 60), (100.0, 60), (100.0, 240)):
        clean = DARK + (BRIGHT - DARK) * esf_values(blur, Scene(angle_deg=6.0, height=height, width=56))
        edges = measure_edges(noisy(clean, snr, np.random.default_rng(1), 5))
        stated.append(np.mean([edge.mtf50_sd_cypx for edge in edges]))
    assert stated[0] > 2.5 * stated[1]
    assert stated[1] == pytest.approx(2.0 * stated[2], rel=0.25)


@pytest.mark.parametrize(("quality", "no_worse"), [(60, False), (75, True)])
def test_the_stated_sd_of_edges_in_jpegs_is_true(quality, no_worse):
    # Grey pictures through an encoder of its own (libjpeg in OpenCV). Decoded values go back through the standard's
    # sRGB curve (IEC 61966-2-1).
    blur, rng = Blur(q=0.8, sigma_px=0.4), np.random.default_rng(8)
    regions, truths = [], []
    for k in range(48):
        scene = Scene(angle_deg=float(rng.uniform(3.0, 12.0)), height=48, width=40, flipped=bool(k % 2))
        clean = DARK + (BRIGHT - DARK) * esf_values(blur, replace(scene, offset_px=float(rng.uniform(-2, 2))))
        region = noisy(clean, 100.0, rng, 1)[0]
        linear = np.clip(region.values, 0.0, 1.0)
        encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
        done, jpeg = cv2.imencode(
            ".jpg", np.rint(255.0 * encoded).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality]
        )
        assert done
        back = cv2.imdecode(jpeg, cv2.IMREAD_GRAYSCALE) / 255.0
        values = np.where(back <= 0.04045, back / 12.92, ((back + 0.055) / 1.055) ** 2.4)
        regions.append(replace(region, values=values, is_sensor=False))
        truths.append(blur.at(0.5, scene.angle_deg))
    found = measure_edges(regions)
    error = np.array([edge.mtf50_cypx for edge in found]) / truths - 1.0
    told = np.array([edge.mtf50_sd_cypx / edge.mtf50_cypx for edge in found])
    rms = np.sqrt(np.mean(np.square(error)))
    if no_worse:
        iso = np.array([edge.mtf50_cypx for edge in measure_edges(regions, method="iso")]) / truths - 1.0
        assert rms < np.sqrt(np.mean(np.square(iso))) + 0.003
    # 48 edges: 39 or more lie within where 92 % do, but for one time in a hundred.
    assert np.mean(np.abs(error) < 1.96 * told) >= 39 / 48
    assert np.mean(told) < 1.5 * rms
