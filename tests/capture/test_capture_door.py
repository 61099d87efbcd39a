"""The door of capture: what a type checker is shown is what one gets, and nothing is loaded before it is asked for."""

import ast
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

from lensbench import capture

SHOWN = [
    (node.module, alias.name)
    for node in ast.walk(ast.parse(Path(capture.__file__).read_text(encoding="utf-8")))
    if isinstance(node, ast.ImportFrom) and node.module.startswith("lensbench.capture.")
    for alias in node.names
]


@pytest.mark.parametrize(("module", "name"), SHOWN)
def test_every_name_that_is_shown_is_given(module, name):
    assert getattr(capture, name) is getattr(import_module(module), name)


def test_a_name_that_is_not_there_is_refused():
    with pytest.raises(AttributeError, match="no attribute 'cake'"):
        capture.cake  # noqa: B018 - the look-up itself is tested


@pytest.mark.parametrize(
    ("asked", "spared"),
    [
        ("capture", {"numpy", "cv2", "reportlab", "rawpy"}),
        ("capture.make_plan", {"reportlab", "rawpy"}),
        ("capture.PlanBook", {"reportlab"}),
    ],
)
def test_only_what_a_name_needs_is_loaded(asked, spared):
    code = f"import sys; from lensbench import capture; {asked}; print(sorted(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert spared & set(ast.literal_eval(done.stdout)) == set()
