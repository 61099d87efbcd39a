"""A short run of the fuzzer, and what its long runs found."""

import re
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("fuzz.py")
SECONDS = 2
"""A change is checked with 20 (.ci/run)."""


@pytest.mark.skipif(find_spec("atheris") is None, reason="the fuzzer has wheels for Linux on x86-64 alone")
def test_a_short_run_finds_nothing(tmp_path):
    words = [sys.executable, SCRIPT, "--seconds", str(SECONDS), "--findings", tmp_path]
    done = subprocess.run(words, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    assert list(tmp_path.iterdir()) == []
    # Of each kind the whole file at least.
    assert int(re.search(r"number_of_executed_units: (\d+)", done.stderr)[1]) >= 13
