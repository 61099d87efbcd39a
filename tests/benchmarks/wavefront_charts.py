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
from lensbench import simulate
from lensbench.chart.layout import sheet
from lensbench.shot import zone_of

STOPS = {
    "borage": (2.0, 2.8, 4.0, 5.6, 8.0),
    "borage-decentred": (2.0, 2.8, 4.0, 8.0),
    "clover": (2.8, 4.0, 8.0),
}
ZONES = ("inner", "middle", "outer")
DIRECTIONS = ("sagittal", "tangential")
PITCH_UM = 4.0
TILT_DEG = 0.3
COLUMNS = "lens", "stop", "third", "lines", "true cy/px", "bias %", "rms %", "sd %", "in", "uneven", "edges"

HEAD = """# A chart through lenses given by their wavefronts

An A1 sheet photographed at {rows} x {columns} px of 4 um through the
[wavefront lenses](../method/wavefront-lens.md) that come with the program, focused at each stop, the camera turned by
some tenths of a degree, shots a stop: {shots}; then
`measure`, and every edge's MTF50 against what was rendered (light of the whole point spread, however far it falls).
«bias» is the median error of a third's edges of one direction, «in» the percentage within 1.96 stated sd, which should
be 95, «sd» the mean stated sd, «uneven» the percentage that bears `uneven_light`, as light does that falls beyond the
region. The row with the largest bias stands first.

"""


@dataclass(frozen=True, kw_only=True)
class EdgeError:
    """One edge: what came out against what was drawn."""

    zone: str
    direction: str
    true_cypx: float
    error: float
    sd: float
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
            (path,) = simulate.shoot(
                simulate.series(scene, Path(folder), plan=plan), truth_channels=("green",)
            )
            shot = lensbench.measure(path).shot
            (drawn,) = json.loads((path.parent / "truth.json").read_text(encoding="utf-8"))["photos"]
        truth = {(edge["target"], edge["arm"]): edge["mtf50_cypx"] for edge in drawn["edges"]}
        for edge in shot.edges:
            if edge.direction in DIRECTIONS:
                true_cypx = truth[edge.target, edge.arm]
                yield EdgeError(
                    zone=zone_of(edge.image_height, shot.size_px),
                    direction=edge.direction,
                    true_cypx=true_cypx,
                    error=edge.edge.mtf50_cypx / true_cypx - 1.0,
                    sd=edge.edge.mtf50_sd_cypx / true_cypx,
                    flags=frozenset(flag.flag for flag in edge.edge.flags),
                )


def rows_of(name: str, stop: float, edges: list[EdgeError]) -> Iterator[tuple[float, str]]:
    """A row for each third and direction."""
    for zone, direction in product(ZONES, DIRECTIONS):
        own = [edge for edge in edges if (edge.zone, edge.direction) == (zone, direction)]
        if not own:
            continue
        error, sd = (np.array([getattr(edge, part) for edge in own]) for part in ("error", "sd"))
        inside = float(np.nanmean(np.abs(error) <= 1.96 * sd))
        uneven = np.mean(["uneven_light" in edge.flags for edge in own])
        bias = float(np.nanmedian(error))
        cells = (
            *(name, f"f/{stop:g}", zone, direction, f"{np.median([edge.true_cypx for edge in own]):.3f}"),
            *(f"{100 * bias:+.2f}", f"{100 * np.sqrt(np.nanmean(error**2)):.2f}"),
            *(f"{100 * np.nanmean(sd):.2f}", f"{100 * inside:.0f}", f"{100 * uneven:.0f}", len(own)),
        )
        yield -abs(bias), pages.row(*cells)


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
    inside = np.mean([abs(edge.error) <= 1.96 * edge.sd for edge in seen])
    yield ""
    yield (
        f"All {len(together)} edges together: {100 * inside:.1f} % within 1.96 stated sd, "
        f"{len(together) - len(seen)} without a figure."
    )


TABLE = pages.Table(
    page=page,
    full={"lenses": 3, "stops": 9, "columns": 3000, "shots": 2, "seed": 1},
    tiny={"lenses": 1, "stops": 1, "columns": 700, "shots": 1},
    keeps_notes=True,
)
