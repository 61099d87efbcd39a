"""`lensbench measure`: measures one photograph of the chart, and says zone by zone what was read."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite, log2
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

import lensbench
from lensbench.cli.edge import look_in_words
from lensbench.cli.options import (
    AsJson,
    AtLpmm,
    Encoding,
    FNumber,
    Method,
    MethodName,
    Physical,
    PitchUm,
    PrintProfile,
    Viewed,
    lpmm_list,
    measure_options,
    path,
    text,
)
from lensbench.cli.output import keep_and_say, say, say_document
from lensbench.model.errors import SettingError
from lensbench.model.setting import f_stop, focal_length, shutter_speed

if TYPE_CHECKING:
    from lensbench.model.shot import Edge, Metadata, ShotResult, ZoneFigure


@dataclass(frozen=True, kw_only=True)
class MeasureCommand(Viewed):
    """The options of `measure`."""

    photo: Annotated[
        Path, typer.Argument(help="Photograph of the chart: raw, JPEG, TIFF or PNG.", metavar="PATH")
    ]
    pitch_um: PitchUm = None
    method: Method = MethodName.REFINED
    encoding: Encoding = "auto"
    print_profile: PrintProfile = None
    far: Annotated[
        list[Path] | None,
        path("--far", "With --keep-print: the same print from further away; may be given again."),
    ] = None
    keep_print: Annotated[
        str | None, text("--keep-print", "Keep the print's profile under this name, or in this .json file.")
    ] = None
    physical: Physical = False
    f_number: FNumber = None
    at_lpmm: AtLpmm = None
    as_json: AsJson = False


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
    options, at_lpmm = measure_options(given), lpmm_list(given.at_lpmm)
    done = lensbench.measure(given.photo, options, f_number=given.f_number, at_lpmm=at_lpmm)
    kept = _kept_print(given, done.shot, options) if given.keep_print else []
    if given.as_json:
        say_document(done.to_json())
    else:
        say(*_lines(done.shot, options, at_lpmm))
    if kept:
        say(*kept, err=given.as_json)
    if not any(edge.edge.measured for edge in done.shot.edges):
        raise typer.Exit(1)


def _kept_print(given: MeasureCommand, near: "ShotResult", options: "lensbench.MeasureOptions") -> list[str]:
    """Make and keep the profile of a print from photographs at two or more distances; say what it is."""
    from lensbench.capture import profile_from_distances

    far = [lensbench.measure(photo, options, f_number=given.f_number).shot for photo in given.far or ()]
    name = given.keep_print or ""
    return keep_and_say(profile_from_distances([near, *far], name=Path(name).stem), name)


def _lines(shot: "ShotResult", options: "lensbench.MeasureOptions", at_lpmm: tuple[float, ...]) -> list[str]:
    lines = [_answer(shot), "", _table_head(), *(_table_row(shot, zone) for zone in shot.summary), ""]
    lines += reading_lines(shot, options, at_lpmm)
    lines += [f"Taken with: {_settings(shot.metadata)}.", _standing(shot)]
    if shot.quality:
        lines += ["", "Remarks:"]
        for remark in shot.quality:
            advice = remark.advice[:1].upper() + remark.advice[1:]
            lines.append(f"  {remark.severity.value}: {remark.message}. {advice}.")
    return lines


def _answer(shot: "ShotResult") -> str:
    """Say in plain words how sharp the picture is, and where most and least."""
    frame = shot.summary["frame"]
    if not isfinite(frame.mtf50_cypx):
        some = any(isfinite(figure.mtf50_cypx) for figure in shot.summary.values())
        what = "the whole frame" if some else "it"
        return f"{shot.path.name}: no figure can be given for {what}; the remarks say why."
    low, high = frame.ci95_cypx
    says = (
        f"{shot.path.name}: over the frame, half the contrast is left at {frame.mtf50_cypx:.3f} cy/px "
        f"({low:.3f} to {high:.3f} from this photograph alone)"
    )
    says += f", that is {_in_other_units(shot, frame.mtf50_cypx)}."
    zones = {
        zone: figure.mtf50_cypx
        for zone, figure in shot.summary.items()
        if zone != "frame" and isfinite(figure.mtf50_cypx)
    }
    if len(zones) > 1:
        best, worst = max(zones, key=lambda zone: zones[zone]), min(zones, key=lambda zone: zones[zone])
        loss = 100.0 * (1.0 - zones[worst] / zones[best])
        says += f" The {best} zone is sharpest, the {worst} zone softest, {loss:.0f} % below it."
    return says


def _in_other_units(shot: "ShotResult", frequency_cypx: float) -> str:
    from lensbench.model.units import lpmm_from_cypx, lwph_from_cypx

    lwph = f"{lwph_from_cypx(frequency_cypx, shot.picture_height_px):.0f} LW/PH"
    if shot.pixel_pitch_um is None:
        return lwph
    return f"{lpmm_from_cypx(frequency_cypx, shot.pixel_pitch_um):.1f} lp/mm or {lwph}"


_COLUMNS = "  {:<8} {:>12} {:>16} {:>7} {:>7} {:>9} {:>11} {:>6}"


def _table_head() -> str:
    return _COLUMNS.format(
        "zone", "MTF50 cy/px", "95 % interval", "lp/mm", "LW/PH", "sagittal", "tangential", "edges"
    )


def _table_row(shot: "ShotResult", zone: str) -> str:
    from lensbench.model.units import lpmm_from_cypx, lwph_from_cypx

    figure: ZoneFigure = shot.summary[zone]
    low, high = figure.ci95_cypx
    pitch_um = shot.pixel_pitch_um
    lpmm = float("nan") if pitch_um is None else lpmm_from_cypx(figure.mtf50_cypx, pitch_um)
    return _COLUMNS.format(
        zone,
        _shown(figure.mtf50_cypx, 3),
        f"{low:.3f} to {high:.3f}" if isfinite(low) else "-",
        _shown(lpmm, 1),
        _shown(lwph_from_cypx(figure.mtf50_cypx, shot.picture_height_px), 0),
        _shown(figure.sagittal_cypx, 3),
        _shown(figure.tangential_cypx, 3),
        figure.edges,
    )


def _shown(figure: float, decimals: int) -> str:
    return f"{figure:.{decimals}f}" if isfinite(figure) else "-"


def _settings(metadata: "Metadata") -> str:
    parts = [metadata.camera or "unknown camera", metadata.lens or "unknown lens"]
    if metadata.focal_length_mm is not None:
        parts.append(focal_length(metadata.focal_length_mm))
    if metadata.f_number is not None:
        parts.append(f_stop(metadata.f_number))
    if metadata.iso is not None:
        parts.append(f"ISO {metadata.iso}")
    if metadata.exposure_s is not None:
        parts.append(shutter_speed(metadata.exposure_s))
    return ", ".join(parts)


def _standing(shot: "ShotResult") -> str:
    chart, tilt = shot.chart, shot.tilt
    targets = f"{chart.targets_found} of {chart.targets_on_chart} targets"
    parts = [f"Chart: {chart.name}, {targets}, contrast {_contrast_line(chart.contrast)}"]
    if shot.magnification is not None:
        parts.append(f"magnification 1:{1.0 / shot.magnification:.1f}")
    if shot.distance_mm is not None:
        parts.append(f"{shot.distance_mm / 1000.0:.2f} m from the sensor")
    if isfinite(tilt.yaw_deg):
        parts.append(
            f"camera turned {_turned(tilt.yaw_deg, 'right', 'left')}, {_turned(tilt.pitch_deg, 'up', 'down')}"
        )
    parts.append(f"rolled {_turned(tilt.roll_deg, 'clockwise', 'counter-clockwise')}")
    parts.append(f"distortion {chart.radial_distortion_percent:+.1f} % at the corner")
    if chart.residual_px > _NOT_PLANE_PX:
        parts.append(
            f"targets stray {chart.residual_px:.1f} px from a plane (is the chart flat, and joined well?)"
        )
    if isfinite(chart.framing_percent):
        parts.append(f"targets cover {chart.framing_percent:.0f} % of the picture")
    if isfinite(chart.outermost_light_percent):
        stops = round(log2(chart.outermost_light_percent / 100.0), 1) + 0.0  # no -0.0
        parts.append(
            f"light at {chart.outermost_height:.2f} of the way to the corner "
            f"{chart.outermost_light_percent:.0f} % of the centre's ({stops:+.1f} stops)"
        )
    return "; ".join(parts) + "."


_DEEPEST_CONTRAST = 100.0
_NOT_PLANE_PX = 0.5


def _contrast_line(contrast: float) -> str:
    """Say bright over dark; where the dark is all but black, glare and noise decide the figure."""
    return f"{contrast:.1f}:1" if contrast <= _DEEPEST_CONTRAST else f"above {_DEEPEST_CONTRAST:.0f}:1"


def _turned(angle_deg: float, positive: str, negative: str) -> str:
    return f"{abs(angle_deg):.1f} degrees {positive if angle_deg >= 0.0 else negative}"


def reading_lines(
    shot: "ShotResult", options: "lensbench.MeasureOptions", at_lpmm: Sequence[float]
) -> list[str]:
    """Give the lines that follow the table of MTF50; none without further options."""
    return [*_look(shot, options), *_contrast(shot, at_lpmm), *_blur(shot, options)]


def _look(shot: "ShotResult", options: "lensbench.MeasureOptions") -> list[str]:
    viewing = options.viewing(shot.picture_height_px)
    if viewing is None:
        return []
    columns = {
        "acutance": _by_zone(shot, lambda edge: edge.acutance, decimals=3),
        "JND": _by_zone(shot, lambda edge: edge.sharpness_jnd, decimals=1),
    }
    return _table(f"{look_in_words(viewing)} (JND: just noticeable differences of sharpness):", columns)


def _contrast(shot: "ShotResult", at_lpmm: Sequence[float]) -> list[str]:
    from lensbench.edge import edge_response_at_lpmm

    pitch_um = shot.pixel_pitch_um
    if not at_lpmm or pitch_um is None:
        return []

    def column(lpmm: float) -> dict[str, str]:
        return _by_zone(
            shot,
            lambda edge: edge_response_at_lpmm(edge, lpmm=lpmm, pixel_pitch_um=pitch_um).value,
            decimals=3,
        )

    return _table("Contrast left, of 1:", {f"{lpmm:g} lp/mm": column(lpmm) for lpmm in at_lpmm})


def _blur(shot: "ShotResult", options: "lensbench.MeasureOptions") -> list[str]:
    from lensbench.report import blur_where_it_fits, most_comes_from, not_of_a_lens

    read = [one for one in shot.edges if one.edge.physical is not None]
    fitting = sum(one.edge.physical is not None and one.edge.physical.fits for one in read)
    if not options.physical or not read:
        return []
    zones = blur_where_it_fits(shot.edges, shot.size_px)
    if "frame" not in zones or 2 * fitting < len(read):
        said = not_of_a_lens(len(read) - fitting, len(read))
        return [f"{said[:1].upper()}{said[1:]}", ""]
    columns = {
        "diffraction": {zone: f"{parts.diffraction_px:.2f}" for zone, (parts, _) in zones.items()},
        "pixel": {zone: f"{parts.pixel_px:.2f}" for zone, (parts, _) in zones.items()},
        "focus": {zone: f"{parts.defocus_px:.2f}" for zone, (parts, _) in zones.items()},
        "(disc)": {zone: f"{disc_px:.2f}" for zone, (_, disc_px) in zones.items()},
        "all else": {zone: f"{parts.other_px:.2f}" for zone, (parts, _) in zones.items()},
    }
    head = (
        "What blurs it, each part as a Gaussian's sigma in px, from the "
        f"{fitting} of {len(read)} edges whose shape a lens could make:"
    )
    return [*_table(head, columns)[:-1], f"  {most_comes_from(zones['frame'][0])}", ""]


def _by_zone(
    shot: "ShotResult", figure: "Callable[[Edge], float | None]", *, decimals: int
) -> dict[str, str]:
    from lensbench.shot import mean_by_zone

    means = mean_by_zone(shot.edges, shot.size_px, figure=figure)
    return {zone: f"{mean:.{decimals}f}" for zone, mean in means.items() if isfinite(mean)}


def _table(head: str, columns: dict[str, dict[str, str]]) -> list[str]:
    """Lay columns out zone by zone, with a dash where nothing is known."""
    from lensbench.model.shot import ZONES

    row = "  {:<8}" + " {:>11}" * len(columns)
    rows = [row.format(zone, *(column.get(zone, "-") for column in columns.values())) for zone in ZONES]
    return [head, row.format("zone", *columns), *rows, ""]
