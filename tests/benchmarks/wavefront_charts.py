"""How well a whole chart is measured through lenses given by their wavefronts, zone by zone and stop by stop."""

import json
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import pages  # lets numpy use one thread

# isort: split
import numpy as np

import lensbench
from lensbench import optics, simulate
from lensbench.chart.layout import sheet
from lensbench.edge import crossing_cypx
from lensbench.model.shot import Edge
from lensbench.model.units import FloatArray
from lensbench.shot import zone_of
from lensbench.simulate.lens import PointBlur, cusp

STOPS = {
    "borage": (2.0, 2.8, 4.0, 5.6, 8.0),
    "borage-decentred": (2.0, 2.8, 4.0, 8.0),
    "clover": (2.8, 4.0, 8.0),
}
ZONES = ("inner", "middle", "outer")
DIRECTIONS = ("sagittal", "tangential")
PITCH_UM = 4.0
TILT_DEG = 0.3
STEP_PX = 0.125
"""Of the true line spread's sums."""
FREQUENCIES_CYPX = (np.arange(4915) + 0.5) / 4096.0
"""Of an edge's true spread, exact up to 2000 px from its middle."""
COLUMNS = (
    *("lens", "stop", "third", "lines", "true cy/px", "bias %", "rms %", "sd %", "in"),
    *("whole bias %", "whole rms %", "whole in", "beyond %", "fall", "uneven", "edges"),
)

HEAD = """# A chart through lenses given by their wavefronts

An A1 sheet photographed at {rows} x {columns} px of 4 um through the
[wavefront lenses](../method/wavefront-lens.md) that come with the program, focused at each stop, the camera turned by
some tenths of a degree, shots a stop: {shots}; then `measure`, and every edge's MTF50 against two truths. «true» is
what [the method](../method/method.md#53-the-shapes) says the SFR is: that of the light between the region's own
plateaus, from the noise-free edge as it was drawn, cut at the region's reach, with the diffraction of the pupil's rim
alone counted beyond. «whole» is that of the whole point spread, however far it falls. «bias» is the median error of a
third's edges of one direction, «in» the percentage within 1.96 stated sd, which should be 95, «sd» the mean stated sd,
«beyond» the light that falls further than the region reaches, diffraction aside, in percent of all, «fall» by how much
the true SFR falls per relative step of frequency at MTF50: a Gaussian's by 0.69, and where it is 0.2 an error of 0.001
of the response is one of 0.5 % of MTF50. «uneven» is the percentage that bears `uneven_light`. The row with the
largest bias stands first.

"""


@dataclass(frozen=True, kw_only=True)
class EdgeError:
    """One edge: what came out against what was drawn."""

    zone: str
    direction: str
    true_cypx: float
    error: float
    whole_error: float
    sd: float
    beyond: float
    fall: float
    flags: frozenset[str]


def edges_of(name: str, stop: float, *, columns: int, shots: int, seed: int) -> Iterator[EdgeError]:
    """Every sagittal and tangential edge of so many photographs at one stop."""
    rng = np.random.default_rng(seed)
    lens = simulate.lens_described(name)
    (position,) = lens.positions
    camera = simulate.Camera(rows=columns * 2 // 3, cols=columns, pitch_um=PITCH_UM)
    for number in range(shots):
        pitch, yaw, roll = rng.normal(0.0, TILT_DEG, 3)
        pose = simulate.Pose(pitch_deg=pitch, yaw_deg=yaw, roll_deg=roll)
        scene = simulate.Scene(layout=sheet("A1"), lens=lens, camera=camera, pose=pose)
        plan = simulate.Plan(
            focal_lengths_mm=[position.focal_length_mm], f_numbers=[stop], repeats=1, seed=seed + number
        )
        with tempfile.TemporaryDirectory() as folder:
            jobs = simulate.series(scene, Path(folder), plan=plan)
            (path,) = simulate.shoot(jobs, truth_channels=("green",))
            shot = lensbench.measure(path).shot
            (drawn,) = json.loads((path.parent / "truth.json").read_text(encoding="utf-8"))["photos"]
        truth = {(edge["target"], edge["arm"]): edge for edge in drawn["edges"]}
        centers_mm = {target.name: target.center_mm for target in scene.layout.targets}
        geometry = scene.geometry(position.focal_length_mm)
        for edge in shot.edges:
            if edge.direction in DIRECTIONS:
                own = truth[edge.target, edge.arm]
                blur = geometry.blur(jobs[0].shot, "green", centers_mm[edge.target])
                true_cypx, beyond, fall = _seen_cypx(blur, edge.edge, own["angle_deg"])
                yield EdgeError(
                    zone=zone_of(edge.image_height, shot.size_px),
                    direction=edge.direction,
                    true_cypx=true_cypx,
                    error=edge.edge.mtf50_cypx / true_cypx - 1.0,
                    whole_error=edge.edge.mtf50_cypx / own["mtf50_cypx"] - 1.0,
                    sd=edge.edge.mtf50_sd_cypx / true_cypx,
                    beyond=beyond,
                    fall=fall,
                    flags=frozenset(flag.flag for flag in edge.edge.flags),
                )


def _seen_cypx(blur: PointBlur, edge: Edge, angle_deg: float) -> tuple[float, float, float]:
    """True MTF50 of the light between the plateaus that a region sees; the light beyond; the fall at MTF50.

    The line spread is summed up to the region's reach; beyond go on the tails of the pupil's rim alone, A / x^2, which
    make the transfer fall by 2 pi^2 A f at first (2 q / pi^3 for a round pupil).
    """
    if not np.isfinite(edge.mtf50_cypx) or blur.pupil is None:
        return float("nan"), float("nan"), float("nan")
    turn = np.radians(angle_deg)
    count = round(float(np.abs(edge.esf_position_px).max()) / STEP_PX)
    sides = STEP_PX * np.arange(-count, count + 1)
    waves = np.exp(2j * np.pi * np.outer(sides, FREQUENCIES_CYPX))
    normal = np.array([np.sin(turn), np.cos(turn)])
    optical = blur.along(FREQUENCIES_CYPX, tuple(normal.tolist()))
    passed = optical * optics.pixel_mtf(FREQUENCIES_CYPX, angle_deg)
    light = np.diff((waves @ (passed / FREQUENCIES_CYPX)).imag * FREQUENCIES_CYPX[0] * 2.0 / np.pi)
    first = 1e-3 * blur.pupil.turn @ normal
    tail = -float(cusp(first[:, None], blur.pupil.fall)[0]) * 1e3 / blur.pupil.step_cypx / (2.0 * np.pi**2)
    beyond_px = sides[-1] * np.exp(np.linspace(0.0, 9.0, 4000))
    at = np.linspace(0.2, 2.0, 361) * edge.mtf50_cypx
    middle_px = 0.5 * (sides[1:] + sides[:-1])
    own = np.exp(-2j * np.pi * np.outer(at, middle_px)) @ light / np.sinc(STEP_PX * at)
    far = np.cos(np.pi * np.outer(at, beyond_px[1:] + beyond_px[:-1])) @ (-np.diff(1.0 / beyond_px))
    whole = float(light.sum()) + 2.0 * tail / sides[-1]
    sfr = np.abs(own + 2.0 * tail * far) / whole
    mtf50 = crossing_cypx(at, sfr, 0.5)
    high, low = np.interp([0.97 * mtf50, 1.03 * mtf50], at, sfr)
    return mtf50, 1.0 - whole, float(high - low) / 0.06


def rows_of(name: str, stop: float, edges: list[EdgeError]) -> Iterator[tuple[float, str]]:
    """A row for each third and direction."""
    for zone, direction in product(ZONES, DIRECTIONS):
        own = [edge for edge in edges if (edge.zone, edge.direction) == (zone, direction)]
        if not own:
            continue
        error, whole, sd = (
            np.array([getattr(edge, part) for edge in own]) for part in ("error", "whole_error", "sd")
        )
        uneven = np.mean(["uneven_light" in edge.flags for edge in own])
        bias = float(np.nanmedian(error))
        cells = (
            *(name, f"f/{stop:g}", zone, direction, f"{np.median([edge.true_cypx for edge in own]):.3f}"),
            *(f"{100 * bias:+.2f}", f"{100 * np.sqrt(np.nanmean(error**2)):.2f}"),
            *(f"{100 * np.nanmean(sd):.2f}", _inside(error, sd)),
            *(f"{100 * np.nanmedian(whole):+.2f}", f"{100 * np.sqrt(np.nanmean(whole**2)):.2f}"),
            *(_inside(whole, sd), f"{100 * np.nanmedian([edge.beyond for edge in own]):.2f}"),
            *(f"{np.nanmedian([edge.fall for edge in own]):.2f}", f"{100 * uneven:.0f}", len(own)),
        )
        yield -abs(bias), pages.row(*cells)


def _inside(error: FloatArray, sd: FloatArray) -> str:
    """Percentage within 1.96 stated sd."""
    return f"{100 * np.nanmean(np.abs(error) <= 1.96 * sd):.0f}"


def page(*, lenses: int, stops: int, columns: int, shots: int, seed: int) -> Iterator[str]:
    """The page: the first `lenses`, and of each the last `stops`."""
    yield from HEAD.format(rows=columns * 2 // 3, columns=columns, shots=shots).splitlines()
    rows: list[tuple[float, str]] = []
    together: list[EdgeError] = []
    for name in list(STOPS)[:lenses]:
        for stop in STOPS[name][-stops:]:
            edges = list(edges_of(name, stop, columns=columns, shots=shots, seed=seed))
            together += edges
            rows += pages.shown(rows_of(name, stop, edges))
    yield ""
    yield from pages.head(*COLUMNS)
    yield from pages.worst_first(rows)
    seen = [edge for edge in together if np.isfinite(edge.error)]
    inside, whole = (
        100 * np.mean([abs(getattr(edge, part)) <= 1.96 * edge.sd for edge in seen])
        for part in ("error", "whole_error")
    )
    yield ""
    yield (
        f"All {len(together)} edges together: {inside:.1f} % within 1.96 stated sd ({whole:.1f} % of the whole's), "
        f"{len(together) - len(seen)} without a figure."
    )


TABLE = pages.Table(
    page=page,
    full={"lenses": 3, "stops": 9, "columns": 3000, "shots": 2, "seed": 1},
    tiny={"lenses": 1, "stops": 1, "columns": 700, "shots": 1},
    keeps_notes=True,
)
