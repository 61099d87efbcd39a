"""Does sharpening resolve more?

An edge is sharpened as cameras do: the difference from a blurred copy is added back. MTF50 climbs, and so does the
overshoot, which tells on it; the finest detail that gets through stays where it was.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
from drawing import ANGLE_DEG, Floats, edge_picture, plot, write_picture

import lensbench
from lensbench import optics

AMOUNTS = (0.0, 0.25, 0.5, 1.0)
BLURRED_PX = 1.0


def main(picture: Path | None = None) -> None:
    """Print MTF50 and overshoot by the amount of sharpening, as measured and in truth."""
    q = optics.diffraction_q(f_number=8.0, pixel_pitch_um=4.0, wavelength_um=0.55)

    def transfer(frequency_cypx: Floats, amount: float) -> Floats:
        lens = optics.diffraction_mtf(frequency_cypx, q) * optics.pixel_mtf(frequency_cypx, ANGLE_DEG)
        return lens * (1.0 + amount * (1.0 - optics.gaussian_mtf(frequency_cypx, BLURRED_PX)))

    truth, found = [], []
    with tempfile.TemporaryDirectory() as folder:
        for amount in AMOUNTS:
            photo = Path(folder) / f"sharpened_{amount}.png"
            write_picture(photo, edge_picture(lambda f, a=amount: transfer(f, a), highest_cypx=1.0 / q))
            options = lensbench.MeasureOptions(encoding="linear")
            edge = lensbench.measure_edge(photo, regions=[(0, 0, 100, 60)], options=options).edges[0]
            truth.append(optics.frequency_at(lambda f, a=amount: transfer(f, a), 0.5))
            found.append(edge.mtf50_cypx)
            distance_px = np.linspace(-20.0, 20.0, 801)
            spread = optics.esf_from_mtf(
                distance_px, lambda f, a=amount: transfer(f, a), highest_cypx=1.0 / q
            )
            print(
                f"sharpened by {amount:g}: MTF50 {found[-1]:.4f} cy/px (true {truth[-1]:.4f}), "
                f"overshoot {edge.overshoot_percent:.1f} % (true {100 * max(spread.max() - 1, 0):.1f} %)"
            )
    print(f"nothing finer than {1 / q:.3f} cy/px passes this lens, however it is sharpened")
    if picture:
        plot(
            picture,
            axes=("amount of sharpening", "MTF50, cycles per pixel"),
            truth=(AMOUNTS, truth),
            found=(AMOUNTS, found),
        )


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
