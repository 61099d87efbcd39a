"""Photographs are measured from a notebook, from standard input and from a script without a main guard, too."""

import subprocess
import sys
from pathlib import Path

import fake_measures
import pytest

from lensbench import workers
from lensbench.sweep.run import Running, Task, run

PROGRAM = """
import sys
sys.path.insert(0, {made!r})
from pathlib import Path
import fake_measures
from lensbench.sweep.run import Running, Task, run
print("begun")
tasks = [Task(path=Path(name)) for name in ("a", "b", "c")]
print([outcome.reason for outcome in run(tasks, Running(workers=2, measure=fake_measures.measure))])
"""
MEASURED = "begun\n['done a', 'done b', 'done c']\n"


@pytest.fixture(scope="module")
def program():
    return PROGRAM.format(made=str(Path(fake_measures.__file__).parent))


@pytest.mark.parametrize("way", ["standard input", "script", "-c"])
def test_workers_start_wherever_the_program_comes_from(program, tmp_path, way):
    """And the program is not run again in them: it says its line once."""
    script = tmp_path / "no_guard.py"
    script.write_text(program)
    words = {"standard input": ["-"], "script": [script], "-c": ["-c", program]}[way]
    asked = program if way == "standard input" else None
    done = subprocess.run(
        [sys.executable, *words], input=asked, capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.stdout, done.stderr) == (MEASURED, "")


def tasks(folder):
    return [Task(path=folder / name) for name in ("a", "b")]


def test_where_workers_end_before_they_begin_this_process_measures_and_says_so(tmp_path, monkeypatch):
    monkeypatch.setattr(workers, "_begin", fake_measures.end_at_once)
    told = []
    outcomes = run(tasks(tmp_path), Running(workers=2, measure=fake_measures.measure, notice=told.append))
    assert [outcome.reason for outcome in outcomes] == ["done a", "done b"]
    (sentence,) = told
    assert "worker processes cannot start here" in sentence


def test_where_the_system_has_no_means_for_workers_a_warning_says_so(tmp_path, monkeypatch):
    def refuse(*words, **further):
        raise NotImplementedError("no semaphores here")

    monkeypatch.setattr(workers, "ProcessPoolExecutor", refuse)
    with pytest.warns(RuntimeWarning, match="no semaphores here"):
        outcomes = run(tasks(tmp_path), Running(workers=2, measure=fake_measures.measure))
    assert [outcome.reason for outcome in outcomes] == ["done a", "done b"]
