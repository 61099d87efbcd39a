"""Which f-stop of a lens is sharpest, and which can't be told from it?

An invented 35 mm lens is photographed at six stops, twice each, focused anew each time; the photographs are measured
as a user's would be, and the answer is set beside the truth.
"""

import tempfile
from pathlib import Path

import numpy as np

import lensbench
from lensbench import simulate
from lensbench.chart.layout.sheet import sheet


def main() -> None:
    """Simulate, measure, and print the answer beside the truth."""
    camera = simulate.Camera(rows=760, cols=1140, pitch_um=6.0)
    scene = simulate.Scene(layout=sheet("A3"), lens=simulate.INVENTED_LENSES["sorrel"], camera=camera)
    plan = simulate.Plan(
        focal_lengths_mm=(35.0,), f_numbers=(2.8, 4.0, 5.6, 8.0, 11.0, 16.0), focus_spread_um=3.0
    )
    with tempfile.TemporaryDirectory() as folder:
        jobs = simulate.series(scene, Path(folder), plan=plan)
        simulate.shoot(jobs, workers=2)
        swept = lensbench.sweep(folder, running=lensbench.Running(workers=2))
    print(*swept.answer, sep="\n")
    truth = {}
    for job in jobs:
        edges = simulate.photograph(scene, job.shot, channels=("green",)).edges
        truth.setdefault(job.shot.f_number, []).append(np.mean([edge.mtf50_cypx for edge in edges]))
    print("true mean MTF50 of all edges, by stop:")
    for f_number, figures in truth.items():
        print(f"  f/{f_number:<4g} {np.mean(figures):.3f} cy/px")


if __name__ == "__main__":
    main()
