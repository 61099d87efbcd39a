"""Perceptual figures against values worked out by other means, named at each check."""

import numpy as np
import pytest
from scipy import integrate, special

from lensbench.edge.perception import (
    Viewing,
    acutance,
    area_cypx,
    contrast_sensitivity,
    response_at_lpmm,
    response_at_nyquist,
    ruler_jnd,
    ruler_mtf,
    sharpness_jnd,
    with_perception,
)
from lensbench.model.shot import Box, Edge

FREQUENCY = np.linspace(0.0, 1.0, 101)
VIEWING = Viewing(picture_height_px=2000, print_height_mm=400.0, distance_mm=700.0)


def gaussian(mtf50_cpd):
    v = FREQUENCY * VIEWING.cpd_per_cypx
    return np.exp(-np.log(2.0) * (v / mtf50_cpd) ** 2)


NONE = np.zeros_like(FREQUENCY)


def test_cycles_per_degree():
    # One degree at 700 mm is 12.217 mm, which holds 61.09 printed pixels of 0.2 mm.
    assert VIEWING.cpd_per_cypx == pytest.approx(2 * 700 * np.tan(np.radians(0.5)) / 0.2, rel=1e-4)


def test_contrast_sensitivity_peaks_at_four_cycles_per_degree():
    # From the formula's derivative: v = 0.8 / 0.2; its value there and its integral 75 Gamma(1.8) 0.2^-1.8 / 34.05.
    v = np.linspace(0.0, 30.0, 3001)
    assert v[np.argmax(contrast_sensitivity(v))] == pytest.approx(4.0, abs=0.01)
    assert contrast_sensitivity(np.array([4.0]))[0] == pytest.approx(3.00, abs=0.01)
    whole = integrate.quad(lambda one: float(contrast_sensitivity(np.array([one]))[0]), 0.0, np.inf)[0]
    assert whole == pytest.approx(75 * special.gamma(1.8) * 0.2**-1.8 / 34.05, rel=1e-6)


@pytest.mark.parametrize(("mtf50_cpd", "to_30_cpd"), [(8, 0.52586), (15, 0.76626)])
def test_acutance_of_a_gaussian(mtf50_cpd, to_30_cpd):
    # The values by adaptive quadrature, here once more.
    def weighted(v):
        return float(contrast_sensitivity(np.array([v]))[0] * np.exp(-np.log(2.0) * (v / mtf50_cpd) ** 2))

    above = integrate.quad(weighted, 0.0, 30.0)[0]
    below = integrate.quad(lambda v: float(contrast_sensitivity(np.array([v]))[0]), 0.0, 30.0)[0]
    assert above / below == pytest.approx(to_30_cpd, abs=1e-5)
    limit = 30.0 / VIEWING.cpd_per_cypx
    found = acutance(FREQUENCY, gaussian(mtf50_cpd), NONE, viewing=VIEWING, highest_cypx=limit)
    assert found.value == pytest.approx(to_30_cpd, abs=2e-5)


@pytest.mark.parametrize(
    ("k", "jnd"), [(0.01, 32.08), (0.02, 30.58), (0.04, 22.77), (0.1, 8.18), (0.2, 1.70)]
)
def test_quality_ruler(k, jnd):
    # The polynomial of ISO 20462-3, from memory; its values worked out by hand.
    assert ruler_jnd(k) == pytest.approx(jnd, abs=0.005)
    v = FREQUENCY * VIEWING.cpd_per_cypx
    assert sharpness_jnd(FREQUENCY, ruler_mtf(v, k), NONE, viewing=VIEWING).value == pytest.approx(
        jnd, abs=0.05
    )


def test_quality_ruler_ends_at_zero():
    assert ruler_jnd(0.26) == pytest.approx(0.0, abs=0.05)


def test_a_perfect_curve_has_full_marks():
    one = np.ones_like(FREQUENCY)
    assert acutance(FREQUENCY, one, NONE, viewing=VIEWING).value == pytest.approx(1.0)
    assert area_cypx(FREQUENCY, one, NONE).value == pytest.approx(0.5)


def test_readings_of_a_straight_line():
    line = 1.0 - FREQUENCY
    sd = 0.02 * FREQUENCY
    nyquist = response_at_nyquist(FREQUENCY, line, sd)
    assert (nyquist.value, nyquist.sd) == (pytest.approx(0.5), pytest.approx(0.01))
    at_50 = response_at_lpmm(FREQUENCY, line, sd, lpmm=50.0, pixel_pitch_um=4.0)  # 0.2 cy/px
    assert (at_50.value, at_50.sd) == (pytest.approx(0.8), pytest.approx(0.004))
    assert np.isnan(response_at_lpmm(FREQUENCY, line, sd, lpmm=500.0, pixel_pitch_um=4.0).value)
    area = area_cypx(FREQUENCY, line, sd)  # integral of 1 - f to 0.5
    assert (area.value, area.sd) == (pytest.approx(0.375), pytest.approx(0.02 * 0.125))


def test_the_sd_of_a_common_error_is_exact():
    """When the whole curve's sharpness is off by one sd, the figures move by theirs."""
    width, error = 8.0, 0.05
    slope = (gaussian(width + 1e-4) - gaussian(width - 1e-4)) / 2e-4
    for figure in (acutance, sharpness_jnd):
        found = figure(FREQUENCY, gaussian(width), np.abs(slope) * error, viewing=VIEWING)
        moved = figure(FREQUENCY, gaussian(width + error), NONE, viewing=VIEWING)
        assert found.sd == pytest.approx(moved.value - found.value, rel=0.03)


def test_edges_take_the_figures():
    box = Box(top=0, left=0, height=60, width=40)
    sfr = gaussian(8)
    edge = Edge(roi=box, channel="green", angle_deg=5.0, frequency_cypx=FREQUENCY, sfr=sfr, sfr_sd=NONE)
    seen = with_perception(edge, VIEWING)
    assert 0.4 < seen.acutance < 0.6
    blind = Edge(roi=box, channel="green", angle_deg=float("nan"))
    assert with_perception(blind, VIEWING) is blind


@pytest.mark.parametrize("wrong", [{"picture_height_px": 0}, {"print_height_mm": -1.0}, {"distance_mm": 0.0}])
def test_viewing_needs_lengths(wrong):
    with pytest.raises(ValueError):
        Viewing(**({"picture_height_px": 10, "print_height_mm": 10.0, "distance_mm": 10.0} | wrong))
