"""How true is the MTF50 of one edge, and how true its stated uncertainty?

A perfect lens at f/8 (wavelength 0.55 um, pixels of 4 um) draws an edge at 5 degrees. Its MTF50 is known in closed
form. The edge is sampled with photon noise twenty times and measured by both methods.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
from drawing import ANGLE_DEG, Floats, edge_picture, plot, write_picture

import lensbench
from lensbench import optics

SNR, SHOTS, HEIGHT_PX, WIDTH_PX = 50.0, 20, 100, 60


def main(picture: Path | None = None) -> None:
    """Print the truth beside what is measured."""
    q = optics.diffraction_q(f_number=8.0, pixel_pitch_um=4.0, wavelength_um=0.55)

    def transfer(frequency_cypx: Floats) -> Floats:
        return optics.diffraction_mtf(frequency_cypx, q) * optics.pixel_mtf(frequency_cypx, ANGLE_DEG)

    truth_cypx = optics.frequency_at(transfer, 0.5)
    clean = edge_picture(transfer, highest_cypx=1.0 / q, rows=HEIGHT_PX, cols=WIDTH_PX)
    # All shots stand in one picture, side by side.
    noise = np.random.default_rng(1).normal(size=(HEIGHT_PX, WIDTH_PX * SHOTS)) * 0.6 / SNR
    regions = [(0, WIDTH_PX * number, HEIGHT_PX, WIDTH_PX) for number in range(SHOTS)]
    print(f"true MTF50: {truth_cypx:.4f} cy/px")
    with tempfile.TemporaryDirectory() as folder:
        photo = Path(folder) / "edges.png"
        write_picture(photo, np.tile(clean, SHOTS) + noise)
        for method in ("refined", "iso"):
            options = lensbench.MeasureOptions(method=method, encoding="linear")
            edges = lensbench.measure_edge(photo, regions=regions, options=options).edges
            found = np.array([edge.mtf50_cypx for edge in edges])
            stated = np.array([edge.mtf50_sd_cypx for edge in edges])
            bias = 100.0 * (found.mean() / truth_cypx - 1.0)
            scatter = found.std(ddof=1)
            print(
                f"{method:8}: {found.mean():.4f} ({bias:+.1f} %), scatter {scatter:.4f}, stated {stated.mean():.4f}"
            )
            if picture and method == "refined":
                shots = range(1, SHOTS + 1)
                plot(
                    picture,
                    axes=("shot", "MTF50, cycles per pixel"),
                    truth=((0.5, SHOTS + 0.5), (truth_cypx, truth_cypx)),
                    found=(shots, found),
                    sd=stated,
                )


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
