"""The table of odd edges: what its figures count, and that every kind can be made."""

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import odd_rows
import pytest
from odd_kinds import KINDS
from processed_edges import PROCESSINGS

EFFORT = odd_rows.Effort(edges=2, snrs=(50.0,), regions=("41x41 green",), levels=(50,), seed=0)


def test_figures_count_what_they_say():
    nan = float("nan")
    found = odd_rows.Found(
        error=np.array([0.01, -0.02, 0.10, nan]),
        sd=np.array([0.01, 0.02, 0.03, nan]),
        away=np.array([1.0, -1.0, 3.0, nan]),
        flags=(frozenset(), frozenset(), frozenset({"outliers"}), frozenset({"no_edge"})),
    )
    rms = 100.0 * np.sqrt((0.01**2 + 0.02**2 + 0.1**2) / 3.0)
    assert found.cells() == ["+1.00", f"{rms:.2f}", "2.00", "67", "100", "25", "25"]
    assert found.commonest_flags() in ("outliers:25 no_edge:25", "no_edge:25 outliers:25")
    twice = odd_rows.together([found, found])
    assert twice.error.size == 8
    assert twice.cells() == found.cells()


@pytest.mark.parametrize("kind", [*KINDS, *PROCESSINGS])
def test_every_kind_is_measured(kind):
    lines = list(odd_rows.found_of(kind, replace(EFFORT, edges=1)))
    truths = {key.truth for key, _ in lines}
    assert {key.method for key, _ in lines} == {"refined", "iso"}
    assert len(lines) == 2 * len(truths)
    for key, found in lines:
        assert key.kind == kind
        assert found.error.size == 1
        assert np.all(np.abs(found.error[found.measured]) < 0.6)


def test_the_same_edges_are_drawn_whatever_else_is_asked():
    kind = "coma 1 wave"
    more = odd_rows.Effort(
        edges=2, snrs=(50.0, None), regions=("25x25 green", "41x41 green"), levels=(50, 10), seed=0
    )
    own, among = (
        {key: found.error for key, found in odd_rows.found_of(kind, effort)} for effort in (EFFORT, more)
    )
    for key, error in own.items():
        np.testing.assert_array_equal(error, among[key])


def test_the_command_prints_and_keeps_the_table(tmp_path):
    path = tmp_path / "table.txt"
    command = [sys.executable, str(Path(odd_rows.__file__)), "--rows", "coma 1,8-bit", "--edges", "2"]
    command += ["--snrs", "50,none", "--regions", "25x25", "--levels", "50,10", "--apart", "--out", str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert path.read_text(encoding="utf-8") == done.stdout
    counted = re.findall(
        r"^coma 1 wave +(any|25x25 green) +(50|none) +(50|10) +2 \|", done.stdout, re.MULTILINE
    )
    assert len(counted) == 8
    assert len(re.findall(r"^all (?:sensor|files) +any", done.stdout, re.MULTILINE)) == 8


def test_a_row_that_is_not_there_is_named():
    command = [sys.executable, str(Path(odd_rows.__file__)), "--rows", "nonsense"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "nothing begins with nonsense" in done.stderr
