"""How far may the focus be off before it shows?

A perfect lens at f/2.8 (0.55 um, pixels of 4 um) is focused up to 40 um beside the sensor. The exact transfer of a
pupil out of focus (Hopkins 1955) draws each edge, and gives the truth.
"""

import sys
import tempfile
from pathlib import Path

from drawing import ANGLE_DEG, Floats, edge_picture, plot, write_picture

import lensbench
from lensbench import optics

F_NUMBER, PITCH_UM, GREEN_UM = 2.8, 4.0, 0.55
OFF_UM = (0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0)


def main(picture: Path | None = None) -> None:
    """Print MTF50 over the focus error, as measured and in truth."""
    q = optics.diffraction_q(f_number=F_NUMBER, pixel_pitch_um=PITCH_UM, wavelength_um=GREEN_UM)

    def transfer(frequency_cypx: Floats, off_um: float) -> Floats:
        waves = off_um / (8.0 * GREEN_UM * F_NUMBER**2)
        pupil = optics.defocused_diffraction_otf(frequency_cypx * q, waves)
        return pupil * optics.pixel_mtf(frequency_cypx, ANGLE_DEG)

    truth, found = [], []
    with tempfile.TemporaryDirectory() as folder:
        for off_um in OFF_UM:
            photo = Path(folder) / f"off_{off_um:g}.png"
            write_picture(photo, edge_picture(lambda f, o=off_um: transfer(f, o), highest_cypx=1.0 / q))
            options = lensbench.MeasureOptions(encoding="linear")
            edge = lensbench.measure_edge(photo, regions=[(0, 0, 100, 60)], options=options).edges[0]
            truth.append(optics.frequency_at(lambda f, o=off_um: transfer(f, o), 0.5))
            found.append(edge.mtf50_cypx)
            print(
                f"{off_um:3.0f} um off: MTF50 {found[-1]:.4f} cy/px (true {truth[-1]:.4f}), "
                f"{100 * (1 - found[-1] / found[0]):.0f} % softer"
            )
    if picture:
        plot(
            picture,
            axes=("focus beside the sensor, um", "MTF50, cycles per pixel"),
            truth=(OFF_UM, truth),
            found=(OFF_UM, found),
        )


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
