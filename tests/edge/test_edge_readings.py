"""What `lensbench edge` reads beside MTF50: the parts of the blur, chosen frequencies, how a print looks."""

import json

import numpy as np
import pytest
from exact_edges import Blur
from made_pictures import edge_picture, write_linear
from scipy import integrate
from typer.testing import CliRunner

from lensbench.cli.main import app
from lensbench.edge import curve_figures, edge_response_at_lpmm
from lensbench.model.errors import SettingError
from lensbench.model.shot import Box, Edge

PITCH_UM = 4.0
BLUR = Blur(q=0.9, waves=0.25, sigma_px=0.4)
F_NUMBER = BLUR.q * PITCH_UM / 0.55  # the grey channel's middle wavelength
ANGLE_DEG = 5.0
ROWS = 200
REGION = ("--roi", "50,60,100,60", "--encoding", "linear")
LENS = ("--f-number", F_NUMBER, "--pitch-um", PITCH_UM)


@pytest.fixture(scope="module")
def picture(tmp_path_factory):
    folder = tmp_path_factory.mktemp("readings")
    return write_linear(folder / "edge.png", edge_picture(BLUR, ANGLE_DEG, rows=ROWS))


def edge(*words):
    return CliRunner().invoke(app, ["edge", *(str(word) for word in words)])


def measured(*words):
    done = edge(*words, *REGION, "--json")
    return json.loads(done.stdout, parse_constant=pytest.fail)["edges"][0]


def test_the_blur_is_told_apart(picture):
    physical = measured(picture, *LENS)["physical"]
    assert physical["fits"] is True
    assert physical["diffraction_q"] == pytest.approx(0.9)
    assert physical["mtf50_cypx"] == pytest.approx(BLUR.at(0.5, ANGLE_DEG), rel=5e-3)
    assert physical["defocus_disc_px"] == pytest.approx(8.0 * BLUR.waves * BLUR.q, abs=0.15)
    assert physical["gaussian_sigma_px"] == pytest.approx(BLUR.sigma_px, abs=0.08)


def test_plain_words_say_what_blurs(picture):
    said = edge(picture, *LENS, *REGION).stdout
    assert "diffraction 0.42 px" in said  # 0.9 x 0.18739 / 0.40397
    assert "Most comes from focus" in said
    # A figure a line, which a terminal of 80 columns holds; sentences wrap.
    figures = [
        line
        for line in said.splitlines()
        if line.startswith(("  region", "    MTF50", "    10-90", "    resp"))
    ]
    assert len(figures) == 4
    assert max(map(len, said.splitlines()[:6])) <= 80
    assert "\n\n" not in said
    assert "not one that a lens" not in said


def test_a_shape_that_no_lens_makes_is_called_so(tmp_path):
    light = 0.1 + 0.8 * edge_picture(Blur(q=0.9, sharpening=1.0), ANGLE_DEG)
    sharpened = write_linear(tmp_path / "s.png", light)
    done = edge(sharpened, *LENS, *REGION)
    assert "shape is not one that a lens out of focus could make" in done.stdout
    assert "What blurs it" not in done.stdout
    assert measured(sharpened, *LENS)["physical"]["fits"] is False


def test_no_physical_reading_where_the_lens_is_not_known(picture):
    assert "physical" not in measured(picture)
    assert "physical" not in measured(picture, "--pitch-um", 4.0)


def test_chosen_frequencies_and_the_curve_s_own_figures(picture):
    one = measured(picture, "--pitch-um", PITCH_UM, "--at-lpmm", "10,62.5,400")
    for row, lpmm in zip(one["sfr_at_lpmm"], (10.0, 62.5), strict=False):
        truth = BLUR.sfr(np.array([lpmm * PITCH_UM / 1000.0]), ANGLE_DEG)[0]
        assert row["lpmm"] == lpmm
        assert row["sfr"] == pytest.approx(truth, abs=0.01)
        assert 0.0 < row["sfr_sd"] < 0.01
    assert one["sfr_at_lpmm"][2]["sfr"] is None  # 1.6 cycles per pixel
    nyquist = BLUR.sfr(np.array([0.5]), ANGLE_DEG)[0]
    assert one["response_at_nyquist"] == pytest.approx(nyquist, abs=0.01)
    area = integrate.quad(lambda f: BLUR.sfr(np.array([f]), ANGLE_DEG)[0], 0.0, 0.5)[0]
    assert one["area_cypx"] == pytest.approx(area, abs=0.003)
    assert 0.0 < one["area_sd_cypx"] < 0.003


def test_how_a_print_looks(picture):
    """The mean by adaptive quadrature of the true SFR; 1 px is 1 mm, so 1 cy/px is 2 m x pi/180 = 34.9 cy/deg."""
    one = measured(picture, "--print-height-mm", ROWS, "--viewing-distance-mm", 2000.0)
    cpd = np.pi / 180.0 * 2000.0

    def sfr(f):
        return BLUR.sfr(np.array([f]), ANGLE_DEG)[0]

    def eye(f):
        return (f * cpd) ** 0.8 * np.exp(-0.2 * f * cpd)

    seen = integrate.quad(lambda f: eye(f) * sfr(f), 0.0, 0.5)[0] / integrate.quad(eye, 0.0, 0.5)[0]
    assert one["acutance"] == pytest.approx(seen, abs=0.005)
    assert 0.0 < one["acutance_sd"] < 0.01
    said = edge(picture, *REGION, "--print-height-mm", 200, "--viewing-distance-mm", 2000).stdout
    assert "acutance" in said
    assert "acutance" not in measured(picture)


@pytest.mark.parametrize(
    "words",
    [
        ("--print-height-mm", "200"),
        ("--viewing-distance-mm", "500"),
        ("--at-lpmm", "10"),
        ("--at-lpmm", "ten", "--pitch-um", "4"),
        ("--at-lpmm", "10,-20", "--pitch-um", "4"),
        ("--at-lpmm", "nan", "--pitch-um", "4"),
        ("--f-number", "8"),
        ("--f-number", "100", "--pitch-um", "0.5"),
    ],
    ids=" ".join,
)
def test_what_does_not_go_together_is_told(picture, words):
    done = edge(picture, *words, *REGION)
    assert isinstance(done.exception, SettingError)
    said = str(done.exception).replace("_", "-")
    assert words[0].strip("-") in said or "pixel pitch" in said


@pytest.mark.parametrize(
    "words", [("--f-number", "0"), ("--pitch-um", "nan"), ("--print-height-mm", "-1")], ids=" ".join
)
def test_numbers_without_sense_are_wrong_usage(picture, words):
    assert edge(picture, *words, *REGION).exit_code == 2


def test_a_curve_that_ends_early_gives_no_figures_beyond():
    frequency = np.linspace(0.0, 1.0, 101)
    sfr = np.where(frequency < 0.3, 1.0 - frequency, np.nan)
    one = Edge(
        roi=Box(top=0, left=0, height=60, width=40),
        channel="green",
        angle_deg=5.0,
        frequency_cypx=frequency,
        sfr=sfr,
        sfr_sd=0.0 * sfr,
    )
    assert np.isnan(curve_figures(one).area_cypx.value)
    assert edge_response_at_lpmm(one, lpmm=50.0, pixel_pitch_um=4.0).value == pytest.approx(0.8)
    assert np.isnan(edge_response_at_lpmm(one, lpmm=100.0, pixel_pitch_um=4.0).value)
