"""What the commands share: their options, each declared once, and how a record of them becomes a command.

A command takes one record; `command` spreads its fields out as options, and refuses numbers that are none: `nan`
passes every limit of an option.
"""

from collections.abc import Callable
from dataclasses import MISSING, dataclass, fields, is_dataclass
from enum import StrEnum
from functools import wraps
from inspect import Parameter, get_annotations, signature
from math import inf, isfinite, isinf, isnan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, get_type_hints

import typer

from lensbench.model.errors import SettingError
from lensbench.model.units import PITCH_LIMITS_UM

if TYPE_CHECKING:
    import lensbench

REJECTED: Final = 3
"""Exit status of --strict where a photograph was rejected."""


def number(name: str, about: str, least: float | None = None, most: float | None = None) -> Any:
    """Give an option that is a number within limits."""
    return typer.Option(
        name, min=least, max=most, help=about, metavar="NUMBER", show_default="[default" not in about
    )


def text(name: str, about: str, **further: Any) -> Any:
    """Give an option that is a text."""
    return typer.Option(name, help=about, metavar="TEXT", show_default="[default" not in about, **further)


def path(name: str, about: str, **further: Any) -> Any:
    """Give an option that is a file or a folder."""
    return typer.Option(name, help=about, metavar="PATH", show_default="[default" not in about, **further)


def switch(name: str, about: str) -> Any:
    """Give an option that is there or not."""
    return typer.Option(name, help=about)


def _known_encoding(name: str) -> str:
    """Refuse an unknown tone curve before any photograph is blamed for it."""
    from lensbench.photo import parse_encoding

    parse_encoding(name)
    return name


AsJson = Annotated[bool, switch("--json", "Print one JSON document.")]
AtLpmm = Annotated[
    str | None, text("--at-lpmm", "Line pairs per mm on the sensor to read the contrast at: 10,20,40.")
]
Encoding = Annotated[
    str, text("--encoding", "Tone curve: auto, linear, srgb, or gamma:2.2.", callback=_known_encoding)
]
FNumber = Annotated[
    float | None, number("--f-number", "The lens's f-number.  [default: from the metadata]", 0.5, 128.0)
]


class MethodName(StrEnum):
    """How an edge is measured."""

    REFINED = "refined"
    ISO = "iso"


LibraryFile = Annotated[
    Path | None,
    typer.Option("--library", metavar="FILE", help="The library.  [default: in your data folder]"),
]
Method = Annotated[MethodName, typer.Option("--method", help="Our own method, or the standard's steps.")]
Out = Annotated[Path | None, path("--out", "Folder for the report.  [default: FOLDER-lensbench beside it]")]
Physical = Annotated[
    bool, switch("--physical", "Tell what the blur is made of: diffraction, focus, and the rest.")
]
PitchUm = Annotated[
    float | None, number("--pitch-um", "Pixel pitch in um.  [default: from the metadata]", *PITCH_LIMITS_UM)
]
PrintProfile = Annotated[
    str | None, text("--print-profile", "Kept profile of the print (or its file): divided out.")
]
ShotsTable = Annotated[
    Path | None, path("--shots", "Table (CSV) of what the metadata lacks: file,lens,f_number,...")
]
Strict = Annotated[bool, switch("--strict", "End with status 3 when a photograph was rejected.")]
Workers = Annotated[int | None, number("--workers", "Processes.  [default: one a processor]", 1, 256)]


@dataclass(frozen=True, kw_only=True)
class Viewed:
    """How a print of the whole picture is looked at."""

    print_height_mm: Annotated[
        float | None,
        number(
            "--print-height-mm",
            "Height of a print (or screen) of the whole picture: tells how sharp it looks.",
            1.0,
            100_000.0,
        ),
    ] = None
    viewing_distance_mm: Annotated[
        float | None,
        number("--viewing-distance-mm", "With --print-height-mm: distance of the eye.", 10.0, 1_000_000.0),
    ] = None


def measure_options(given: object, **further: Any) -> "lensbench.MeasureOptions":
    """Give the options of measuring that a command's record holds, under the same names.

    Raises
    ------
    SettingError
        One of a print's height and its distance is missing, or there is no such print profile.
    """
    import lensbench

    known = {item.name for item in fields(lensbench.MeasureOptions)}
    chosen = {item: getattr(given, item) for item in known if hasattr(given, item)}
    if chosen.get("print_profile") is not None:
        from lensbench.capture import kept_profile

        chosen["print_profile"] = kept_profile(chosen["print_profile"])
    if "method" in chosen:
        chosen["method"] = chosen["method"].value
    return lensbench.MeasureOptions(**(chosen | further))


def command(function: Callable[..., None], *, endless: tuple[str, ...] = ()) -> Callable[..., None]:
    """Give a command whose options are the fields of the function's records.

    Raises
    ------
    SettingError
        An option is no number, or infinite and not among those named; raised by the command given back.
    """
    asked = signature(function, eval_str=True).parameters.values()
    records: dict[str, Any] = {item.name: item.annotation for item in asked if is_dataclass(item.annotation)}
    options = [
        option
        for item in asked
        for option in (
            _spread(records[item.name])
            if item.name in records
            else [item.replace(kind=Parameter.KEYWORD_ONLY)]
        )
    ]

    @wraps(function)
    def guarded(**given: Any) -> None:
        for name, value in given.items():
            if isinstance(value, float) and _endless(value) and not (isinf(value) and name in endless):
                raise SettingError(f"--{name.replace('_', '-')} {value}: give a number")
        filled = {
            name: kind(**{item.name: given.pop(item.name) for item in fields(kind)})
            for name, kind in records.items()
        }
        function(**filled, **given)

    guarded.__signature__ = signature(function).replace(parameters=options)  # type: ignore[attr-defined]
    guarded.__annotations__ = {option.name: option.annotation for option in options}
    del guarded.__wrapped__  # whose signature is another
    return guarded


def _spread(record: Any) -> list[Parameter]:
    """Give the fields of a record as parameters, its own before the inherited ones."""
    kinds = get_type_hints(record, include_extras=True)
    own = get_annotations(record)
    return [
        Parameter(
            item.name,
            Parameter.KEYWORD_ONLY,
            default=Parameter.empty if item.default is MISSING else item.default,
            annotation=kinds[item.name],
        )
        for item in sorted(fields(record), key=lambda item: item.name not in own)
    ]


def lpmm_list(given: str | None) -> tuple[float, ...]:
    """Read `10,20,40`.

    Raises
    ------
    SettingError
        It is no list of positive numbers.
    """
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
    """Read numbers with a mark between them, each within the limits and none of them infinite.

    Raises
    ------
    SettingError
        Something else stands there, or another count of numbers, with the option's name.
    """
    try:
        numbers = [float(part) for part in given.lower().split(mark) if part.strip()]
    except ValueError:
        numbers = []
    if not numbers or (count is not None and len(numbers) != count) or any(map(_endless, numbers)):
        wanted = f"{count} numbers" if count else "numbers"
        raise SettingError(f"{option} {given}: give {wanted} with «{mark}» between them.")
    if strange := [value for value in numbers if not limits[0] <= value <= limits[1]]:
        raise SettingError(
            f"{option} {given}: {strange[0]:g} does not lie within {limits[0]:g} to {limits[1]:g}."
        )
    return numbers


def _endless(value: float) -> bool:
    return isinf(value) or isnan(value)
