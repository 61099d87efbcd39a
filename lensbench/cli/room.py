"""A room that is used again: what stays the same there, kept in `lensbench.toml`.

It lies beside the photographs, or is named with --room. Each key stands for the option of its name wherever a command
has one; an option on the command line wins.
"""

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from lensbench.cli.output import say
from lensbench.model.errors import SettingError, TextFileError
from lensbench.model.units import PITCH_LIMITS_UM
from lensbench.storage.numbers import read_number
from lensbench.storage.text import clean_text, nearest, read_text

if TYPE_CHECKING:
    import lensbench

FILE: Final = "lensbench.toml"
_TEXTS: Final = ("camera", "paper", "print_profile", "encoding")
_NUMBERS: Final[dict[str, tuple[str, float, float]]] = {
    "pitch_um": ("um", *PITCH_LIMITS_UM),
    "wall": ("", 1.0, 29.0),
    "distance_mm": ("mm", 10.0, 1e6),
}
KEYS: Final = ("camera", "pitch_um", "paper", "wall", "print_profile", "distance_mm", "encoding")
_REPORT_PAPERS: Final = ("A4", "Letter")
_LONGEST_BYTES: Final = 100_000
_APART: Final = 0.05
"""By so much may a distance differ from the room's: a tape is read to a few centimetres. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """What a file says of a room."""

    path: Path
    values: Mapping[str, Any]  # by `KEYS`, those that are filled


def read_room(place: str | Path) -> Room:
    """Read a room's file; a SettingError names the key that is unknown, or cannot be used."""
    path = Path(place)
    try:
        given = tomllib.loads(read_text(path, most_bytes=_LONGEST_BYTES))
    except TextFileError as error:
        raise SettingError(f"{path}: the room cannot be read: {error}") from error
    except tomllib.TOMLDecodeError as error:
        raise SettingError(
            f'{path}: the room cannot be read: {error}; write lines such as camera = "Box One" '
            "or pitch_um = 3.9, with a point"
        ) from error
    return Room(path=path, values={key: _value(path, key, value) for key, value in given.items()})


def _value(path: Path, key: str, value: Any) -> Any:
    if key not in KEYS:
        hint = f"; did you mean {near}?" if (near := nearest(key, KEYS)) else ""
        raise SettingError(f"{path}: there is no key «{key}»{hint} (keys: {', '.join(KEYS)})")
    if key in _NUMBERS and isinstance(value, int | float | str) and not isinstance(value, bool):
        kind, least, most = _NUMBERS[key]
        try:
            number = read_number(str(value), kind, whole=key == "wall")
        except SettingError as error:
            raise SettingError(f"{path}: {key}: {error}") from error
        if not least <= number <= most:
            raise SettingError(f"{path}: {key}: {number:g} does not lie within {least:g} to {most:g}")
        return int(number) if key == "wall" else number
    if key == "encoding" and isinstance(value, str):
        from lensbench.photo import parse_encoding

        parse_encoding(value)
    if key in _TEXTS and isinstance(value, str) and value.strip():
        beside = path.parent / value
        return str(beside) if key == "print_profile" and beside.suffix == ".json" else value.strip()
    raise SettingError(f"{path}: {key} is to be {'a number' if key in _NUMBERS else 'a text in quotes'}")


def room_beside(photographs: Iterable[Path]) -> Room | None:
    """Room whose file lies in the folder of photographs, or beside one; None without, a SettingError for two."""
    folders = dict.fromkeys((place if place.is_dir() else place.parent).resolve() for place in photographs)
    files = [folder / FILE for folder in folders if (folder / FILE).is_file()]
    if len(files) > 1:
        raise SettingError(f"{files[0]} and {files[1]} tell of two rooms: name one of them with --room")
    return read_room(files[0]) if files else None


def with_room(given: dict[str, Any], *, written: Iterable[str]) -> dict[str, Any]:
    """A command's values with the room's in the place of those that nobody wrote on the command line."""
    room: Room | None = given["room"]
    places = [given.get(name) for name in ("folders", "places", "folder", "photo")]
    named = [place for item in places if item for place in (item if isinstance(item, list) else [item])]
    if room is None:
        if (room := room_beside(Path(place) for place in named if "://" not in str(place))) is None:
            return given
        say(f"room: {clean_text(str(room.path))}", err=True)
    known = dict(room.values)
    if "chart" in given:  # a plan: what kind of chart hangs there, and how long the room is with you in it
        from lensbench.capture import BEHIND_CAMERA_MM

        known |= {"chart": "wall"} if "wall" in known else {}
        if "distance_mm" in known:
            known["room_m"] = (known["distance_mm"] + BEHIND_CAMERA_MM) / 1000.0
    if (
        named and (paper := str(known.pop("paper", "")).title()) in _REPORT_PAPERS
    ):  # the chart's may be larger
        known["paper"] = paper
    fresh = {key: value for key, value in known.items() if key in given and key not in set(written)}
    return given | fresh | {"room": room}


def say_unlike_room(done: "lensbench.SweepResult", *, camera: str | None, distance_mm: float | None) -> None:
    """Say of which lens the pictures show another camera, or another distance, than the room's."""
    for lens in done.findings.lenses:
        name = clean_text(lens.lens)
        if camera is not None and lens.camera != camera:
            say(
                f"{name}: the room is {clean_text(camera)}'s, these photographs are {clean_text(lens.camera)}'s: "
                "lp/mm hold if the pixel pitch is that one's",
                err=True,
            )
        ends_mm = [] if lens.basis is None or distance_mm is None else lens.basis.distance_mm
        strays = [end_mm for end_mm in ends_mm if distance_mm and abs(end_mm / distance_mm - 1.0) > _APART]
        if strays and distance_mm:
            say(
                f"{name}: by its pictures the camera stood {strays[0] / 1000.0:.2f} m from the chart, not "
                f"{distance_mm / 1000.0:.2f} m as in the room: was anything moved, or another chart hung?",
                err=True,
            )
