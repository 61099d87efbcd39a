"""Print how well and how quickly the chart is found: cases drawn jointly at random on 24-MP raw frames.

The whole table: two hundred cases take about ten minutes on one core.
"""

import sys
import time
from dataclasses import dataclass, field

import cv2
import numpy as np
import pages
import skimage.data
from drawn_frames import PAPER, SIZE_PX, draw, turned_camera

from lensbench.chart.find.chart import find_chart
from lensbench.chart.layout.sheet import sheet
from lensbench.model.errors import ChartError
from lensbench.photo.raw import MosaicPixels, _Levels
from lensbench.simulate import ByHand, hung_wall

ELECTRONS, READ_NOISE = 1500.0, 4.0
BLACK, WHITE = 512, 16383
RESPONSES = np.array([[0.5, 1.0], [1.0, 0.6]], dtype=np.float32)
MARKER_SIGMAS = 20.0
WIDEST_BLUR_PX = 6.0


@dataclass(frozen=True)
class RawFrame:
    """A raw frame as `photo` holds it once decoded."""

    pixels: MosaicPixels

    @property
    def size_px(self):
        return self.pixels.size_px

    def cut(self, box):
        return self.pixels.cut(box, "green")

    def overview(self, max_px):
        return self.pixels.overview(max_px)


def raw_frame(light, random, *, noise=None):
    """Put a Bayer filter before the light, add noise, and count: `noise` is an even sd, else of the photons."""
    seen = np.clip(light, 0.0, 1.2)
    seen *= np.tile(RESPONSES, (seen.shape[0] // 2, seen.shape[1] // 2))
    sd = np.sqrt(seen * ELECTRONS + READ_NOISE**2) / ELECTRONS if noise is None else np.float32(noise)
    seen = seen + sd * random.standard_normal(seen.shape, dtype=np.float32)
    codes = np.clip(np.rint(BLACK + seen * (WHITE - BLACK)), 0, WHITE).astype(np.uint16)
    level = _Levels(
        black=np.array([[float(BLACK)]]),
        white=float(WHITE),
        clip=float(WHITE - 1),
        scale=1.0 / (WHITE - BLACK),
    )
    return RawFrame(
        MosaicPixels(
            mosaic=codes,
            channels=("green", "red", "blue"),
            pattern=np.array([[1, 0], [0, 2]]),
            levels=(level, level, level),
            remarks=(),
        )
    )


@dataclass(frozen=True)
class Case:
    """One frame drawn at random."""

    layout: object
    camera: object
    blur_px: float
    light: np.ndarray
    glare_px: tuple[float, float, float]
    said: str


def random_case(random):
    """Draw all conditions at once: chart, contrast, place, tilt, distortion, coverage, blur, light, glare."""
    wall = random.random() < 0.5
    solid = random.random() < 0.5
    if wall:
        pages = int(random.choice([9, 13, 29]))
        layout = hung_wall(
            pages,
            focal_lengths=80.0 if pages == 29 else 50.0,
            by_hand=ByHand(place_mm=20.0, turn_deg=3.0, seed=int(random.integers(1 << 30))),
            dark_reflectance=0.04 if solid else 0.25,
        )
    else:
        layout = sheet(str(random.choice(["A4", "A3", "A1", "Letter", "500x400"])), solid=solid)
    width_mm = layout.frames[0].size_mm[1]
    # Coverage is a share of the frame's area: 0.2 to 1.
    share = random.uniform(0.2, 1.0)
    focal_px = random.uniform(4000, 12000)
    distance_mm = focal_px * width_mm / (SIZE_PX[1] * np.sqrt(share))
    tilt, toward = random.uniform(0, 15), random.uniform(0, 2 * np.pi)
    camera = turned_camera(
        yaw_deg=tilt * np.cos(toward),
        pitch_deg=tilt * np.sin(toward),
        roll_deg=random.uniform(-180, 180),
        focal_px=focal_px,
        distance_mm=distance_mm,
        offset_mm=tuple(random.uniform(-0.15, 0.15, 2) * width_mm),
        corner_shift=random.uniform(-0.06, 0.06),
    )
    side_px = min(marker.side_mm for marker in layout.markers) * focal_px / distance_mm
    blur_px = random.uniform(0.6, max(0.7, min(WIDEST_BLUR_PX, side_px / MARKER_SIGMAS)))
    return Case(
        layout=layout,
        camera=camera,
        blur_px=blur_px,
        light=_falling(random),
        glare_px=(random.uniform(0, SIZE_PX[0]), random.uniform(0, SIZE_PX[1]), random.uniform(150, 500)),
        said=f"{layout.name} {len(layout.targets)} targets, {'solid' if solid else '4:1'}, tilt {tilt:.0f}, "
        f"blur {blur_px:.1f} px, marker {side_px:.0f} px, cover {share:.2f}, bend {camera.corner_shift:+.2f}",
    )


def _falling(random):
    """Light that falls 3:1 from one side to the other."""
    toward = random.uniform(0, 2 * np.pi)
    rows = np.linspace(-1, 1, SIZE_PX[0], dtype=np.float32)[:, None] * np.float32(np.cos(toward))
    cols = np.linspace(-1, 1, SIZE_PX[1], dtype=np.float32)[None] * np.float32(np.sin(toward))
    across = (rows + cols) / np.float32(abs(np.cos(toward)) + abs(np.sin(toward)))
    return np.exp(np.float32(0.5 * np.log(3.0)) * (across - 1.0))


def photographed(case, random):
    """Give the frame of a case."""
    light = draw(case.layout, case.camera, blur_px=case.blur_px)
    light *= case.light
    row, col, radius = case.glare_px
    first = np.clip([int(row - 4 * radius), int(col - 4 * radius)], 0, None)
    last = np.minimum([int(row + 4 * radius), int(col + 4 * radius)], SIZE_PX)
    y = (np.arange(first[0], last[0]) - row) / radius
    x = (np.arange(first[1], last[1]) - col) / radius
    spot = np.outer(np.exp(-0.5 * y**2), np.exp(-0.5 * x**2)).astype(np.float32)
    light[first[0] : last[0], first[1] : last[1]] += 1.5 * spot
    return raw_frame(light, random)


def visible(case):
    """Name the targets that show: half a radius inside the frame, and two and a half sigmas from the glare."""
    row, col, radius = case.glare_px
    names = {}
    for target in case.layout.targets:
        point = case.camera.to_px(target.center_mm)
        room = 0.5 * target.radius_mm * np.sqrt(abs(np.linalg.det(case.camera.jacobian(target.center_mm))))
        inside = (point >= room).all() and (point <= np.array(SIZE_PX) - 1 - room).all()
        if inside and np.hypot(*(point - (row, col))) > 2.5 * radius + room:
            names[target.name] = point
    return names


@dataclass
class Tally:
    """What came out."""

    cases: int = 0
    charts: int = 0
    whole: int = 0
    shown: int = 0
    found: int = 0
    errors: list = field(default_factory=list)
    standardised: list = field(default_factory=list)
    seconds: list = field(default_factory=list)
    yardstick: list = field(default_factory=list)
    missed: list = field(default_factory=list)


def timed(frame):
    """Find the chart three times; give what was found and the least processor time."""
    taken = []
    for _ in range(3):
        start = time.process_time()
        found = find_chart(frame)
        taken.append(time.process_time() - start)
    return found, min(taken)


def yardstick_s():
    """Give the least processor time of a fixed workload: three products of 600 x 600 matrices, three sorts."""
    table = np.random.default_rng(0).random((600, 600))
    taken = []
    for _ in range(3):
        start = time.process_time()
        for _ in range(3):
            table @ table
            np.sort(table, axis=1)
        taken.append(time.process_time() - start)
    return min(taken)


def run_cases(count, seed, tally_of):
    for number in range(count):
        random = np.random.default_rng([seed, number])
        case = random_case(random)
        names = visible(case)
        if len(names) < 6:
            continue
        frame = photographed(case, random)
        tally = tally_of["wall" if case.layout.name.startswith("wall") else "sheet"]
        tally.cases += 1
        try:
            found, seconds = timed(frame)
        except ChartError as error:
            tally.missed.append(f"{number}: {case.said}: {error}")
            print(tally.missed[-1], file=sys.stderr)
            tally.shown += len(names)
            continue
        tally.seconds.append(seconds)
        tally.yardstick.append(yardstick_s())
        seen = {target.target.name: target for target in found.targets}
        got = set(names) & set(seen)
        off = np.array([np.subtract(seen[name].crossing_px, names[name]) for name in got]).reshape(-1, 2)
        tally.charts += 1
        tally.shown += len(names)
        tally.found += len(got)
        wrong = (np.hypot(*off.T) > 1.0).sum()
        tally.whole += set(names) <= set(seen) and not wrong
        tally.errors += off[np.hypot(*off.T) < 1.0].ravel().tolist()
        if wrong or not set(names) <= set(seen):
            missing = sorted(set(names) - set(seen))
            tally.missed.append(f"{number}: {case.said}: missed {missing}, {wrong} wrong")
            print(tally.missed[-1], file=sys.stderr)


def run_snr50(count, seed):
    """Crossings at SNR 50 by (bright - dark) over even noise; blur 0.7 to 3 px."""
    rms, scores = {}, []
    for number in range(count):
        random = np.random.default_rng([seed, 77, number])
        layout = hung_wall(13) if number % 2 else sheet("A3")
        width_mm = layout.frames[0].size_mm[1]
        focal_px = random.uniform(5000, 9000)
        camera = turned_camera(
            yaw_deg=random.uniform(-5, 5),
            pitch_deg=random.uniform(-5, 5),
            roll_deg=random.uniform(-5, 5),
            focal_px=focal_px,
            distance_mm=1.1 * focal_px * width_mm / SIZE_PX[1],
            offset_mm=(0.0, 0.0),
            corner_shift=random.uniform(-0.03, 0.03),
        )
        blur_px = (0.7, 1.0, 1.5, 2.0, 3.0)[number % 5]
        light = draw(layout, camera, blur_px=blur_px)
        frame = raw_frame(light, random, noise=PAPER * (1.0 - layout.dark_reflectance) / 50.0)
        found = find_chart(frame)
        true = {target.name: camera.to_px(target.center_mm) for target in layout.targets}
        off = np.array([t.crossing_px - true[t.target.name] for t in found.targets])
        sd = np.array([t.crossing_sd_px for t in found.targets])
        rms.setdefault(blur_px, []).extend(off.ravel().tolist())
        scores += (off / sd[:, None]).ravel().tolist()
    return {blur: float(np.sqrt(np.mean(np.square(off)))) for blur, off in sorted(rms.items())}, scores


PICTURES = (
    "astronaut", "binary_blobs", "brick", "camera", "cat", "cell", "checkerboard", "chelsea", "clock", "coffee",
    "coins", "colorwheel", "eagle", "grass", "gravel", "horse", "hubble_deep_field", "immunohistochemistry",
    "logo", "microaneurysms", "moon", "motorcycle", "page", "retina", "rocket", "skin", "text",
)  # fmt: skip


@dataclass(frozen=True)
class GreyFrame:
    """A chart-free picture."""

    grey: np.ndarray

    @property
    def size_px(self):
        return self.grey.shape

    def cut(self, _box):
        raise AssertionError("nothing was sighted, so nothing is cut")

    def overview(self, _max_px):
        return Small(self.grey, 1)


@dataclass(frozen=True)
class Small:
    grey: np.ndarray
    factor: int


def run_chart_free(count):
    """Every picture that scikit-image ships with itself, whole, turned and at three sizes."""
    looked, false = 0, []
    for name in PICTURES[:count]:
        try:
            picture = np.asarray(getattr(skimage.data, name)())
        except (OSError, ValueError, ModuleNotFoundError, AttributeError, ConnectionError):
            continue  # not shipped: would be fetched
        picture = picture[..., 0] if name == "binary_blobs" and picture.ndim > 2 else picture
        if picture.dtype == bool:
            picture = picture.astype(np.uint8) * 255
        if picture.ndim == 3:
            picture = cv2.cvtColor(np.ascontiguousarray(picture[..., :3]), cv2.COLOR_RGB2GRAY)
        for scale in (1.0, 2.0, 3.0):
            sized = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
            for quarter in (0, 1):
                looked += 1
                try:
                    find_chart(GreyFrame(np.ascontiguousarray(np.rot90(sized, quarter))))
                    false.append(name)
                except ChartError:
                    continue
                except AssertionError:
                    false.append(name)
    return looked, false


ON_TIME = """
CPU times are the least of three runs of a frame, crossings included, on one core of a machine that was kept busy,
which slows memory and so every step. The yardstick is a fixed workload timed beside each frame: three products of
600 x 600 matrices and three sorts. The slowest are walls of 29 pages with small markers, looked at twice.
"""

INTRODUCTION = """
Frames of 24 MP, raw, Bayer filter,
drawn in closed form by `tests/benchmarks/drawn_frames.py`. Drawn jointly at random: sheet (A4, A3, A1, Letter,
500x400) or wall set (9, 13, 29 pages hung by hand), 4:1 or black, any rotation, tilt 0 to 15 degrees in any
direction, Gaussian blur 0.6 to 6 px as long as a marker is 20 sigma wide, light falling 3:1 across, paper at 0.8
of 1500 electrons, 4 electrons read noise, distortion -6 to +6 %, 20 to 100 % of the frame covered, the chart up
to 15 % of its width off the middle (targets partly outside), one glare spot of sigma 150 to 500 px that
saturates. A target counts as visible when half its radius lies inside the frame and outside the glare.
"""


ROWS = (
    ("cases", "", lambda t: str(t.cases)),
    ("chart found", "99 %", lambda t: f"{100 * t.charts / max(t.cases, 1):.1f} %"),
    (
        "all visible targets found, each within 1 px",
        "99 %",
        lambda t: f"{100 * t.whole / max(t.cases, 1):.1f} %",
    ),
    ("visible targets found", "", lambda t: f"{100 * t.found / max(t.shown, 1):.2f} %"),
    (
        "crossings, rms of a coordinate, these cases",
        "",
        lambda t: f"{np.sqrt(np.mean(np.square(t.errors))):.3f} px",
    ),
    ("CPU time, median", "40 ms", lambda t: f"{1000 * np.median(t.seconds):.0f} ms"),
    ("CPU time, 95 % below", "", lambda t: f"{1000 * np.percentile(t.seconds, 95):.0f} ms"),
    (
        "CPU time over that of the yardstick, median",
        "",
        lambda t: f"{np.median(np.divide(t.seconds, t.yardstick)):.2f}",
    ),
)


def page(*, cases, frames, pictures, seed):
    """The page: `cases` at random, `frames` at SNR 50, the first `pictures` without a chart."""
    cv2.setNumThreads(1)
    tallies = {"sheet": Tally(), "wall": Tally()}
    run_cases(cases, seed, tallies)
    rms, scores = run_snr50(frames, seed)
    looked, false = run_chart_free(pictures)
    both = Tally()
    for tally in tallies.values():
        for name in ("cases", "charts", "whole", "shown", "found"):
            setattr(both, name, getattr(both, name) + getattr(tally, name))
        both.errors += tally.errors
        both.seconds += tally.seconds
        both.yardstick += tally.yardstick
    columns = [tallies["sheet"], tallies["wall"], both]
    yield from ("# Finding the chart: measured", "", *INTRODUCTION.strip().splitlines(), "")
    yield from (f"{cases} cases, seed {seed}; cases that show fewer than six targets are left out.", "")
    yield from pages.head("what", "target", "sheet", "wall set", "both")
    for what, target, figure in ROWS:
        yield pages.row(what, target, *(figure(tally) if tally.cases else "-" for tally in columns))
    yield ""
    yield "Crossings at SNR 50 (even noise, (bright - dark) / 50), rms of a coordinate; target 0.03 px:"
    yield ""
    yield from pages.head("blur sigma", *(f"{blur:g} px" for blur in rms))
    yield pages.row("rms", *(f"{value:.4f} px" for value in rms.values()))
    yield ""
    yield f"Their errors over their stated standard deviations: rms {np.sqrt(np.mean(np.square(scores))):.2f}."
    free = f"{looked} looked at, {len(false)} taken for a chart."
    yield from ("", f"Chart-free pictures of scikit-image, turned and at three sizes: {free}")
    yield from ("", *ON_TIME.strip().splitlines())
    missed = [line for tally in tallies.values() for line in tally.missed]
    if missed:
        yield from ("", "Cases that fell short:", "", *(f"- {line}" for line in missed))


TABLE = pages.Table(
    page=page,
    full={"cases": 200, "frames": 20, "pictures": 99, "seed": 1},
    tiny={"cases": 1, "frames": 5, "pictures": 1},
)
