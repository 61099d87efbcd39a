"""`lensbench edge`: measures any slanted edge in any photograph."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

import lensbench
from lensbench.cli.options import (
    AsJson,
    AtLpmm,
    Encoding,
    FNumber,
    Method,
    MethodName,
    PitchUm,
    Viewed,
    lpmm_list,
    measure_options,
    number,
    text,
)
from lensbench.cli.output import keep_and_say, say, say_document
from lensbench.model.errors import SettingError

if TYPE_CHECKING:
    from lensbench.edge import Viewing
    from lensbench.model.shot import Edge


class Channel(StrEnum):
    """Which samples are measured."""

    AUTO = "auto"
    GREEN = "green"
    RED = "red"
    BLUE = "blue"
    LUMINANCE = "luminance"


@dataclass(frozen=True, kw_only=True)
class EdgeCommand(Viewed):
    """The options of `edge`."""

    image: Annotated[Path, typer.Argument(help="Photograph: raw, JPEG, TIFF or PNG.", metavar="PATH")]
    roi: Annotated[
        list[str] | None, text("--roi", "TOP,LEFT,HEIGHT,WIDTH in px; may be given again.  [default: found]")
    ] = None
    encoding: Encoding = "auto"
    channel: Annotated[Channel, typer.Option("--channel", help="Samples to measure.")] = Channel.AUTO
    method: Method = MethodName.REFINED
    dpi: Annotated[
        float | None,
        number(
            "--dpi",
            "Of a flatbed scan: resolution in dots per inch, for lengths on the paper.",
            10.0,
            100_000.0,
        ),
    ] = None
    keep_print: Annotated[
        str | None, text("--keep-print", "Of a scan: keep the print's profile under this name or .json file.")
    ] = None
    f_number: FNumber = None
    pitch_um: PitchUm = None
    at_lpmm: AtLpmm = None
    as_json: AsJson = False


def edge(given: EdgeCommand) -> None:
    """Measure any slanted edge in any photograph: a chart's, a black card's on white paper, a roof line's.

    Frequencies are in cycles per pixel (cy/px); MTF50 is where the contrast has fallen to one half.

    Where f-number and pixel pitch are known, it tells what the blur is made of: diffraction, focus, and the rest.

    With --dpi and --keep-print, edges of a scanned page tell how soft the print itself is.

    Example: lensbench edge card.dng --roi 820,1410,120,80
    """
    if given.keep_print is not None and given.dpi is None:
        raise SettingError("--keep-print needs the scan's resolution: --dpi 1200")
    options = measure_options(given)
    done = lensbench.measure_edge(
        given.image,
        regions=[_region(roi) for roi in given.roi or ()],
        channel=given.channel.value,
        options=options,
        f_number=given.f_number,
        at_lpmm=lpmm_list(given.at_lpmm),
    )
    if given.as_json:
        say_document(done.to_json())
    else:
        say(*edge_lines(done, dpi=given.dpi, viewing=options.viewing(done.picture_height_px)))
    if given.keep_print is not None and given.dpi is not None:
        from lensbench.capture import profile_from_scan

        profile = profile_from_scan(done.edges, dpi=given.dpi, name=Path(given.keep_print).stem)
        say(*keep_and_say(profile, given.keep_print), err=given.as_json)
    if not any(edge.measured for edge in done.edges):
        raise typer.Exit(1)


def _region(given: str) -> tuple[int, int, int, int]:
    try:
        top, left, height, width = (int(part) for part in given.split(","))
    except ValueError as error:
        raise SettingError(f"--roi {given}: give four whole numbers, TOP,LEFT,HEIGHT,WIDTH") from error
    if min(top, left) < 0 or min(height, width) < 1:
        raise SettingError(f"--roi {given}: TOP and LEFT must be 0 or more, HEIGHT and WIDTH 1 or more")
    return top, left, height, width


def edge_lines(done: "lensbench.EdgeResult", *, dpi: float | None, viewing: "Viewing | None") -> list[str]:
    """Give the lines of the answer: every edge with its figures and its flags."""
    edges = done.edges
    name = done.image.name
    lines = [f"{name}: {len(edges)} edge{'s' if len(edges) != 1 else ''}, sharpness in cycles per pixel"]
    for edge in edges:
        where = f"  region {edge.roi}, {edge.channel}"
        if edge.measured:
            lines.append(f"{where}: {_figures(edge, dpi)}")
            contrast = _at(edge, done.at_lpmm, done.pixel_pitch_um)
            further = [_curve(edge), contrast, _look(edge, viewing), _blur(edge)]
            lines += [f"    {sentence}" for sentence in further if sentence]
        else:
            lines.append(f"{where}: not measured")
        lines += [f"    {flag.message}. {flag.advice[:1].upper()}{flag.advice[1:]}." for flag in edge.flags]
    return lines


def look_in_words(viewing: "Viewing") -> str:
    """Name a way of looking at a picture."""
    return f"A print {viewing.print_height_mm:g} mm high, seen from {viewing.distance_mm:g} mm"


def _figures(edge: "Edge", dpi: float | None) -> str:
    on_paper = "" if dpi is None else f" ({edge.rise_10_90_px * 25.4 / dpi:.3f} mm)"
    return (
        f"MTF50 {edge.mtf50_cypx:.4f} +- {1.96 * edge.mtf50_sd_cypx:.4f} (95 %, noise alone), "
        f"angle {edge.angle_deg:.1f} degrees, "
        f"10-90 % rise {edge.rise_10_90_px:.2f} px{on_paper}, SNR {edge.snr:.0f}"
    )


def _curve(edge: "Edge") -> str:
    from lensbench.edge import curve_figures

    figures = curve_figures(edge)
    area, nyquist = figures.area_cypx, figures.response_at_nyquist
    if not isfinite(area.value):
        return ""
    return (
        f"Response at 0.5 cy/px (Nyquist) {_with_doubt(nyquist.value, nyquist.sd, 3)}, "
        f"area under the curve up to there {_with_doubt(area.value, area.sd, 4)} cy/px."
    )


def _at(edge: "Edge", at_lpmm: Sequence[float], pitch_um: float | None) -> str:
    from lensbench.edge import edge_response_at_lpmm

    if pitch_um is None:
        return ""
    parts = []
    for lpmm in at_lpmm:
        figure = edge_response_at_lpmm(edge, lpmm=lpmm, pixel_pitch_um=pitch_um)
        known = isfinite(figure.value)
        says = _with_doubt(figure.value, figure.sd, 3) if known else "beyond what was measured"
        parts.append(f"{lpmm:g} lp/mm {says}")
    return f"Contrast left at {', '.join(parts)}." if parts else ""


def _look(edge: "Edge", viewing: "Viewing | None") -> str:
    if viewing is None:
        return ""
    if edge.acutance is None or edge.sharpness_jnd is None:
        return f"{look_in_words(viewing)}: the curve ends too early to tell how sharp it looks."
    return (
        f"{look_in_words(viewing)}: acutance {_with_doubt(edge.acutance, edge.acutance_sd, 3)}, "
        f"sharpness {_with_doubt(edge.sharpness_jnd, edge.sharpness_jnd_sd, 1)} just noticeable differences."
    )


def _blur(edge: "Edge") -> str:
    from lensbench.report import blur_sentence

    return "" if edge.physical is None else blur_sentence(edge.physical)


def _with_doubt(value: float, sd: float | None, decimals: int) -> str:
    return f"{value:.{decimals}f} +- {1.96 * (sd or 0.0):.{decimals}f}"
