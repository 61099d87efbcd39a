import hashlib
import json
import os
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from invented_shots import result
from schema_check import following
from typer.testing import CliRunner

from lensbench import photo, shot
from lensbench.cli.main import app
from lensbench.compare.compare import compare
from lensbench.library import sessions_of_sweep
from lensbench.model.errors import ChartError, LensError, SettingError
from lensbench.model.shot import Metadata
from lensbench.report.out.json_form import comparison_as_json, json_text
from lensbench.sweep.run import Running

pytestmark = pytest.mark.usefixtures("no_pictures")

CURVE = {2.8: 0.22, 4.0: 0.28, 5.6: 0.30, 8.0: 0.275}


def told(path):
    """The metadata that an invented file's name holds: LENS_STOP_REPEAT.dng."""
    lens, stop, _ = path.stem.split("_")
    return Metadata(camera="Box One", lens=lens, f_number=float(stop), focal_length_mm=35.0)


def measured(path, options=None, **further):
    """A sharpness that follows the stop, a little different for every repeat, in no order; `blank` holds no chart."""
    lens, stop, repeat = path.stem.split("_")
    if lens == "blank" or repeat == "9":
        raise ChartError(f"{path.name}: no chart in the picture")
    level = {"Fennel": 1.0, "Sorrel": 1.2}[lens]
    return result(
        path, level * CURVE[float(stop)] * (1.0 + 0.004 * (2 * int(repeat) % 3)), metadata=told(path)
    )


@pytest.fixture
def lensbench(monkeypatch):
    """The command line, with invented photographs and without other processes."""
    monkeypatch.setattr(photo, "read_metadata", told)
    monkeypatch.setattr(shot, "measure_shot", measured)
    monkeypatch.setattr(
        Running.__init__, "__kwdefaults__", Running.__init__.__kwdefaults__ | {"in_process": True}
    )
    return lambda *words: CliRunner().invoke(app, [str(word) for word in words])


def shots(folder, lens="Fennel", repeats=(0, 1, 2)):
    folder.mkdir(exist_ok=True)
    for stop in CURVE:
        for repeat in repeats:
            (folder / f"{lens}_{stop:g}_{repeat}.dng").write_bytes(f"{lens}{stop}{repeat}".encode())
    return folder


def test_sweep_answers_first_and_says_where_the_report_lies(lensbench, tmp_path):
    folder, out = shots(tmp_path / "shots"), tmp_path / "report"
    done = lensbench("sweep", folder, "--out", out)
    assert done.exit_code == 0, done.output
    lines = done.stdout.splitlines()
    assert lines[0].startswith("Fennel: set f/5.6")
    assert lines[-1] == f"Report: {out / 'report.html'}"
    names = {path.name for path in out.iterdir()}
    assert {"report.html", "report.pdf", "edges.csv", "shots.csv", "findings.json", "plots"} <= names


def test_default_output_stands_beside_the_folder_which_is_left_alone(lensbench, tmp_path):
    folder = shots(tmp_path / "shots")
    before = sorted(folder.iterdir())
    assert lensbench("sweep", folder).exit_code == 0
    assert (tmp_path / "shots-lensbench" / "findings.json").exists()
    assert sorted(folder.iterdir()) == before


def test_output_inside_the_photographs_is_refused_before_any_work(lensbench, tmp_path):
    folder = shots(tmp_path / "shots")
    done = lensbench("sweep", folder, "--out", folder / "report")
    assert isinstance(done.exception, SettingError)
    assert not (folder / "report").exists()


def test_json_is_one_document(lensbench, tmp_path):
    done = lensbench("sweep", shots(tmp_path / "shots"), "--out", tmp_path / "report", "--json")
    findings = following("findings", json.loads(done.stdout))
    following("sweep", json.loads((tmp_path / "report" / "sweep.json").read_text()))
    assert findings["lenses"][0]["best"]["f_number"] == 5.6
    assert findings == json.loads((tmp_path / "report" / "findings.json").read_text())


def test_strict_ends_with_three_when_a_photograph_was_rejected(lensbench, tmp_path):
    folder = shots(tmp_path / "shots", repeats=(0, 1, 9))
    assert lensbench("sweep", folder, "--out", tmp_path / "report").exit_code == 0
    strict = lensbench("sweep", folder, "--out", tmp_path / "report", "--strict")
    assert strict.exit_code == 3
    assert "rejected: Fennel_2.8_9.dng: no chart" in strict.stderr


def test_a_second_run_takes_up_where_the_first_stopped(lensbench, tmp_path, monkeypatch):
    folder, out = shots(tmp_path / "shots"), tmp_path / "report"
    called = []

    def stopping(path, options=None, **further):
        called.append(path)
        if len(called) == 6:
            raise KeyboardInterrupt
        return measured(path)

    monkeypatch.setattr(shot, "measure_shot", stopping)
    stopped = lensbench("sweep", folder, "--out", out)
    assert stopped.exit_code == 130
    assert "take up from here" in stopped.stderr
    assert lensbench("sweep", folder, "--out", out).exit_code == 0
    assert len(called) == 6 + 12 - 5
    assert lensbench("sweep", folder, "--out", out).exit_code == 0
    assert len(called) == 13


def test_the_report_says_what_it_was_made_from(lensbench, tmp_path):
    folder, out = shots(tmp_path / "my shots"), tmp_path / "report"
    for _ in range(2):  # the second time from what was kept
        assert lensbench("sweep", folder, "--out", out, "--pitch-um", 4, "--workers", 2).exit_code == 0
        page = (out / "report.html").read_text(encoding="utf-8")
        # As a shell takes it, and without what does not decide.
        assert f"lensbench sweep &#39;{folder}&#39; --out {out} --pitch-um 4<" in page
        for path in folder.iterdir():
            assert hashlib.sha256(path.read_bytes()).hexdigest() in page


def test_the_physical_reading_is_made_where_it_is_asked_for(lensbench, tmp_path, monkeypatch):
    """Results without it, kept by an earlier run, are not taken for it."""
    folder, out = shots(tmp_path / "shots"), tmp_path / "report"
    asked = []

    def noting(path, options=None, **further):
        asked.append(options.physical)
        return measured(path)

    monkeypatch.setattr(shot, "measure_shot", noting)
    assert lensbench("sweep", folder, "--out", out).exit_code == 0
    done = lensbench("sweep", folder, "--out", out, "--physical")
    assert done.exit_code == 0
    assert asked == [False] * 12 + [True] * 12
    assert "no physical reading" in done.stderr


def test_wrong_usage_ends_with_two(lensbench, tmp_path):
    assert lensbench("sweep").exit_code == 2
    assert lensbench("sweep", tmp_path, "--workers", "0").exit_code == 2


def test_compare_answers_and_writes(lensbench, tmp_path):
    for lens in ("Fennel", "Sorrel"):
        lensbench("sweep", shots(tmp_path / lens, lens), "--out", tmp_path / f"{lens}-report")
    folders = (tmp_path / "Fennel-report", tmp_path / "Sorrel-report")
    done = lensbench("compare", *folders, "--out", tmp_path / "both")
    assert done.exit_code == 0, done.output
    headline, detail, *_ = done.stdout.splitlines()
    assert headline == "Whole frame: Sorrel is visibly sharper at every stop."
    assert detail == "Sharper and visible: Sorrel at f/2.8 to f/8, by 20 % (95 %: 14 to 27 %)."
    assert (tmp_path / "both" / "report.html").exists()
    as_json = lensbench("compare", *folders, "--out", tmp_path / "both", "--json")
    assert following("comparison", json.loads(as_json.stdout))["pairs"][0]["second"] == "Sorrel"


def test_compare_refuses_to_write_over_a_sweep(lensbench, tmp_path):
    done = lensbench("compare", tmp_path, Path("elsewhere"), "--out", tmp_path)
    assert isinstance(done.exception, SettingError)


def test_copies_are_no_repeats_and_no_rejections(lensbench, tmp_path):
    folder = shots(tmp_path / "shots")
    alone = lensbench("sweep", folder, "--out", tmp_path / "once", "--json")
    shutil.copytree(folder, folder / "again")
    (tmp_path / "link").symlink_to(folder)
    both = lensbench(
        "sweep",
        folder,
        tmp_path / "link",
        folder / "again",
        "--strict",
        "--out",
        tmp_path / "twice",
        "--json",
    )
    assert both.exit_code == 0, both.output
    assert json.loads(both.stdout) == json.loads(alone.stdout)
    assert "left out: 12 copies of 12 photographs" in both.stderr


def test_what_is_no_file_of_its_own_is_said(lensbench, tmp_path):
    folder = shots(tmp_path / "shots", repeats=(0, 1))
    (folder / "link.dng").symlink_to(folder / "Fennel_4_0.dng")
    os.mkfifo(folder / "pipe.dng")
    done = lensbench("sweep", folder, "--out", tmp_path / "report")
    assert done.exit_code == 0
    assert "unreadable: link.dng, pipe.dng" in done.stderr


def test_the_output_is_tried_and_the_tone_curve_known_before_any_photograph_is_blamed(lensbench, tmp_path):
    folder = shots(tmp_path / "shots", repeats=(0, 1))
    (tmp_path / "file").touch()
    no_place = lensbench("sweep", folder, "--out", tmp_path / "file" / "report")
    no_curve = lensbench("sweep", folder, "--out", tmp_path / "report", "--encoding", "funny")
    for done, told in ((no_place, "cannot be written"), (no_curve, "funny")):
        assert isinstance(done.exception, SettingError)
        assert told in str(done.exception)
        assert "photographs" not in str(done.exception)


SPOILED = ("", "null", "nan", "-1", "0", "1e308", "1e-320", "9" * 400, '"', '"yes"', "[]", "{}", "\x00")


def test_no_spoiled_value_of_a_sweep_ends_in_a_fault(lensbench, tmp_path):
    for lens in ("Fennel", "Sorrel"):
        lensbench("sweep", shots(tmp_path / lens, lens, repeats=(0, 1)), "--out", tmp_path / f"{lens}-report")
    document = tmp_path / "Fennel-report" / "sweep.json"
    parts = re.split(r"([,:])", document.read_text())
    random, refused = np.random.default_rng(5), 0
    for _ in range(60):
        spoiled = parts.copy()
        for place in random.choice(np.arange(0, len(parts), 2), 2):
            spoiled[place] = str(random.choice(SPOILED))
        document.write_text("".join(spoiled))
        try:
            comparison = compare([tmp_path / "Fennel-report", tmp_path / "Sorrel-report"]).findings
            assert json.loads(json_text(comparison_as_json(comparison)))
            sessions_of_sweep(tmp_path / "Fennel-report")
        except LensError:
            refused += 1
    assert refused > 10
