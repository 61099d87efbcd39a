"""Options that `edge`, `measure` and `sweep` share: what else is to be read off an edge.

Numbers from the command line, and what only looks like them: `nan` passes every limit of an option.

What the commands of `lensbench library` share.
"""

from collections.abc import Callable
from functools import wraps
from math import inf, isfinite, isinf, isnan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, ParamSpec

import typer

from lensbench.model.errors import SettingError
from lensbench.model.units import PITCH_LIMITS_UM

if TYPE_CHECKING:
    from lensbench.edge import Viewing
    from lensbench.library import Library

__all__ = [
    "AsJson",
    "AtLpmm",
    "Encoding",
    "FNumber",
    "Physical",
    "PitchUm",
    "Place",
    "PrintHeight",
    "ViewingDistance",
    "Workers",
    "check_viewing",
    "finite",
    "library_at",
    "lpmm_list",
    "numbers_in",
    "print_and_eye",
    "viewing_of",
]


FNumber = Annotated[
    float | None,
    typer.Option(
        "--f-number",
        min=0.5,
        max=128.0,
        help="The lens's f-number.  [default: from the metadata]",
        show_default=False,
        metavar="NUMBER",
    ),
]
PitchUm = Annotated[
    float | None,
    typer.Option(
        "--pitch-um",
        min=PITCH_LIMITS_UM[0],
        max=PITCH_LIMITS_UM[1],
        help="Pixel pitch in um.  [default: from the metadata]",
        show_default=False,
        metavar="NUMBER",
    ),
]
PrintProfileName = Annotated[
    str | None,
    typer.Option(
        "--print-profile", help="Kept profile of the print (or its file): divided out.", metavar="TEXT"
    ),
]
REJECTED: Final = 3
"""Exit status of --strict where a photograph was rejected."""
Strict = Annotated[bool, typer.Option("--strict", help="End with status 3 when a photograph was rejected.")]
PrintHeight = Annotated[
    float | None,
    typer.Option(
        "--print-height-mm",
        min=1.0,
        max=100_000.0,
        help="Height of a print (or screen) of the whole picture: tells how sharp it looks.",
        show_default=False,
        metavar="NUMBER",
    ),
]
ViewingDistance = Annotated[
    float | None,
    typer.Option(
        "--viewing-distance-mm",
        min=10.0,
        max=1_000_000.0,
        help="With --print-height-mm: distance of the eye.",
        show_default=False,
        metavar="NUMBER",
    ),
]


def _known_encoding(text: str) -> str:
    """Refuse an unknown tone curve before any photograph is blamed for it."""
    from lensbench.photo import parse_encoding

    parse_encoding(text)
    return text


Encoding = Annotated[
    str,
    typer.Option(
        "--encoding",
        callback=_known_encoding,
        help="Tone curve: auto, linear, srgb, or gamma:2.2.",
        metavar="TEXT",
    ),
]
Workers = Annotated[
    int | None,
    typer.Option(
        "--workers", min=1, max=256, help="Processes.  [default: one a processor]", metavar="NUMBER"
    ),
]
Physical = Annotated[
    bool,
    typer.Option("--physical", help="Tell what the blur is made of: diffraction, focus, and the rest."),
]
AtLpmm = Annotated[
    str | None,
    typer.Option(
        "--at-lpmm", help="Line pairs per mm on the sensor to read the contrast at: 10,20,40.", metavar="TEXT"
    ),
]


def check_viewing(print_height_mm: float | None, viewing_distance_mm: float | None) -> None:
    """Make sure that a print's height and its distance come together.

    Raises
    ------
    SettingError
        One was given without the other.
    """
    if (print_height_mm is None) != (viewing_distance_mm is None):
        raise SettingError("--print-height-mm and --viewing-distance-mm go together")


def viewing_of(
    print_height_mm: float | None, viewing_distance_mm: float | None, *, picture_height_px: int
) -> "Viewing | None":
    """Give the way of looking at a print; None where it was not asked for."""
    from lensbench.edge import Viewing

    if print_height_mm is None or viewing_distance_mm is None:
        return None
    return Viewing(
        picture_height_px=picture_height_px, print_height_mm=print_height_mm, distance_mm=viewing_distance_mm
    )


def print_and_eye(
    print_height_mm: float | None, viewing_distance_mm: float | None
) -> tuple[float, float] | None:
    """Give a print's height and the eye's distance, or None where neither was given.

    Raises
    ------
    SettingError
        One was given without the other.
    """
    check_viewing(print_height_mm, viewing_distance_mm)
    if print_height_mm is None or viewing_distance_mm is None:
        return None
    return print_height_mm, viewing_distance_mm


def lpmm_list(text: str | None) -> tuple[float, ...]:
    """Read `10,20,40`.

    Raises
    ------
    SettingError
        It is no list of positive numbers.
    """
    if text is None:
        return ()
    try:
        found = tuple(float(part) for part in text.split(","))
    except ValueError:
        found = ()
    if not found or not all(isfinite(one) and one > 0.0 for one in found):
        raise SettingError(f"--at-lpmm {text}: give numbers above 0, such as 10,20,40")
    return found


Given = ParamSpec("Given")


def finite(command: Callable[Given, None], *, endless: tuple[str, ...] = ()) -> Callable[Given, None]:
    """Give a command that refuses options that are no number, and infinite ones but those named.

    Raises
    ------
    SettingError
        With the option's name; raised by the command given back.
    """

    @wraps(command)
    def guarded(*args: Given.args, **kwargs: Given.kwargs) -> None:
        for name, value in kwargs.items():
            if isinstance(value, float) and _endless(value) and not (isinf(value) and name in endless):
                raise SettingError(f"--{name.replace('_', '-')} {value}: give a number")
        command(*args, **kwargs)

    return guarded


def numbers_in(
    text: str,
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
        numbers = [float(part) for part in text.lower().split(mark) if part.strip()]
    except ValueError:
        numbers = []
    if not numbers or (count is not None and len(numbers) != count) or any(map(_endless, numbers)):
        wanted = f"{count} numbers" if count else "numbers"
        raise SettingError(f"{option} {text}: give {wanted} with «{mark}» between them.")
    if strange := [number for number in numbers if not limits[0] <= number <= limits[1]]:
        raise SettingError(
            f"{option} {text}: {strange[0]:g} does not lie within {limits[0]:g} to {limits[1]:g}."
        )
    return numbers


def _endless(number: float) -> bool:
    return isinf(number) or isnan(number)


Place = Annotated[
    Path | None,
    typer.Option(
        "--library", metavar="FILE", help="The library.  [default: in your data folder]", show_default=False
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]


def library_at(place: Path | None) -> "Library":
    """Give the library named, or the one in the user's data folder."""
    from lensbench.library import Library, usual_place

    return Library(place=place or usual_place())
