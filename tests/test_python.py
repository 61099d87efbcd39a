"""The public interface: what docs/reference/python.md shows runs, and gives what the commands print."""

import doctest
import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

import lensbench
from lensbench.cli.main import app, run

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs" / "reference" / "python.md"


def command(*words):
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.fixture(scope="module")
def photographs(tmp_path_factory):
    """A folder with the photographs that the page asks for."""
    folder, here = tmp_path_factory.mktemp("python"), Path.cwd()
    os.chdir(folder)
    try:
        for line in re.findall(
            r"^    lensbench (simulate .*)$", PAGE.read_text(encoding="utf-8"), re.MULTILINE
        ):
            command(*shlex.split(line))
    finally:
        os.chdir(here)
    return folder


def test_the_page_runs_and_is_short(photographs, monkeypatch):
    monkeypatch.chdir(photographs)
    kinds = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
    ran = doctest.testfile(str(PAGE), module_relative=False, optionflags=kinds, encoding="utf-8")
    assert ran.attempted > 20
    assert ran.failed == 0
    assert len(PAGE.read_text(encoding="utf-8").splitlines()) <= 100


def test_a_result_is_the_document_that_the_command_prints(photographs, monkeypatch):
    monkeypatch.chdir(photographs)
    photo = "sorrel/shot_0001.dng"
    assert lensbench.measure(photo).to_json() + "\n" == command("measure", photo, "--json")
    region = json.loads(lensbench.measure_edge(photo).to_json())["edges"][0]["roi"]
    asked = ("--roi", ",".join(map(str, region)), "--json")
    assert lensbench.measure_edge(photo, regions=[tuple(region)]).to_json() + "\n" == command(
        "edge", photo, *asked
    )
    assert lensbench.rank("sorrel").to_json() == command("rank", "sorrel", "--json")


def test_what_is_to_be_given_has_its_name_in_python_and_its_option_on_the_command_line(
    tmp_path, monkeypatch, capsys
):
    def told(*words):
        monkeypatch.setattr(sys, "argv", ["lensbench", *map(str, words)])
        with pytest.raises(SystemExit):
            run()
        return capsys.readouterr().err

    with pytest.raises(lensbench.LensError, match=r": give print_height_mm and viewing_distance_mm$"):
        lensbench.MeasureOptions(print_height_mm=200.0)
    assert told("edge", "a.png", "--print-height-mm", 200).endswith(
        ": give --print-height-mm and --viewing-distance-mm\n"
    )
    blank = tmp_path / "blank.png"
    cv2.imwrite(str(blank), np.full((64, 64), 90, np.uint8))
    assert lensbench.measure_edge(blank).edges == ()
    assert told("edge", blank).endswith(": give --roi TOP,LEFT,HEIGHT,WIDTH\n")


def test_without_out_nothing_is_written(photographs, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    done = lensbench.sweep(photographs / "sorrel", running=lensbench.Running(in_process=True))
    assert done.written == ()
    assert list(tmp_path.iterdir()) == []


def run_python(code):
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_importing_is_light_and_names_stay_functions_whatever_is_imported_first():
    code = (
        "import sys, lensbench\n"
        "print([name for name in ('numpy', 'scipy', 'pandas', 'cv2', 'typer') if name in sys.modules])\n"
        "import lensbench.compare, lensbench.rank, lensbench.sweep.run, lensbench.effect.levels\n"
        "print([type(getattr(lensbench, name)).__name__ for name in ('sweep', 'compare', 'effect', 'rank')])\n"
        "print(sorted(set(lensbench.__all__) - set(dir(lensbench))))\n"
    )
    assert run_python(code).splitlines() == ["[]", str(["function"] * 4), "[]"]


def test_every_public_name_exists_and_another_is_refused():
    assert [name for name in lensbench.__all__ if not hasattr(lensbench, name)] == []
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        _ = lensbench.nothing
