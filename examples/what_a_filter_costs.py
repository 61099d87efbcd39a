"""What does a little extra blur cost, such as a filter's or an unsteady tripod's?

The same edge is drawn through a lens with and without an extra Gaussian blur of a tenth to a half pixel, and measured.
MTF50 falls as the squares of the blurs add up: a small blur costs next to nothing, a large one shows.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
from drawing import ANGLE_DEG, Floats, edge_picture, plot, write_picture

import lensbench
from lensbench import optics

EXTRA_PX = (0.0, 0.1, 0.2, 0.3, 0.5)


def main(picture: Path | None = None) -> None:
    """Print the loss of MTF50 as measured, in truth, and by the rule of squares."""
    q = optics.diffraction_q(f_number=5.6, pixel_pitch_um=4.0, wavelength_um=0.55)

    def transfer(frequency_cypx: Floats, extra_px: float) -> Floats:
        lens = optics.diffraction_mtf(frequency_cypx, q) * optics.pixel_mtf(frequency_cypx, ANGLE_DEG)
        return lens * optics.gaussian_mtf(frequency_cypx, float(np.hypot(0.4, extra_px)))

    truth, found = [], []
    with tempfile.TemporaryDirectory() as folder:
        for extra_px in EXTRA_PX:
            photo = Path(folder) / f"blur_{extra_px}.png"
            write_picture(photo, edge_picture(lambda f, e=extra_px: transfer(f, e), highest_cypx=1.0 / q))
            options = lensbench.MeasureOptions(encoding="linear")
            edge = lensbench.measure_edge(photo, regions=[(0, 0, 100, 60)], options=options).edges[0]
            truth.append(optics.frequency_at(lambda f, e=extra_px: transfer(f, e), 0.5))
            found.append(edge.mtf50_cypx)
    print(f"without: MTF50 {found[0]:.4f} cy/px (true {truth[0]:.4f})")
    losses, true_losses = (100.0 * (np.array(each) / each[0] - 1.0) for each in (found, truth))
    for extra_px, loss, true_loss in zip(EXTRA_PX[1:], losses[1:], true_losses[1:], strict=True):
        squares = 1.0 / np.sqrt(1.0 + (extra_px / optics.gaussian_sigma_px(truth[0])) ** 2)
        print(
            f"with a blur of {extra_px} px: {loss:+.1f} % (true {true_loss:+.1f} %, "
            f"rule of squares {100 * (squares - 1):+.1f} %)"
        )
    if picture:
        plot(
            picture,
            axes=("extra blur, px", "MTF50 lost, %"),
            truth=(EXTRA_PX, true_losses),
            found=(EXTRA_PX, losses),
        )


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
