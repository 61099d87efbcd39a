"""What a sweep costs beside what it cannot do without: decoding the files, and starting Python with its libraries.

Every row is a ratio, or a difference of processor time, of two programs that ran by turns on the same machine. On two
idle processors the whole page takes about ten minutes; `--set files=12 --set small=200 --set shots=100` takes three.
"""

import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import pages

# isort: split
import cv2
import rawpy
from speed_files import frames, large, linked, many_small, write_table
from speed_rows import beside_before
from where_time_goes import stages_ms

WORKERS = 2
PROCESSES = Path("/proc")
BEFORE_BATCHES = "15e49f1"
"""The last commit before edges of one photograph were fitted in shared batches."""
HEAD = """# What a sweep costs

Wall time of `lensbench sweep` with two workers, from the command to the written report, against opening and unpacking
the same files by LibRaw (JPEGs: by OpenCV) in a pool of two processes of the same kind, each the best of two; processor
time of a run that only makes the report anew, beside that of `python -c "import numpy, scipy.special"`, and wall time
of one photograph more beside such a run; what a photograph costs a run that finds the report standing; and so on. Files
of {megapixels} MP with {edges} edges each, {files} of a kind; lossless ones as cameras write them, two components to a
tile. The row furthest above its target stands first.

Workers are forked from one process that loads what measures while the program loads its own; what writes the report
is loaded while they measure. Plots are drawn by one more process, beside tables and PDF: the memory of a report counts
both, its processor time the program's alone.
"""
ONE_FILE = """
Processor time of one photograph in a worker, without its start; the stages of lossless raw, uncompressed raw and JPEG,
the costliest first. [ms]
"""


@dataclass(frozen=True, kw_only=True)
class Cost:
    """One row: what was asked for and what came out, in the same unit."""

    what: str
    unit: str
    target: float
    found: float

    def row(self) -> tuple[float, str]:
        """Its place in the table, and its text."""
        verdict = "reached" if self.found <= self.target else "short"
        text = pages.row(self.what, f"{self.target:g}{self.unit}", f"{self.found:.2f}{self.unit}", verdict)
        return -self.found / self.target, text


def unpacked(path: Path) -> int:
    """Decode a raw file's mosaic, as any program has to."""
    with rawpy.imread(str(path)) as raw:
        return int(raw.raw_image_visible[-1, -1])


def decoded(path: Path) -> int:
    """Decode a finished picture."""
    return int(cv2.imread(str(path), cv2.IMREAD_COLOR)[-1, -1, 0])


def pool_s(work: Callable[[Path], int], paths: list[Path], workers: int = WORKERS) -> float:
    """Seconds that a pool of processes takes for some files, its start included."""
    start = time.perf_counter()
    with ProcessPoolExecutor(workers, mp_context=get_context("forkserver")) as pool:
        list(pool.map(work, paths))
    return time.perf_counter() - start


def run(*words: object) -> tuple[float, float]:
    """Seconds, and seconds of processor time, that a program takes; its output is thrown away."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(
        [str(word) for word in words], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def sweep_s(folder: Path, out: Path, workers: int = WORKERS) -> tuple[float, float]:
    """The same of a sweep; without workers of its own, processor time is all there is."""
    table = folder / "shots.csv"
    return run(*pages.PROGRAM, "sweep", folder, "--out", out, "--shots", table, "--workers", workers)


def made_anew_s(folder: Path, out: Path) -> tuple[float, float]:
    """The same of a run that measures nothing, and makes the report anew: it can't know that the old one stands."""
    (out / "measured" / ".standing.json").unlink(missing_ok=True)
    return sweep_s(folder, out)


def best_sweep_s(
    folder: Path, out: Path, work: Callable[[Path], int], paths: list[Path]
) -> tuple[float, float]:
    """Seconds of a first sweep, and of decoding the same files; each the best of two by turns."""
    first, floor = [], []
    for _ in range(2):
        shutil.rmtree(out, ignore_errors=True)
        floor.append(pool_s(work, paths))
        first.append(sweep_s(folder, out)[0])
    return min(first), min(floor)


def against_decoding(place: Path, kinds: dict[str, list[Path]], count: int) -> Iterator[Cost]:
    """A first run of the first `count` kinds of file, and what comes after it."""
    asked: tuple[tuple[str, Callable[[Path], int], str, float], ...] = (
        ("lossless", unpacked, "raw, lossless", 1.2),
        ("plain", unpacked, "raw, uncompressed", 2.0),
        ("jpeg", decoded, "JPEG", 1.6),
    )
    for kind, work, name, target in asked[:count]:
        out, paths = place / f"out-{kind}", kinds[kind]
        first, floor = best_sweep_s(place / kind, out, work, paths)
        yield Cost(what=f"{name}: sweep against decoding", unit=" times", target=target, found=first / floor)
        if kind == "lossless":
            alone_floor = pool_s(work, paths, workers=1)
            alone, _ = sweep_s(place / kind, place / "out-alone", workers=1)
            gain = (alone / first) / (alone_floor / floor)
            what = "what two decoders gain over one, against what two workers do"
            yield Cost(what=what, unit=" times", target=1.05, found=1.0 / gain)
            yield from _later_runs(place, paths, out, first_s=first, one_s=alone / len(paths))


def _later_runs(place: Path, paths: list[Path], out: Path, *, first_s: float, one_s: float) -> Iterator[Cost]:
    """What a run costs in which nothing is new, of all photographs and of a dozen, and one in which a single one is."""
    few = linked(paths[:12], place / "dozen")
    sweep_s(few, place / "out-dozen")
    new = shutil.copy(paths[-1], place / "new.dng")
    with Path(new).open("ab") as file:
        file.write(b"\0" * 8)  # another photograph, as far as its content goes
    time.sleep(3.0)  # files that were written just now are in doubt
    folder = paths[0].parent
    sweep_s(folder, out)
    sweep_s(few, place / "out-dozen")
    dozen = min(sweep_s(few, place / "out-dozen")[0] for _ in range(3))
    again = min(sweep_s(folder, out)[0] for _ in range(3))
    processor = min(made_anew_s(few, place / "out-dozen")[1] for _ in range(3))
    _, libraries = min(run(sys.executable, "-c", "import numpy, scipy.special") for _ in range(3))
    yield Cost(
        what="12 photographs, the report made anew: processor time beyond Python with numpy",
        unit=" s",
        target=1.5,
        found=processor - libraries,
    )
    each = max(again - dozen, 0.0) / max(len(paths) - 12, 1)
    what = "nothing new, against the first run, beyond the fixed cost"
    yield Cost(what=what, unit=" times", target=0.01, found=each * len(paths) / first_s)
    yield Cost(
        what="one photograph more, against one of the first run",
        unit=" times",
        target=1.0,
        found=_one_more_s(place, paths, Path(new), out) / one_s,
    )


def _one_more_s(place: Path, paths: list[Path], new: Path, out: Path) -> float:
    """Seconds that a run takes longer because one photograph has come since the last one; each the best of two."""
    folder = linked(paths, place / "known")
    time.sleep(3.0)  # links are news of a file, too
    outs = [Path(shutil.copytree(out, place / f"out-more-{number}")) for number in range(2)]
    for own in outs:
        sweep_s(folder, own)
    known = min(made_anew_s(folder, own)[0] for own in outs)
    (folder / new.name).hardlink_to(new)
    write_table([folder / path.name for path in (*paths, new)])
    return min(sweep_s(folder, own)[0] for own in outs) - known


def starting() -> Iterator[Cost]:
    """`--help`, against nothing."""
    nothing = min(run(sys.executable, "-c", "pass")[0] for _ in range(5))
    shown = min(run(*pages.PROGRAM, "--help")[0] for _ in range(5))
    yield Cost(what="`--help` beyond `python -c pass`", unit=" s", target=0.25, found=shown - nothing)


BY_TURNS = """
import contextlib, io, json, sys, time
from pathlib import Path
import cv2, rawpy
from lensbench.cli.main import run
from lensbench.model.shot import Metadata
from lensbench.shot import MeasureOptions
from lensbench.shot.task import Task, measure_one
what, path, runs = sys.argv[1], sys.argv[2], int(sys.argv[3])
told = Metadata(lens="Linden 35", f_number=5.6, focal_length_mm=35.0)
cv2.setNumThreads(1)
def check():
    sys.argv = ["lensbench", "check", path]
    with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()):
        run()
def measure():
    measure_one(Task(path=Path(path), options=MeasureOptions(pitch_um=4.0), overrides=told))
def decode():
    with rawpy.imread(path) as raw:
        raw.raw_image_visible[-1, -1]
def spent_s(action):
    start = time.process_time()
    action()
    return time.process_time() - start
action = {"check": check, "measure": measure}[what]
action()
print(json.dumps([spent_s(action) / spent_s(decode) for _ in range(runs)]))
"""


def by_turns(what: str, path: Path, *, runs: int = 5) -> float:
    """Processor time of a command or a measurement over decoding, imports aside; the median of runs by turns."""
    words = [sys.executable, "-c", BY_TURNS, what, str(path), str(runs)]
    told = subprocess.run(words, check=True, capture_output=True, text=True)
    return statistics.median(json.loads(told.stdout))


def singly(place: Path, path: Path, *, rows: int) -> Iterator[Cost]:
    """One new raw under `check`, one of a large sensor, and edges in batches."""
    yield Cost(
        what="`check` of a lossless raw against decoding, imports aside",
        unit=" times",
        target=1.2,
        found=by_turns("check", path),
    )
    found = by_turns("measure", large(place / "large", rows=rows))
    what = f"compressed raw of {2.5 * rows * rows * 1.5 / 1e6:.0f} MP against decoding, processor time"
    yield Cost(what=what, unit=" times", target=1.15, found=found)
    if told := beside_before(100, runs=6, before=BEFORE_BATCHES):
        what = f"`refined`, 100 regions of 100 x 60 px, against commit {BEFORE_BATCHES}"
        yield Cost(what=what, unit=" times", target=0.5, found=told[0])


def growing(place: Path, *, small: int, rows: int) -> Iterator[Cost]:
    """Whether a shot costs the same among few and among many."""
    paths = many_small(place / "small", files=small, rows=max(rows // 10, 400))
    counts = (10, small // 4, small)
    few, some, many = (
        sweep_s(linked(paths[:count], place / f"small-{count}"), place / f"out-{count}")[0]
        for count in counts
    )
    found = (many - few) / (counts[2] - counts[0]) / ((some - few) / (counts[1] - counts[0]))
    what = f"cost of a shot among {small} against one among {counts[1]} (small frames)"
    yield Cost(what=what, unit=" times", target=1.1, found=found)


PEAK = """
import sys
from pathlib import Path
def peak_kb():
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM"))
from lensbench.shot import measure_shot
from lensbench.photo import open_photo
import cv2, rawpy, scipy.interpolate, scipy.ndimage, scipy.optimize, scipy.spatial
from lensbench.edge import measure_edges
before = peak_kb()
measure_shot(sys.argv[1])
print(peak_kb() - before)
"""


def memory(path: Path, *, frame_bytes: int) -> Iterator[Cost]:
    """Peak of one photograph's measurement above the interpreter with its imports."""
    told = subprocess.run([sys.executable, "-c", PEAK, str(path)], check=True, capture_output=True, text=True)
    found = 1024 * int(told.stdout) / frame_bytes
    yield Cost(what="peak memory, of the unpacked frame", unit=" times", target=1.6, found=found)


REPORTED = """
import sys, time
from pathlib import Path
from many_shots import many_shots
shots = many_shots(int(sys.argv[1]))
start, wall = time.process_time(), time.perf_counter()
from lensbench.report.out.write import write_sweep
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject
counted = reject(shots)
write_sweep(find(counted), counted, Path(sys.argv[2]))
print(time.perf_counter() - wall, time.process_time() - start)
"""


def reported(count: int, out: Path) -> tuple[float, float]:
    """Seconds, and seconds of its own processor time, from measured shots of 140 edges to the written report."""
    with reporting(count, out) as program:
        told, _ = program.communicate()
    wall, processor = map(float, told.split())
    return wall, processor


def report_mb(count: int, out: Path) -> float:
    """Memory that the program and what draws for it hold at once; pages that they share count once. [MB]"""
    most_kb = 0
    with reporting(count, out) as program:
        while program.poll() is None:
            most_kb = max(
                most_kb, sum(share_kb(int(path.name), program.pid) for path in PROCESSES.glob("[0-9]*"))
            )
            time.sleep(0.05)
    return most_kb / 1000.0


def share_kb(process: int, session: int) -> int:
    """Memory of a process that a command started, shared pages in parts; 0 for any other."""
    with suppress(OSError, StopIteration):
        if os.getsid(process) == session:
            lines = (PROCESSES / str(process) / "smaps_rollup").read_text().splitlines()
            return next(int(line.split()[1]) for line in lines if line.startswith("Pss:"))
    return 0


def reporting(count: int, out: Path) -> "subprocess.Popen[str]":
    """The program at work, in a session of its own."""
    words = [sys.executable, "-c", REPORTED, str(count), str(out)]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    return subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment, start_new_session=True)


def opening_s(page: str) -> float:
    """Seconds that a browser takes from its start to the painted page."""
    with tempfile.TemporaryDirectory() as place:
        words = (f"--screenshot={place}/page.png", f"--user-data-dir={place}", "--window-size=1440,900", page)
        return run("chromium", "--headless=new", "--no-sandbox", "--disable-gpu", *words)[0]


def many(place: Path, shots: int) -> Iterator[Cost]:
    """Statistics and report of so many shots; of four times as many the growth, the page's size and its opening."""
    wall, processor = min(reported(shots, place / f"report-{number}") for number in range(2))
    what = f"statistics and report, {shots} shots of 140 edges"
    yield Cost(what=what, unit=" s", target=5.0, found=wall)
    yield Cost(
        what=f"{what}: peak memory", unit=" MB", target=600.0, found=report_mb(shots, place / "report-m")
    )
    _, fourfold = reported(4 * shots, place / "report-4")
    what = f"{4 * shots} shots against four times {shots}: processor time"
    yield Cost(what=what, unit=" times", target=1.1, found=fourfold / (4.0 * processor))
    html = place / "report-4" / "report.html"
    yield Cost(what=f"page of {4 * shots} shots", unit=" MB", target=15.0, found=html.stat().st_size / 1e6)
    if shutil.which("chromium"):
        empty, opened = (min(opening_s(of) for _ in range(2)) for of in ("about:blank", html.as_uri()))
        what = f"page of {4 * shots} shots: opened in a browser, beyond an empty one"
        yield Cost(what=what, unit=" s", target=3.0, found=opened - empty)


def stage_rows(paths: list[Path], *, runs: int) -> Iterator[str]:
    """Table of where the time of one photograph goes, a column a kind of file."""
    columns = stages_ms(paths, runs=runs)
    yield from ONE_FILE.splitlines()
    yield ""
    yield from pages.head("stage", "lossless", "uncompressed", "JPEG")
    for stage in sorted(columns[0], key=lambda stage: -sum(column[stage] for column in columns)):
        yield pages.row(stage, *(f"{column[stage]:.0f}" for column in columns))
    yield pages.row("together", *(f"{sum(column.values()):.0f}" for column in columns))


def page(*, files: int, rows: int, count: int, shots: int, small: int) -> Iterator[str]:
    """The page; `count` is the number of kinds of file, `small` that of small frames."""
    place = Path(tempfile.mkdtemp(prefix="lensbench-"))
    try:
        kinds, edges = frames(place, files=files, rows=rows)
        megapixels = rows * rows * 1.5 / 1e6
        yield from HEAD.format(megapixels=f"{megapixels:.3g}", edges=edges, files=files).splitlines()
        costs = pages.shown(
            cost.row()
            for part in (
                against_decoding(place, kinds, count),
                starting(),
                memory(kinds["lossless"][0], frame_bytes=rows * rows * 3),
                singly(place, kinds["lossless"][0], rows=rows) if count else (),
                many(place, shots) if shots else (),
                growing(place, small=small, rows=rows) if small else (),
            )
            for cost in part
        )
        stages = list(stage_rows([paths[0] for paths in kinds.values()], runs=5 if count else 1))
    finally:
        shutil.rmtree(place)
    yield ""
    yield from pages.head("what", "at most", "found", "")
    yield from pages.worst_first(costs)
    yield from stages


TABLE = pages.Table(
    page=page,
    full={"files": 48, "rows": 4000, "count": 3, "shots": 500, "small": 2000},
    tiny={"files": 1, "rows": 400, "count": 0, "shots": 0, "small": 0},
    keeps_notes=True,
)
