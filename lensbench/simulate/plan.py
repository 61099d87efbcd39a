"""A series of shots described: every focal length at every stop, each focused anew a few times."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from lensbench.simulate.scene import Scene, Shot
from lensbench.simulate.shooting import Job, Processing

__all__ = ["Plan", "series"]

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
    """Standard deviation of the focus error, on the sensor's side."""
    paper_level: float = 0.65
    """Green signal of the paper in the picture's centre, as a share of white; above 1 it is clipped."""
    iso: int = 100
    seed: int = 1
    """Of focus errors and noise."""


def series(scene: Scene, folder: Path, *, plan: Plan, processing: Processing = _RAW) -> list[Job]:
    """Describe the files of a plan: shot_0001 and so on, focal length by focal length, stop by stop.

    Raises
    ------
    SettingError
        The lens does not reach a focal length or a stop.
    """
    random = np.random.default_rng(plan.seed)
    settings = [
        (focal_length_mm, f_number)
        for focal_length_mm in plan.focal_lengths_mm
        for f_number in plan.f_numbers
        for _ in range(plan.repeats)
    ]
    for focal_length_mm, f_number in settings:
        scene.lens.at(focal_length_mm)
        scene.lens.stopped_down(f_number)
    return [
        Job(
            scene=scene,
            shot=Shot(
                focal_length_mm=focal_length_mm,
                f_number=f_number,
                focus_error_um=float(plan.focus_spread_um * random.standard_normal()),
                paper_level=plan.paper_level,
                iso=plan.iso,
                seed=1000 * plan.seed + number,
                taken_at=(_FIRST_SHOT + number * _BETWEEN_SHOTS).isoformat(),
            ),
            path=folder / f"shot_{number:04d}{_SUFFIX[processing.format]}",
            processing=processing,
        )
        for number, (focal_length_mm, f_number) in enumerate(settings, start=1)
    ]
