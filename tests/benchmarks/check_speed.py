"""Print how long `check --watch` takes from a file's arrival to its line: 24-megapixel photographs, one after another.

The program runs as its own process, as beside a camera; a photograph is copied into its
folder in pieces, as a transfer does, and the clock starts when the last byte is written.
"""

import os
import platform
import queue
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import pages

from lensbench import simulate
from lensbench.chart.layout.sheet import sheet

KINDS = {
    "raw, sheet A1": ("dng", "sheet"),
    "raw, wall set of 13 pages A4": ("dng", "wall"),
    "JPEG, sheet A1": ("jpeg", "sheet"),
}
PIECES = 8


def photographs(folder, kinds, megapixels):
    """Take one photograph of each kind."""
    lens = simulate.prime("Invented 35", simulate.ZoomPosition(focal_length_mm=35), widest_f_number=2.8)
    side = np.sqrt(megapixels / 24.0)
    camera = simulate.Camera(rows=2 * round(2000 * side), cols=2 * round(3000 * side), pitch_um=6.0 / side)
    layouts = {"sheet": sheet("A1"), "wall": simulate.hung_wall(13, focal_lengths=45.0)}
    taken = {}
    for number, (name, (kind, layout)) in enumerate(kinds.items()):
        scene = simulate.Scene(layout=layouts[layout], lens=lens, camera=camera, print_sigma_mm=0.03)
        path = folder / f"kind{number}{'.dng' if kind == 'dng' else '.jpg'}"
        shot = simulate.Shot(focal_length_mm=35.0, f_number=5.6, seed=number)
        simulate.shoot(
            [simulate.Job(scene=scene, shot=shot, path=path, processing=simulate.Processing(format=kind))],
            truth_channels=("green",),
        )
        taken[name] = path
    return taken


class Watching:
    """The program at work on a folder, and the lines it tells."""

    def __init__(self, folder):
        environment = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
        environment["PYTHONUNBUFFERED"] = "1"
        self.process = subprocess.Popen(
            [*pages.PROGRAM, "check", str(folder), "--watch"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )
        self.lines = queue.Queue()
        self.process.stderr.readline()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self):
        for line in self.process.stdout:
            self.lines.put((time.monotonic(), line))

    def cpu_s(self):
        """Give the processor time of the program so far."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def end(self):
        self.process.send_signal(signal.SIGINT)
        self.process.communicate(timeout=30)


def copied(source, target):
    """Copy in pieces with pauses; give the time at which the last byte was there."""
    content = source.read_bytes()
    size = -(-len(content) // PIECES)
    with target.open("wb") as file:
        for start in range(0, len(content), size):
            file.write(content[start : start + size])
            file.flush()
            time.sleep(0.02)
    return time.monotonic()


def timed(shots, kinds, megapixels):
    """Give seconds to the line, and processor seconds, for each kind of file; the first shot of a session apart."""
    waits, work = {name: [] for name in kinds}, {name: [] for name in kinds}
    with tempfile.TemporaryDirectory() as place:
        sources = photographs(Path(place), kinds, megapixels)
        watched = Path(place) / "watched"
        watched.mkdir()
        program = Watching(watched)
        first = None
        for number in range(shots + 1):
            for name, source in sources.items():
                before = program.cpu_s()
                there = copied(source, watched / f"{source.stem}_{number:03d}{source.suffix}")
                told, line = program.lines.get(timeout=60)
                print(f"{name}: {told - there:.2f} s, {line.strip()}", file=sys.stderr)
                if first is None:
                    first = told - there
                elif number:
                    waits[name].append(told - there)
                    work[name].append(program.cpu_s() - before)
        program.end()
    return first, waits, work


def page(*, shots, kinds, megapixels, seed):
    """The page; the first `kinds` of photographs."""
    asked = dict(list(KINDS.items())[:kinds])
    first, waits, work = timed(shots, asked, megapixels)
    yield from HEAD.format(megapixels=megapixels).splitlines()
    yield (
        f"{shots} photographs of each kind, one processor thread, on a {platform.machine()} machine with "
        f"{os.cpu_count()} processors and a load of {os.getloadavg()[0]:.1f} at the end (other work slows it)."
    )
    yield ""
    yield from pages.head("photograph", "arrival to line, median", "slowest", "processor time, median")
    for name in asked:
        seconds = (np.median(waits[name]), max(waits[name]), np.median(work[name]))
        yield pages.row(name, *(f"{value:.2f} s" for value in seconds))
    yield ""
    yield f"The first photograph of a session took {first:.2f} s."


HEAD = """# How soon `check --watch` tells its line: measured

The program runs by itself and watches a folder; {megapixels}-megapixel photographs are written into it in pieces; the
clock runs from the last byte to the line. The wait of 0.15 s in which a file must stand still is in it.

"""

TABLE = pages.Table(
    page=page,
    full={"shots": 10, "kinds": 3, "megapixels": 24, "seed": 0},
    tiny={"shots": 1, "kinds": 1, "megapixels": 1},
)
