"""Print how well a print is measured and divided out: simulated prints of known softness, several draws each.

The whole table: some fifty photographs take about four minutes on one core.
"""

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pages
from scipy.special import ndtr

from lensbench import simulate
from lensbench.capture.print_profile import profile_from_distances, profile_from_scan
from lensbench.chart.layout.sheet import sheet
from lensbench.edge import measure_edges
from lensbench.model.errors import EdgeError
from lensbench.model.shot import Box, Samples
from lensbench.shot import MeasureOptions, measure_shot
from lensbench.shot.corrections import print_mtf

DISTANCES_MM = {"2.9 m": None, "4 m": 4000.0, "5.5 m": 5500.0}
TWO = ("2.9 m", "5.5 m")
FROM_TWO = f"photographs from {TWO[0]} and {TWO[1]}"
SIGMAS_MM = (0.02, 0.05, 0.1, 0.2)
FOCUS_UM, NOISE = 6.0, 0.004
SCAN_ANGLES_DEG = (5.0, -7.0, 9.0, 84.0, -82.0, 97.0)
SCANNER_VARIANCE_PX2 = (0.0, 0.6)


def photographed(folder, *, sigma_mm, distance_mm, seed, focus_um):
    """One A2 sheet by an invented 35 mm at f/5.6, focused anew with a scatter."""
    scene = simulate.Scene(
        layout=sheet("A2"),
        lens=simulate.prime("Invented 35", simulate.ZoomPosition(focal_length_mm=35)),
        camera=simulate.Camera(rows=1160, cols=1740, pitch_um=4.0),
        pose=simulate.Pose(distance_mm=distance_mm),
        print_sigma_mm=sigma_mm,
    )
    plan = simulate.Plan(
        focal_lengths_mm=[35.0], f_numbers=[5.6], repeats=1, seed=seed, focus_spread_um=focus_um
    )
    jobs = simulate.series(scene, folder, plan=plan)
    simulate.shoot(jobs, workers=1, truth_channels=("green",))
    return jobs[0].path


def print_esf(distance_mm, *, sigma_mm, width_mm):
    """The edge of a print whose ink spreads evenly over a width and as a Gaussian: closed form."""
    if width_mm == 0.0:
        return ndtr(distance_mm / sigma_mm)

    def integral(at_mm):
        scaled = at_mm / sigma_mm
        return sigma_mm * (scaled * ndtr(scaled) + np.exp(-0.5 * scaled**2) / np.sqrt(2.0 * np.pi))

    return (integral(distance_mm + width_mm / 2) - integral(distance_mm - width_mm / 2)) / width_mm


def scanned(angle_deg, random, *, sigma_mm, width_mm, dpi, scanner_variance_px2, size=(240, 240)):
    """A scanned edge of a print, seen by the scanner's square pixel (drawn 4 x 4 times finer) and its own blur."""
    fine = (np.arange(-1.5, 2.0) / 4.0)[:, None]
    rows, cols = ((np.arange(side) - (side - 1) / 2)[None] + fine for side in size)
    angle = np.radians(angle_deg)
    distance_px = rows.ravel()[:, None] * np.sin(angle) + cols.ravel()[None] * np.cos(angle)  # (down, right)
    pixel_mm = 25.4 / dpi
    spread_mm = np.hypot(sigma_mm, np.sqrt(scanner_variance_px2) * pixel_mm)
    light = 0.1 + 0.6 * print_esf(distance_px * pixel_mm, sigma_mm=spread_mm, width_mm=width_mm)
    values = light.reshape(4, size[0], 4, size[1]).mean(axis=(0, 2)) + random.normal(0.0, NOISE, size)
    return Samples(
        box=Box(top=0, left=0, height=size[0], width=size[1]),
        channel="grey",
        values=values,
        present=np.ones(size, bool),
        clipped=np.zeros(size, bool),
    )


def profile_of_scan(random, *, sigma_mm, width_mm=0.0, dpi=1200):
    """Scan a print by a scanner whose own blur nobody knows, and read the profile."""
    variance = random.uniform(*SCANNER_VARIANCE_PX2)
    regions = [
        scanned(angle, random, sigma_mm=sigma_mm, width_mm=width_mm, dpi=dpi, scanner_variance_px2=variance)
        for angle in SCAN_ANGLES_DEG
    ]
    return profile_from_scan(measure_edges(regions), dpi=dpi, name="scan")


@dataclass
class Freed:
    """What came out of one photograph, the print divided out."""

    share: float
    """Error in percent; NaN where refused."""
    inside: bool
    left: float
    """What the print truly leaves at the true MTF50."""


def freed(path, profile, truth, *, sigma_mm):
    shot = measure_shot(path, MeasureOptions(print_profile=profile))
    figure = shot.summary["frame"]
    scale = 1000.0 * shot.magnification / shot.pixel_pitch_um
    return Freed(
        share=100.0 * (figure.mtf50_cypx / truth - 1.0),
        inside=figure.ci95_cypx[0] <= truth <= figure.ci95_cypx[1],
        left=float(np.exp(-2.0 * (np.pi * sigma_mm * scale * truth) ** 2)),
    )


def told(errors):
    """Say what came out at one distance."""
    left = f"{100 * np.mean([one.left for one in errors]):.0f} % left: "
    kept = [one for one in errors if np.isfinite(one.share)]
    if not kept:
        return left + "refused"
    good = sum(abs(one.share) <= 2.0 or one.inside for one in kept)
    shares = [one.share for one in kept]
    refused = f", {len(errors) - len(kept)} refused" if len(kept) < len(errors) else ""
    return f"{left}{min(shares):+.1f} to {max(shares):+.1f} %, {good} of {len(kept)} good{refused}"


def profile_cell(profiles):
    sigmas = ", ".join(f"{one.edge_sigma_mm:.4f}" for one in profiles)
    return f"{sigmas}; sd {np.median([one.edge_sigma_sd_mm for one in profiles]):.4f}" if profiles else "-"


def shots_of(folder, draw, *, sigma_mm):
    """Photograph one print from every distance; the same draw is focused alike whatever the print."""
    return {
        where: photographed(
            folder / f"{sigma_mm}-{draw}" / str(number),
            sigma_mm=sigma_mm,
            distance_mm=distance,
            seed=100 * number + draw,
            focus_um=FOCUS_UM,
        )
        for number, (where, distance) in enumerate(DISTANCES_MM.items(), start=1)
    }


def rows(folder, draws, sigmas_mm):
    truth = [
        {
            where: measure_shot(path).summary["frame"].mtf50_cypx
            for where, path in shots_of(folder, draw, sigma_mm=0.0).items()
        }
        for draw in range(draws)
    ]
    for sigma_mm in sigmas_mm:
        profiles = {"scan of 1200 dpi": [], FROM_TWO: []}
        errors = {source: {where: [] for where in DISTANCES_MM} for source in profiles}
        unseen = 0
        for draw in range(draws):
            paths = shots_of(folder, draw, sigma_mm=sigma_mm)
            random = np.random.default_rng([draw, int(1000 * sigma_mm)])
            made = {"scan of 1200 dpi": profile_of_scan(random, sigma_mm=sigma_mm)}
            try:
                two = [measure_shot(paths[where]) for where in TWO]
                made[FROM_TWO] = profile_from_distances(two, name="two")
            except EdgeError:
                unseen += 1
            for source, profile in made.items():
                profiles[source].append(profile)
                for where, path in paths.items():
                    errors[source][where].append(freed(path, profile, truth[draw][where], sigma_mm=sigma_mm))
        for source, found in profiles.items():
            cells = [told(errors[source][where]) if found else "-" for where in DISTANCES_MM]
            hidden = f"; {unseen} of {draws} told nothing" if unseen and source == FROM_TWO else ""
            yield (
                f"| {sigma_mm:g} mm | {source} | {profile_cell(found)}{hidden} | " + " | ".join(cells) + " |"
            )


def shape_rows(scans):
    """Scans of prints whose edge is no Gaussian: the kept curve against the true one."""
    for width_mm, sigma_mm, dpi in ((0.1, 0.03, 1200), (0.2, 0.04, 1200), (0.2, 0.04, 600)):
        off, scores = [], []
        for draw in range(scans):
            random = np.random.default_rng([9, draw, int(1000 * width_mm), dpi])
            profile = profile_of_scan(random, sigma_mm=sigma_mm, width_mm=width_mm, dpi=dpi)
            frequency = np.linspace(0.2, 0.5, 7) * 0.3 / np.hypot(width_mm / np.sqrt(12.0), sigma_mm)
            true = np.sinc(width_mm * frequency) * np.exp(-2.0 * (np.pi * sigma_mm * frequency) ** 2)
            mtf, sd = print_mtf(profile, frequency)
            off.append(mtf - true)
            scores.append((mtf - true) / sd)
        lowest = float(true.min())
        yield (
            f"| {width_mm:g} mm even + sigma {sigma_mm:g} mm | {dpi} | {lowest:.2f} to 1 | "
            f"{np.abs(off).max():.3f} | {np.mean(np.abs(scores) < 1.96) * 100:.0f} % |"
        )


INTRODUCTION = """
# The print measured and divided out: how well it works

Simulated A2 prints whose edges are Gaussian with a known sigma,
photographed with 4 um pixels from 2.9, 4 and 5.5 m (35 mm at f/5.6: 84, 114 and 157 focal lengths of a small sensor),
{draws} draws each, focused anew with a scatter of 6 um at the sensor. The profile comes from a scan of 1200 dpi (six
edges; the scanner's own blur has a variance drawn between 0 and 0.6 square pixels, and nobody tells it), or from the
nearest and the furthest photograph alone. Truth is what the same lens, focused alike, gives of an ideal print. «Left»
is what the print truly leaves of the contrast at the true MTF50; below 70 % figures must be refused. «Good» is within
2 %, or with the truth inside the stated 95 % interval.
"""

SHAPES = """
## Prints whose edge is no Gaussian

Ink that spreads evenly over a width, and as a Gaussian besides; {scans} scans each. The profile keeps the measured
curve and not only a sigma; here is its largest error over the band, and how often the truth lies within its stated
95 % interval.

| print | dpi | MTF over the band | largest error of MTF | within the interval |
|-|-|-|-|-|
"""


def page(*, draws, sigmas, scans, seed):
    """The page; the first `sigmas` of the prints."""
    yield from INTRODUCTION.strip().format(draws=draws).splitlines()
    yield ""
    freed_from = [f"{where}, freed" for where in DISTANCES_MM]
    yield from pages.head("true sigma", "profile from", "found; stated sd [mm]", *freed_from)
    with tempfile.TemporaryDirectory() as place:
        yield from pages.shown(rows(Path(place), draws, SIGMAS_MM[:sigmas]))
    yield ""
    yield from SHAPES.strip().format(scans=scans).splitlines()
    yield from shape_rows(scans)


TABLE = pages.Table(
    page=page,
    full={"draws": 4, "sigmas": 4, "scans": 8, "seed": 0},
    tiny={"draws": 1, "sigmas": 1, "scans": 1},
)
