"""Which side of this lens is soft, and by how much?

The invented lens «tansy» is decentred. One photograph of the chart at its widest stop is measured; what was rendered at
each edge is the truth. One photograph can't tell the lens from a leaning wall: the report asks for a turned one.
"""

import sys
import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np
from drawing import plot

import lensbench
from lensbench import simulate
from lensbench.chart.layout import sheet

ROWS, COLS = 600, 900
PARTS = 5


def main(picture: Path | None = None) -> None:
    """Print MTF50 from the left to the right of the picture, as measured and in truth."""
    scene = simulate.Scene(
        layout=sheet("A3"),
        lens=simulate.INVENTED_LENSES["tansy"],
        camera=simulate.Camera(rows=ROWS, cols=COLS, pitch_um=6.0, cfa="mono"),
    )
    shot = simulate.Shot(focal_length_mm=50.0, f_number=2.0)
    with tempfile.TemporaryDirectory() as folder:
        job = simulate.Job(scene=scene, shot=shot, path=Path(folder) / "tansy.dng")
        simulate.shoot([job])
        edges = lensbench.measure(job.path).to_pandas()
    rendered = simulate.photograph(scene, shot).edges
    true_col = np.array([edge.center_px[1] for edge in rendered])
    true_mtf50 = np.array([edge.mtf50_cypx for edge in rendered])
    col = np.array([center[1] for center in edges["center_px"]])
    borders = np.linspace(0.0, COLS, PARTS + 1)
    middles, found, truth = (borders[1:] + borders[:-1]) / 2, [], []
    for left, right in pairwise(borders):
        found.append(float(edges["mtf50_cypx"][(left <= col) & (col < right)].median()))
        truth.append(float(np.median(true_mtf50[(left <= true_col) & (true_col < right)])))
        print(f"columns {left:3.0f} to {right:3.0f}: MTF50 {found[-1]:.4f} cy/px (true {truth[-1]:.4f})")
    softer, truly = (100.0 * (1.0 - each[-1] / each[0]) for each in (found, truth))
    print(f"the right is {softer:.0f} % softer than the left (true {truly:.0f} %)")
    if picture:
        plot(
            picture,
            axes=("column of the picture, px", "MTF50, cycles per pixel"),
            truth=(middles, truth),
            found=(middles, found),
        )


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
