"""What the commands share: their options, each declared once, and how a record of them becomes a command.

A command takes one record; `command` spreads its fields out as options, and refuses numbers that are none: `nan`
passes every limit of an option.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass
from functools import wraps
from inspect import Parameter, get_annotations, signature
from math import inf, isfinite, isinf
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

import typer

from lensbench.model.errors import SettingError
from lensbench.model.units import PITCH_LIMITS_UM

if TYPE_CHECKING:
    import lensbench

REJECTED: Final = 3  # exit status of --strict where a photograph was rejected


def argument(metavar: str, about: str) -> Any:
    """Give what stands without a name."""
    return typer.Argument(metavar=metavar, help=about)


def option(about: str, *names: str, **further: Any) -> Any:
    """Give an option, by default of its field's name; one that is there or not needs a name lest it get a `--no-`."""
    return typer.Option(*names, help=about, show_default="[default" not in about, **further)


def number(about: str, least: float | None = None, most: float | None = None) -> Any:
    """Give an option that is a number within limits."""
    return option(about, min=least, max=most, metavar="NUMBER")


def text(about: str, **further: Any) -> Any:
    """Give an option that is a text."""
    return option(about, metavar="TEXT", **further)


def path(about: str, **further: Any) -> Any:
    """Give an option that is a file or a folder."""
    return option(about, **{"metavar": "PATH"} | further)


def _known_encoding(name: str) -> str:
    """Refuse an unknown tone curve before any photograph is blamed for it."""
    from lensbench.photo import parse_encoding

    parse_encoding(name)
    return name


AsJson = Annotated[bool, option("Print one JSON document.", "--json")]
AtLpmm = Annotated[str | None, text("Line pairs per mm on the sensor to read the contrast at: 10,20,40.")]
Encoding = Annotated[str, text("Tone curve: auto, linear, srgb, or gamma:2.2.", callback=_known_encoding)]
FNumber = Annotated[float | None, number("The lens's f-number.  [default: from the metadata]", 0.5, 128.0)]
Method = Annotated[Literal["refined", "iso"], option("Our own method, or the standard's steps.")]
Out = Annotated[Path | None, path("Folder for the report.  [default: FOLDER-lensbench beside it]")]
Paper = Annotated[
    Literal["A4", "Letter"],
    option("Paper of the PDFs.", "--paper", case_sensitive=False, metavar="A4|Letter"),
]
Physical = Annotated[
    bool, option("Tell what the blur is made of: diffraction, focus, and the rest.", "--physical")
]
PictureSize = Annotated[str, text("ROWSxCOLS of the pictures, in px.")]
PitchUm = Annotated[
    float | None, number("Pixel pitch in um.  [default: from the metadata]", *PITCH_LIMITS_UM)
]
PrintProfile = Annotated[str | None, text("Kept profile of the print (or its file): divided out.")]
SensorPitchUm = Annotated[float, number("Pixel pitch, in um.", *PITCH_LIMITS_UM)]
ShotsTable = Annotated[Path | None, path("Table (CSV) of what the metadata lacks: file,lens,f_number,...")]
Strict = Annotated[bool, option("End with status 3 when a photograph was rejected.", "--strict")]
TimeLimit = Annotated[
    float, option("Seconds that a photograph may take.", "--time-limit", min=0.1, max=1e5, metavar="NUMBER")
]
Workers = Annotated[int | None, number("Processes.  [default: one a processor]", 1, 256)]


@dataclass(frozen=True, kw_only=True)
class Viewed:
    """How a print of the whole picture is looked at."""

    print_height_mm: Annotated[
        float | None,
        number("Height of a print (or screen) of the whole picture: tells how sharp it looks.", 1.0, 1e5),
    ] = None
    viewing_distance_mm: Annotated[
        float | None, number("With --print-height-mm: distance of the eye.", 10.0, 1e6)
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


def command(function: Callable[..., None], *, endless: tuple[str, ...] = ()) -> Callable[..., None]:
    """Give a command whose options are the fields of the function's record, or its own parameters."""
    first = next(iter(signature(function, eval_str=True).parameters.values())).annotation
    source: Any = first if is_dataclass(first) else function
    spread, own = signature(source, eval_str=True).parameters.values(), get_annotations(source)
    options = [item.replace(kind=Parameter.KEYWORD_ONLY) for item in spread]
    options.sort(key=lambda item: item.name not in own)  # before the inherited ones

    @wraps(function)
    def guarded(**given: Any) -> None:
        for name, value in given.items():
            if isinstance(value, float) and not isfinite(value) and not (isinf(value) and name in endless):
                raise SettingError(f"--{name.replace('_', '-')} {value}: give a number")
        if source is function:
            function(**given)
        else:
            function(source(**given))

    guarded.__signature__ = signature(function).replace(parameters=options)  # type: ignore[attr-defined]
    guarded.__annotations__ = {item.name: item.annotation for item in options}
    del guarded.__wrapped__  # whose signature is another
    return guarded


def lpmm_list(given: str | None) -> tuple[float, ...]:
    """Read `10,20,40`."""
    if given is None:
        return ()
    try:
        found = tuple(float(part) for part in given.split(","))
    except ValueError:
        found = ()
    if not found or not all(isfinite(lpmm) and lpmm > 0.0 for lpmm in found):
        raise SettingError(f"--at-lpmm {given}: give numbers above 0, such as 10,20,40")
    return found


def numbers_in(
    given: str,
    option: str,
    *,
    mark: str = ",",
    count: int | None = None,
    limits: tuple[float, float] = (-inf, inf),
) -> list[float]:
    """Read numbers with a mark between them, each within the limits and none of them infinite."""
    try:
        numbers = [float(part) for part in given.lower().split(mark) if part.strip()]
    except ValueError:
        numbers = []
    if not numbers or (count is not None and len(numbers) != count) or not all(map(isfinite, numbers)):
        wanted = f"{count} numbers" if count else "numbers"
        raise SettingError(f"{option} {given}: give {wanted} with «{mark}» between them.")
    if strange := [value for value in numbers if not limits[0] <= value <= limits[1]]:
        raise SettingError(
            f"{option} {given}: {strange[0]:g} does not lie within {limits[0]:g} to {limits[1]:g}."
        )
    return numbers
