"""What a terminal obeys never reaches it: hostile names of files and lenses, command by command."""

import ast
import json
import sys
import unicodedata
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from lensbench import shot
from lensbench.cli import main
from lensbench.cli.main import app
from lensbench.cli.output import say
from lensbench.model.errors import ChartError

CLI = Path(__file__).resolve().parent.parent.parent / "lensbench" / "cli"
# ECMA-48: ESC [ 2 J clears the screen, CSI is also U+009B; U+202E turns the reading direction.
HOSTILE = "\x1b[2Jz\x9b31m\u202egpj\nrejected: x\udcff.png"
HIDDEN = {"Cc", "Cf", "Cs", "Zl", "Zp"}


def lensbench(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def hidden(text):
    return {sign for sign in text if unicodedata.category(sign) in HIDDEN} - {"\n"}


def test_lines_stay_lines_and_columns_stay_columns(capsys):
    say("  a   b", "c\x1b\nd\te", "")
    assert capsys.readouterr().out == "  a   b\nc d e\n\n"


@pytest.fixture
def photograph(tmp_path):
    """A slanted edge: a half-plane, by area, at 5 degrees."""
    rows, cols = np.indices((120, 120))
    light = np.clip(cols - 60.0 + np.tan(np.radians(5.0)) * (rows - 60.0), -0.5, 0.5) + 0.5
    path = tmp_path / "shots" / HOSTILE
    path.parent.mkdir()
    path.write_bytes(cv2.imencode(".png", np.rint(60 + 120 * light).astype(np.uint8))[1].tobytes())
    return path


@pytest.mark.parametrize("command", ["edge", "measure", "check", "sweep", "rank"])
def test_no_command_passes_the_signs_of_a_file_name_on(photograph, command, tmp_path, monkeypatch, capsys):
    further = {"edge": ["--roi", "10,30,90,60"], "sweep": ["--out", tmp_path / "out"]}
    place = photograph if command in {"edge", "measure"} else photograph.parent
    words = ["lensbench", command, place, *further.get(command, [])]
    monkeypatch.setattr(sys, "argv", [str(word) for word in words])
    with pytest.raises(SystemExit):
        main.run()
    told = capsys.readouterr()
    said = told.out + told.err
    assert "rejected: x" in said or command == "rank"
    assert hidden(said) == set()
    assert "\nrejected: x" not in said


def test_a_photograph_without_a_chart_is_named_on_one_line(photograph, monkeypatch):
    def measured(path, *options):
        raise ChartError(f"{path.name}: no chart in it")

    monkeypatch.setattr(shot, "measure_shot", measured)
    done = lensbench("check", photograph)
    assert len(done.output.splitlines()) == 1
    assert hidden(done.output) == set()


def test_json_keeps_the_name_whole_and_the_terminal_safe(photograph):
    done = lensbench("edge", photograph, "--roi", "10,30,90,60", "--json")
    assert json.loads(done.stdout)["image"] == str(photograph)
    assert hidden(done.stdout) == set()


def test_everything_is_said_by_the_one_way():
    wrong = [
        path.name
        for path in sorted(CLI.glob("*.py"))
        if path.name not in {"output.py", "main.py"}
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and node.attr in {"echo", "secho"}
    ]
    assert wrong == []
