"""`lensbench edge`: measures any slanted edge in any photograph."""

import json
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lensbench.cli.reading_options import (
    AtLpmm,
    Encoding,
    FNumber,
    PitchUm,
    PrintHeight,
    ViewingDistance,
    check_viewing,
    lpmm_list,
    viewing_of,
)
from lensbench.cli.saying import say, say_document
from lensbench.errors import EdgeError, SettingError

if TYPE_CHECKING:
    from lensbench.edge import Aperture
    from lensbench.photo import Photo
    from lensbench.records import Box, Edge, Samples

__all__ = ["Channel", "MethodName", "edge"]


class Channel(StrEnum):
    """Which samples are measured."""

    AUTO = "auto"
    GREEN = "green"
    RED = "red"
    BLUE = "blue"
    LUMINANCE = "luminance"


class MethodName(StrEnum):
    """How an edge is measured."""

    REFINED = "refined"
    ISO = "iso"


def edge(
    image: Annotated[
        Path, typer.Argument(help="Photograph: raw, JPEG, TIFF or PNG.", show_default=False, metavar="PATH")
    ],
    roi: Annotated[
        list[str] | None,
        typer.Option(
            "--roi", help="TOP,LEFT,HEIGHT,WIDTH in px; may be given again.  [default: found]", metavar="TEXT"
        ),
    ] = None,
    *,
    encoding: Encoding = "auto",
    channel: Annotated[Channel, typer.Option("--channel", help="Samples to measure.")] = Channel.AUTO,
    method: Annotated[
        MethodName, typer.Option("--method", help="Our own method, or the standard's steps.")
    ] = MethodName.REFINED,
    dpi: Annotated[
        float | None,
        typer.Option(
            "--dpi",
            min=10.0,
            max=100_000.0,
            help="Of a flatbed scan: resolution in dots per inch, for lengths on the paper.",
            metavar="NUMBER",
        ),
    ] = None,
    keep_print: Annotated[
        str | None,
        typer.Option(
            "--keep-print",
            help="Of a scan: keep the print's profile under this name or .json file.",
            metavar="TEXT",
        ),
    ] = None,
    f_number: FNumber = None,
    pitch_um: PitchUm = None,
    print_height_mm: PrintHeight = None,
    viewing_distance_mm: ViewingDistance = None,
    at_lpmm: AtLpmm = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Measure any slanted edge in any photograph: a chart's, a black card's on white paper, a roof line's.

    Frequencies are in cycles per pixel (cy/px); MTF50 is where the contrast has fallen to one half.

    Where f-number and pixel pitch are known, it tells what the blur is made of: diffraction, focus, and the rest.

    With --dpi and --keep-print, edges of a scanned page tell how soft the print itself is.

    Example: lensbench edge card.dng --roi 820,1410,120,80
    """
    from lensbench.cli.edge_text import edge_lines
    from lensbench.edge import measure_edges
    from lensbench.photo import open_photo, pixel_pitch_um

    if keep_print is not None and dpi is None:
        raise SettingError("--keep-print needs the scan's resolution: --dpi 1200")
    wanted = lpmm_list(at_lpmm)
    check_viewing(print_height_mm, viewing_distance_mm)
    photo = open_photo(image, encoding=encoding)
    viewing = viewing_of(print_height_mm, viewing_distance_mm, picture_height_px=photo.size_px[0])
    pitch_um = pitch_um or pixel_pitch_um(photo.metadata, photo.size_px)
    if wanted and pitch_um is None:
        raise SettingError(f"{image.name}: its pixel pitch is not known; --at-lpmm needs it: give --pitch-um")
    name = photo.channel(channel.value)
    aperture = _aperture(photo, f_number, pitch_um, channel=name)
    boxes = [_box(text) for text in roi] if roi else _found(photo)
    regions = [_cut(photo, box, name) for box in boxes]
    edges = measure_edges(regions, method=method.value, physical=aperture, viewing=viewing)
    if as_json:
        say_document(_json_text(image, edges, at_lpmm=wanted, pitch_um=pitch_um))
    else:
        lines = edge_lines(image.name, edges, dpi=dpi, viewing=viewing, at_lpmm=wanted, pitch_um=pitch_um)
        say(*lines)
    if keep_print is not None and dpi is not None:
        from lensbench.capture.print_profile import profile_from_scan
        from lensbench.cli.telling import keep_and_say

        profile = profile_from_scan(edges, dpi=dpi, name=Path(keep_print).stem)
        say(*keep_and_say(profile, keep_print), err=as_json)
    if not any(one.measured for one in edges):
        raise typer.Exit(1)


def _cut(photo: "Photo", box: "Box", channel: str) -> "Samples":
    """Cut a region; one that reaches outside the picture comes empty, and so gets its flag among the others."""
    from numpy import empty

    from lensbench.records import Samples

    rows, cols = photo.size_px
    if box.top + box.height <= rows and box.left + box.width <= cols:
        return photo.cut(box, channel)
    nothing = empty((0, 0), bool)
    return Samples(box=box, channel=channel, values=empty((0, 0)), present=nothing, clipped=nothing)


def _json_text(
    image: Path, edges: "list[Edge]", *, at_lpmm: tuple[float, ...], pitch_um: float | None
) -> str:
    from lensbench.report.json_form import edge_as_json

    forms = [edge_as_json(one, at_lpmm=at_lpmm, pixel_pitch_um=pitch_um) for one in edges]
    return json.dumps({"image": str(image), "edges": forms}, allow_nan=False)


def _aperture(
    photo: "Photo", f_number: float | None, pitch_um: float | None, *, channel: str
) -> "Aperture | None":
    """Give what is known of lens and pixel; None where a part of it is not, and was not asked for."""
    from lensbench.edge import Aperture

    known = f_number or photo.metadata.f_number
    if f_number is not None and pitch_um is None:
        raise SettingError(
            f"{photo.path.name}: its pixel pitch is not known; the physical reading needs it: give --pitch-um"
        )
    if known is None or pitch_um is None:
        return None
    return Aperture.of(f_number=known, pixel_pitch_um=pitch_um, channel=channel)


def _box(text: str) -> "Box":
    from lensbench.records import Box

    try:
        top, left, height, width = (int(part) for part in text.split(","))
    except ValueError as error:
        raise SettingError(f"--roi {text}: give four whole numbers, TOP,LEFT,HEIGHT,WIDTH") from error
    if min(top, left) < 0 or min(height, width) < 1:
        raise SettingError(f"--roi {text}: TOP and LEFT must be 0 or more, HEIGHT and WIDTH 1 or more")
    return Box(top=top, left=left, height=height, width=width)


def _found(photo: "Photo") -> "list[Box]":
    from lensbench.edge.seek import find_edges

    overview = photo.overview()
    boxes = find_edges(overview.grey, factor=overview.factor)
    if not boxes:
        raise EdgeError(
            f"{photo.path.name}: no straight, clean, high-contrast edge 2 degrees or more off the pixel rows and "
            "columns was found. Name a region with --roi TOP,LEFT,HEIGHT,WIDTH"
        )
    return boxes
