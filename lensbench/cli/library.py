"""`lensbench library`: keeps measured lenses, and answers from them: which lens and which stop."""

import json
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

import typer

import lensbench
from lensbench.cli.options import AsJson, Paper, argument, command, number, option, path, text
from lensbench.cli.output import say_result, shown
from lensbench.model.errors import SettingError
from lensbench.model.setting import f_stop, focal_length, focal_order, shutter_speed
from lensbench.model.shot import ZONES
from lensbench.report.text.words import note_in_words, sd_of, with_doubt

if TYPE_CHECKING:
    from lensbench.library import Advice, KeptSession, LensPlan, PicturePlan

library = typer.Typer(no_args_is_help=True, rich_markup_mode=None)
_FLAT_AT: Final = 50.0  # distance of a flat subject, in focal lengths: the customary one of test charts
_COMMANDS: Final = "advise add list show remove export import"

LibraryFile = Annotated[Path | None, path("The library.  [default: in your data folder]", metavar="FILE")]
Camera = Annotated[str | None, text("On this camera only.")]
Session = Annotated[str | None, text("This session only.")]
Replace = Annotated[bool, option("Put it in the place of what is there already.", "--replace")]
LensName = Annotated[str, argument("LENS", "Name of the lens, or a part that fits one lens only.")]


@library.callback()
def _about(ctx: typer.Context, *, library: LibraryFile = None) -> None:
    """Keep measured lenses, and ask them: which lens, which stop, for 50 mm or for a picture.

    Nothing is overwritten unless --replace is given. The library is one file in your data folder; another one
    is named with --library.

    Example: lensbench library advise --focal-length 50
    """
    ctx.default_map = {name: {"library": library} for name in _COMMANDS.split()}


def print_mm(text: str) -> tuple[float, float]:
    """Read the size of a print in centimetres, 20x30, as millimetres."""
    sides = (
        text.lower().replace("\N{MULTIPLICATION SIGN}", "x").replace("cm", "").replace(",", ".").split("x")
    )
    try:
        height_cm, width_cm = (float(side) for side in sides)
    except ValueError:
        height_cm = width_cm = 0.0
    if not (1.0 <= height_cm <= 1000.0 and 1.0 <= width_cm <= 1000.0):
        raise typer.BadParameter(f"--print-cm «{text}» is no size of a print; write 20x30")
    return 10.0 * height_cm, 10.0 * width_cm


@dataclass(frozen=True, kw_only=True)
class AdviseCommand:
    """The options of `library advise`."""

    focal_length: Annotated[float, number("Focal length in mm.", 1.0, 5000.0, kind="mm")]
    f_number: Annotated[
        float | None, number("All at this stop.  [default: each at its best]", 0.5, 128.0, kind="f-number")
    ] = None
    zone: Annotated[
        Literal["frame", "inner", "middle", "outer"],
        option("The part of the picture that counts: all, or one of its thirds."),
    ] = "frame"
    near: Annotated[
        float | None, number("Nearest thing to be sharp, in m from the sensor.", 0.01, 1e6, kind="m")
    ] = None
    far: Annotated[
        float | None, number("Furthest thing, in m; «inf» for infinity.", 0.01, kind="m", endless=True)
    ] = None
    shutter: Annotated[
        float | None, number("Exposure time to keep: 1/60.", 1e-6, 1e5, kind="s", metavar="SECONDS")
    ] = None
    ev: Annotated[
        float | None, number("Brightness as exposure value at ISO 100.", -20.0, 25.0, kind="EV")
    ] = None
    iso_limit: Annotated[float | None, number("Highest ISO you accept.", 1.0, 1e7, kind="ISO")] = None
    handheld: Annotated[bool, option("Whether hands shake it.", "--handheld/--tripod")] = False
    print_cm: Annotated[
        str | None, text("Size of the print, 20x30: what counts is what one sees of it from 40 cm.")
    ] = None
    library: LibraryFile = None
    as_json: AsJson = False


def advise(given: AdviseCommand) -> None:
    """Tell which lens and which stop, for a focal length or for a picture: its depth, its light, its print.

    With --near and --far, MTF50 (in cycles per pixel) is predicted at the plane of focus and at both limits for
    each stop, from the measured curve, the depth, and with --handheld the shake of hands.
    Without them a picture by hand, of some light or print is that of a flat subject.

    Example: lensbench library advise --focal-length 35 --near 2.5 --far 8
    """
    if (given.near is None) != (given.far is None):
        raise SettingError("--near and --far belong together; «--far inf» is infinity")
    near_m, far_m = given.near, given.far
    picture_only = (given.shutter, given.ev, given.iso_limit, given.handheld or None, given.print_cm)
    if near_m is None and any(option is not None for option in picture_only):
        near_m = far_m = _FLAT_AT * given.focal_length / 1000.0
    if near_m is not None and given.f_number is not None:
        raise SettingError("--f-number is what a picture's light, depth and print choose; leave it out")
    library = lensbench.Library(given.library)
    done: lensbench.AdviceResult | lensbench.PictureResult
    if near_m is None or far_m is None:
        done = library.advise(given.focal_length, f_number=given.f_number, zone=given.zone)
        lines = _advice_lines(done.advice)
    else:
        wanted = lensbench.Wanted(
            focal_length_mm=given.focal_length,
            near_m=near_m,
            far_m=far_m,
            shutter_s=given.shutter,
            ev=given.ev,
            iso_limit=given.iso_limit,
            handheld=given.handheld,
            zone=given.zone,
            print_mm=None if given.print_cm is None else print_mm(given.print_cm),
        )
        done = library.plan_picture(wanted)
        lines = _picture_lines(done.plan)
    say_result(lines, done.to_json, as_json=given.as_json)


library.command(short_help="tell which lens and which stop")(command(advise))


@library.command(short_help="keep the lenses of a sweep")
def add(
    folder: Annotated[Path, argument("PATH", "Folder that `lensbench sweep` wrote.")],
    session: Annotated[
        str | None, text("Tells sweeps of one lens apart.  [default: the folder's name]")
    ] = None,
    replace: Replace = False,
    library: LibraryFile = None,
    as_json: AsJson = False,
) -> None:
    """Keep the lenses of a sweep: every shot that counts, with its edges.

    Example: lensbench library add result --session "spring, wall set"
    """
    kept = lensbench.Library(library)
    _say_done("added", kept.add(folder, session=session, replace=replace), kept.path, as_json=as_json)


@library.command(name="list", short_help="name the lenses that are kept")
def list_lenses(library: LibraryFile = None, as_json: AsJson = False) -> None:
    """Name the lenses that are kept, with their focal lengths and stops.

    Example: lensbench library list
    """
    kept = lensbench.Library(library)
    sessions = kept.sessions()
    lines = _list_lines(sessions, kept.path)
    say_result(lines, lambda: _document(sessions, library=str(kept.path)), as_json=as_json)


@library.command(short_help="show the curves of a lens")
def show(
    lens: LensName,
    camera: Camera = None,
    session: Session = None,
    library: LibraryFile = None,
    as_json: AsJson = False,
) -> None:
    """Show what is kept of a lens: MTF50 in cycles per pixel at each focal length, stop and zone.

    Example: lensbench library show "Sorrel 35 mm f/2.8"
    """
    sessions = lensbench.Library(library).find(lens, camera=camera, session=session)
    lines = (line for kept in sessions for line in ("", *_show_lines(kept)))
    say_result(islice(lines, 1, None), lambda: _document(sessions, curves=True), as_json=as_json)


@library.command(short_help="forget one session of a lens")
def remove(
    lens: LensName,
    camera: Camera = None,
    session: Session = None,
    library: LibraryFile = None,
    as_json: AsJson = False,
) -> None:
    """Forget one session of a lens; where it has several, name which.

    Example: lensbench library remove "Sorrel 35 mm f/2.8" --session "spring, wall set"
    """
    kept = lensbench.Library(library)
    _say_done("removed", kept.remove(lens, camera=camera, session=session), kept.path, as_json=as_json)


@library.command(short_help="write a pocket card of every lens")
def card(
    file: Annotated[Path, argument("PATH", "File to write (PDF).")],
    lens: Annotated[str | None, text("This lens only.  [default: all]")] = None,
    paper: Paper = "A4",
    library: LibraryFile = None,
    as_json: AsJson = False,
) -> None:
    """Write a pocket card of every lens: which stops to use at each focal length.

    Cards of 85 x 54 mm, eight to a page, to cut out. A bar reaches from the first to the last stop that is at most 10 %
    softer than the best one, the ring. Of several sessions of a lens the newest counts.

    Example: lensbench library card cards.pdf
    """
    sessions = lensbench.Library(library).cards(file, lens=lens, paper=paper)
    _say_done("written", sessions, file, as_json=as_json)


@library.command(name="export", short_help="write the library to one file")
def export_lenses(
    file: Annotated[Path, argument("PATH", "File to write (JSON).")],
    lens: Annotated[str | None, text("This lens only.  [default: all]")] = None,
    replace: Replace = False,
    library: LibraryFile = None,
    as_json: AsJson = False,
) -> None:
    """Write the library, or one lens of it, to one file to carry or to back up.

    Example: lensbench library export my-lenses.json
    """
    sessions = lensbench.Library(library).export(file, lens=lens, replace=replace)
    _say_done("exported", sessions, file, as_json=as_json)


@library.command(name="import", short_help="take in the lenses of an exported file")
def import_lenses(
    file: Annotated[Path, argument("PATH", "File that `lensbench library export` wrote.")],
    replace: Replace = False,
    library: LibraryFile = None,
    as_json: AsJson = False,
) -> None:
    """Take the lenses of an exported file into the library, all or none.

    Example: lensbench library import my-lenses.json
    """
    kept = lensbench.Library(library)
    _say_done("imported", kept.take_in(file, replace=replace), kept.path, as_json=as_json)


def _say_done(done: str, sessions: "list[KeptSession]", place: Path, *, as_json: bool) -> None:
    from lensbench.report.out.json_form import headed

    names = [{"lens": kept.lens, "camera": kept.camera, "session": kept.session} for kept in sessions]
    lines = [f"{done.capitalize()} {kept.title}, {len(kept.counted)} shots." for kept in sessions]
    lines.append(f"{done.capitalize()}: {len(sessions)}. Place: {place}")
    form = {"place": str(place), done: names}
    say_result(lines, lambda: json.dumps(headed("library change", form)), as_json=as_json)


def _list_lines(sessions: "Sequence[KeptSession]", place: Path) -> Iterator[str]:
    """Give one line a session."""
    if not sessions:
        yield f"The library is empty; `lensbench library add FOLDER` adds a sweep. Place: {place}"
        return
    yield f"{len(sessions)} session{'s' * (len(sessions) != 1)} in {place}"
    for kept in sessions:
        focals = ", ".join(f"{focal:g}" for focal in kept.focal_lengths_mm) or "unknown focal length,"
        stops = sorted({shot.setting.f_number for shot in kept.counted})
        range_ = f"{f_stop(stops[0])} to {f_stop(stops[-1])}" if stops else "unknown stops"
        yield f"  {kept.title}: {focals} mm, {range_}, {len(kept.counted)} shots, added {kept.added_at[:10]}"


def _document(sessions: "Sequence[KeptSession]", *, curves: bool = False, **head: str) -> str:
    from lensbench.report.out.json_form import headed, plain

    forms = [_session_form(kept, curves=curves) for kept in sessions]
    form = headed("library list", plain({**head, "lenses": forms}))
    return json.dumps(form, allow_nan=False)


def _session_form(session: "KeptSession", *, curves: bool) -> dict[str, Any]:
    """Give a session for JSON, on demand with its curves."""
    names = ("lens", "camera", "session", "added_at", "focal_lengths_mm", "pixel_pitch_um", "size_px")
    form: dict[str, Any] = {name: getattr(session, name) for name in names}
    form |= {"sensor_data": session.sensor_data, "shots": len(session.counted), "best": None}
    if session.best is not None:
        figures = {"mtf50_cypx": session.best.mtf50_cypx, "ci95_cypx": session.best.ci95_cypx or (None, None)}
        form["best"] = asdict(session.best.setting) | figures
    if curves:
        form["curve"] = list(_points(session))
    return form


def _points(session: "KeptSession") -> Iterator[dict[str, Any]]:
    from lensbench.library import LensCurve, measured_curve

    focals = sorted({shot.setting.focal_length_mm for shot in session.counted}, key=focal_order)
    for focal in focals:
        for zone in ZONES:
            curve = measured_curve(session, focal, zone=zone)
            if not isinstance(curve, LensCurve):
                continue
            for reading in curve.readings:
                yield {
                    "focal_length_mm": focal,
                    "f_number": reading.f_number,
                    "zone": zone,
                    "mtf50_cypx": math.exp(reading.log_mtf50),
                    "ci95_cypx": curve.interval(reading),
                    "shots": reading.shots,
                }


def _show_lines(session: "KeptSession") -> Iterator[str]:
    """Give a session's curves, one line a setting, the zones beside one another."""
    title = f"{session.title}: {len(session.counted)} shots, added {session.added_at[:10]}."
    if session.best is not None:
        best, focal = session.best, session.best.setting.focal_length_mm
        stop = f_stop(best.setting.f_number)
        at = f"{focal_length(focal)} and {stop}" if focal else stop
        title += f" The sweep's best for the whole frame: {at}, {best.mtf50_cypx:.3f} cy/px."
    yield title
    if not session.focal_lengths_mm:
        yield "  Its focal length is not known, so it answers for none."
    row = "  {:>6} {:>7}" + " {:>15}" * len(ZONES)
    yield row.format("mm", "f-stop", *(f"{zone} cy/px" for zone in ZONES))
    settings: dict[tuple[float | None, float], dict[str, str]] = {}
    for point in _points(session):
        cells = settings.setdefault((point["focal_length_mm"], point["f_number"]), {})
        cells[point["zone"]] = _ranged(point["mtf50_cypx"], point["ci95_cypx"])
    for focal_mm, f_number in sorted(settings, key=lambda setting: (focal_order(setting[0]), setting[1])):
        cells = settings[focal_mm, f_number]
        name = f"{focal_mm:g}" if focal_mm else "?"
        yield row.format(name, f_stop(f_number), *(cells.get(zone, "-") for zone in ZONES))


def _advice_lines(advice: "Advice") -> Iterator[str]:
    """Give the answer first, then the table."""
    from lensbench.report.text.advice import advice_sentences, interval

    row = "  {:<3} {:>6} {:>15} {:>7} {:>7} {:>22}".format
    yield " ".join(advice_sentences(advice))
    yield ""
    yield row("", "f-stop", "MTF50 cy/px", "lp/mm", "LW/PH", "softer than the best")
    for lens in advice.lenses:
        behind = f"{lens.behind_percent:.0f} %{interval(lens.behind_ci95_percent)}"
        yield row(
            "=" if lens.tied else "",
            f_stop(lens.f_number),
            _ranged(lens.mtf50_cypx, lens.ci95_cypx),
            shown(lens.mtf50_lpmm, 1),
            shown(lens.mtf50_lwph, 0),
            behind if lens.behind_percent > 0.0 else "-",
        )
        yield f"      {lens.lens} on {lens.camera}"
    yield "  = the sharpest, and what can't be told from it at 95 % or lies within 3 %."
    yield from _beside(advice)


def _picture_lines(plan: "PicturePlan") -> Iterator[str]:
    """Give the answer first, then each lens's stops."""
    from lensbench.report.text.advice import picture_sentences

    yield " ".join(picture_sentences(plan))
    for lens in plan.lenses:
        yield from ("", f"{lens.lens} on {lens.camera}, predicted MTF50 in cy/px:", *_stop_rows(lens))
    yield from _beside(plan)


def _stop_rows(lens: "LensPlan") -> Iterator[str]:
    row = "  {:<1} {:>6} {:>14} {:>14} {:>14} {:>7} {:>9} {:>6}".format
    yield row("", "f-stop", "at focus", "near limit", "far limit", "disc px", "shutter", "ISO")
    for stop in lens.stops:
        yield row(
            "*" if stop.f_number == lens.best.f_number else "",
            f_stop(stop.f_number),
            *(_ranged(at.mtf50_cypx, at.range_cypx) for at in (stop.at_focus, stop.at_near, stop.at_far)),
            f"{stop.disc_px:.1f}",
            "-" if stop.exposure_s is None else shutter_speed(stop.exposure_s),
            "-" if stop.iso is None else f"{stop.iso:.0f}",
        )
        if stop.dark_by_stops > 0.0:
            yield f"           {stop.dark_by_stops:.1f} stops too dark"


def _beside(advice: "Advice | PicturePlan") -> Iterable[str]:
    lines = [f"Left out: {out.lens} on {out.camera}: {note_in_words(out.reason)}." for out in advice.left_out]
    lines += [f"Mind: {note_in_words(caution)}" for caution in advice.cautions]
    return ["", *lines] if lines else []


def _ranged(mtf50_cypx: float, ends: Sequence[float]) -> str:
    """A figure with half its interval of 95 %."""
    return with_doubt(mtf50_cypx, sd_of(ends), 3)
