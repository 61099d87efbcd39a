"""Where the time of one photograph goes: processor time of each stage, that of the stages inside it left out.

    python tests/benchmarks/where_time_goes.py RUNS FILE ...

prints each file's stages with their milliseconds, those of the quickest of the runs, as JSON.
"""

import functools
import importlib
import json
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import cv2

from lensbench.model.shot import Metadata
from lensbench.shot import MeasureOptions
from lensbench.shot import task as tasks
from lensbench.storage.cache import ResultCache

STAGES = {
    "SHA-256 of the file": ("storage.cache:content_hash",),
    "opening and decoding": ("photo.open_photo:open_photo",),
    "finding the chart": ("chart.find.chart:find_chart",),
    "cutting regions": ("photo.open_photo:Photo.cut",),
    "light of neighbouring edges": ("shot.corrections:_free_of_neighbours",),
    "listing samples": ("edge.samples:points_of",),
    "edge lines": ("edge.line:fit_lines", "edge.fit:refine_line", "edge.fit:joint_line_profile"),
    "pooling in bins": ("edge.region:Region.opened", "edge.region:pool_regions"),
    "normal equations, evidence": ("edge.posterior:weigh_shapes",),
    "averages of kinds": ("edge.posterior:average_shapes",),
    "outliers": ("edge.outliers:sound_samples",),
    "coding, errors that hang together": (
        "edge.coding:coded_share",
        "edge.coding:coding_of",
        "edge.clusters:pieces_of",
        "edge.clusters:course_of",
    ),
    "curves, figures": ("edge.curves:curves_of",),
    "doubts, flags": (
        "edge.judge:blocking_remarks",
        "edge.judge:remarks_on",
        "edge.judge:flare_doubt",
        "edge.clusters:common_doubt",
        "shot.quality:flagged_if_too_crisp",
    ),
    "rest of the edges": ("edge.measure:measure_edges",),
    "lateral colour": ("shot.measure:_with_lateral_colour",),
    "thumbnails": ("shot.thumbnails:thumbnails",),
    "tones, veil, zones, quality": ("shot.measure:_result", "shot.corrections:freed_of_print"),
    "keeping the result": ("storage.cache:ResultCache.put",),
    "all else": ("shot.task:measure_one", "shot.measure:measure_shot"),
}


def stages_ms(paths: Sequence[Path], *, runs: int) -> list[dict[str, float]]:
    """Milliseconds of each stage of some photographs, in a process of its own."""
    words = [sys.executable, __file__, str(runs), *map(str, paths)]
    told = subprocess.run(words, check=True, capture_output=True, text=True)
    found: list[dict[str, float]] = json.loads(told.stdout)
    return found


class _Clock:
    """Processor time by stage; a stage that begins inside another stops its clock."""

    def __init__(self) -> None:
        self.spent_s: Counter[str] = Counter()
        self._open: list[str] = []
        self._since = time.thread_time()

    def turn(self) -> None:
        now = time.thread_time()
        if self._open:
            self.spent_s[self._open[-1]] += now - self._since
        self._since = now

    def timed(self, stage: str, function: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(function)
        def run(*given: Any, **named: Any) -> Any:
            self.turn()
            self._open.append(stage)
            try:
                return function(*given, **named)
            finally:
                self.turn()
                self._open.pop()

        return run


def _watch(clock: _Clock) -> None:
    """Put the clock around every function of a stage, wherever it was imported to."""
    for stage, places in STAGES.items():
        for place in places:
            name, _, attribute = place.partition(":")
            module = importlib.import_module(f"lensbench.{name}")
            if "." in attribute:
                owner, attribute = attribute.split(".")
                kind = getattr(module, owner)
                held = vars(kind)[attribute]
                plain = held.__func__ if isinstance(held, classmethod) else held
                timed = clock.timed(stage, plain)
                setattr(kind, attribute, classmethod(timed) if isinstance(held, classmethod) else timed)
                continue
            function = getattr(module, attribute)
            timed = clock.timed(stage, function)
            for loaded in [each for name, each in sys.modules.items() if name.startswith("lensbench.")]:
                for key, value in list(vars(loaded).items()):
                    if value is function:
                        setattr(loaded, key, timed)


def _measured_ms(path: Path, clock: _Clock, *, runs: int) -> dict[str, float]:
    """Measure a file so many times, once more before; the stages of the quickest."""
    found = []
    with tempfile.TemporaryDirectory() as folder:
        cache = ResultCache(folder=Path(folder) / "kept")
        told = Metadata(lens="Linden 35", f_number=5.6, focal_length_mm=35.0)
        task = tasks.Task(path=path, options=MeasureOptions(pitch_um=4.0), overrides=told, cache=cache)
        for _ in range(runs + 1):
            shutil.rmtree(cache.folder, ignore_errors=True)
            clock.spent_s.clear()
            tasks.measure_one(task)
            found.append(dict(clock.spent_s))
    best = min(found[1:], key=lambda spent: sum(spent.values()))
    return {stage: 1e3 * best.get(stage, 0.0) for stage in STAGES}


def main(runs: int, paths: Sequence[Path]) -> None:
    """Print the stages of some photographs."""
    cv2.setNumThreads(1)
    clock = _Clock()
    _watch(clock)
    print(json.dumps([_measured_ms(path, clock, runs=runs) for path in paths]))


if __name__ == "__main__":
    main(int(sys.argv[1]), [Path(word) for word in sys.argv[2:]])
