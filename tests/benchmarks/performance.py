"""What a sweep costs beside what it cannot do without: decoding the files, and starting Python with its libraries.

Every row is a ratio, or a difference of processor time, of two programs that ran by turns on the same machine.
"""

import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import pages

# isort: split
import cv2
import imagecodecs
import numpy as np
import rawpy
from dng_files import write_dng

from lensbench import simulate
from lensbench.chart.layout import sheet

WORKERS = 2
TILE_PX = 496
HEAD = """# What a sweep costs

Wall time of `lensbench sweep` with two workers, from the command to the written report, against opening and unpacking
the same files by LibRaw (JPEGs: by OpenCV) in a pool of two processes of the same kind; processor time of a run in
which nothing is new, beside that of `python -c "import numpy, scipy.special"`; and so on. Files of {megapixels} MP with
{edges} edges each, {files} of a kind. The row furthest above its target stands first.
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


def frames(folder: Path, *, files: int, rows: int) -> tuple[dict[str, list[Path]], int]:
    """The same photograph so many times in three kinds of file, told apart by a band; and its count of edges."""
    camera = simulate.Camera(rows=rows, cols=rows * 3 // 2, pitch_um=4.0 * 4000 / rows)
    lens = simulate.prime("Linden 35", simulate.ZoomPosition(focal_length_mm=35.0))
    scene = simulate.Scene(layout=sheet("A1"), lens=lens, camera=camera, print_sigma_mm=0.03)
    photo = simulate.photograph(scene, simulate.Shot(focal_length_mm=35.0, f_number=5.6), channels=("green",))
    light = simulate.picture(scene, simulate.Shot(focal_length_mm=35.0, f_number=5.6))
    picture = np.rint(255.0 * np.clip(light, 0.0, 1.0) ** (1 / 2.2)).astype(np.uint8)[..., ::-1].copy()
    side = min(TILE_PX, rows // 32 * 16)
    corners = [(top, left) for top in range(0, camera.rows, side) for left in range(0, camera.cols, side)]
    kinds: dict[str, list[Path]] = {"lossless": [], "plain": [], "jpeg": []}
    for kind in kinds:
        (folder / kind).mkdir()

    def tile(codes: np.ndarray, top: int, left: int) -> bytes:
        piece = np.zeros((side, side), np.uint16)
        inside = codes[top : top + side, left : left + side]
        piece[: inside.shape[0], : inside.shape[1]] = inside
        return bytes(imagecodecs.ljpeg_encode(piece, bitspersample=14))

    tiles = [tile(photo.mosaic, *corner) for corner in corners]
    band = slice(rows // 2 // side * side, rows // 2 // side * side + side)
    for number in range(files):
        codes = photo.mosaic.copy()
        # Files that differ in the middle, and in length, as photographs do: else all of them is read to find copies.
        codes[band] += np.random.default_rng(number).integers(0, 2, codes[band].shape, np.uint16)
        picture[0, 0] = 0
        picture[0, : 8 * files].reshape(-1, 8, 3)[number] = 255
        packed = iter(
            [
                tile(codes, *corner) if corner[0] == band.start else own
                for corner, own in zip(corners, tiles, strict=True)
            ]
        )
        paths = {
            kind: folder / kind / f"shot_{number:04d}{'.jpg' if kind == 'jpeg' else '.dng'}" for kind in kinds
        }
        write_dng(paths["lossless"], codes, encoded=packed, compression=7, tile=(side, side))
        write_dng(paths["plain"], codes)
        cv2.imwrite(str(paths["jpeg"]), picture, [cv2.IMWRITE_JPEG_QUALITY, 97])
        for kind, path in paths.items():
            kinds[kind].append(path)
    for kind, paths_of_kind in kinds.items():
        lines = [
            f"{path.name},Linden 35,{(4, 5.6, 8, 11)[k % 4]},35,4" for k, path in enumerate(paths_of_kind)
        ]
        text = "\n".join(["file,lens,f_number,focal_length_mm,pitch_um", *lines]) + "\n"
        (folder / kind / "shots.csv").write_text(text, encoding="utf-8")
    return kinds, len(photo.edges)


def against_decoding(place: Path, kinds: dict[str, list[Path]], count: int) -> Iterator[Cost]:
    """A first run of the first `count` kinds of file, and what comes after it."""
    asked: tuple[tuple[str, Callable[[Path], int], str, float], ...] = (
        ("lossless", unpacked, "raw, lossless", 1.2),
        ("plain", unpacked, "raw, uncompressed", 2.0),
        ("jpeg", decoded, "JPEG", 1.6),
    )
    for kind, work, name, target in asked[:count]:
        floor = min(pool_s(work, kinds[kind]) for _ in range(2))
        out = place / f"out-{kind}"
        first, _ = sweep_s(place / kind, out)
        floor = min(floor, pool_s(work, kinds[kind]))
        yield Cost(what=f"{name}: sweep against decoding", unit=" times", target=target, found=first / floor)
        if kind == "lossless":
            yield from _later_runs(place / kind, out, first_s=first, files=len(kinds[kind]))
            alone_floor = pool_s(work, kinds[kind], workers=1)
            alone, _ = sweep_s(place / kind, place / "out-alone", workers=1)
            gain = (alone / first) / (alone_floor / floor)
            what = "what two decoders gain over one, against what two workers do"
            yield Cost(what=what, unit=" times", target=1.05, found=1.0 / gain)


def _later_runs(folder: Path, out: Path, *, first_s: float, files: int) -> Iterator[Cost]:
    time.sleep(3.0)  # files that were written just now are in doubt
    sweep_s(folder, out)
    again, processor = min(sweep_s(folder, out) for _ in range(3))
    _, libraries = min(run(sys.executable, "-c", "import numpy, scipy.special") for _ in range(3))
    yield Cost(
        what=f"nothing new, {files} photographs: processor time beyond Python with numpy",
        unit=" s",
        target=1.5,
        found=processor - libraries,
    )
    yield Cost(
        what="nothing new, against the first run, fixed cost included",
        unit=" times",
        target=0.1,
        found=again / first_s,
    )


def starting() -> Iterator[Cost]:
    """`--help`, against nothing."""
    nothing = min(run(sys.executable, "-c", "pass")[0] for _ in range(5))
    shown = min(run(*pages.PROGRAM, "--help")[0] for _ in range(5))
    yield Cost(what="`--help` beyond `python -c pass`", unit=" s", target=0.25, found=shown - nothing)


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
import resource, sys, time
from pathlib import Path
from many_shots import many_shots
shots = many_shots(int(sys.argv[1]))
start, wall = time.process_time(), time.perf_counter()
from lensbench.report.out.write import write_sweep
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject
counted = reject(shots)
write_sweep(find(counted), counted, Path(sys.argv[2]))
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(time.perf_counter() - wall, time.process_time() - start, peak / 1000)
"""


def reported(count: int, out: Path) -> tuple[float, float, float]:
    """Seconds, and seconds of processor time, from measured shots of 140 edges to the written report; peak in MB."""
    words = [sys.executable, "-c", REPORTED, str(count), str(out)]
    told = subprocess.run(words, check=True, capture_output=True, text=True)
    wall, processor, peak = map(float, told.stdout.split())
    return wall, processor, peak


def opening_s(page: str) -> float:
    """Seconds that a browser takes from its start to the painted page."""
    with tempfile.TemporaryDirectory() as place:
        words = (f"--screenshot={place}/page.png", f"--user-data-dir={place}", "--window-size=1440,900", page)
        return run("chromium", "--headless=new", "--no-sandbox", "--disable-gpu", *words)[0]


def many(place: Path, shots: int) -> Iterator[Cost]:
    """Statistics and report of so many shots; of four times as many the growth, the page's size and its opening."""
    wall, processor, peak_mb = min(reported(shots, place / f"report-{number}") for number in range(2))
    what = f"statistics and report, {shots} shots of 140 edges"
    yield Cost(what=what, unit=" s", target=5.0, found=wall)
    yield Cost(what=f"{what}: peak memory", unit=" MB", target=600.0, found=peak_mb)
    _, fourfold, _ = reported(4 * shots, place / "report-4")
    what = f"{4 * shots} shots against four times {shots}: processor time"
    yield Cost(what=what, unit=" times", target=1.1, found=fourfold / (4.0 * processor))
    html = place / "report-4" / "report.html"
    yield Cost(what=f"page of {4 * shots} shots", unit=" MB", target=15.0, found=html.stat().st_size / 1e6)
    if shutil.which("chromium"):
        empty, opened = (min(opening_s(of) for _ in range(2)) for of in ("about:blank", html.as_uri()))
        what = f"page of {4 * shots} shots: opened in a browser, beyond an empty one"
        yield Cost(what=what, unit=" s", target=3.0, found=opened - empty)


def page(*, files: int, rows: int, count: int, shots: int) -> Iterator[str]:
    """The page; `count` is the number of kinds of file."""
    place = Path(tempfile.mkdtemp(prefix="lensbench-"))
    try:
        kinds, edges = frames(place, files=files, rows=rows)
        megapixels = rows * rows * 1.5 / 1e6
        yield from HEAD.format(megapixels=f"{megapixels:.3g}", edges=edges, files=files).splitlines()
        costs = [
            *against_decoding(place, kinds, count),
            *starting(),
            *memory(kinds["lossless"][0], frame_bytes=rows * rows * 3),
            *(many(place, shots) if shots else ()),
        ]
    finally:
        shutil.rmtree(place)
    yield ""
    yield from pages.head("what", "at most", "found", "")
    yield from pages.worst_first(pages.shown(cost.row() for cost in costs))


TABLE = pages.Table(
    page=page,
    full={"files": 24, "rows": 4000, "count": 3, "shots": 500},
    tiny={"files": 1, "rows": 400, "count": 0, "shots": 0},
)
