"""Print the accuracy table: every target of the measuring methods against what exact edges show.

    python tests/benchmarks/accuracy.py [--quick] [--out docs/accuracy.md]

No test run collects this: the full table takes some minutes on one core, `--quick` about one.
"""

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "made"))
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"  # one core, as the targets say; set before numpy is imported

# ruff: noqa: E402
from bias_rows import curved_row, light_row, sites_rows, small_row, specks_row, straight_rows
from iso_rows import iso_rows
from noise_rows import noise_rows, sites_noise_rows
from physical_rows import physical_rows
from small_rows import small_sites_rows
from speed_rows import speed_rows
from table_row import Effort, Row, as_markdown

SECTIONS: tuple[Callable[[Effort], Row | list[Row]], ...] = (
    straight_rows,
    noise_rows,
    physical_rows,
    curved_row,
    sites_rows,
    sites_noise_rows,
    small_row,
    small_sites_rows,
    iso_rows,
    light_row,
    specks_row,
    speed_rows,
)


def all_rows(effort: Effort, only: str) -> Iterator[Row]:
    """Work out section by section, telling how long each took."""
    for section in SECTIONS:
        if only not in section.__name__:
            continue
        start = time.perf_counter()
        found = section(effort)
        yield from found if isinstance(found, list) else [found]
        print(f"    ({section.__name__}: {time.perf_counter() - start:.0f} s)", file=sys.stderr)


def made_from() -> str:
    """Name the commit, and say whether the measured code differs from it."""

    def git(*words: str) -> str:
        return subprocess.run(
            ["git", *words], cwd=ROOT, capture_output=True, text=True, check=True
        ).stdout.strip()

    changed = git("status", "--porcelain", "--", "lensbench/edge", "lensbench/optics")
    return git("rev-parse", "--short=12", "HEAD") + (" with changes not committed" if changed else "")


def document(rows: list[Row], effort: Effort) -> str:
    """Set the table with where it comes from."""
    counts = [sum(row.passed is verdict for row in rows) for verdict in (True, False, None)]
    return f"""# Accuracy of the edge methods

Made by `tests/benchmarks/accuracy.py{" --quick" if effort.quick else ""}` from commit {made_from()}. All edges are
exact: sampled from closed forms, the square pixel included, with the truth along the edge's normal. Noise is photon
noise; SNR is bright less dark over the rms noise of the two plateaus. Sites of a colour filter array are taken alone.

{counts[0]} rows pass, {counts[1]} fall short, {counts[2]} were not measured.

{as_markdown(rows)}
"""


def main() -> None:
    """Print the table, and write it where asked."""
    parser = argparse.ArgumentParser(description="Print the accuracy table.")
    parser.add_argument("--quick", action="store_true", help="coarser grids and fewer draws")
    parser.add_argument("--only", default="", help="sections whose name holds this text")
    parser.add_argument("--out", type=Path, help="also write the table to this file")
    asked = parser.parse_args()
    effort = Effort(quick=asked.quick)
    rows = []
    for row in all_rows(effort, asked.only):
        print(f"{row.verdict:5}  {row.what}\n       target {row.target}; found {row.found}", flush=True)
        rows.append(row)
    if asked.out:
        asked.out.write_text(document(rows, effort), encoding="utf-8")


if __name__ == "__main__":
    main()
