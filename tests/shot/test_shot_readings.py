"""What `lensbench measure` and `edge` read beside MTF50 from a simulated raw file: blur, print, frequencies."""

import json

import numpy as np
import pytest
from schema_check import following
from typer.testing import CliRunner

from lensbench import simulate
from lensbench.chart.layout.sheet import sheet
from lensbench.cli.main import app
from lensbench.model.errors import SettingError
from lensbench.model.shot import Direction, Metadata
from lensbench.shot import MeasureOptions, mean_by_zone, measure_shot

F_NUMBER, PITCH_UM = 8.0, 4.0
ROWS, COLS = 900, 1350


@pytest.fixture(scope="module")
def raw(tmp_path_factory):
    """One exposure through an invented lens."""
    folder = tmp_path_factory.mktemp("readings")
    position = simulate.ZoomPosition(focal_length_mm=35)
    scene = simulate.Scene(
        layout=sheet("A3"),
        lens=simulate.prime("Invented 35", position),
        camera=simulate.Camera(rows=ROWS, cols=COLS, pitch_um=PITCH_UM),
        pose=simulate.Pose(),
    )
    plan = simulate.Plan(
        focal_lengths_mm=[35.0], f_numbers=[F_NUMBER], repeats=1, focus_spread_um=0.0, iso=100, seed=3
    )
    simulate.shoot(simulate.series(scene, folder, plan=plan), workers=1, seed=3, truth_channels=("green",))
    truth = json.loads((folder / "truth.json").read_text())["photos"][0]
    return folder / truth["file"], truth


def lensbench(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def document(*words):
    done = lensbench(*words, "--json")
    assert done.exit_code == 0, done.output
    form = json.loads(done.stdout, parse_constant=pytest.fail)
    return following({"measure": "photo", "edge": "edges"}[words[0]], form)


@pytest.fixture(scope="module")
def read(raw):
    looking = ("--print-height-mm", 200, "--viewing-distance-mm", 2000, "--at-lpmm", "20,50")
    return document("measure", raw[0], "--physical", *looking)


def sound(read):
    return [edge for edge in read["edges"] if edge["mtf50_cypx"] is not None]


def test_the_working_f_number_is_that_near_the_chart(read):
    """q = wavelength N (1 + m) / pitch; green's middle wavelength, 0.54 um, is the customary one."""
    expected = 0.54 * F_NUMBER * (1.0 + read["magnification"]) / read["pixel_pitch_um"]
    (found,) = {edge["physical"]["diffraction_q"] for edge in sound(read)}
    assert found == pytest.approx(expected, abs=6e-4)


def test_the_physical_reading_agrees_with_the_truth(raw, read):
    green = [edge for edge in raw[1]["edges"] if edge["channel"] == "green"]
    errors = []
    for edge in sound(read):
        if edge["physical"]["fits"]:
            near = min(green, key=lambda one: np.hypot(*np.subtract(one["center_px"], edge["center_px"])))
            errors.append(edge["physical"]["mtf50_cypx"] / near["mtf50_cypx"] - 1)
    assert len(errors) > 0.6 * len(sound(read))
    assert np.median(np.abs(errors)) < 0.01


def test_every_edge_has_its_print_and_its_frequencies(raw, read):
    green = [edge for edge in raw[1]["edges"] if edge["channel"] == "green"]
    for edge in sound(read):
        assert 0.0 < edge["acutance"] < 1.0
        assert 0.0 < edge["sharpness_jnd"] < 32.1
        near = min(green, key=lambda one: np.hypot(*np.subtract(one["center_px"], edge["center_px"])))
        truth = np.interp(50.0 * PITCH_UM / 1000.0, near["frequency_cypx"], near["sfr"])
        assert [row["lpmm"] for row in edge["sfr_at_lpmm"]] == [20.0, 50.0]
        assert edge["sfr_at_lpmm"][1]["sfr"] == pytest.approx(truth, abs=0.04)
        assert edge["area_cypx"] > 0.1


def test_the_text_has_a_table_for_each(raw):
    looking = ("--print-height-mm", 200, "--viewing-distance-mm", 2000, "--at-lpmm", "20")
    done = lensbench("measure", raw[0], "--physical", *looking)
    assert done.exit_code == 0, done.output
    for words in ("acutance", "JND", "20 lp/mm", "diffraction", "focus", "Most comes from"):
        assert words in done.stdout


def test_nothing_is_read_unless_asked_and_a_named_f_number_counts(raw):
    other = document("measure", raw[0], "--f-number", 4)
    assert other["f_number"] == 4.0
    edge = other["edges"][0]
    assert not {"physical", "acutance", "sharpness_jnd", "sfr_at_lpmm"} & set(edge)
    assert "response_at_nyquist" in edge


def test_edge_takes_f_number_and_pitch_from_the_file(raw, read):
    """The region of any edge can be measured again; without a chart there is no magnification."""
    roi = ",".join(str(number) for number in sound(read)[0]["roi"])
    (edge,) = document("edge", raw[0], "--roi", roi)["edges"]
    expected = 0.54 * F_NUMBER / read["pixel_pitch_um"]
    assert edge["physical"]["diffraction_q"] == pytest.approx(expected, rel=1e-6)


def test_what_is_missing_is_named(raw, tmp_path):
    done = lensbench("measure", raw[0], "--print-height-mm", 200)
    assert isinstance(done.exception, SettingError)
    assert "viewing_distance_mm" in str(done.exception)


def test_no_aperture_without_f_number_or_pitch():
    asked = MeasureOptions(physical=True)
    known = Metadata(f_number=8.0)
    rest = {"magnification": 0.04, "channel": "green"}
    assert asked.aperture(known, pixel_pitch_um=4.0, **rest) is not None
    assert asked.aperture(known, pixel_pitch_um=None, **rest) is None
    assert asked.aperture(Metadata(), pixel_pitch_um=4.0, **rest) is None
    assert MeasureOptions().aperture(known, pixel_pitch_um=4.0, **rest) is None


def test_means_by_zone_weigh_as_the_summary_does(raw):
    shot = measure_shot(raw[0])
    means = mean_by_zone(shot.edges, shot.size_px, figure=lambda edge: edge.mtf50_cypx)
    assert means == pytest.approx({zone: figure.mtf50_cypx for zone, figure in shot.summary.items()})
    assert {edge.direction for edge in shot.edges} == set(Direction)
