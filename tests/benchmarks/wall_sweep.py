"""Print whether a wall set photographed from 40 focal lengths goes through `lensbench sweep` to the right answer.

The whole table: some hundred and fifty photographs take about ten minutes on one core; the twelve
of 24 MP take as long again.
"""

import json
import subprocess
import tempfile
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pages

from lensbench import simulate
from lensbench.shot import zone_of
from lensbench.simulate.lenses import INVENTED_LENSES

DISTANCE, PAGES, REPEATS = 40.0, 13, 2
COARSE = 4.0
"""How much larger than usual the pixels of the quick runs are, and with them the lens's blurs and f-numbers."""
STOPS = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
FOCUS_UM, PRINT_MM = 4.0, 0.04
FULL = "24 MP"
NAMES = ("sorrel", "fennel")


def coarser(lens):
    """Give a lens whose every blur, and f-number, is so many times as large."""

    def grown(position):
        return replace(
            position,
            **{
                item.name: COARSE * getattr(position, item.name)
                for item in fields(position)
                if item.name.endswith("_um") and item.name != "focal_tilt_um"
            },
        )

    return replace(
        lens,
        widest_f_number=COARSE * lens.widest_f_number,
        positions=tuple(grown(position) for position in lens.positions),
    )


def camera_of(size):
    return (
        simulate.Camera(rows=4000, cols=6000, pitch_um=6.0)
        if size == FULL
        else simulate.Camera(rows=1334, cols=2000, pitch_um=18.0)
    )


def shoot(folder, name, *, seed, size, stops):
    """Photograph a wall hung by hand at every zoom position and stop; give a folder a focal length."""
    lens, scale = INVENTED_LENSES[name], 1.0
    if size != FULL:
        lens, scale = coarser(lens), COARSE
    random = np.random.default_rng([seed, len(lens.positions)])
    layout = simulate.hung_wall(
        PAGES, focal_lengths=DISTANCE, by_hand=simulate.ByHand(scale=0.001, seed=seed)
    )
    folders = []
    for position in lens.positions:
        focal_mm = position.focal_length_mm
        scene = simulate.Scene(
            layout=layout,
            lens=lens,
            camera=camera_of(size),
            pose=simulate.Pose(
                yaw_deg=random.normal(0.0, 0.3),
                pitch_deg=random.normal(0.0, 0.3),
                roll_deg=random.normal(0.0, 0.5),
                distance_mm=DISTANCE * focal_mm,
            ),
            print_sigma_mm=PRINT_MM,
        )
        plan = simulate.Plan(
            focal_lengths_mm=[focal_mm],
            f_numbers=[
                scale * stop for stop in STOPS[:stops] if stop >= INVENTED_LENSES[name].widest_f_number
            ],
            repeats=REPEATS,
            focus_spread_um=scale**2 * FOCUS_UM,
            seed=100 * seed + int(focal_mm),
        )
        place = folder / f"{focal_mm:g}"
        simulate.shoot(simulate.series(scene, place, plan=plan), workers=1, truth_channels=("green",))
        folders.append(place)
    return folders


def true_figures(folders, size):
    """Give the rendered MTF50 of the frame by (focal length, stop): the mean of its thirds."""
    camera, found = camera_of(size), {}
    half = np.hypot(camera.rows, camera.cols) / 2
    for folder in folders:
        for photo in json.loads((folder / "truth.json").read_text(encoding="utf-8"))["photos"]:
            zones = {}
            for edge in photo["edges"]:
                height = np.hypot(*(np.array(edge["center_px"]) - camera.center_px)) / half
                zones.setdefault(zone_of(height, (camera.rows, camera.cols)), []).append(edge["mtf50_cypx"])
            what = photo["settings"]
            figure = np.mean([np.mean(values) for values in zones.values()])
            found.setdefault((what["focal_length_mm"], what["f_number"]), []).append(figure)
    return {setting: float(np.mean(figures)) for setting, figures in found.items()}


def nearest(true, focal_mm, f_number):
    return min(true, key=lambda one: abs(np.log(one[0] / focal_mm)) + abs(np.log(one[1] / f_number)))


def judged(folder, name, *, seed, size, stops):
    """Shoot, sweep by the command, and set the findings beside the truth: one row of the table."""
    folders = shoot(folder, name, seed=seed, size=size, stops=stops)
    out = folder / "report"
    command = [*pages.PROGRAM, "sweep", *map(str, folders), "--out", str(out), "--workers", "1"]
    done = subprocess.run(command, check=False, capture_output=True, text=True, timeout=3600)
    if done.returncode:
        raise SystemExit(f"{name}, seed {seed}: sweep ended with {done.returncode}: {done.stderr}")
    (lens,) = json.loads((out / "findings.json").read_text(encoding="utf-8"))["lenses"]
    true = true_figures(folders, size)
    stops_lost, figures, right, tied = [], [], 0, 0
    for at in lens["by_focal_length"]:
        here = {one: figure for one, figure in true.items() if abs(one[0] - at["focal_length_mm"]) < 0.5}
        best = max(here, key=lambda one: here[one])
        chosen = nearest(here, at["focal_length_mm"], at["best_f_number"])
        right += chosen == best
        tied += best in {nearest(here, at["focal_length_mm"], stop) for stop in at["tied_f_numbers"]}
        stops_lost.append(100 * (1 - here[chosen] / here[best]))
        for point in at["curve"]:
            if point["zone"] == "frame":
                truth = here[nearest(here, at["focal_length_mm"], point["f_number"])]
                low, high = point["ci95_cypx"]
                figures.append((100 * (point["mtf50_cypx"] / truth - 1), low <= truth <= high))
    overall = nearest(true, lens["best"]["focal_length_mm"], lens["best"]["f_number"])
    count = len(lens["by_focal_length"])
    off = [share for share, _ in figures]
    return -max(stops_lost), (
        f"| {lens['lens']} | {size} | {seed} | {lens['shots']}, {len(lens['rejected'])} rejected | "
        f"{right} of {count} | {tied} of {count} | {max(stops_lost):.2f} % | "
        f"{100 * (1 - true[overall] / max(true.values())):.2f} % | "
        f"{np.median(np.abs(off)):.2f} %, {np.max(np.abs(off)):.2f} % | "
        f"{100 * np.mean([inside for _, inside in figures]):.0f} % of {len(figures)} |"
    )


INTRODUCTION = """
# A wall set from 40 focal lengths through sweep

Thirteen A4 pages hung by hand (10 mm and 1 degree of scatter, print
scales with an sd of 0.1 %, printed edges of sigma 0.04 mm), photographed from 40 focal lengths by invented lenses on a
sensor of 36 x 24 mm, at every zoom position and stop from f/2.8 to f/16, two shots each, focused anew with a scatter of
4 um, the camera turned by some tenths of a degree; then `lensbench sweep`, and its findings against what was rendered
(`truth.json`). The frames of 2.7 MP have pixels four times as large, and with them all blurs and f-numbers, so that the
answers are the same. «Lost» is what the stop, or the setting, that sweep calls best gives away against the truly best
one; the frame's figures are those of every stop.
"""
COLUMNS = (
    *("lens", "frames", "seed", "shots", "best stop is the true one", "true one among the equals"),
    *("most lost by the stop", "lost by the best setting", "figures of the frame: median error, largest"),
    "truth inside the 95 % interval",
)


def page(*, seeds, lenses, stops, full_size, seed):
    """The page: so many seeds of the first `lenses`, and where `full_size` is 1 a run of 24 MP as well."""
    yield from INTRODUCTION.strip().splitlines()
    yield ""
    yield from pages.head(*COLUMNS)
    runs = [(name, seed + step, "2.7 MP") for name in NAMES[:lenses] for step in range(seeds)]
    runs += [("sorrel", seed + 10, FULL)] if full_size else []

    def rows():
        for name, number, size in runs:
            with tempfile.TemporaryDirectory() as place:
                yield judged(Path(place), name, seed=number, size=size, stops=stops)

    yield from pages.worst_first(pages.shown(rows()))


TABLE = pages.Table(
    page=page,
    full={"seeds": 3, "lenses": 2, "stops": 6, "full_size": 1, "seed": 1},
    tiny={"seeds": 1, "lenses": 1, "stops": 1, "full_size": 0},
)
