"""A series of shots described: every focal length at every stop, each focused anew a few times or bracketed.

With the shots table beside the photographs: which were bracketed, and which were turned.
"""

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import product
from math import inf, isfinite
from pathlib import Path
from typing import Final, Literal

import numpy as np

from lensbench.simulate.lens import Lens
from lensbench.simulate.scene import Scene, Shot
from lensbench.simulate.shooting import Job, Processing
from lensbench.storage.files import write_whole, writing

Turned = Literal["", "camera", "chart"]
TURNED: Final = {"camera": "camera turned 180", "chart": "chart turned 180"}
"""What the shots table says of a turned shot, by what was turned."""

_FIRST_SHOT: Final = datetime.fromisoformat("2026-03-14T10:00:00")
_BETWEEN_SHOTS: Final = timedelta(seconds=10)
_SUFFIX: Final = {"dng": ".dng", "jpeg": ".jpg", "tiff": ".tif", "tiff-linear": ".tif"}
_RAW: Final = Processing()


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Which shots are taken."""

    focal_lengths_mm: Sequence[float]
    f_numbers: Sequence[float]
    repeats: int = 2
    """Shots a setting."""
    focus_spread_um: float = 0.0
    """Standard deviation of the focus error, on the sensor's side. A bracket has one such error as a whole."""
    focus_tail_dof: float = inf
    """Degrees of freedom of Student's distribution, whose scale the spread then is: with 3, as an autofocus errs, one
    shot in 30 strays by more than three times the scale. Infinite: normal errors."""
    focused: Literal["working", "widest"] = "working"
    """At which stop the lens is focused: the one of the shot, or the widest, from where the focus may shift."""
    focus_steps_um: Sequence[float] = ()
    """A focus bracket instead of shots focused anew: positions of the focus, from where the widest stop is sharpest in
    the middle, positive where the lens is set too near. Every stop is shot at one position before the next."""
    turned: Turned = ""
    """Everything once more, with the camera or the chart turned by 180 degrees."""
    paper_level: float = 0.65
    """Green signal of the paper in the picture's centre, as a share of white; above 1 it is clipped."""
    iso: int = 100
    seed: int = 1
    """Of focus errors and noise."""


def series(scene: Scene, folder: Path, *, plan: Plan, processing: Processing = _RAW) -> list[Job]:
    """Describe the files of a plan: shot_0001 and so on, focal length by focal length, stop by stop.

    Files of a focus bracket are called focus_0001, those of a turned camera or chart bear «turned» before.

    Raises
    ------
    SettingError
        The lens does not reach a focal length or a stop.
    """
    random = np.random.default_rng(plan.seed)
    kind = "focus" if plan.focus_steps_um else "shot"
    ways = [(scene, "", kind)]
    if plan.turned:
        pose = replace(scene.pose, roll_deg=scene.pose.roll_deg + 180.0)
        if plan.turned == "chart":  # on the wall: the camera then stands tilted the other way
            pose = replace(pose, pitch_deg=-pose.pitch_deg, yaw_deg=-pose.yaw_deg)
        ways.append((replace(scene, pose=pose), TURNED[plan.turned], f"turned_{kind}"))
    taken = [(way, shot) for way in ways for shot in _shots(scene.lens, plan, random)]
    return [
        Job(
            scene=seen,
            shot=replace(
                shot,
                paper_level=plan.paper_level,
                iso=plan.iso,
                seed=1000 * plan.seed + number,
                taken_at=(_FIRST_SHOT + number * _BETWEEN_SHOTS).isoformat(),
                condition=condition,
            ),
            path=folder / f"{name}_{number:04d}{_SUFFIX[processing.format]}",
            processing=processing,
        )
        for number, ((seen, condition, name), shot) in enumerate(taken, start=1)
    ]


def _focus_error_um(plan: Plan, random: np.random.Generator) -> float:
    """Error of one choice of the focus."""
    tails = isfinite(plan.focus_tail_dof)
    draw = random.standard_t(plan.focus_tail_dof) if tails else random.standard_normal()
    return plan.focus_spread_um * float(draw)


def _shots(lens: Lens, plan: Plan, random: np.random.Generator) -> Iterator[Shot]:
    for focal_length_mm in plan.focal_lengths_mm:
        shifts_um = {stop: lens.focus_shift_um(focal_length_mm, stop) for stop in plan.f_numbers}
        widest_um = lens.focus_shift_um(focal_length_mm, lens.widest_f_number)
        if plan.focus_steps_um:
            for repeat in range(1, plan.repeats + 1):
                zero_um = _focus_error_um(plan, random) - widest_um
                for step_um, f_number in product(plan.focus_steps_um, plan.f_numbers):
                    yield Shot(
                        focal_length_mm=focal_length_mm,
                        f_number=f_number,
                        focus_error_um=zero_um + step_um,
                        focus_group=f"{focal_length_mm:g} mm, bracket {repeat}",
                        focus_step=step_um,
                    )
            continue
        for f_number in plan.f_numbers:
            focused_um = widest_um if plan.focused == "widest" else shifts_um[f_number]
            for _ in range(plan.repeats):
                error_um = _focus_error_um(plan, random) - focused_um
                yield Shot(focal_length_mm=focal_length_mm, f_number=f_number, focus_error_um=error_um)


SHOTS_TABLE: Final = "shots.csv"  # as `plan` calls it
_COLUMNS: Final = ("file", "focus_group", "focus_step", "condition", "turned")


def write_shots_table(folder: Path, jobs: Sequence[Job]) -> Path | None:
    """Write the table that `sweep --shots` takes; None where no shot is bracketed or turned.

    Raises
    ------
    SettingError
        It cannot be written.
    """
    listed = [job for job in jobs if job.shot.focus_group or job.shot.condition]
    if not listed:
        return None
    path = folder / SHOTS_TABLE
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for job in listed:
        step = "" if job.shot.focus_step is None else f"{job.shot.focus_step:g}"
        turned = next((what for what, words in TURNED.items() if words == job.shot.condition), "")
        writer.writerow((job.path.name, job.shot.focus_group, step, job.shot.condition, turned))
    with writing(path):
        write_whole(path, text.getvalue().encode())
    return path
