"""How well a print is measured and divided out: simulated prints of known sigma, several draws each.

Run it from the project's root: python tests/benchmarks/print_rows.py
It prints the table that stands in docs/howto-print.md.
"""

import tempfile
from pathlib import Path

import numpy as np

from lensbench import simulate
from lensbench.capture.print_distances import profile_from_distances
from lensbench.chart.layout import sheet
from lensbench.shot import measure_shot

FAR_MM, DRAWS, FOCUS_UM = 4000.0, 4, 6.0


def photographed(folder, *, sigma_mm, distance_mm, seed, focus_um):
    """One A3 sheet by an invented 35 mm at f/5.6, focused anew with a scatter."""
    scene = simulate.Scene(
        layout=sheet("A3"),
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


def main():
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        truth = {
            where: measure_shot(
                photographed(folder / where, sigma_mm=0.0, distance_mm=distance, seed=1, focus_um=0.0)
            ).summary["frame"].mtf50_cypx
            for where, distance in (("near", None), ("far", FAR_MM))
        }  # fmt: skip
        print(
            "| true sigma | found (draws), stated sd | near, freed against truth | far, freed against truth |"
        )
        print("|---|---|---|---|")
        for sigma in (0.05, 0.1, 0.2):
            print(row(folder, sigma, truth))


def row(folder, sigma, truth):
    found, errors = [], {"near": [], "far": []}
    for draw in range(DRAWS):
        here = folder / f"{sigma}-{draw}"
        paths = {
            where: photographed(
                here / where, sigma_mm=sigma, distance_mm=distance, seed=seed + draw, focus_um=FOCUS_UM
            )
            for where, distance, seed in (("near", None, 20), ("far", FAR_MM, 50))
        }
        profile = profile_from_distances([measure_shot(path) for path in paths.values()], name="x")
        found.append((profile.edge_sigma_mm, profile.edge_sigma_sd_mm))
        for where, path in paths.items():
            figure = measure_shot(path, print_profile=profile).summary["frame"]
            share = 100.0 * (figure.mtf50_cypx / truth[where] - 1.0)
            inside = figure.ci95_cypx[0] <= truth[where] <= figure.ci95_cypx[1]
            errors[where].append((share, inside))
    sigmas, sds = np.array(found).T
    told = ", ".join(f"{one:.4f}" for one in sigmas)
    cells = [f"{sigma:g} mm", f"{told}; {np.median(sds):.4f} mm"]
    return "| " + " | ".join([*cells, told_errors(errors["near"]), told_errors(errors["far"])]) + " |"


def told_errors(errors):
    shares = [share for share, _ in errors if np.isfinite(share)]
    if not shares:
        return "refused"
    inside = sum(within for share, within in errors if np.isfinite(share))
    refused = f", {len(errors) - len(shares)} refused" if len(shares) < len(errors) else ""
    return (
        f"{min(shares):+.1f} to {max(shares):+.1f} %, {inside} of {len(shares)} within the interval{refused}"
    )


if __name__ == "__main__":
    main()
