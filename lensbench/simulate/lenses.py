"""Lenses by name or from a file: invented descriptions to start with, and the reading of one's own.

With them goes the demonstration's invented shoot: a zoom with a weak long end, a sharper prime, one spoiled frame.
"""

from dataclasses import fields, replace
from math import isfinite
from pathlib import Path
from typing import Any, Final, TypeVar

from lensbench.chart.layout import sheet
from lensbench.model.errors import SettingError, TextFileError
from lensbench.simulate.camera import Camera
from lensbench.simulate.lens import Lens, ZoomPosition
from lensbench.simulate.plan import Plan, series
from lensbench.simulate.scene import Scene
from lensbench.simulate.shooting import Job
from lensbench.simulate.view import Pose
from lensbench.storage.text import read_json

Described = TypeVar("Described", Lens, ZoomPosition)


_SORREL: Final = Lens(
    name="Sorrel 35 mm f/2.8",
    positions=(
        ZoomPosition(
            focal_length_mm=35.0,
            residual_um=0.7,
            residual_corner_um=0.9,
            open_um=1.3,
            open_corner_along_um=3.0,
            open_corner_across_um=2.2,
            power=1.6,
            red_outward=1.5e-4,
            blue_outward=-1e-4,
            distortion_percent=-0.6,
        ),
    ),
)

_FENNEL: Final = Lens(
    name="Fennel 24-70 mm f/2.8",
    positions=(
        ZoomPosition(
            focal_length_mm=24.0,
            residual_um=0.9,
            residual_corner_um=1.5,
            open_um=1.7,
            open_corner_along_um=4.4,
            open_corner_across_um=3.0,
            power=1.5,
            curvature_um=9.0,
            red_outward=4e-4,
            blue_outward=-3e-4,
            distortion_percent=-2.2,
            vignetting_stops=1.2,
        ),
        ZoomPosition(
            focal_length_mm=35.0,
            residual_um=0.9,
            residual_corner_um=1.4,
            open_um=1.6,
            open_corner_along_um=3.8,
            open_corner_across_um=2.6,
            power=1.5,
            curvature_um=5.0,
            red_outward=2e-4,
            blue_outward=-2e-4,
            distortion_percent=-0.8,
            vignetting_stops=0.9,
        ),
        ZoomPosition(
            focal_length_mm=70.0,
            residual_um=1.5,
            residual_corner_um=2.4,
            open_um=2.8,
            open_corner_along_um=6.5,
            open_corner_across_um=4.6,
            power=1.2,
            curvature_um=12.0,
            red_outward=-3e-4,
            blue_outward=4e-4,
            distortion_percent=1.2,
            vignetting_stops=1.0,
        ),
    ),
)

_TANSY: Final = Lens(
    name="Tansy 50 mm f/2",
    widest_f_number=2.0,
    positions=(
        ZoomPosition(
            focal_length_mm=50.0,
            open_um=1.8,
            open_corner_along_um=3.5,
            open_corner_across_um=2.5,
            power=1.7,
            decentring=(0.0, 0.8),
            distortion_percent=-0.4,
        ),
    ),
)

INVENTED_LENSES: Final = {"sorrel": _SORREL, "fennel": _FENNEL, "tansy": _TANSY}
"""A sharp prime, a zoom with a weak long end, and a decentred prime that is soft on its right."""


_NO_FIGURES: Final = ("name", "maker", "positions")
_PAIRS: Final = ("focal_tilt_um", "decentring")


def lens_described(name_or_file: str) -> Lens:
    """Invented lens by its short name, or the lens that a file describes.

    Raises
    ------
    SettingError
        Neither a known name nor a readable description.
    """
    known = INVENTED_LENSES.get(name_or_file.lower())
    return known if known is not None else lens_from_file(Path(name_or_file))


def lens_from_file(path: Path) -> Lens:
    """Read a lens description: JSON with the fields of `Lens` and, in `positions`, of `ZoomPosition`.

    Raises
    ------
    SettingError
        The file is missing, is not JSON, or names something that a description does not have.
    """
    try:
        described = read_json(path)
    except TextFileError as error:
        names = ", ".join(sorted(INVENTED_LENSES))
        raise SettingError(
            f"{path}: no lens description: {error}; give a JSON file or one of {names}."
        ) from error
    if not isinstance(described, dict) or not isinstance(described.get("positions"), list):
        raise SettingError(f"{path}: a lens description is a JSON object with a list of «positions».")
    positions = tuple(_filled(ZoomPosition, position, path) for position in described["positions"])
    return _filled(Lens, {**described, "positions": positions}, path)


def _filled(kind: type[Described], given: Any, path: Path) -> Described:
    """Make a record from the pairs of a JSON object, pairs of numbers as tuples."""
    if not isinstance(given, dict):
        raise SettingError(f"{path}: «{given}» stands where a {kind.__name__} with named figures belongs.")
    if unknown := sorted(set(given) - {item.name for item in fields(kind)}):
        raise SettingError(f"{path}: {kind.__name__} has no «{unknown[0]}».")
    for name, value in given.items():
        numbers = value if name in _PAIRS and isinstance(value, list) else [value]
        wanted = 2 if name in _PAIRS else 1
        if name not in _NO_FIGURES and not (len(numbers) == wanted and all(map(_is_figure, numbers))):
            kind_of = "a list of two numbers" if name in _PAIRS else "a number"
            raise SettingError(f"{path}: «{name}» is {value!r}; give {kind_of}.")
    values: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value for name, value in given.items()
    }
    try:
        return kind(**values)
    except TypeError as error:
        raise SettingError(f"{path}: the description is incomplete: {error}.") from error


def _is_figure(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)


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
    for number, job in enumerate(zoom):
        if job.path.name == MISFOCUSED:
            shot = replace(job.shot, focus_error_um=_MISFOCUS_UM, condition="misfocused")
            zoom[number] = replace(job, shot=shot)
    return zoom + prime


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
