"""`lensbench edge` and `lensbench measure`: what one photograph tells, of any edge or of the chart zone by zone."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import isfinite, log2, nan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, Literal

import typer

import lensbench
from lensbench.cli import options as shared
from lensbench.cli.options import Viewed, argument, lpmm_list, measure_options, number, option, path, text
from lensbench.cli.output import keep, say, say_result, shown, within_limit
from lensbench.model.errors import EdgeError, SettingError
from lensbench.model.setting import f_stop, focal_length, shutter_speed
from lensbench.model.shot import ZONES, VeilBound
from lensbench.model.units import lpmm_from_cypx, lwph_from_cypx
from lensbench.report.text.words import borne, sd_of, sentence_case, with_doubt
from lensbench.workers import USUAL_LIMIT_S

if TYPE_CHECKING:
    from lensbench.model.shot import Edge, Metadata, ShotResult, ZoneFigure

_DEEPEST_CONTRAST: Final = 100.0  # where the dark is all but black, glare and noise decide the figure
_NOT_PLANE_PX: Final = 0.5


@dataclass(frozen=True, kw_only=True)
class EdgeCommand(Viewed):
    """The options of `edge`."""

    image: Annotated[Path, argument("PATH", "Photograph: raw, JPEG, TIFF or PNG.")]
    roi: Annotated[
        list[str] | None, text("TOP,LEFT,HEIGHT,WIDTH in px; may be given again.  [default: found]")
    ] = None
    encoding: shared.Encoding = "auto"
    channel: Annotated[
        Literal["auto", "green", "red", "blue", "luminance"], option("Samples to measure.")
    ] = "auto"
    method: shared.Method = "refined"
    dpi: Annotated[
        float | None,
        number(
            "Of a flatbed scan: resolution in dots per inch, for lengths on the paper.", 10.0, 1e5, kind="dpi"
        ),
    ] = None
    keep_print: Annotated[
        str | None, text("Of a scan: keep the print's profile under this name or .json file.")
    ] = None
    f_number: shared.FNumber = None
    pitch_um: shared.PitchUm = None
    at_lpmm: shared.AtLpmm = None
    time_limit: shared.TimeLimit = USUAL_LIMIT_S
    as_json: shared.AsJson = False


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
    regions, at_lpmm = [_region(roi) for roi in given.roi or ()], lpmm_list(given.at_lpmm)
    with within_limit(given.time_limit)(given.image):
        done = lensbench.measure_edge(
            given.image,
            regions=regions,
            channel=given.channel,
            options=options,
            f_number=given.f_number,
            at_lpmm=at_lpmm,
        )
    if done.edges or given.as_json:
        say_result(_edge_lines(done, options, given.dpi), done.to_json, as_json=given.as_json)
    if not done.edges:
        raise EdgeError(
            f"{done.image.name}: no straight, clean, high-contrast edge 2 degrees or more off the pixel rows and "
            "columns was found; name a region: give --roi TOP,LEFT,HEIGHT,WIDTH"
        )
    if given.keep_print is not None and given.dpi is not None:
        from lensbench.capture import profile_from_scan

        profile = profile_from_scan(done.edges, dpi=given.dpi, name=Path(given.keep_print).stem)
        say(*keep(profile, given.keep_print), err=given.as_json)
    if not any(edge.measured for edge in done.edges):
        reason = done.edges[0].flags[0].message
        raise EdgeError(f"{done.image.name}: no region could be measured: {reason}")


def _region(given: str) -> tuple[int, int, int, int]:
    try:
        top, left, height, width = map(int, given.split(","))
    except ValueError as error:
        raise SettingError(f"--roi {given}: give four whole numbers, TOP,LEFT,HEIGHT,WIDTH") from error
    if min(top, left) < 0 or min(height, width) < 1:
        raise SettingError(f"--roi {given}: TOP and LEFT must be 0 or more, HEIGHT and WIDTH 1 or more")
    return top, left, height, width


def _edge_lines(
    done: "lensbench.EdgeResult", options: "lensbench.MeasureOptions", dpi: float | None
) -> Iterator[str]:
    """Give the lines of the answer: every edge with its figures and its flags."""
    count = len(done.edges)
    yield f"{done.image.name}: {count} edge{'s' if count != 1 else ''}, sharpness in cycles per pixel"
    for edge in done.edges:
        yield f"  region {edge.roi}, {edge.channel}" + ": not measured" * (not edge.measured)
        if edge.measured:
            told = (*_figures(edge, dpi), *_readings(edge, done, options))
            yield from (f"    {line}" for line in told)
        for flag in edge.flags:
            yield f"    {sentence_case(flag.message)}. {sentence_case(flag.advice)}."


def _figures(edge: "Edge", dpi: float | None) -> Iterator[str]:
    rise_px, sd_px = edge.rise_10_90_px, edge.rise_10_90_sd_px
    on_paper = "" if dpi is None else f" ({borne(rise_px * 25.4 / dpi, sd_px * 25.4 / dpi, 3)} mm)"
    yield f"MTF50 {with_doubt(edge.mtf50_cypx, edge.mtf50_sd_cypx, 4)} (95 %, from this edge alone)"
    yield f"10-90 % rise {with_doubt(rise_px, sd_px, 2)} px{on_paper}, SNR {edge.snr:.0f}"
    yield f"angle {edge.angle_deg:.1f} degrees"


def _readings(
    edge: "Edge", done: "lensbench.EdgeResult", options: "lensbench.MeasureOptions"
) -> Iterator[str]:
    """Give the sentences on the curve, the contrast asked for, the look of a print, and the blur."""
    from lensbench.edge import curve_figures, edge_response_at_lpmm
    from lensbench.report.text.blur import blur_sentences

    curve = curve_figures(edge)
    area, nyquist = curve.area_cypx, curve.response_at_nyquist
    if isfinite(area.value):
        yield f"response {with_doubt(nyquist.value, nyquist.sd, 3)} at 0.5 cy/px (Nyquist)"
        yield f"area under the curve up to there {with_doubt(area.value, area.sd, 4)} cy/px"
    if done.at_lpmm and done.pixel_pitch_um is not None:
        parts = []
        for lpmm in done.at_lpmm:
            left = edge_response_at_lpmm(edge, lpmm=lpmm, pixel_pitch_um=done.pixel_pitch_um)
            known = isfinite(left.value)
            said = with_doubt(left.value, left.sd, 3) if known else "beyond what was measured"
            parts.append(f"{lpmm:g} lp/mm {said}")
        yield f"Contrast left at {', '.join(parts)}."
    if looked := _looked_at(options):
        if edge.acutance is None or edge.sharpness_jnd is None:
            yield f"{looked}: the curve ends too early to tell how sharp it looks."
        else:
            jnd = with_doubt(edge.sharpness_jnd, edge.sharpness_jnd_sd, 1)
            acutance = with_doubt(edge.acutance, edge.acutance_sd, 3)
            yield f"{looked}: acutance {acutance}, sharpness {jnd} just noticeable differences."
    if edge.physical is not None:
        yield from blur_sentences(edge.physical)


@dataclass(frozen=True, kw_only=True)
class MeasureCommand(Viewed):
    """The options of `measure`."""

    photo: Annotated[Path, argument("PATH", "Photograph of the chart: raw, JPEG, TIFF or PNG.")]
    pitch_um: shared.PitchUm = None
    method: shared.Method = "refined"
    encoding: shared.Encoding = "auto"
    print_profile: shared.PrintProfile = None
    camera: shared.CameraName = None
    room: shared.RoomFile = None
    far: Annotated[
        list[Path] | None, path("With --keep-print: the same print from further away; may be given again.")
    ] = None
    keep_print: Annotated[
        str | None, text("Keep the print's profile under this name, or in this .json file.")
    ] = None
    physical: shared.Physical = False
    f_number: shared.FNumber = None
    at_lpmm: shared.AtLpmm = None
    time_limit: shared.TimeLimit = USUAL_LIMIT_S
    as_json: shared.AsJson = False


def measure(given: MeasureCommand) -> None:
    """Measure one photograph of the chart: how sharp it is in each zone, how the camera stood, what went wrong.

    Sharpness is MTF50, where contrast has fallen to one half: in cycles per pixel (cy/px), line pairs per
    millimetre on the sensor (lp/mm) and line widths per picture height (LW/PH). Zones are thirds
    of the picture's area about its centre: inner, middle and outer; the frame is their mean.

    With --far and --keep-print, this photograph and those from further away tell how soft the print itself is.

    Example: lensbench measure chart_f5.6.dng --pitch-um 4.0
    """
    if (given.far is None) != (given.keep_print is None) or (given.keep_print and given.print_profile):
        raise SettingError("a print's profile takes both --far and --keep-print, and no --print-profile")
    options = measure_options(given)
    limited = within_limit(given.time_limit)

    def measured(photo: Path, *, at_lpmm: tuple[float, ...] = ()) -> "lensbench.PhotoResult":
        with limited(photo):
            return lensbench.measure(
                photo, options, f_number=given.f_number, camera=given.camera, at_lpmm=at_lpmm
            )

    done = measured(given.photo, at_lpmm=lpmm_list(given.at_lpmm))
    kept = []
    if given.keep_print:
        from lensbench.capture import profile_from_distances

        far = [measured(photo).shot for photo in given.far or ()]
        profile = profile_from_distances([done.shot, *far], name=Path(given.keep_print).stem)
        kept = keep(profile, given.keep_print)
    say_result(_shot_lines(done, options), done.to_json, as_json=given.as_json)
    if kept:
        say(*kept, err=given.as_json)
    if not any(edge.edge.measured for edge in done.shot.edges):
        raise typer.Exit(1)


def _shot_lines(done: "lensbench.PhotoResult", options: "lensbench.MeasureOptions") -> Iterator[str]:
    shot = done.shot
    yield from (_answer(shot), "", *_zone_rows(shot), "")
    yield from (*_look(shot, options), *_contrast(done), *_blur(shot, options))
    yield f"Taken with: {_settings(shot.metadata)}."
    yield f"{'; '.join(_standing(shot))}."
    if shot.quality:
        yield from ("", "Remarks:")
        for remark in shot.quality:
            yield f"  {remark.severity.value}: {remark.message}. {sentence_case(remark.advice)}."


def _answer(shot: "ShotResult") -> str:
    """Say in plain words how sharp the picture is, and where most and least."""
    known = {zone: of.mtf50_cypx for zone, of in shot.summary.items() if isfinite(of.mtf50_cypx)}
    if "frame" not in known:
        what = "the whole frame" if known else "it"
        return f"{shot.path.name}: no figure can be given for {what}; the remarks say why."
    mtf50_cypx, (low, high) = known.pop("frame"), shot.summary["frame"].ci95_cypx
    middle, low_text, high_text = (borne(figure, sd_of((low, high)), 3) for figure in (mtf50_cypx, low, high))
    lpmm, lwph = _in_other_units(shot, shot.summary["frame"])
    units = f"{lwph} LW/PH" if shot.pixel_pitch_um is None else f"{lpmm} lp/mm or {lwph} LW/PH"
    says = (
        f"{shot.path.name}: over the frame, half the contrast is left at {middle} cy/px "
        f"({low_text} to {high_text} from this photograph alone), that is {units}."
    )
    if len(known) > 1:
        best, worst = max(known, key=known.__getitem__), min(known, key=known.__getitem__)
        loss = 100.0 * (1.0 - known[worst] / known[best])
        says += f" The {best} zone is sharpest, the {worst} zone softest, {loss:.0f} % below it."
    return says


def _in_other_units(shot: "ShotResult", figure: "ZoneFigure") -> tuple[str, str]:
    """Give line pairs per mm, a dash where the pitch is not known, and line widths per picture height."""
    pitch_um, mtf50_cypx, sd_cypx = shot.pixel_pitch_um, figure.mtf50_cypx, sd_of(figure.ci95_cypx)
    lpmm, lpmm_sd = (
        nan if pitch_um is None else lpmm_from_cypx(of, pitch_um) for of in (mtf50_cypx, sd_cypx)
    )
    lwph, lwph_sd = (lwph_from_cypx(of, shot.picture_height_px) for of in (mtf50_cypx, sd_cypx))
    return shown(lpmm, 1, sd=lpmm_sd), shown(lwph, 0, sd=lwph_sd)


def _zone_rows(shot: "ShotResult") -> Iterator[str]:
    row = "  {:<8} {:>11} {:>14} {:>6} {:>6} {:>9} {:>11} {:>6}".format
    yield row("zone", "MTF50 cy/px", "95 % interval", "lp/mm", "LW/PH", "sagittal", "tangential", "edges")
    for zone, figure in shot.summary.items():
        sd = sd_of(figure.ci95_cypx)
        low, high = (shown(end, 3, sd=sd) for end in figure.ci95_cypx)
        lpmm, lwph = _in_other_units(shot, figure)
        yield row(
            zone,
            shown(figure.mtf50_cypx, 3, sd=sd),
            f"{low} to {high}" if isfinite(figure.ci95_cypx[0]) else "-",
            lpmm,
            lwph,
            shown(figure.sagittal_cypx, 3, sd=sd),
            shown(figure.tangential_cypx, 3, sd=sd),
            figure.edges,
        )


def _settings(metadata: "Metadata") -> str:
    named: tuple[tuple[float | None, Callable[[float], str]], ...] = (
        (metadata.focal_length_mm, focal_length),
        (metadata.f_number, f_stop),
        (metadata.iso, "ISO {}".format),
        (metadata.exposure_s, shutter_speed),
    )
    settings = [name(figure) for figure, name in named if figure is not None]
    return ", ".join([metadata.camera or "unknown camera", metadata.lens or "unknown lens", *settings])


def _standing(shot: "ShotResult") -> Iterator[str]:
    """Tell what chart it was, and how the camera stood before it."""
    chart, tilt = shot.chart, shot.tilt
    deep = chart.contrast > _DEEPEST_CONTRAST
    contrast = f"above {_DEEPEST_CONTRAST:.0f}:1" if deep else f"{chart.contrast:.1f}:1"
    targets = f"{chart.targets_found} of {chart.targets_on_chart} targets"
    yield f"Chart: {chart.name}, {targets}, contrast {contrast}"
    if shot.magnification is not None:
        yield f"magnification 1:{1.0 / shot.magnification:.1f}"
    if shot.distance_mm is not None:
        yield f"{shot.distance_mm / 1000.0:.2f} m from the sensor"
    if isfinite(tilt.yaw_deg):
        yaw, pitch = (
            _turned(tilt.yaw_deg, tilt.yaw_sd_deg, "right", "left"),
            _turned(tilt.pitch_deg, tilt.pitch_sd_deg, "up", "down"),
        )
        yield f"camera turned {yaw}, {pitch}"
    yield f"rolled {_turned(tilt.roll_deg, tilt.roll_sd_deg, 'clockwise', 'counter-clockwise')}"
    yield f"distortion {chart.radial_distortion_percent:+.1f} % at the corner"
    if chart.residual_px > _NOT_PLANE_PX:
        yield f"targets stray {chart.residual_px:.1f} px from a plane (is the chart flat, and joined well?)"
    if isfinite(chart.framing_percent):
        yield f"targets cover {chart.framing_percent:.0f} % of the picture"
    if isfinite(chart.outermost_light_percent):
        stops = round(log2(chart.outermost_light_percent / 100.0), 1) + 0.0  # no -0.0
        yield (
            f"light at {chart.outermost_height:.2f} of the way to the corner "
            f"{chart.outermost_light_percent:.0f} % of the centre's ({stops:+.1f} stops)"
        )
    if isfinite(shot.veil.percent):
        held = "the ink's own light" if shot.veil.bound is VeilBound.INK else "the whole printed dark"
        veil_percent = max(shot.veil.percent, 0.0)  # noise may take it a little below nothing
        yield f"veil {veil_percent:.1f} % of the paper's light at most ({held} is in it)"


def _turned(angle_deg: float, sd_deg: float, positive: str, negative: str) -> str:
    return f"{borne(abs(angle_deg), sd_deg, 1)} degrees {positive if angle_deg >= 0.0 else negative}"


def _look(shot: "ShotResult", options: "lensbench.MeasureOptions") -> list[str]:
    if not (looked := _looked_at(options)):
        return []
    columns = {
        "acutance": _by_zone(shot, lambda edge: edge.acutance, decimals=3),
        "JND": _by_zone(shot, lambda edge: edge.sharpness_jnd, decimals=1),
    }
    return [*_table(f"{looked} (JND: just noticeable differences of sharpness):", columns), ""]


def _contrast(done: "lensbench.PhotoResult") -> list[str]:
    from lensbench.edge import edge_response_at_lpmm

    pitch_um = done.shot.pixel_pitch_um
    if not done.at_lpmm or pitch_um is None:
        return []

    def column(lpmm: float) -> dict[str, str]:
        return _by_zone(
            done.shot,
            lambda edge: edge_response_at_lpmm(edge, lpmm=lpmm, pixel_pitch_um=pitch_um).value,
            decimals=3,
        )

    return [*_table("Contrast left, of 1:", {f"{lpmm:g} lp/mm": column(lpmm) for lpmm in done.at_lpmm}), ""]


def _blur(shot: "ShotResult", options: "lensbench.MeasureOptions") -> list[str]:
    from lensbench.report.text.blur import blur_where_it_fits, most_comes_from, not_of_a_lens

    read = [edge.edge.physical for edge in shot.edges if edge.edge.physical is not None]
    fitting = sum(physical.fits for physical in read)
    if not options.physical or not read:
        return []
    zones = blur_where_it_fits(shot.edges, shot.size_px)
    if "frame" not in zones or 2 * fitting < len(read):
        return [sentence_case(not_of_a_lens(len(read) - fitting, len(read))), ""]
    names = ("diffraction", "pixel", "focus", "(disc)", "all else")
    columns: dict[str, dict[str, str]] = {name: {} for name in names}
    for zone, (parts, disc_px) in zones.items():
        figures = (parts.diffraction_px, parts.pixel_px, parts.defocus_px, disc_px, parts.other_px)
        for column, figure_px in zip(columns.values(), figures, strict=True):
            column[zone] = f"{figure_px:.2f}"
    head = (
        "What blurs it, each part as a Gaussian's sigma in px, from the "
        f"{fitting} of {len(read)} edges whose shape a lens could make:"
    )
    return [*_table(head, columns), f"  {most_comes_from(zones['frame'][0])}", ""]


def _by_zone(
    shot: "ShotResult", figure: "Callable[[Edge], float | None]", *, decimals: int
) -> dict[str, str]:
    from lensbench.shot import mean_by_zone

    means = mean_by_zone(shot.edges, shot.size_px, figure=figure)
    return {zone: shown(mean, decimals) for zone, mean in means.items()}


def _table(head: str, columns: dict[str, dict[str, str]]) -> list[str]:
    """Lay columns, each with its cells by zone, out zone by zone, with a dash where nothing is known."""
    row = "  {:<8}" + " {:>11}" * len(columns)
    rows = [row.format(zone, *(column.get(zone, "-") for column in columns.values())) for zone in ZONES]
    return [head, row.format("zone", *columns), *rows]


def _looked_at(options: "lensbench.MeasureOptions") -> str:
    """Name the way of looking at a print; empty where none was given."""
    if options.print_and_eye_mm is None:
        return ""
    height_mm, distance_mm = options.print_and_eye_mm
    return f"A print {height_mm:g} mm high, seen from {distance_mm:g} mm"
