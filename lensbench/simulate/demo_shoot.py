"""The demonstration's invented shoot: a zoom with a weak long end, a sharper prime, one spoiled frame."""

from dataclasses import replace
from pathlib import Path
from typing import Final

from lensbench.chart.layout import sheet
from lensbench.simulate.camera import Camera
from lensbench.simulate.lens import Lens
from lensbench.simulate.lenses import INVENTED_LENSES
from lensbench.simulate.plan import Plan, series
from lensbench.simulate.scene import Scene
from lensbench.simulate.shooting import Job
from lensbench.simulate.view import Pose

__all__ = ["DEMO_STOPS", "MISFOCUSED", "PRIME_FOLDER", "ZOOM_FOLDER", "demo_jobs"]

DEMO_STOPS: Final = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
_REPEATS: Final = 2
_FOCUS_SPREAD_UM: Final = 3.0
"""How far the sensor lies from the sharp image after focusing anew: standard deviation."""

ZOOM_FOLDER, PRIME_FOLDER = "fennel-24-70mm", "sorrel-35mm"

MISFOCUSED: Final = "shot_0028.dng"
"""In the zoom's folder: the second frame at 70 mm and f/4."""
_MISFOCUS_UM: Final = 60.0


def demo_jobs(folder: Path, *, rows: int = 1160, seed: int = 7) -> list[Job]:
    """Describe the shoot: every stop twice, each focused anew, each lens in a folder of its own.

    Parameters
    ----------
    folder : Path
        Where the two folders are to be made.
    rows : int
        Height of the pictures; they are half as wide again. [px]
    seed : int
        Of the focus errors and of the noise.
    """
    camera = Camera(model="Box One", rows=rows, cols=rows // 4 * 6, pitch_um=4.0)
    zoom = _series(
        INVENTED_LENSES["fennel"],
        folder / ZOOM_FOLDER,
        camera=camera,
        pose=Pose(pitch_deg=0.05, yaw_deg=-0.08, roll_deg=0.3),
        focal_lengths_mm=(24.0, 35.0, 70.0),
        seed=seed,
    )
    prime = _series(
        INVENTED_LENSES["sorrel"],
        folder / PRIME_FOLDER,
        camera=camera,
        pose=Pose(pitch_deg=-0.04, yaw_deg=0.06, roll_deg=-0.2),
        focal_lengths_mm=(35.0,),
        seed=seed + 1,
    )
    return [_spoiled(job) if job.path.name == MISFOCUSED else job for job in zoom] + prime


def _series(
    lens: Lens, folder: Path, *, camera: Camera, pose: Pose, focal_lengths_mm: tuple[float, ...], seed: int
) -> list[Job]:
    return series(
        Scene(layout=sheet("A3"), lens=lens, camera=camera, pose=pose),
        folder,
        plan=Plan(
            focal_lengths_mm=focal_lengths_mm,
            f_numbers=DEMO_STOPS,
            repeats=_REPEATS,
            focus_spread_um=_FOCUS_SPREAD_UM,
            seed=seed,
        ),
    )


def _spoiled(job: Job) -> Job:
    return replace(job, shot=replace(job.shot, focus_error_um=_MISFOCUS_UM, condition="misfocused"))
