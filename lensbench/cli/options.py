"""What the commands share: their options, each declared once, and how a record of them becomes a command.

A command takes one record; `command` spreads its fields out as options. Numbers are read as people write them, and
refused, with the form to write, where they are none or beyond their limits.
"""

import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, fields, is_dataclass
from functools import wraps
from inspect import Parameter, get_annotations, signature
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

import typer

from lensbench.cli.room import Room, read_room, with_room
from lensbench.model.errors import SettingError
from lensbench.model.units import PITCH_LIMITS_UM
from lensbench.storage.numbers import read_number, read_numbers, read_range

if TYPE_CHECKING:
    import lensbench

_SIDES: Final = re.compile("[x×*]")
REJECTED: Final = 3  # exit status of --strict where a photograph was rejected


def argument(metavar: str, about: str) -> Any:
    """Give what stands without a name."""
    return typer.Argument(metavar=metavar, help=about, readable=False)  # what reads it says more


def option(about: str, *names: str, **further: Any) -> Any:
    """Give an option, by default of its field's name; one that is there or not needs a name lest it get a `--no-`."""
    return typer.Option(*names, help=about, show_default="[default" not in about, **further)


def number(
    about: str,
    least: float = -inf,
    most: float = inf,
    *,
    kind: str = "",
    whole: bool = False,
    endless: bool = False,
    **further: Any,
) -> Any:
    """Give an option that is a number of some kind within limits, as `read_number` reads it."""

    def read(given: str | float) -> float:
        try:
            value = read_number(str(given), kind, whole=whole, endless=endless)
        except SettingError as error:
            raise typer.BadParameter(str(error)) from error
        if not least <= value <= most:
            limits = f"{least:.10g} to {most:.10g}" if most < inf else f"{least:.10g} or more"
            raise typer.BadParameter(f"«{given}» does not lie within the limits: write {limits}")
        return int(value) if whole else value

    return option(about, parser=read, **{"metavar": "NUMBER"} | further)


def text(about: str, **further: Any) -> Any:
    """Give an option that is a text."""
    return option(about, metavar="TEXT", **further)


def path(about: str, **further: Any) -> Any:
    """Give an option that is a file or a folder."""
    return option(about, **{"metavar": "PATH"} | further)


def _room(given: str) -> Room:
    try:
        return read_room(given)
    except SettingError as error:
        hint = ""
        with suppress(SettingError):
            hint = f"; a room's length is --room-m {read_number(given, 'm'):g}"
        raise typer.BadParameter(f"{error}{hint}") from error


def _known_encoding(name: str) -> str:
    """Refuse an unknown tone curve before any photograph is blamed for it."""
    from lensbench.photo import parse_encoding

    parse_encoding(name)
    return name


SENSORS_MM: Final = {
    "fullframe": (36.0, 24.0),
    "apsc": (23.5, 15.7),
    "fourthirds": (17.3, 13.0),
    "1inch": (13.2, 8.8),
}
"""Width and height by the trade's names. Common practice, no source: makers differ by a few tenths of a millimetre."""
SENSOR_NAMES: Final = "full-frame, aps-c, four-thirds or 1-inch"
AsJson = Annotated[bool, option("Print one JSON document.", "--json")]
AtLpmm = Annotated[str | None, text("Line pairs per mm on the sensor to read the contrast at: 10,20,40.")]
Encoding = Annotated[str, text("Tone curve: auto, linear, srgb, or gamma:2.2.", callback=_known_encoding)]
FNumber = Annotated[
    float | None, number("The lens's f-number.  [default: from the metadata]", 0.5, 128.0, kind="f-number")
]
Method = Annotated[Literal["refined", "iso"], option("Our own method, or the standard's steps.")]
Out = Annotated[Path | None, path("Folder for the report.  [default: FOLDER-lensbench beside it]")]
Paper = Annotated[
    Literal["A4", "Letter"],
    option("Paper of the PDFs.", "--paper", case_sensitive=False, metavar="A4|Letter"),
]
Physical = Annotated[
    bool, option("Tell what the blur is made of: diffraction, focus, and the rest.", "--physical")
]
PictureSize = Annotated[str, text("Sides of the pictures in px, in either order.")]
PitchUm = Annotated[
    float | None, number("Pixel pitch in um.  [default: from the metadata]", *PITCH_LIMITS_UM, kind="um")
]
PrintProfile = Annotated[str | None, text("Kept profile of the print (or its file): divided out.")]
RoomFile = Annotated[
    Room | None,
    option(
        "What stays the same in a room.  [default: lensbench.toml beside the photographs]",
        parser=_room,
        metavar="FILE",
    ),
]
CameraName = Annotated[str | None, text("Name of the camera, where the photographs do not tell it.")]
SensorPitchUm = Annotated[
    float, number("Pixel pitch, in um: sensor width in mm x 1000 / pixels.", *PITCH_LIMITS_UM, kind="um")
]
ShotsTable = Annotated[Path | None, path("Table (CSV) of what the metadata lacks: file,lens,f_number,...")]
Strict = Annotated[bool, option("End with status 3 when a photograph was rejected.", "--strict")]
TimeLimit = Annotated[float, number("Seconds that a photograph may take.", 0.1, 1e5, kind="s")]
Workers = Annotated[int | None, number("Processes.  [default: one a processor]", 1, 256, whole=True)]


@dataclass(frozen=True, kw_only=True)
class Viewed:
    """How a print of the whole picture is looked at."""

    print_height_mm: Annotated[
        float | None,
        number(
            "Height of a print (or screen) of the whole picture: tells how sharp it looks.",
            1.0,
            1e5,
            kind="mm",
        ),
    ] = None
    viewing_distance_mm: Annotated[
        float | None, number("With --print-height-mm: distance of the eye.", 10.0, 1e6, kind="mm")
    ] = None


def measure_options(given: object, **further: Any) -> "lensbench.MeasureOptions":
    """Give the options of measuring that a command's record holds, under the same names."""
    import lensbench

    known = {item.name for item in fields(lensbench.MeasureOptions)}
    chosen = {item: getattr(given, item) for item in known if hasattr(given, item)} | further
    if chosen.get("print_profile") is not None:
        from lensbench.capture import kept_profile

        chosen["print_profile"] = kept_profile(chosen["print_profile"])
    return lensbench.MeasureOptions(**chosen)


def command(function: Callable[..., None]) -> Callable[..., None]:
    """Give a command whose options are the fields of the function's record, or its own parameters."""
    first = next(iter(signature(function, eval_str=True).parameters.values())).annotation
    source: Any = first if is_dataclass(first) else function
    spread, own = signature(source, eval_str=True).parameters.values(), get_annotations(source)
    options = [item.replace(kind=Parameter.KEYWORD_ONLY) for item in spread]
    options.sort(key=lambda item: item.name not in own)  # before the inherited ones

    if any(item.name == "room" for item in options):
        options.append(Parameter("context", Parameter.KEYWORD_ONLY, annotation=typer.Context))

    @wraps(function)
    def spread_out(*, context: Any = None, **given: Any) -> None:
        if context is not None:
            sources = {name: context.get_parameter_source(name) for name in given}
            written = [name for name, source in sources.items() if source and source.name == "COMMANDLINE"]
            given = with_room(given, written=written)
        function(**given) if source is function else function(source(**given))

    spread_out.__signature__ = signature(function).replace(parameters=options)  # type: ignore[attr-defined]
    spread_out.__annotations__ = {item.name: item.annotation for item in options}
    del spread_out.__wrapped__  # whose signature is another
    return spread_out


def numbers_in(
    given: str,
    option: str,
    *,
    kind: str = "",
    count: int | None = None,
    limits: tuple[float, float] = (-inf, inf),
) -> list[float]:
    """Read a list of numbers of a kind, each within the limits; without a count, one at least."""
    try:
        numbers = read_numbers(given, kind, count=count)
    except SettingError as error:
        raise SettingError(f"{option}: {error}") from error
    if not numbers or (count is not None and len(numbers) != count):
        wanted = f"{count} numbers" if count else "numbers"
        raise SettingError(f"{option}: «{given}» is another count: write {wanted} with commas between them")
    if strange := [value for value in numbers if not limits[0] <= value <= limits[1]]:
        raise SettingError(
            f"{option} {given}: {strange[0]:g} does not lie within {limits[0]:g} to {limits[1]:g}"
        )
    return numbers


def read_ends(given: str, option: str, *, kind: str) -> tuple[float, float]:
    """Read a range such as `24-70`, or one number, which is both its ends."""
    try:
        return read_range(given, kind)
    except SettingError as error:
        raise SettingError(f"{option}: {error}") from error


def lpmm_list(given: str | None) -> tuple[float, ...]:
    """Read `10,20,40`."""
    if given is None:
        return ()
    return tuple(numbers_in(given, "--at-lpmm", kind="lp/mm", limits=(1e-3, 1e5)))


def level_size_px(given: str) -> tuple[int, int]:
    """Read the rows and columns of a picture held level, whichever side is named first."""
    short, long = sorted(sides_in(given, "--size", example="both sides in pixels, such as 4000x6000"))
    return int(short), int(long)


def sensor_mm(given: str) -> tuple[float, float]:
    """Read width and height of a sensor: `36x24`, or one of `SENSORS_MM` however it is spelled."""
    name = "".join(letter for letter in given.lower() if letter.isalnum())
    if name in SENSORS_MM:
        return SENSORS_MM[name]
    return sides_in(given, "--sensor", example=f"WIDTHxHEIGHT in mm, such as 36x24, or {SENSOR_NAMES}")


def sides_in(given: str, option: str, *, example: str) -> tuple[float, float]:
    """Read two sides above 0 with an x between them: `4000x6000`, `36 × 24 mm`."""
    try:
        first, second = (read_number(side, "mm") for side in _SIDES.split(given.lower().removesuffix("px")))
        if min(first, second) > 0.0:
            return first, second
    except (SettingError, ValueError):
        pass
    raise SettingError(f"{option}: «{given}» is not two sides: write {example}")
