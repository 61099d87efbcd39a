"""The refined method on exact edges without noise: every angle, both polarities, many kinds of blur."""

import numpy as np
import pytest
from exact_edges import Blur, Scene, edge_samples

from lensbench.edge import measure_edges

BLURS = (
    Blur(q=0.55),
    Blur(q=1.1),
    Blur(q=2.2),
    Blur(q=0.55, waves=0.5),
    Blur(q=0.8, waves=1.0),
    Blur(q=0.55, disc_px=3.0),
    Blur(q=0.7, disc_px=1.5, sigma_px=0.4),
    Blur(sigma_px=0.75),
)
ANGLES = (2.0, 5.0, 10.0, 14.036, 18.435, 26.565, 36.87, 44.5, 63.435, 75.964, 88.0, -3.0, -26.565, -71.565)
LIMITS = {"mtf50_cypx": 0.3, "mtf30_cypx": 0.5, "mtf20_cypx": 0.5, "mtf10_cypx": 0.5}
"""The project's own targets, in percent."""


def scene_at(angle, *, flipped=False):
    """60 lines, at least 12 px to each side along the normal in all of them."""
    slant = np.radians(min(abs(angle), 90.0 - abs(angle)))
    across = int(np.ceil(60.0 * np.tan(slant) + 25.0 / np.cos(slant))) + 1
    height, width = (60, across) if abs(angle) < 45.0 else (across, 60)
    return Scene(angle_deg=angle, height=height, width=width, offset_px=0.3, flipped=flipped)


@pytest.fixture(scope="module")
def measured():
    cases = [(blur, scene_at(angle, flipped=k % 2 == 1)) for k, blur in enumerate(BLURS) for angle in ANGLES]
    edges = measure_edges([edge_samples(blur, scene) for blur, scene in cases])
    return [(edge, blur, scene) for edge, (blur, scene) in zip(edges, cases, strict=True)]


@pytest.mark.parametrize("name", LIMITS)
def test_bias_is_within_the_target(measured, name):
    level = float(name[3:5]) / 100.0
    bias = {
        f"{blur}, {scene.angle_deg} degrees": 100.0
        * (getattr(edge, name) / blur.at(level, scene.angle_deg) - 1.0)
        for edge, blur, scene in measured
    }
    beyond = {case: value for case, value in bias.items() if not abs(value) <= LIMITS[name]}
    assert not beyond
    assert np.median(np.abs(list(bias.values()))) <= 0.1


def test_the_whole_curve_is_true_up_to_the_sensor_s_limit(measured):
    for edge, blur, scene in measured:
        true = blur.sfr(edge.frequency_cypx[:51], scene.angle_deg)
        assert np.abs(edge.sfr[:51] - true).max() <= 0.005, f"{blur}, {scene.angle_deg}"


def test_the_line_is_found(measured):
    for edge, _, scene in measured:
        assert edge.angle_deg == pytest.approx(scene.angle_deg, abs=0.02)
        row, col = edge.point_px
        d_row, d_col = row - 0.5 * (scene.height - 1), col - 0.5 * (scene.width - 1)
        assert scene.distance_px(np.array(d_row), np.array(d_col)) == pytest.approx(0.0, abs=0.01)


def test_levels_and_snr_of_a_clean_edge(measured):
    for edge, _, _ in measured:
        assert edge.dark_level == pytest.approx(0.06, abs=2e-3)
        assert edge.bright_level == pytest.approx(0.72, abs=2e-3)
        assert edge.snr > 1000


def test_clean_edges_raise_no_flag(measured):
    raised = {
        f"{blur}, {scene.angle_deg} degrees": [str(flag) for flag in edge.flags]
        for edge, blur, scene in measured
        if edge.flags
    }
    assert not raised


@pytest.mark.parametrize("flipped", [False, True])
@pytest.mark.parametrize("blur", BLURS, ids=str)
def test_polarity_changes_nothing(blur, flipped):
    one, other = (
        measure_edges([edge_samples(blur, Scene(angle_deg=7.0, height=80, width=50, flipped=side))])[0]
        for side in (flipped, not flipped)
    )
    assert one.mtf50_cypx == pytest.approx(other.mtf50_cypx, rel=5e-4)


def test_an_edge_along_the_diagonal_is_flagged_when_it_aliases():
    # 45 degrees gives one distance in each 0.707 px: a Nyquist limit of 0.707 cy/px, where q 0.55 still passes 12 %.
    edge = measure_edges([edge_samples(Blur(q=0.55), Scene(angle_deg=45.0, height=70, width=80))])[0]
    assert "phase_gap" in {flag.flag for flag in edge.flags}


def test_ten_to_ninety_rise_and_overshoot_of_a_gaussian():
    # f50 x rise = 0.4803 for a Gaussian (derived from its closed forms); the pixel adds little at this width.
    edge = measure_edges([edge_samples(Blur(sigma_px=2.0), Scene(angle_deg=5.0))])[0]
    assert edge.mtf50_cypx * edge.rise_10_90_px == pytest.approx(0.48030, rel=0.002)
    assert edge.overshoot_percent < 0.1
    assert edge.undershoot_percent < 0.1


def test_rise_of_a_diffraction_limited_edge():
    # 1.332870 wavelength x f-number (from the closed ESF), blur by the pixel small against it at q 6.
    edge = measure_edges([edge_samples(Blur(q=6.0), Scene(angle_deg=5.0, height=120, width=120))])[0]
    assert edge.rise_10_90_px == pytest.approx(6.0 * 1.332870, rel=0.01)
