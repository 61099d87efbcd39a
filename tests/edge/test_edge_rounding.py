"""Drawings in whole codes, without noise: a plateau sticks to one code, and every sample of it errs alike.

Edges are exact (closed forms, `exact_edges`), their levels anywhere between the codes.
"""

import numpy as np
import pytest
from exact_edges import Blur, Scene, esf_values, samples
from processed_edges import srgb_code, srgb_light

from lensbench.edge import measure_edges

BLURS = (Blur(q=0.55), Blur(q=1.1), Blur(q=0.7, sigma_px=0.5), Blur(sigma_px=0.75))


def tone_of(name):
    """From light to codes and back."""
    return (srgb_code, srgb_light) if name == "srgb" else (np.array, np.array)


def drawn(tone, rng, noise_codes):
    """Edges of all blurs at random places, between random levels, and their true MTF50."""
    to_code, to_light = tone_of(tone)
    regions, truth = [], []
    for blur in BLURS * 6:
        lean = float(rng.uniform(4.0, 40.0) * rng.choice([-1.0, 1.0]))
        scene = Scene(angle_deg=lean, offset_px=float(rng.uniform(-0.5, 0.5)), flipped=bool(rng.integers(2)))
        dark, bright = levels = np.array([rng.uniform(0.02, 0.15), rng.uniform(0.4, 0.9)])
        code = 255.0 * to_code(dark + (bright - dark) * esf_values(blur, scene))
        code = np.round(code + noise_codes * rng.standard_normal(code.shape))
        middle = to_code(levels)
        width = to_light(middle + 0.5 / 255.0) - to_light(middle - 0.5 / 255.0)
        rounding = tuple((width / np.sqrt(12.0)).tolist())
        regions.append(samples(to_light(code / 255.0), is_sensor=False, rounding_sd=rounding))
        truth.append(blur.at(0.5, lean))
    return regions, np.array(truth)


@pytest.mark.parametrize("tone", ["linear", "srgb"])
def test_intervals_hold_what_rounding_does_to_plateaus(tone):
    still, truth = drawn(tone, np.random.default_rng(17), 0.0)
    nearly, also = drawn(tone, np.random.default_rng(19), 0.15)
    edges = measure_edges(still + nearly)
    truth = np.concatenate([truth, also])
    error = np.array([edge.mtf50_cypx for edge in edges]) - truth
    sd = np.array([edge.mtf50_sd_cypx for edge in edges])
    assert np.mean(np.abs(error) <= 1.96 * sd) >= 0.9
    assert 0.7 < np.sqrt(np.mean(np.square(error / sd))) < 1.2
    # Held without being wide: 0.8 to 1.0 % rms of error where every sample of a plateau is believed by itself.
    assert np.sqrt(np.mean(np.square(error / truth))) < 0.007
    assert np.mean(sd / truth) < 0.006


def test_noise_of_half_a_code_spreads_rounding_errors():
    # Then they are noise like any other (Widrow and Kollar, Quantization Noise, 2008, from memory).
    regions, truth = drawn("linear", np.random.default_rng(18), 0.5)
    edges = measure_edges(regions)
    sd = np.array([edge.mtf50_sd_cypx for edge in edges])
    error = np.array([edge.mtf50_cypx for edge in edges]) - truth
    assert 0.7 < np.sqrt(np.mean(np.square(error / sd))) < 1.3


def test_a_rounded_edge_in_a_list_leaves_the_exact_ones_as_they_are():
    rounded, _ = drawn("linear", np.random.default_rng(20), 0.0)
    plain = [samples(esf_values(blur, Scene(angle_deg=45.0))) for blur in BLURS]
    together = measure_edges([rounded[0], *plain])[1:]
    alone = [measure_edges([region])[0] for region in plain]
    # 1e-6: sums in another order.
    assert [edge.mtf50_cypx for edge in together] == pytest.approx(
        [edge.mtf50_cypx for edge in alone], rel=1e-6
    )
