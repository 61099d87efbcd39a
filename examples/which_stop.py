"""Which f-stop of a lens is sharpest, and which can't be told from it?

An invented 35 mm lens is photographed at five stops, twice each, focused anew each time; the photographs are measured
as a user's would be, and the answer is set beside the truth.
"""

import json
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from drawing import plot

import lensbench
from lensbench import simulate
from lensbench.chart.layout import sheet

STOPS = (2.8, 4.0, 5.6, 8.0, 11.0)
SIZE_PX = (460, 690)


def true_frame(edges: list[dict[str, Any]]) -> float:
    """Mean of the three thirds of the picture, each the mean of its edges."""
    from_center_px = np.array([edge["center_px"] for edge in edges]) - (np.array(SIZE_PX) - 1) / 2
    height = np.hypot(*from_center_px.T) / (np.hypot(*SIZE_PX) / 2)
    mtf50 = np.array([edge["mtf50_cypx"] for edge in edges])
    third = np.digitize(height, (0.443, 0.647))  # borders of the thirds of a 3:2 picture
    return float(np.mean([mtf50[third == number].mean() for number in range(3)]))


def main(picture: Path | None = None) -> None:
    """Simulate, measure, and print the answer beside the truth."""
    camera = simulate.Camera(rows=SIZE_PX[0], cols=SIZE_PX[1], pitch_um=6.0, cfa="mono")
    scene = simulate.Scene(layout=sheet("A4"), lens=simulate.INVENTED_LENSES["sorrel"], camera=camera)
    plan = simulate.Plan(focal_lengths_mm=(35.0,), f_numbers=STOPS, focus_spread_um=3.0)
    with tempfile.TemporaryDirectory() as folder:
        simulate.shoot(simulate.series(scene, Path(folder), plan=plan))
        rendered = json.loads((Path(folder) / "truth.json").read_text())["photos"]
        swept = lensbench.sweep(folder, running=lensbench.Running(in_process=True))
    print(*swept.answer, sep="\n")
    truth = []
    print("true MTF50 of the whole frame, by stop:")
    for f_number in STOPS:
        photos = [photo for photo in rendered if photo["settings"]["f_number"] == f_number]
        truth.append(float(np.mean([true_frame(photo["edges"]) for photo in photos])))
        print(f"  f/{f_number:<4g} {truth[-1]:.3f} cy/px")
    if picture:
        measured = swept.to_pandas().groupby("f_number")["frame_mtf50_cypx"].mean()
        plot(
            picture,
            axes=("f-stop", "MTF50, cycles per pixel"),
            truth=(range(len(STOPS)), truth),
            found=(range(len(STOPS)), measured[list(STOPS)]),
            ticks=[f"f/{stop:g}" for stop in STOPS],
        )


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
