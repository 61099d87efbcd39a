"""Every example runs, and what it prints agrees with the truth that it prints beside it."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[1] / "examples"


def printed(name):
    done = subprocess.run(
        [sys.executable, FOLDER / name],
        capture_output=True,
        text=True,
        check=True,
        timeout=300,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )
    return done.stdout


def test_every_example_is_tested():
    assert {path.name for path in FOLDER.glob("*.py")} == {
        "how_true_is_an_edge.py",
        "what_a_filter_costs.py",
        "which_stop.py",
    }


def test_how_true_is_an_edge():
    text = printed("how_true_is_an_edge.py")
    truth = float(re.search(r"true MTF50: ([\d.]+)", text)[1])
    refined, scatter, stated = (
        float(figure)
        for figure in re.search(r"refined *: ([\d.]+) .*scatter ([\d.]+), stated ([\d.]+)", text).groups()
    )
    # The mean of 20 shots: three of its own standard errors.
    assert refined == pytest.approx(truth, abs=3.0 * stated / 20**0.5)
    assert 0.5 < scatter / stated < 1.6


def test_what_a_filter_costs():
    losses = [
        (float(exact), float(rule))
        for exact, rule in re.findall(
            r"cy/px, ([-+.\d]+) % \(rule of squares ([-+.\d]+) %\)", printed("what_a_filter_costs.py")
        )
    ]
    assert len(losses) == 4
    assert losses == sorted(losses, reverse=True)
    # The rule of squares holds for Gaussians; diffraction and pixel are not quite.
    assert all(exact == pytest.approx(rule, abs=3.0) for exact, rule in losses)


def test_which_stop():
    text = printed("which_stop.py")
    truth = {float(stop): float(figure) for stop, figure in re.findall(r"f/([\d.]+) +([\d.]+) cy/px", text)}
    best = max(truth, key=truth.get)
    named = {float(stop) for stop in re.findall(r"f/(\d+(?:\.\d+)?)", text.split("true mean")[0])}
    assert best in named
