"""What every table of measured figures shares: one core, its amounts of work, where it comes from, and its file.

Import it before numpy: the libraries read how many threads they may use when they are loaded.
"""

import itertools
import operator
import os
import subprocess
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

T = TypeVar("T")
ROOT = Path(__file__).resolve().parents[2]
for _folder in (ROOT / "tests" / "made", ROOT / "tests" / "benchmarks"):
    if str(_folder) not in sys.path:
        sys.path.insert(0, str(_folder))
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

PROGRAM = [sys.executable, "-c", "from lensbench.cli.main import run; run()"]
"""The command line, as a user runs it."""


@dataclass(frozen=True, kw_only=True)
class Table:
    """One page of docs and how it is made."""

    page: Callable[..., Iterable[str]]
    """Lines of the page for these amounts; the first is its title."""
    full: Mapping[str, int]
    """Amounts of work of the published page, the seed among them."""
    tiny: Mapping[str, int]
    """Those that differ in the smallest case, which a test runs."""
    keeps_notes: bool = False
    """Whether what stands in the file from the first «## » on was written by hand, and stays."""


def text_of(name: str, table: Table, *, before: str = "", **amounts: int) -> str:
    """Page as Markdown: its title, where it comes from, its lines, and the notes of the page `before` it."""
    title, *lines = table.page(**amounts)
    lines = itertools.dropwhile(operator.not_, lines)
    told = ", ".join(f"{amount} {value}" for amount, value in amounts.items())
    today = datetime.now(UTC).date().isoformat()
    made = f"Made by `python tests/benchmarks/remake.py {name}` on {today} from commit {_commit()}: {told}."
    notes = before.partition("\n## ")[2] if table.keeps_notes else ""
    return "\n".join([title, "", made, "", *lines]).strip() + "\n" + (f"\n## {notes}" if notes else "")


def head(*columns: str) -> list[str]:
    """Head of a table."""
    return [f"| {' | '.join(columns)} |", "|" + "---|" * len(columns)]


def row(*cells: object) -> str:
    """Row of a table."""
    return f"| {' | '.join(str(cell) for cell in cells)} |"


def worst_first(rows: Iterable[tuple[float, str]]) -> list[str]:
    """Rows in the order of their merit, the lowest first; rows alike stay as they come, NaN before all."""
    return [text for _, text in sorted(rows, key=lambda pair: (pair[0] == pair[0], pair[0]))]


def shown(rows: Iterable[T]) -> list[T]:
    """Rows as a list, each told on standard error as it comes."""
    kept = []
    for each in rows:
        kept.append(each)
        print(each[-1] if isinstance(each, tuple) else each, file=sys.stderr, flush=True)
    return kept


def _commit() -> str:
    """Commit, and whether the measured code differs from it."""

    def git(*words: str) -> str:
        return subprocess.run(
            ["git", *words], cwd=ROOT, capture_output=True, text=True, check=True
        ).stdout.strip()

    try:
        changed = git("status", "--porcelain", "--", "lensbench")
        return git("rev-parse", "--short=12", "HEAD") + (" with changes not committed" if changed else "")
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
