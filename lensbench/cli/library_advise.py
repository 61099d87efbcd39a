"""`lensbench library advise`: which lens and which stop, for a focal length or for a picture.

Also the tables that the other commands of `lensbench library` print.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

import lensbench
from lensbench.cli.options import AsJson, LibraryFile, number, switch
from lensbench.cli.output import say, say_document
from lensbench.model.setting import f_stop, focal_length, focal_order, shutter_speed
from lensbench.model.shot import ZONES

if TYPE_CHECKING:
    from lensbench.library import Advice, KeptSession, LeftOut, LensAdvice, LensPlan, PicturePlan, StopPlan
    from lensbench.model.flags import Note


def list_lines(sessions: "Sequence[KeptSession]", place: Path) -> list[str]:
    """Give one line a session."""
    if not sessions:
        return [f"The library is empty; `lensbench library add FOLDER` adds a sweep. Place: {place}"]
    lines = [f"{len(sessions)} session{'s' * (len(sessions) != 1)} in {place}"]
    for one in sessions:
        focals = ", ".join(f"{focal:g}" for focal in one.focal_lengths_mm) or "unknown focal length,"
        stops = sorted({shot.setting.f_number for shot in one.counted})
        range_ = f"{f_stop(stops[0])} to {f_stop(stops[-1])}" if stops else "unknown stops"
        lines.append(
            f"  {one.title}: {focals} mm, {range_}, {len(one.counted)} shots, added {one.added_at[:10]}"
        )
    return lines


def session_form(session: "KeptSession", *, curves: bool = False) -> dict[str, Any]:
    """Give a session for JSON, on demand with its curves."""
    from lensbench.report import plain

    form: dict[str, Any] = {
        name: plain(getattr(session, name))
        for name in ("lens", "camera", "session", "added_at", "focal_lengths_mm", "pixel_pitch_um", "size_px")
    }
    form |= {"sensor_data": session.sensor_data, "shots": len(session.counted), "best": None}
    if session.best is not None:
        best = session.best
        form["best"] = {
            "focal_length_mm": best.setting.focal_length_mm,
            "f_number": best.setting.f_number,
            "mtf50_cypx": best.mtf50_cypx,
            "ci95_cypx": plain(best.ci95_cypx or (math.nan, math.nan)),
        }
    if curves:
        form["curve"] = [plain(point) for point in _points(session)]
    return form


def _points(session: "KeptSession") -> list[dict[str, Any]]:
    from lensbench.library import LensCurve, measured_curve

    points = []
    focals = sorted({shot.setting.focal_length_mm for shot in session.counted}, key=focal_order)
    for focal in focals:
        for zone in ZONES:
            curve = measured_curve(session, focal, zone=zone)
            if isinstance(curve, LensCurve):
                points += [
                    {
                        "focal_length_mm": focal,
                        "f_number": reading.f_number,
                        "zone": zone,
                        "mtf50_cypx": math.exp(reading.log_mtf50),
                        "ci95_cypx": curve.interval(reading),
                        "shots": reading.shots,
                    }
                    for reading in curve.readings
                ]
    return points


def show_lines(session: "KeptSession") -> list[str]:
    """Give a session's curves, one line a setting, the zones beside one another."""
    lines = [f"{session.title}: {len(session.counted)} shots, added {session.added_at[:10]}."]
    if session.best is not None:
        best, focal = session.best, session.best.setting.focal_length_mm
        stop = f_stop(best.setting.f_number)
        at = f"{focal_length(focal)} and {stop}" if focal else stop
        lines[0] += f" The sweep's best for the whole frame: {at}, {best.mtf50_cypx:.3f} cy/px."
    if not session.focal_lengths_mm:
        lines.append("  Its focal length is not known, so it answers for none.")
    row = "  {:>6} {:>7}" + " {:>22}" * len(ZONES)
    lines.append(row.format("mm", "f-stop", *(f"{zone} cy/px" for zone in ZONES)))
    settings: dict[tuple[float | None, float], dict[str, str]] = {}
    for point in _points(session):
        cells = settings.setdefault((point["focal_length_mm"], point["f_number"]), {})
        cells[point["zone"]] = f"{point['mtf50_cypx']:.3f}{_range(point['ci95_cypx'])}"
    for (focal_mm, f_number), cells in sorted(
        settings.items(), key=lambda each: (focal_order(each[0][0]), each[0][1])
    ):
        name = f"{focal_mm:g}" if focal_mm else "?"
        lines.append(row.format(name, f_stop(f_number), *(cells.get(zone, "-") for zone in ZONES)))
    return lines


def advice_lines(advice: "Advice") -> list[str]:
    """Give the answer first, then the table."""
    from lensbench.report import advice_sentences

    row = "  {:<3} {:>6} {:>23} {:>7} {:>7} {:>22}  {}"
    head = row.format("", "f-stop", "MTF50 cy/px", "lp/mm", "LW/PH", "softer than the best", "lens")
    lines = [" ".join(advice_sentences(advice)), "", head, *(_advice_row(row, one) for one in advice.lenses)]
    lines.append("  = the sharpest, and what can't be told from it at 95 % or lies within 3 %.")
    return lines + _beside(advice.left_out, advice.cautions)


def _advice_row(row: str, one: "LensAdvice") -> str:
    from lensbench.report import interval

    behind = f"{one.behind_percent:.0f} %{interval(one.behind_ci95_percent)}"
    return row.format(
        "=" if one.tied else "",
        f_stop(one.f_number),
        f"{one.mtf50_cypx:.3f}{_range(one.ci95_cypx)}",
        _shown(one.mtf50_lpmm, 1),
        _shown(one.mtf50_lwph, 0),
        behind if one.behind_percent > 0.0 else "-",
        f"{one.lens} on {one.camera}",
    )


def picture_lines(plan: "PicturePlan") -> list[str]:
    """Give the answer first, then each lens's stops."""
    from lensbench.report import picture_sentences

    lines = [" ".join(picture_sentences(plan))]
    for lens in plan.lenses:
        lines += ["", f"{lens.lens} on {lens.camera}, predicted MTF50 in cy/px:", *_stops(lens)]
    return lines + _beside(plan.left_out, plan.cautions)


def _stops(lens: "LensPlan") -> list[str]:
    row = "  {:<1} {:>6} {:>22} {:>22} {:>22} {:>8} {:>9} {:>6}"
    head = row.format("", "f-stop", "at focus", "near limit", "far limit", "disc px", "shutter", "ISO")
    return [head, *(_stop_row(row, stop, lens) for stop in lens.stops)]


def _stop_row(row: str, stop: "StopPlan", lens: "LensPlan") -> str:
    figures = (stop.at_focus, stop.at_near, stop.at_far)
    line = row.format(
        "*" if stop.f_number == lens.best.f_number else "",
        f_stop(stop.f_number),
        *(f"{one.mtf50_cypx:.3f}{_range(one.range_cypx)}" for one in figures),
        f"{stop.disc_px:.1f}",
        "-" if stop.exposure_s is None else shutter_speed(stop.exposure_s),
        "-" if stop.iso is None else f"{stop.iso:.0f}",
    )
    return f"{line}  {stop.dark_by_stops:.1f} stops too dark" if stop.dark_by_stops > 0.0 else line


def _beside(left_out: "Sequence[LeftOut]", cautions: "Sequence[Note]") -> list[str]:
    from lensbench.report import note_in_words

    lines = [""] if left_out or cautions else []
    lines += [f"Left out: {one.lens} on {one.camera}: {note_in_words(one.reason)}." for one in left_out]
    return lines + [f"Mind: {note_in_words(caution)}" for caution in cautions]


def _range(ends: Sequence[float]) -> str:
    return f" ({ends[0]:.3f} to {ends[1]:.3f})" if math.isfinite(ends[0]) else ""


def _shown(figure: float, decimals: int) -> str:
    return f"{figure:.{decimals}f}" if math.isfinite(figure) else "-"


class Zone(StrEnum):
    """Which part of the picture counts."""

    FRAME = "frame"
    INNER = "inner"
    MIDDLE = "middle"
    OUTER = "outer"


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


@dataclass(frozen=True, kw_only=True)
class AdviseCommand:
    """The options of `library advise`."""

    focal_length: Annotated[float, number("--focal-length", "Focal length in mm.", 1.0, 5000.0)]
    f_number: Annotated[
        float | None, number("--f-number", "All at this stop.  [default: each at its best]", 0.5, 128.0)
    ] = None
    zone: Annotated[
        Zone, typer.Option("--zone", help="The part of the picture that counts: all, or one of its thirds.")
    ] = Zone.FRAME
    near: Annotated[
        float | None, number("--near", "Nearest thing to be sharp, in m from the sensor.", 0.01, 1_000_000.0)
    ] = None
    far: Annotated[float | None, number("--far", "Furthest thing, in m; «inf» for infinity.", 0.01)] = None
    shutter: Annotated[
        float | None,
        typer.Option("--shutter", parser=seconds, metavar="SECONDS", help="Exposure time to keep: 1/60."),
    ] = None
    ev: Annotated[float | None, number("--ev", "Brightness as exposure value at ISO 100.", -20.0, 25.0)] = (
        None
    )
    iso_limit: Annotated[float | None, number("--iso-limit", "Highest ISO you accept.", 1.0, 1e7)] = None
    handheld: Annotated[bool, switch("--handheld/--tripod", "Whether hands shake it.")] = False
    library: LibraryFile = None
    as_json: AsJson = False


def advise(given: AdviseCommand) -> None:
    """Tell which lens and which stop, for a focal length or, with --near and --far, for a picture.

    With near and far limits, MTF50 (in cycles per pixel) is predicted at the plane of focus and at both limits for
    each stop, from the measured curve, the depth, and with --handheld the shake of hands.

    Example: lensbench library advise --focal-length 35 --near 2.5 --far 8
    """
    _check(given)
    library, focal_length_mm, zone = (lensbench.Library(given.library), given.focal_length, given.zone.value)
    done: lensbench.AdviceResult | lensbench.PictureResult
    if given.near is None or given.far is None:
        done = library.advise(focal_length_mm, f_number=given.f_number, zone=zone)
        lines = advice_lines(done.advice)
    else:
        wanted = lensbench.Wanted(
            focal_length_mm=focal_length_mm,
            near_m=given.near,
            far_m=given.far,
            shutter_s=given.shutter,
            ev=given.ev,
            iso_limit=given.iso_limit,
            handheld=given.handheld,
            zone=zone,
        )
        done = library.plan_picture(wanted)
        lines = picture_lines(done.plan)
    if given.as_json:
        say_document(done.to_json())
    else:
        say(*lines)


def _check(given: AdviseCommand) -> None:
    """Refuse options that don't go together."""
    if (given.near is None) != (given.far is None):
        raise typer.BadParameter("--near and --far belong together; «--far inf» is infinity")
    if given.near is not None and given.f_number is not None:
        raise typer.BadParameter("--f-number is what --near and --far choose; leave one out")
    picture_only = (given.shutter, given.ev, given.iso_limit, given.handheld or None)
    if given.near is None and any(option is not None for option in picture_only):
        raise typer.BadParameter("--shutter, --ev, --iso-limit and --handheld need --near and --far")
