"""Veil: stray light of known size put over simulated photographs of the sheet."""

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest
from chart_pictures import ArrayPicture
from typer.testing import CliRunner

from lensbench import simulate
from lensbench.chart.find import find_chart
from lensbench.chart.layout.sheet import sheet
from lensbench.cli.main import app
from lensbench.model.shot import Metadata, VeilBound
from lensbench.shot import MeasureOptions, measure_shot

PAPER = 0.6
CAMERA = simulate.Camera(rows=800, cols=1200, pitch_um=6.0)
LENS = simulate.prime("Invented 35", simulate.ZoomPosition(focal_length_mm=35, vignetting_stops=0.0))
LAYOUTS = {
    "4:1": sheet("A3"),
    "8:1": sheet("A3", contrast=8.0),
    "solid": sheet("A3", solid=True),
    "greys printed too dark": replace(sheet("A3"), dark_reflectance=0.17),
}


@pytest.fixture(scope="module")
def light_of():
    """Linear light of a sheet, without stray light; each is drawn once."""
    drawn = {}

    def light(name):
        if name not in drawn:
            scene = simulate.Scene(layout=LAYOUTS[name], lens=LENS, camera=CAMERA)
            shot = simulate.Shot(focal_length_mm=35.0, f_number=5.6, paper_level=PAPER, noise=False)
            drawn[name] = simulate.picture(scene, shot)
        return drawn[name]

    return light


def photographed(folder, light):
    path = folder / "shot.png"
    cv2.imwrite(str(path), np.rint(65535.0 * np.clip(light[..., ::-1], 0.0, 1.0)).astype(np.uint16))
    return path


def veil_of(folder, light):
    options = MeasureOptions(encoding="linear", pitch_um=CAMERA.pitch_um, fast=True)
    return measure_shot(photographed(folder, light), options, overrides=Metadata(f_number=5.6)).veil


@pytest.mark.parametrize("share", [0.0, 0.1])
@pytest.mark.parametrize("name", LAYOUTS)
def test_an_even_veil_is_told_whatever_the_quarters_were_printed_for(tmp_path, light_of, name, share):
    """Light V all over on paper of level P: the veil is V / (P + V) of the paper's, by its definition."""
    even = share / (1.0 - share) * PAPER
    veil = veil_of(tmp_path, light_of(name) + even)
    assert veil.bound is VeilBound.INK
    assert veil.percent == pytest.approx(100.0 * share, abs=0.1)


def test_a_wide_halo_is_told(tmp_path, light_of):
    """A twentieth of the light goes into a Gaussian of sigma 120 px, wider than any region reaches."""
    light = light_of("4:1")
    spread = cv2.GaussianBlur(light, (0, 0), 120.0, borderType=cv2.BORDER_REPLICATE)
    veil = veil_of(tmp_path, 0.95 * light + 0.05 * spread)
    # The picture is paper for the most part: its mean light is what the halo brings.
    brought = 0.05 * light[..., 1].mean()
    assert veil.percent == pytest.approx(100.0 * brought / (0.95 * PAPER + brought), abs=0.2)


def test_a_veil_from_one_side_scatters_over_the_field(tmp_path, light_of):
    light = light_of("solid")
    from_left = 0.1 * PAPER * np.linspace(1.0, 0.0, light.shape[1])[:, None]
    one_sided, even = veil_of(tmp_path, light + from_left), veil_of(tmp_path, light + 0.05 * PAPER)
    # 10 to 0 % across the field; the quarters of a sheet stand evenly over it: sd about 10 / sqrt(12).
    assert one_sided.sd_over_field_percent == pytest.approx(10.0 / np.sqrt(12.0), rel=0.25)
    assert one_sided.percent == pytest.approx(even.percent, abs=0.5)
    assert even.sd_over_field_percent < 0.3


def test_without_a_black_to_read_it_is_a_bound_by_the_whole_print(tmp_path, light_of):
    """The row of tones is covered by paper: the quarters of 4:1 read as a quarter of the paper's light."""
    light = light_of("4:1").copy()
    chart = find_chart(ArrayPicture(light[..., 1]))
    for row, col in chart.mapping.to_px(np.array([tone.center_mm for tone in chart.layout.tones])).astype(
        int
    ):
        light[row - 22 : row + 23, col - 22 : col + 23] = PAPER
    veil = veil_of(tmp_path, light)
    assert veil.bound is VeilBound.PRINT
    assert veil.percent == pytest.approx(25.0, abs=0.5)


def test_measure_tells_it(tmp_path, light_of):
    path = photographed(tmp_path, light_of("4:1") + PAPER / 19.0)
    told = ["measure", str(path), "--encoding", "linear"]
    assert "of the paper's light at most" in CliRunner().invoke(app, told).stdout
    form = json.loads(CliRunner().invoke(app, [*told, "--json"]).stdout)
    # Without a pitch and an f-number what diffraction brings into the black, up to a point, stays in.
    assert 5.0 < form["veil_percent"] < 6.5
    assert form["veil_sd_over_field_percent"] < 0.3
    assert form["veil_holds"] == "ink"
