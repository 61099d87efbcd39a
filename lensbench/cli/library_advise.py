"""`lensbench library advise`: which lens and which stop, for a focal length or for a picture."""

import json
from enum import StrEnum
from typing import Annotated

import typer

from lensbench.cli.library_options import AsJson, Place, library_at
from lensbench.cli.saying import say, say_document

__all__ = ["Zone", "advise", "seconds"]


class Zone(StrEnum):
    """Which part of the picture counts."""

    FRAME = "frame"
    INNER = "inner"
    HALFWAY = "halfway"
    OUTER = "outer"
    CENTRE = "centre"
    CORNER = "corner"

    @property
    def measured(self) -> str:
        """The zone as it is kept: the centre is the inner one, corners the outer one."""
        return {"centre": "inner", "corner": "outer"}.get(self.value, self.value)


def seconds(text: str) -> float:
    """Read an exposure time: 1/60, 0.5 or 2.

    Raises
    ------
    typer.BadParameter
        It is no time above zero.
    """
    over, _, under = text.partition("/")
    try:
        time_s = float(over) / float(under or 1.0)
    except (ValueError, ZeroDivisionError):
        time_s = 0.0
    if not 0.0 < time_s < 1e5:
        raise typer.BadParameter(f"«{text}» is no exposure time; write 1/60 or 0.5")
    return time_s


def advise(
    *,
    focal_length: Annotated[
        float,
        typer.Option(
            "--focal-length",
            min=1.0,
            max=5000.0,
            help="Focal length in mm.",
            show_default=False,
            metavar="NUMBER",
        ),
    ],
    f_number: Annotated[
        float | None,
        typer.Option(
            "--f-number",
            min=0.5,
            max=128.0,
            help="All at this stop.  [default: each at its best]",
            show_default=False,
            metavar="NUMBER",
        ),
    ] = None,
    zone: Annotated[
        Zone,
        typer.Option("--zone", help="The part of the picture that counts; centre is inner, corner is outer."),
    ] = Zone.FRAME,
    near: Annotated[
        float | None,
        typer.Option(
            "--near",
            min=0.01,
            max=1_000_000.0,
            help="Nearest thing to be sharp, in m from the sensor.",
            show_default=False,
            metavar="NUMBER",
        ),
    ] = None,
    far: Annotated[
        float | None,
        typer.Option(
            "--far",
            min=0.01,
            help="Furthest thing, in m; «inf» for infinity.",
            show_default=False,
            metavar="NUMBER",
        ),
    ] = None,
    shutter: Annotated[
        float | None,
        typer.Option(
            "--shutter",
            parser=seconds,
            metavar="SECONDS",
            help="Exposure time to keep: 1/60.",
            show_default=False,
        ),
    ] = None,
    ev: Annotated[
        float | None,
        typer.Option(
            "--ev",
            min=-20.0,
            max=25.0,
            help="Brightness as exposure value at ISO 100.",
            show_default=False,
            metavar="NUMBER",
        ),
    ] = None,
    iso_limit: Annotated[
        float | None,
        typer.Option(
            "--iso-limit",
            min=1.0,
            max=1e7,
            help="Highest ISO you accept.",
            show_default=False,
            metavar="NUMBER",
        ),
    ] = None,
    handheld: Annotated[bool, typer.Option("--handheld/--tripod", help="Whether hands shake it.")] = False,
    place: Place = None,
    as_json: AsJson = False,
) -> None:
    """Tell which lens and which stop, for a focal length or, with --near and --far, for a picture.

    With near and far limits, MTF50 (in cycles per pixel) is predicted at the plane of focus and at both limits for
    each stop, from the measured curve, the depth, and with --handheld the shake of hands.

    Example: lensbench library advise --focal-length 35 --near 2.5 --far 8
    """
    from lensbench.cli import library_tables
    from lensbench.library import Wanted, plan_picture
    from lensbench.library import advise as advised
    from lensbench.report import json_form

    _check(near, far, f_number, picture_only=(shutter, ev, iso_limit, handheld or None))
    sessions = library_at(place).sessions()
    if near is None or far is None:
        advice = advised(sessions, focal_length_mm=focal_length, f_number=f_number, zone=zone.measured)
        lines, form = library_tables.advice_lines(advice), json_form.plain(advice)
    else:
        wanted = Wanted(
            focal_length_mm=focal_length,
            near_m=near,
            far_m=far,
            shutter_s=shutter,
            ev=ev,
            iso_limit=iso_limit,
            handheld=handheld,
            zone=zone.measured,
        )
        plan = plan_picture(sessions, wanted)
        lines, form = library_tables.picture_lines(plan), json_form.plain(plan)
    if as_json:
        say_document(json.dumps(form, allow_nan=False))
    else:
        say(*lines)


def _check(
    near: float | None, far: float | None, f_number: float | None, *, picture_only: tuple[object, ...]
) -> None:
    """Refuse options that don't go together."""
    if (near is None) != (far is None):
        raise typer.BadParameter("--near and --far belong together; «--far inf» is infinity")
    if near is not None and f_number is not None:
        raise typer.BadParameter("--f-number is what --near and --far choose; leave one out")
    if near is None and any(one is not None for one in picture_only):
        raise typer.BadParameter("--shutter, --ev, --iso-limit and --handheld need --near and --far")
