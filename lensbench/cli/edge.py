"""`lensbench edge`: measures any slanted edge in any photograph."""

import json
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lensbench.errors import EdgeError, SettingError

if TYPE_CHECKING:
    from lensbench.photo import Photo
    from lensbench.records import Box, Edge

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
    image: Annotated[Path, typer.Argument(help="Photograph: raw, JPEG, TIFF or PNG.", show_default=False)],
    roi: Annotated[
        list[str] | None,
        typer.Option("--roi", help="TOP,LEFT,HEIGHT,WIDTH in px; may be given again.  [default: found]"),
    ] = None,
    encoding: Annotated[
        str, typer.Option("--encoding", help="Tone curve: auto, linear, srgb, or gamma:2.2.")
    ] = "auto",
    channel: Annotated[Channel, typer.Option("--channel", help="Samples to measure.")] = Channel.AUTO,
    method: Annotated[
        MethodName, typer.Option("--method", help="Our own method, or the standard's steps.")
    ] = MethodName.REFINED,
    dpi: Annotated[
        float | None,
        typer.Option(
            "--dpi", help="Of a flatbed scan: resolution in dots per inch, for lengths on the paper."
        ),
    ] = None,
    keep_print: Annotated[
        str | None,
        typer.Option(
            "--keep-print", help="Of a scan: keep the print's profile under this name or .json file."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Measure any slanted edge in any photograph: a chart's, a black card's on white paper, a roof line's.

    Frequencies are in cycles per pixel (cy/px); MTF50 is where the contrast has fallen to one half.

    With --dpi and --keep-print, edges of a scanned page tell how soft the print itself is.

    Example: lensbench edge card.dng --roi 820,1410,120,80
    """
    from lensbench.edge import measure_edges
    from lensbench.photo import open_photo

    if keep_print is not None and dpi is None:
        raise SettingError("--keep-print needs the scan's resolution: --dpi 1200")
    photo = open_photo(image, encoding=encoding)
    name = photo.channel(channel.value)
    boxes = [_box(text) for text in roi] if roi else _found(photo)
    edges = measure_edges([photo.cut(box, name) for box in boxes], method=method.value)
    if as_json:
        from lensbench.report.json_form import edge_as_json

        document = {"image": str(image), "edges": [edge_as_json(one) for one in edges]}
        typer.echo(json.dumps(document, allow_nan=False))
    else:
        typer.echo("\n".join(_lines(image, edges, dpi)))
    if keep_print is not None and dpi is not None:
        from lensbench.capture.print_profile import profile_from_scan
        from lensbench.cli.telling import keep_and_say

        profile = profile_from_scan(edges, dpi=dpi, name=Path(keep_print).stem)
        typer.echo(keep_and_say(profile, keep_print), err=as_json)
    if not any(one.measured for one in edges):
        raise typer.Exit(1)


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


def _lines(image: Path, edges: "list[Edge]", dpi: float | None) -> list[str]:
    lines = [
        f"{image.name}: {len(edges)} edge{'s' if len(edges) != 1 else ''}, sharpness in cycles per pixel"
    ]
    for one in edges:
        where = f"  region {one.roi}, {one.channel}"
        if one.measured:
            lines.append(
                f"{where}: MTF50 {one.mtf50_cypx:.4f} +- {1.96 * one.mtf50_sd_cypx:.4f} (95 %), "
                f"angle {one.angle_deg:.1f} degrees, 10-90 % rise {_rise(one, dpi)}, SNR {one.snr:.0f}"
            )
        else:
            lines.append(f"{where}: not measured")
        lines.extend(f"    {flag.message}. {flag.advice[:1].upper()}{flag.advice[1:]}." for flag in one.flags)
    return lines


def _rise(one: "Edge", dpi: float | None) -> str:
    on_paper = "" if dpi is None else f" ({one.rise_10_90_px * 25.4 / dpi:.3f} mm)"
    return f"{one.rise_10_90_px:.2f} px{on_paper}"
