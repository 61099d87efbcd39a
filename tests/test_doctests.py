"""The small examples in the docstrings run and give what they print."""

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

WITH_EXAMPLES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts)
    for path in (ROOT / "lensbench").rglob("*.py")
    if ">>> " in path.read_text(encoding="utf-8")
)


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_examples(name):
    found = doctest.testmod(importlib.import_module(name))
    assert found.attempted > 0
    assert found.failed == 0


def test_there_are_examples():
    assert {"lensbench.model.units", "lensbench.simulate.__init__"} <= set(WITH_EXAMPLES)
