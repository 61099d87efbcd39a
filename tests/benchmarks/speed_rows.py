"""Rows on speed: one core, processor time, the best of several runs."""

import io
import os
import subprocess
import sys
import tarfile
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pages
from exact_edges import BRIGHT, DARK, Blur, Scene, esf_values, noisy
from table_row import Effort, Row

from lensbench.edge import measure_edge, measure_edges
from lensbench.model.shot import Samples

BEFORE = "a37dbd0"
"""The last commit whose fit knew one kind of edge."""

RUN_WHEN_ASKED = """
import sys
import time
from lensbench.edge import measure_edges
from speed_rows import frame_edges
regions = frame_edges(int(sys.argv[1]))
measure_edges(regions)
for _ in sys.stdin:
    start = time.process_time()
    measure_edges(regions)
    print(time.process_time() - start, flush=True)
"""


def frame_edges(count: int = 100) -> list[Samples]:
    """The edges of one photograph: 100 x 60 px, various blur, SNR 100."""
    rng = np.random.default_rng(9)
    regions = []
    for k in range(count):
        blur = Blur(q=1.1, disc_px=float(k % 5), sigma_px=0.3)
        scene = Scene(
            angle_deg=float(rng.uniform(4.0, 11.0)), flipped=bool(k % 2), offset_px=float(rng.uniform(-2, 2))
        )
        clean = DARK + (BRIGHT - DARK) * esf_values(blur, scene)
        regions.append(noisy(clean, 100.0, rng, 1)[0])
    return regions


def best_ms(action: Callable[[], object], *, repeats: int) -> float:
    """Least processor time of several runs."""
    found = []
    for _ in range(repeats):
        start = time.process_time()
        action()
        found.append(time.process_time() - start)
    return 1e3 * min(found)


def beside_before(count: int, *, runs: int, before: str = BEFORE) -> tuple[float, float] | None:
    """Processor time of a batch now over that at a commit, each the median of runs by turns, and ms an edge before.

    None where the commit of before is out of reach.
    """
    archive = subprocess.run(
        ["git", "-C", str(pages.ROOT), "archive", before, "lensbench"], capture_output=True, check=False
    )
    if archive.returncode:
        return None
    with tempfile.TemporaryDirectory() as folder:
        with tarfile.open(fileobj=io.BytesIO(archive.stdout)) as files:
            files.extractall(folder, filter="data")
        programs = [_asked(tree, count) for tree in (Path(folder), pages.ROOT)]
        times = [[_time_s(program) for program in programs] for _ in range(runs + 1)]
        for program in programs:
            program.communicate(timeout=60)
    earlier, now = np.median(times[1:], axis=0)
    return float(now / earlier), 1e3 * float(earlier) / count


def _asked(tree: Path, count: int) -> "subprocess.Popen[str]":
    """Start a process that measures with the program of one tree whenever it is sent a line."""
    paths = [tree, pages.ROOT / "tests" / "made", pages.ROOT / "tests" / "benchmarks"]
    return subprocess.Popen(
        [
            sys.executable,
            "-P",
            "-c",
            RUN_WHEN_ASKED,
            str(count),
        ],  # not what lies in the folder it is started in
        env=os.environ | {"PYTHONPATH": os.pathsep.join(map(str, paths))},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def _time_s(program: "subprocess.Popen[str]") -> float:
    assert program.stdin is not None
    assert program.stdout is not None
    program.stdin.write("\n")
    program.stdin.flush()
    return float(program.stdout.readline())


def speed_rows(effort: Effort) -> list[Row]:
    """Edges of 100 x 60 px with all figures and sd."""
    regions = frame_edges(max(100 // effort.thinning, 10))
    measure_edges(regions)
    together = best_ms(lambda: measure_edges(regions), repeats=max(10 // effort.thinning, 1)) / len(regions)
    single = best_ms(lambda: measure_edge(regions[0]), repeats=20)
    ratio = beside_before(len(regions), runs=max(20 // effort.thinning, 1))
    return [
        Row(
            what=f"time of `refined`, {len(regions)} regions of 100 x 60 px together, over that with one kind of edges",
            target="at most 1.0",
            found=f"{ratio[0]:.2f} (before {ratio[1]:.2f} ms)" if ratio else f"commit {BEFORE} is not there",
            passed=ratio[0] <= 1.0 if ratio else None,
        ),
        Row(
            what=f"speed of `refined`, {len(regions)} regions of 100 x 60 px together, one core",
            target="at most 0.4 ms an edge",
            found=f"{together:.2f} ms",
            passed=together <= 0.4,
        ),
        Row(
            what="speed of `refined`, one region alone",
            target="at most 10 ms",
            found=f"{single:.1f} ms",
            passed=single <= 10.0,
        ),
    ]
