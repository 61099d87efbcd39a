"""`lensbench edge`: measures any slanted edge in any photograph.

What `lensbench edge` says of the edges it measured.
"""

import json
from collections.abc import Sequence
from enum import StrEnum
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lensbench.cli.options import (
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
from lensbench.cli.output import say, say_document
from lensbench.model.errors import EdgeError, SettingError
from lensbench.model.units import picture_height_px

if TYPE_CHECKING:
    from lensbench.edge import Aperture, Viewing
    from lensbench.model.shot import Box, Edge, Samples
    from lensbench.photo import Photo

__all__ = ["MethodName", "edge", "look_in_words"]


def edge_lines(
    name: str,
    edges: "Sequence[Edge]",
    *,
    dpi: float | None,
    viewing: "Viewing | None",
    at_lpmm: Sequence[float],
    pitch_um: float | None,
) -> list[str]:
    """Give the lines of the answer: every edge with its figures and its flags."""
    lines = [f"{name}: {len(edges)} edge{'s' if len(edges) != 1 else ''}, sharpness in cycles per pixel"]
    for one in edges:
        where = f"  region {one.roi}, {one.channel}"
        if one.measured:
            lines.append(f"{where}: {_figures(one, dpi)}")
            further = [_curve(one), _at(one, at_lpmm, pitch_um), _look(one, viewing), _blur(one)]
            lines += [f"    {sentence}" for sentence in further if sentence]
        else:
            lines.append(f"{where}: not measured")
        lines += [f"    {flag.message}. {flag.advice[:1].upper()}{flag.advice[1:]}." for flag in one.flags]
    return lines


def look_in_words(viewing: "Viewing") -> str:
    """Name a way of looking at a picture."""
    return f"A print {viewing.print_height_mm:g} mm high, seen from {viewing.distance_mm:g} mm"


def _figures(one: "Edge", dpi: float | None) -> str:
    on_paper = "" if dpi is None else f" ({one.rise_10_90_px * 25.4 / dpi:.3f} mm)"
    return (
        f"MTF50 {one.mtf50_cypx:.4f} +- {1.96 * one.mtf50_sd_cypx:.4f} (95 %, noise alone), "
        f"angle {one.angle_deg:.1f} degrees, "
        f"10-90 % rise {one.rise_10_90_px:.2f} px{on_paper}, SNR {one.snr:.0f}"
    )


def _curve(one: "Edge") -> str:
    from lensbench.edge import curve_figures

    figures = curve_figures(one)
    area, nyquist = figures.area_cypx, figures.response_at_nyquist
    if not isfinite(area.value):
        return ""
    return (
        f"Response at 0.5 cy/px (Nyquist) {_with_doubt(nyquist.value, nyquist.sd, 3)}, "
        f"area under the curve up to there {_with_doubt(area.value, area.sd, 4)} cy/px."
    )


def _at(one: "Edge", at_lpmm: Sequence[float], pitch_um: float | None) -> str:
    from lensbench.edge import edge_response_at_lpmm

    if pitch_um is None:
        return ""
    parts = []
    for lpmm in at_lpmm:
        figure = edge_response_at_lpmm(one, lpmm=lpmm, pixel_pitch_um=pitch_um)
        known = isfinite(figure.value)
        says = _with_doubt(figure.value, figure.sd, 3) if known else "beyond what was measured"
        parts.append(f"{lpmm:g} lp/mm {says}")
    return f"Contrast left at {', '.join(parts)}." if parts else ""


def _look(one: "Edge", viewing: "Viewing | None") -> str:
    if viewing is None:
        return ""
    if one.acutance is None or one.sharpness_jnd is None:
        return f"{look_in_words(viewing)}: the curve ends too early to tell how sharp it looks."
    return (
        f"{look_in_words(viewing)}: acutance {_with_doubt(one.acutance, one.acutance_sd, 3)}, "
        f"sharpness {_with_doubt(one.sharpness_jnd, one.sharpness_jnd_sd, 1)} just noticeable differences."
    )


def _blur(one: "Edge") -> str:
    from lensbench.report.text.blur import blur_sentence

    return "" if one.physical is None else blur_sentence(one.physical)


def _with_doubt(value: float, sd: float | None, decimals: int) -> str:
    return f"{value:.{decimals}f} +- {1.96 * (sd or 0.0):.{decimals}f}"


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
    from lensbench.edge import measure_edges
    from lensbench.photo import open_photo, pixel_pitch_um

    if keep_print is not None and dpi is None:
        raise SettingError("--keep-print needs the scan's resolution: --dpi 1200")
    wanted = lpmm_list(at_lpmm)
    check_viewing(print_height_mm, viewing_distance_mm)
    photo = open_photo(image, encoding=encoding)
    viewing = viewing_of(
        print_height_mm,
        viewing_distance_mm,
        picture_height_px=picture_height_px(photo.size_px, orientation=photo.metadata.orientation),
    )
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
        from lensbench.cli.output import keep_and_say

        profile = profile_from_scan(edges, dpi=dpi, name=Path(keep_print).stem)
        say(*keep_and_say(profile, keep_print), err=as_json)
    if not any(one.measured for one in edges):
        raise typer.Exit(1)


def _cut(photo: "Photo", box: "Box", channel: str) -> "Samples":
    """Cut a region; one that reaches outside the picture comes empty, and so gets its flag among the others."""
    from numpy import empty

    from lensbench.model.shot import Samples

    rows, cols = photo.size_px
    if box.top + box.height <= rows and box.left + box.width <= cols:
        return photo.cut(box, channel)
    nothing = empty((0, 0), bool)
    return Samples(box=box, channel=channel, values=empty((0, 0)), present=nothing, clipped=nothing)


def _json_text(
    image: Path, edges: "list[Edge]", *, at_lpmm: tuple[float, ...], pitch_um: float | None
) -> str:
    from lensbench.report.out.json_form import edge_as_json

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
    from lensbench.model.shot import Box

    try:
        top, left, height, width = (int(part) for part in text.split(","))
    except ValueError as error:
        raise SettingError(f"--roi {text}: give four whole numbers, TOP,LEFT,HEIGHT,WIDTH") from error
    if min(top, left) < 0 or min(height, width) < 1:
        raise SettingError(f"--roi {text}: TOP and LEFT must be 0 or more, HEIGHT and WIDTH 1 or more")
    return Box(top=top, left=left, height=height, width=width)


def _found(photo: "Photo") -> "list[Box]":
    from lensbench.edge import find_edges

    overview = photo.overview()
    boxes = find_edges(overview.grey, factor=overview.factor)
    if not boxes:
        raise EdgeError(
            f"{photo.path.name}: no straight, clean, high-contrast edge 2 degrees or more off the pixel rows and "
            "columns was found. Name a region with --roi TOP,LEFT,HEIGHT,WIDTH"
        )
    return boxes
