"""Options that `edge`, `measure` and `sweep` share: what else is to be read off an edge."""

from math import isfinite
from typing import TYPE_CHECKING, Annotated

import typer

from lensbench.errors import SettingError

if TYPE_CHECKING:
    from lensbench.edge import Viewing

__all__ = [
    "AtLpmm",
    "Encoding",
    "FNumber",
    "Physical",
    "PitchUm",
    "PrintHeight",
    "ViewingDistance",
    "Workers",
    "check_viewing",
    "lpmm_list",
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
        min=0.3,
        max=100.0,
        help="Pixel pitch in um.  [default: from the metadata]",
        show_default=False,
        metavar="NUMBER",
    ),
]
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
    from lensbench.photo.tone import parse_encoding

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
