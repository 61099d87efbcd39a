"""Lenses by name or from a file: invented descriptions to start with, and the reading of one's own.

With them goes the demonstration's invented shoot: a zoom with a weak long end, a sharper prime, two spoiled
frames.
"""

from dataclasses import fields, replace
from math import isfinite
from pathlib import Path
from typing import Any, Final, TypeVar

from lensbench.chart.layout import sheet
from lensbench.model.errors import SettingError, TextFileError
from lensbench.simulate.camera import Camera, Pose
from lensbench.simulate.lens import Lens, ZoomPosition
from lensbench.simulate.plan import Plan, series
from lensbench.simulate.scene import Scene
from lensbench.simulate.shooting import Job
from lensbench.simulate.wavefront import FORMAT, wavefront_lens
from lensbench.storage.text import read_json

Described = TypeVar("Described", Lens, ZoomPosition)

_NO_FIGURES: Final = ("name", "maker", "positions")
_PAIRS: Final = ("focal_tilt_um", "decentring")
_INVENTED: Final = {path.stem: path for path in (Path(__file__).parent / "invented").glob("*.json")}


def lens_described(name_or_file: str) -> Lens:
    """Invented lens by its short name, or the lens that a file describes.

    The file is JSON with the fields of `Lens` and, in `positions`, of `ZoomPosition`, or a wavefront lens.

    Raises
    ------
    SettingError
        Neither a known name nor a readable description.
    """
    path = _INVENTED.get(name_or_file.lower(), Path(name_or_file))
    try:
        described = read_json(path)
    except TextFileError as error:
        names = ", ".join(sorted(_INVENTED))
        raise SettingError(
            f"{path}: no lens description: {error}; give a JSON file or one of {names}."
        ) from error
    if isinstance(described, dict) and described.get("format") == FORMAT:
        return wavefront_lens(described, str(path))
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


INVENTED_LENSES: Final = {name: lens_described(name) for name in ("sorrel", "fennel", "tansy")}
"""A sharp prime, a zoom with a weak long end, and a decentred prime that is soft on its right."""

DEMO_STOPS: Final = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
DEMO_SEED: Final = 39
"""Of the focus errors and of the noise."""
_REPEATS: Final = 3

# As an autofocus errs: mostly by a few um at the sensor, now and then by many times that. Common practice, no source.
_FOCUS_SCALE_UM: Final = 6.0
_FOCUS_TAIL_DOF: Final = 3.0
_DECENTRING: Final = (0.03, 0.1)
"""Of the zoom: an element that sits a little off its axis makes its blur a tenth wider towards the lower right."""

ZOOM_FOLDER, PRIME_FOLDER = "fennel-24-70mm", "sorrel-35mm"


_SPOILED: Final[dict[tuple[str, str], dict[str, Any]]] = {
    # The second frame at 70 mm and f/4: the autofocus caught the frame of the door behind.
    (ZOOM_FOLDER, "shot_0041.dng"): {"condition": "misfocused", "focus_error_um": 60.0},
    # The first at f/11: the shutter was open for an eighth of a second, and somebody walked by.
    (PRIME_FOLDER, "shot_0013.dng"): {"condition": "shaken", "motion_um": (11.0, 2.0)},
}
"""Folder and name of a frame that went wrong -> what of its shot is otherwise."""


def demo_jobs(folder: Path, *, rows: int = 1160, seed: int = DEMO_SEED) -> list[Job]:
    """Describe the shoot: every stop three times, each focused anew, each lens in a folder of its own.

    Pictures are `rows` px high and half as wide again.
    """
    camera = Camera(model="Box One", rows=rows, cols=rows // 4 * 6, pitch_um=4.0)
    fennel = INVENTED_LENSES["fennel"]
    zoom = replace(
        fennel, positions=tuple(replace(place, decentring=_DECENTRING) for place in fennel.positions)
    )
    shoots = (
        (zoom, ZOOM_FOLDER, Pose(pitch_deg=0.05, yaw_deg=-0.08, roll_deg=0.3), (24.0, 35.0, 70.0)),
        (
            INVENTED_LENSES["sorrel"],
            PRIME_FOLDER,
            Pose(pitch_deg=-0.04, yaw_deg=0.06, roll_deg=-0.2),
            (35.0,),
        ),
    )
    jobs: list[Job] = []
    for number, (lens, lens_folder, pose, focal_lengths_mm) in enumerate(shoots):
        plan = Plan(
            focal_lengths_mm=focal_lengths_mm,
            f_numbers=DEMO_STOPS,
            repeats=_REPEATS,
            focus_spread_um=_FOCUS_SCALE_UM,
            focus_tail_dof=_FOCUS_TAIL_DOF,
            seed=seed + number,
        )
        scene = Scene(layout=sheet("A3"), lens=lens, camera=camera, pose=pose)
        jobs += series(scene, folder / lens_folder, plan=plan)
    spoiled = (_SPOILED.get((job.path.parent.name, job.path.name), {}) for job in jobs)
    return [
        replace(job, shot=replace(job.shot, **otherwise))
        for job, otherwise in zip(jobs, spoiled, strict=True)
    ]
