"""`lensbench edge`: what it prints, its JSON and its exit status."""

import json
import sys

import numpy as np
import pytest
from exact_edges import Blur
from made_pictures import blank_picture, card_picture, edge_picture, write_linear
from schema_check import following
from typer.testing import CliRunner

from lensbench.cli.main import app, run
from lensbench.model.errors import EdgeError, SettingError

BLUR = Blur(q=0.9, sigma_px=0.4)
KEYS = {
    "roi",
    "angle_deg",
    "channel",
    "mtf50_cypx",
    "mtf50_sd_cypx",
    "mtf30_cypx",
    "mtf30_sd_cypx",
    "mtf20_cypx",
    "mtf20_sd_cypx",
    "mtf10_cypx",
    "mtf10_sd_cypx",
    "rise_10_90_px",
    "rise_10_90_sd_px",
    "overshoot_percent",
    "undershoot_percent",
    "snr",
    "frequency_cypx",
    "sfr",
    "sfr_sd",
    "flags",
}


@pytest.fixture(scope="module")
def picture(tmp_path_factory):
    """One edge at 5 degrees over 200 x 180 px."""
    return write_linear(tmp_path_factory.mktemp("edge") / "edge.png", edge_picture(BLUR, 5.0))


def edge(*words):
    return CliRunner().invoke(app, ["edge", *(str(word) for word in words)])


def measured(*words):
    done = edge(*words, "--encoding", "linear", "--json")
    return done.exit_code, following("edges", json.loads(done.stdout, parse_constant=pytest.fail))


def test_json_holds_every_key_and_the_truth(picture):
    status, document = measured(picture, "--roi", "50,60,100,60")
    assert status == 0
    assert set(document) == {"format", "image", "edges"}
    (one,) = document["edges"]
    assert set(one) >= KEYS
    assert one["roi"] == [50, 60, 100, 60]
    assert one["channel"] == "grey"
    assert one["angle_deg"] == pytest.approx(5.0, abs=0.01)
    assert one["mtf50_cypx"] == pytest.approx(BLUR.at(0.5, 5.0), rel=6e-3)
    assert one["mtf10_cypx"] == pytest.approx(BLUR.at(0.1, 5.0), rel=0.015)
    assert len(one["frequency_cypx"]) == len(one["sfr"]) == len(one["sfr_sd"])
    assert one["sfr"][0] == pytest.approx(1.0)
    assert all(isinstance(flag, str) for flag in one["flags"])


def test_several_regions_stay_in_their_order(picture):
    _, document = measured(picture, "--roi", "100,60,90,60", "--roi", "10,60,90,60")
    assert [one["roi"][0] for one in document["edges"]] == [100, 10]


def test_a_region_without_an_edge_is_null_with_a_flag(picture):
    status, document = measured(picture, "--roi", "50,60,100,60", "--roi", "10,120,60,50")
    assert status == 0
    good, bad = document["edges"]
    assert good["mtf50_cypx"] is not None
    assert bad["mtf50_cypx"] is None
    assert bad["flags"]


def test_exit_status_1_when_no_region_could_be_measured(picture):
    status, document = measured(picture, "--roi", "10,120,60,50")
    assert status == 1
    assert [one["mtf50_cypx"] for one in document["edges"]] == [None]
    told = str(edge(picture, "--roi", "10,120,60,50", "--json").exception)
    assert "no region could be measured: no edge was found in this region (" in told


@pytest.mark.parametrize("channel", ["green", "red", "blue", "luminance"])
def test_a_grey_picture_has_one_channel_whatever_is_asked_for(picture, channel):
    status, document = measured(picture, "--roi", "50,60,100,60", "--channel", channel)
    assert (status, document["edges"][0]["channel"]) == (0, "grey")


def test_clipped_regions_are_null(tmp_path):
    bright = write_linear(tmp_path / "bright.png", 1.6 * edge_picture(BLUR, 5.0))
    status, document = measured(bright, "--roi", "50,60,100,60")
    assert status == 1
    assert document["edges"][0]["mtf50_cypx"] is None
    assert document["edges"][0]["flags"][0].startswith("clipped")


def test_edges_are_found_without_a_region(tmp_path):
    card, blur = card_picture()
    status, document = measured(write_linear(tmp_path / "card.tif", card))
    assert status == 0
    assert len(document["edges"]) >= 4
    for one in document["edges"]:
        assert one["mtf50_cypx"] == pytest.approx(blur.at(0.5, one["angle_deg"]), rel=0.03)


def test_the_text_gives_figure_region_and_advice(picture):
    done = edge(picture, "--roi", "50,60,100,60", "--roi", "10,120,60,50", "--encoding", "linear")
    assert done.exit_code == 0
    assert "50,60,100,60" in done.stdout
    assert "MTF50" in done.stdout
    assert "95 %" in done.stdout
    assert "not measured" in done.stdout


def test_the_standard_s_method_is_there_to_compare(picture):
    _, refined = measured(picture, "--roi", "50,60,100,60")
    _, iso = measured(picture, "--roi", "50,60,100,60", "--method", "iso")
    one, other = refined["edges"][0]["mtf50_cypx"], iso["edges"][0]["mtf50_cypx"]
    assert one != other
    assert one == pytest.approx(other, rel=0.03)


def test_the_tone_curve_is_undone(tmp_path):
    light = edge_picture(BLUR, 5.0)
    codes = write_linear(tmp_path / "gamma.png", light ** (1 / 2.2))
    done = edge(codes, "--roi", "50,60,100,60", "--encoding", "gamma:2.2", "--json")
    assert json.loads(done.stdout)["edges"][0]["mtf50_cypx"] == pytest.approx(BLUR.at(0.5, 5.0), rel=6e-3)


@pytest.mark.parametrize(
    "text", ["1,2,3", "a,b,c,d", "1.5,2,30,40", "-1,0,50,50", "0,0,0,50", "", "1,2,3,4,5"]
)
def test_a_wrong_region_is_named(picture, text):
    done = edge(picture, f"--roi={text}")
    assert isinstance(done.exception, SettingError)
    assert text in str(done.exception)


@pytest.mark.parametrize("text", ["0,0,500,500", "190,0,50,50", "1000,1000,10,10"])
def test_a_region_outside_the_picture_is_told_in_one_sentence(picture, text):
    done = edge(picture, "--roi", text)
    assert isinstance(done.exception, EdgeError)
    assert "the region reaches outside the picture" in str(done.exception)
    assert "not measured" in done.stdout


@pytest.mark.parametrize(
    "words", [["--method", "magic"], ["--channel", "infrared"], ["--roi"], ["--unknown"]], ids=" ".join
)
def test_wrong_usage_is_exit_status_2(picture, words):
    assert edge(picture, *words).exit_code == 2


def test_no_picture_named_is_exit_status_2():
    assert edge().exit_code == 2


def test_an_unknown_tone_curve_is_wrong_usage(picture):
    done = edge(picture, "--roi", "50,60,100,60", "--encoding", "film")
    assert isinstance(done.exception, SettingError)


def through_the_program(monkeypatch, capsys, *words):
    """The installed program's own entry: its exit status and standard error."""
    monkeypatch.setattr(sys, "argv", ["lensbench", *(str(word) for word in words)])
    with pytest.raises(SystemExit) as ended:
        run()
    captured = capsys.readouterr()
    return ended.value.code, captured.out, captured.err


def test_trouble_is_one_sentence_and_an_exit_status(monkeypatch, capsys, tmp_path, picture):
    blank = write_linear(tmp_path / "blank.png", blank_picture())
    for expected, words in (
        (1, ["edge", tmp_path / "nothing.dng"]),
        (1, ["edge", blank]),
        (2, ["edge", picture, "--roi", "1,2,3"]),
    ):
        status, out, err = through_the_program(monkeypatch, capsys, *words)
        assert status == expected
        assert out == ""
        assert err.startswith("lensbench: ")
        assert "Traceback" not in err
        assert len(err.strip().splitlines()) == 1


def test_a_picture_without_an_edge_is_still_one_document(monkeypatch, capsys, tmp_path):
    blank = write_linear(tmp_path / "blank.png", blank_picture())
    status, out, err = through_the_program(monkeypatch, capsys, "edge", blank, "--json")
    assert status == 1
    assert json.loads(out)["edges"] == []
    assert "name a region" in err


def test_success_through_the_program(monkeypatch, capsys, picture):
    status, out, err = through_the_program(
        monkeypatch, capsys, "edge", picture, "--roi", "50,60,100,60", "--json"
    )
    assert status == 0
    assert json.loads(out)["edges"]
    assert err == ""


def test_help_holds_a_worked_example():
    done = edge("--help")
    assert done.exit_code == 0
    assert "lensbench edge " in done.stdout
    assert "--roi" in done.stdout


def test_pictures_of_no_numbers_do_not_make_json_of_no_numbers(tmp_path):
    flat = write_linear(tmp_path / "flat.png", np.full((100, 100), 0.4))
    status, document = measured(flat, "--roi", "0,0,100,100")
    assert status == 1
    assert document["edges"][0]["snr"] is None


def test_a_region_outside_the_picture_stays_in_the_list(picture):
    status, document = measured(picture, "--roi", "0,0,500,500", "--roi", "50,60,100,60")
    assert status == 0
    outside, inside = document["edges"]
    assert outside["mtf50_cypx"] is None
    assert any("outside the picture" in flag for flag in outside["flags"])
    assert inside["mtf50_cypx"] > 0.0
