"""Mixed shoots at the command line: what does not compare is said in one line, and nothing is claimed of it."""

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from invented_shots import result
from typer.testing import CliRunner

from lensbench import photo, shot
from lensbench.cli.main import app
from lensbench.door import studies
from lensbench.model.errors import ChartError, remark
from lensbench.model.shot import Metadata, Tilt
from lensbench.sweep.run import Running

MTF50 = {4.0: 0.25, 8.0: 0.22, 16.0: 0.15}


def told(path):
    """The metadata that an invented file's name holds, STOP_REPEAT_WHAT; a stranger tells nothing."""
    if path.stem == "stranger":
        return Metadata()
    return Metadata(
        camera="Box One", lens="Fennel", f_number=float(path.stem.split("_")[0]), focal_length_mm=35.0
    )


def measured(path, options=None, **further):
    """What is odd about a photograph, by the end of its name."""
    if path.stem == "stranger":
        raise ChartError(f"{path.name}: no chart was found: 0 of its markers can be read")
    metadata = told(path)
    stop, repeat, odd = path.stem.split("_")
    sharpness = MTF50[float(stop)] * (1.0 + 0.002 * float(repeat)) * (1.4 if odd == "crisp" else 1.0)
    fields = {
        "finished": {"sensor_data": False},
        "crisp": {"sensor_data": False},
        "near": {"magnification": 0.03},
        "sharpened": {"quality": (remark("sharpened", "median over- and undershoot 12 %, limit 0.3 %"),)},
        "askew": {"quality": (remark("tilted", "5.00 degrees"),)},
    }
    made = result(path, sharpness, metadata=metadata, **fields.get(odd, {}))
    if odd == "chart":
        return replace(made, chart=replace(made.chart, name="sheet A2"))
    if odd == "askew":
        # 3 and 4 degrees are 5 degrees together (Pythagoras).
        return replace(made, tilt=Tilt(pitch_deg=3.0, yaw_deg=4.0, roll_deg=0.0))
    if odd == "thirdless":
        figures = {zone: figure for zone, figure in made.summary.items() if zone not in {"outer", "frame"}}
        return replace(made, summary=figures)
    return made


@pytest.fixture
def swept(monkeypatch, tmp_path):
    """Lines and findings of a sweep over files of given names."""
    monkeypatch.setattr(photo, "read_metadata", told)
    monkeypatch.setattr(photo, "check_whole", lambda _: None)
    monkeypatch.setattr(
        studies, "write_sweep", lambda *_, **__: (tmp_path / "report.html",)
    )  # what is written, other tests tell
    monkeypatch.setattr(shot, "measure_shot", measured)
    usual = Running.__init__.__kwdefaults__ | {"in_process": True}
    monkeypatch.setattr(Running.__init__, "__kwdefaults__", usual)

    def sweep(*names):
        folder = tmp_path / "shots"
        folder.mkdir()
        for name in names:
            (folder / f"{name}.jpg").write_bytes(name.encode())
        done = CliRunner().invoke(app, ["sweep", str(folder), "--out", str(tmp_path / "out"), "--json"])
        assert done.exit_code == 0, done.exception
        (lens,) = json.loads(done.stdout)["lenses"]
        return [*lens["text"], *done.stderr.splitlines()], lens

    return sweep


def names(stops=(4, 8, 16), odd="plain", repeats=range(3)):
    return [f"{stop}_{repeat}_{odd}" for stop in stops for repeat in repeats]


@pytest.mark.parametrize(
    ("odd", "line"),
    [
        (
            "chart",
            "Two charts were photographed at f/4 (sheet A2 and sheet A3): sweep the pictures of one alone.",
        ),
        # 1 / 0.03 = 33 and 1 / 0.02 = 50.
        ("near", "Pictures at f/4 were taken from two distances (scales 1:33 and 1:50): keep to one."),
        ("sharpened", "3 of 12 pictures were sharpened in processing: compare them only with each other."),
        ("askew", "In 3 of 12 photographs the camera stood askew, by up to 5.0°: straighten it and repeat."),
    ],
)
def test_what_does_not_compare_is_said_in_one_line(swept, odd, line):
    lines, _ = swept(*names(), *names([4], odd, repeats=range(3, 6)))
    assert lines.count(line) == 1


def test_a_plain_shoot_says_none_of_it(swept):
    lines, _ = swept(*names())
    for word in ("askew", "sharpened", "two distances", "Two charts", "no figure", "do not compare"):
        assert not any(word in line for line in lines)


def test_raw_against_finished_is_the_first_line_and_no_stop_is_named(swept):
    lines, lens = swept(*names(), *names(odd="finished", repeats=range(3, 5)))
    assert lines[0] == (
        "Fennel: 9 raw files and 6 finished pictures do not compare, so no stop is named: sweep each kind by itself."
    )
    assert not any("set f/" in line or "sharpest" in line for line in lines)
    assert [note["kind"] for note in lens["best"]["reservations"]] == ["file_kind"]


def test_raw_files_are_not_called_misfocused_for_what_processing_sharpens(swept):
    """Sharpening in processing raises MTF50 by tens of percent; beside it, raw files look out of focus."""
    lines, lens = swept(*names(), *names(odd="crisp", repeats=range(3, 5)))
    assert lens["rejected"] == []
    assert "9 raw files and 6 finished pictures do not compare" in lines[0]


def test_a_stop_without_its_outer_third_neither_wins_nor_loses(swept):
    lines, lens = swept(*names([8, 16]), *names([4], "thirdless"))
    assert (
        "No figure for the whole frame at f/4, for the outer third shows no edge there: "
        "that stop is left out of the choice."
    ) in lines
    (focal,) = lens["by_focal_length"]
    assert 4.0 not in {point["f_number"] for point in focal["curve"] if point["zone"] == "frame"}
    assert lens["best"]["f_number"] == 8.0


def test_a_lens_of_one_stop_is_answered_with_sharpness_and_evenness(swept):
    lines, _ = swept(*names([4]))
    # 2 x 0.97 x 0.25 x 4000 line widths, half a percent more at most; 0.88 of 1.05 is 16 % less (invented_shots).
    assert lines[0].startswith("Fennel at f/4, the only stop tested: the whole frame reaches 0.24")
    assert 1940 <= float(lines[0].rpartition("cy/px, ")[2].split()[0]) <= 1950
    assert lines[1] == "The outer third is 16 % softer than the inner."
    assert not any("no best one can be named" in line for line in lines)


def test_a_family_picture_has_no_chart_and_is_not_called_damaged(swept):
    lines, lens = swept(*names(), "stranger")
    (line,) = [line for line in lines if "stranger" in line]
    assert line.startswith("rejected: stranger.jpg: no chart was found")
    assert "damaged" not in line
    assert (lens["shots"], [Path(shot["photo"]).name for shot in lens["rejected"]]) == (10, ["stranger.jpg"])


def test_a_picture_that_tells_nothing_is_named_with_what_to_do_where_none_is_usable(tmp_path):
    noise = np.random.default_rng(1).integers(0, 255, (90, 120, 3))
    (tmp_path / "party.jpg").write_bytes(cv2.imencode(".jpg", noise.astype(np.uint8))[1].tobytes())
    done = CliRunner().invoke(app, ["sweep", str(tmp_path)])
    assert "party.jpg: its f-number is unknown; name it in a shots table" in str(done.exception)
    assert "damaged" not in str(done.exception)
