"""Every table of docs can still be made: the smallest case of each script gives a whole page of the published shape."""

import re
import subprocess
import sys
from pathlib import Path

import compare
import numpy as np
import pages
import pytest
import remake

DOCS = pages.ROOT / "docs" / "measured"


def tables_in(page):
    """Header cells and rows of every table of a page."""
    blocks = re.findall(r"(?:^\|.*\|$\n?)+", page, re.MULTILINE)
    split = [[re.split(r"(?<!\\)\|", line)[1:-1] for line in block.strip().splitlines()] for block in blocks]
    return [([cell.strip() for cell in lines[0]], lines[2:]) for lines in split]


@pytest.mark.parametrize("name", remake.SCRIPTS)
def test_the_smallest_case_gives_a_whole_page_of_the_published_shape(name):
    table = remake.table_of(name)
    assert set(table.tiny) <= set(table.full)
    amounts = {**table.full, **table.tiny}
    page = pages.text_of(name, table, before="# Old\n\n## By hand\n\nKept.\n", **amounts)
    title, _, made = page.splitlines()[:3]
    assert title.startswith("# ")
    assert f"remake.py {name}` on 20" in made
    assert all(f"{amount} {value}" in made for amount, value in amounts.items())
    assert ("By hand" in page) is table.keeps_notes
    found = tables_in(page)
    assert found
    for header, rows in found:
        assert rows, f"no row under {header}"
        assert {len(cells) for cells in rows} == {len(header)}
    published = tables_in((DOCS / f"{name}.md").read_text(encoding="utf-8"))
    assert [header for header, _ in found] == [header for header, _ in published][: len(found)]


def test_shoots_of_the_table_of_comparisons_hold_all_that_tells_what_one_could_see():
    case = next(case for case in compare.CASES if "20 %" in case.name)
    found = compare.Count()
    compare.shoot(case, compare.lens(0), np.random.default_rng(1), found)
    assert found.claims["sharper and visible"].said > len(found.rows) / 2


def test_every_page_that_says_it_is_made_is_known():
    pages = {
        path.stem
        for path in DOCS.glob("*.md")
        if "tests/benchmarks/remake.py" in path.read_text(encoding="utf-8")
    }
    assert pages == set(remake.SCRIPTS)


def test_rows_stand_worst_first():
    assert pages.worst_first([(0.9, "a"), (0.1, "b"), (float("nan"), "c"), (0.1, "d")]) == [
        "c",
        "b",
        "d",
        "a",
    ]


def test_a_table_that_is_not_there_is_named():
    command = [sys.executable, str(Path(remake.__file__)), "nonsense"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "no such table: nonsense" in done.stderr
