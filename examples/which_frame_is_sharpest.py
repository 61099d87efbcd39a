"""Which frame of a burst is the sharpest?

Four frames of the same scene, by hand: what moved them is known, and they are handed over in another order.
"""

import sys
import tempfile
from pathlib import Path

from drawing import plot

import lensbench
from lensbench import simulate
from lensbench.chart.layout import sheet

SHAKE_UM = {"burst_1.tif": 7.0, "burst_2.tif": 0.0, "burst_3.tif": 10.0, "burst_4.tif": 4.0}


def main(picture: Path | None = None) -> None:
    """Print the order that was found beside the true one."""
    scene = simulate.Scene(
        layout=sheet("A4"),
        lens=simulate.INVENTED_LENSES["sorrel"],
        camera=simulate.Camera(rows=400, cols=600, pitch_um=4.0, cfa="mono"),
    )
    with tempfile.TemporaryDirectory() as folder:
        jobs = [
            simulate.Job(
                scene=scene,
                shot=simulate.Shot(
                    focal_length_mm=35.0,
                    f_number=5.6,
                    seed=number,
                    motion_um=(0.6 * shake_um, 0.8 * shake_um),
                ),
                path=Path(folder) / name,
                processing=simulate.Processing(format="tiff"),
            )
            for number, (name, shake_um) in enumerate(SHAKE_UM.items())
        ]
        simulate.shoot(jobs)
        order = lensbench.rank([job.path for job in jobs]).to_pandas()
    names = [Path(photo).name for photo in order["photo"]]
    true_names = sorted(SHAKE_UM, key=lambda name: SHAKE_UM[name])
    print(f"found: {', '.join(names)}")
    print(f"truth: {', '.join(true_names)}")
    if picture:
        found_at = [names.index(name) + 1 for name in true_names]
        plot(
            picture,
            axes=("movement while the shutter was open, um", "rank, 1 the sharpest"),
            truth=([SHAKE_UM[name] for name in true_names], range(1, 5)),
            found=([SHAKE_UM[name] for name in true_names], found_at),
        )


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
