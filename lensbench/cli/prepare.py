"""`lensbench chart` and `lensbench plan`: what is made before the camera comes out."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, Literal

from lensbench.cli.options import (
    SENSOR_NAMES,
    PictureSize,
    RoomFile,
    SensorPitchUm,
    level_size_px,
    number,
    numbers_in,
    option,
    path,
    read_ends,
    sensor_mm,
    text,
)
from lensbench.cli.output import say
from lensbench.model.errors import SettingError
from lensbench.storage.files import Listing, check_kind, writing
from lensbench.storage.text import name_in_tables

if TYPE_CHECKING:
    from lensbench.capture import ShootPlan

_SAME_SHAPE: Final = 0.03
"""By so much may the sides of a sensor and of its pictures differ in ratio. Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class ChartCommand:
    """The options of `chart`."""

    out: Annotated[Path | None, path("PDF file to write.  [default: chart.pdf, or wall.pdf]")] = None
    paper: Annotated[
        str, text("A4 to A0, Letter, Legal, Tabloid, or WIDTHxHEIGHT in whole mm (500x400).")
    ] = "A4"
    wall: Annotated[int | None, number("Make a wall set of this many pages.", 1, 29, whole=True)] = None
    sensor: Annotated[
        str | None, text(f"WIDTHxHEIGHT of the sensor in mm, or {SENSOR_NAMES} (wall set).  [default: 36x24]")
    ] = None
    distance_f: Annotated[
        float | None,
        number(
            "From wall to camera, in focal lengths (wall set).  [default: 50]", 1.0, 1e4, kind="focal lengths"
        ),
    ] = None
    solid: Annotated[
        bool, option("Solid black instead of grey: for printers that screen greys.", "--solid")
    ] = False
    contrast: Annotated[
        float | None,
        number("Bright over dark, 1.5 to 20.  [default: 4; wall set: black]", 1.5, 20.0, kind="ratio"),
    ] = None
    room: RoomFile = None
    list_papers: Annotated[bool, option("List the papers and the wall sets, and make nothing.", "--list")] = (
        False
    )


def chart(given: ChartCommand) -> None:
    """Make a chart to print, as a PDF in exact millimetres: one sheet, or a wall set of pages.

    A sheet: print it at actual size on matte paper, fix it flat on a rigid board, and fill the picture with it up
    to the brackets of your camera's ratio.

    A wall set (--wall 13): one large target a page, hung on a wall to fill the frame; the first page says where.
    It needs no plotter, and stands far enough away that the print's own blur does not count.

    Example: lensbench chart --wall 13 --paper A4 --distance-f 50 --out wall.pdf
    """
    if given.list_papers:
        say(*_papers())
        return
    if given.solid and given.contrast is not None:
        raise SettingError("give either --solid or --contrast, not both")
    if given.wall is None and (given.sensor is not None or given.distance_f is not None):
        raise SettingError("--sensor and --distance-f belong to a wall set: give --wall PAGES too")
    out = given.out or Path("chart.pdf" if given.wall is None else "wall.pdf")
    sign = b"/Subject (Chart to photograph"
    check_kind(out, suffix=".pdf", begins=b"%PDF-", sign=sign, what="a chart (PDF) as this program wrote it")
    say(_sheet(out, given) if given.wall is None else _wall(out, given, given.wall))


def _papers() -> Iterator[str]:
    """Every paper of a sheet with its targets, then of which a wall set can be."""
    from lensbench.chart.layout import NAMED_PAPERS, WALL_PAPERS, sheet

    yield "Sheets (--paper), fill the picture with one:"
    for paper in NAMED_PAPERS:
        short_mm, long_mm = paper.size_mm
        targets = len(sheet(paper.name, solid=False).targets)
        yield f"  {paper.name:<8} {long_mm:.0f} x {short_mm:.0f} mm, {targets} targets"
    yield "  or any WIDTHxHEIGHT in whole mm, such as 500x400"
    yield f"Wall sets (--wall PAGES, 1 to 29), a large target on each page: {', '.join(WALL_PAPERS)}"


def _sheet(out: Path, given: ChartCommand) -> str:
    from lensbench.chart.draw import draw
    from lensbench.chart.layout import DEFAULT_CONTRAST, sheet

    layout = sheet(given.paper, solid=given.solid, contrast=given.contrast or DEFAULT_CONTRAST)
    draw(layout, out)
    return (
        f"{out}: {layout.name}, {len(layout.targets)} targets. Print it at actual size (100 %), then measure the line "
        "in its lower margin."
    )


def _wall(out: Path, given: ChartCommand, pages: int) -> str:
    from lensbench.chart.draw import draw_wall
    from lensbench.chart.layout import dark_reflectance, hanging

    width_mm, height_mm = sensor_mm(given.sensor or "36x24")
    dark = 0.0 if given.contrast is None else dark_reflectance(given.contrast)
    distance_f = given.distance_f or 50.0
    plan = hanging(pages, paper=given.paper, sensor_mm=(height_mm, width_mm), focal_lengths=distance_f)
    draw_wall(plan, out, dark_reflectance=dark)
    frame_cm = " x ".join(f"{side / 10.0:.0f}" for side in reversed(plan.frame_mm))
    return (
        f"{out}: where to hang, and {pages} pages {plan.pages[0].page.paper} for a frame of {frame_cm} cm "
        f"({plan.focal_lengths:g} focal lengths from the wall). Print at actual size (100 %), "
        "then measure the line on each page."
    )


@dataclass(frozen=True, kw_only=True)
class PlanCommand:
    """The options of `plan`."""

    focal: Annotated[str, text("Of the lens, in mm: 50, or 24-70.")]
    widest: Annotated[str, text("Widest f-number: 2.8, or 3.5-5.6 where it floats.")]
    out: Annotated[Path, path("Folder to write into.", file_okay=False)] = Path("lensbench-plan")
    narrowest: Annotated[float, number("Narrowest f-number worth a shot.", 0.5, 128.0, kind="f-number")] = (
        16.0
    )
    closest_m: Annotated[
        float | None, number("Closest focus, subject to sensor, in m.", 0.01, 1000.0, kind="m")
    ] = None
    lens: Annotated[str, text("Name, for the table.")] = ""
    camera: Annotated[str, text("Name, for the table.")] = ""
    sensor: Annotated[
        str | None, text(f"WIDTHxHEIGHT of the sensor in mm, or {SENSOR_NAMES}: instead of --pitch-um.")
    ] = None
    pitch_um: SensorPitchUm = 6.0
    size: PictureSize = "4000x6000"
    paper: Annotated[str, text("Largest paper you can print, as for `chart`.")] = "A4"
    chart: Annotated[
        Literal["auto", "sheet", "wall"], option("One sheet, a wall set, or what the room allows.")
    ] = "auto"
    room_m: Annotated[float, number("Length of the room, in m.", 0.3, 1000.0, kind="m")] = 4.0
    print_edge_mm: Annotated[
        float, number("10-90 % rise of a printed edge, in mm.", 0.001, 10.0, kind="mm")
    ] = 0.1
    print_dpi: Annotated[float, number("Of the printer, in dots per inch.", 10.0, 2e4, kind="dpi")] = 600.0
    exposure: Annotated[str, text("TIME@STOP that your light asks for; other stops follow.")] = "1/30@5.6"
    stops: Annotated[str, text("f-numbers with commas between.  [default: full stops]")] = ""
    focal_lengths: Annotated[str, text("In mm, with commas between.  [default: 3 to 5]")] = ""
    repeats: Annotated[int, number("Shots a setting, focused anew.", 1, 20, whole=True)] = 3
    bracket: Annotated[
        bool, option("Focus brackets, which tell of focus shift.", "--bracket/--no-bracket")
    ] = True
    first_file: Annotated[str, text("Name of the first file to come: DSC00417.ARW.")] = ""
    quick: Annotated[
        bool, option("Ten-minute test of a used lens: 12 shots at most, one page.", "--quick")
    ] = False
    room: RoomFile = None
    replace: Annotated[bool, option("Write over a shots.csv that holds your entries.", "--replace")] = False


def plan(given: PlanCommand) -> None:
    """Plan a shoot: where to stand, which chart, how flat and square it must hang, every shot, and the time.

    Writes checklist.pdf to print, and shots.csv for `check --plan` and `sweep --shots`.

    Example: lensbench plan --focal 24-70 --widest 2.8 --closest-m 0.38 --paper A4 --room-m 5 --out plan
    """
    from lensbench.capture import checklist_pdf, counted_names, table_shots, table_text

    made = _made(given)
    names = counted_names(given.first_file, len(made.shots)) if given.first_file else []
    out = given.out
    _keep_entries(out / "shots.csv", replace=given.replace)
    files = {"checklist.pdf": checklist_pdf(made), "shots.csv": table_text(table_shots(made, files=names))}
    with writing(out):
        Listing(folder=out, what="plan").write(files, agreed=("shots.csv",) if given.replace else ())
    say(*_plan_lines(made))
    say(f"Written: {out / 'checklist.pdf'} to print, {out / 'shots.csv'} for check and sweep")


def _made(given: PlanCommand) -> "ShootPlan":
    from lensbench.capture import CameraGear, Exposure, LensGear, Place, PrintGear, make_plan, quick_plan

    widest, widest_at_long = read_ends(given.widest, "--widest", kind="f-number")
    lens = LensGear(
        name=name_in_tables(given.lens),
        focal_range_mm=read_ends(given.focal, "--focal", kind="mm"),
        widest_f_number=widest,
        widest_at_long=None if widest_at_long == widest else widest_at_long,
        narrowest_f_number=max(given.narrowest, widest_at_long),
        closest_mm=None if given.closest_m is None else 1000.0 * given.closest_m,
    )
    size_px = level_size_px(given.size)
    pitch_um = given.pitch_um if given.sensor is None else _pitch_um(given.sensor, size_px)
    camera = CameraGear(name=name_in_tables(given.camera), pitch_um=pitch_um, size_px=size_px)
    place = Place(
        room_mm=1000.0 * given.room_m,
        paper=given.paper,
        printed=PrintGear(edge_mm=given.print_edge_mm, dots_per_inch=given.print_dpi),
        exposure=Exposure.parse(given.exposure),
        chart=given.chart,
    )
    lengths = numbers_in(given.focal_lengths, "--focal-lengths", kind="mm") if given.focal_lengths else []
    if given.quick:
        return quick_plan(lens, camera, place=place, focal_lengths_mm=lengths)
    stops = numbers_in(given.stops, "--stops", kind="f-number", limits=(0.5, 128.0)) if given.stops else []
    return make_plan(
        lens,
        camera,
        place=place,
        stops=stops,
        focal_lengths_mm=lengths,
        repeats=given.repeats,
        brackets=given.bracket,
    )


def _pitch_um(sensor: str, size_px: tuple[int, int]) -> float:
    """Pixel pitch of a sensor by the pixels on its longer side; a SettingError where the shapes are unlike."""
    short_mm, long_mm = sorted(sensor_mm(sensor))
    short_px, long_px = size_px
    if abs(short_px / long_px * long_mm / short_mm - 1.0) > _SAME_SHAPE:
        raise SettingError(
            f"--sensor {sensor} is {long_mm:g} x {short_mm:g} mm, another shape than pictures of {long_px} x "
            f"{short_px} px: give --size too"
        )
    return 1000.0 * long_mm / long_px


def _keep_entries(table: Path, *, replace: bool) -> None:
    """Refuse to write over a table that is no plan, and, unless asked to, over one in which photographs are named."""
    from lensbench.sweep import read_shots_table

    if not table.exists():
        return
    try:
        named = [row.file for row in read_shots_table(table) if row.file]
    except SettingError as error:
        raise SettingError(
            f"{table} is there and cannot be read as a plan: give another --out, or move it away"
        ) from error
    if named and not replace:
        raise SettingError(
            f"{table} is there and names {len(named)} photographs, the first {named[0]}: give another --out, or "
            "--replace to write over it"
        )


def _plan_lines(made: "ShootPlan") -> list[str]:
    from lensbench.capture import chart_sentence, distance_rows, figures_sentence, headline, tolerance_rows

    lines = [f"{headline(made)}.", chart_sentence(made), *made.remarks]
    for header, rows in (distance_rows(made), tolerance_rows(made)):
        widths = [max(map(len, column)) + 2 for column in zip(header, *rows, strict=True)]
        row = "  " + "".join(f"{{:<{width}}}" for width in widths)
        lines += ["", row.format(*header), *(row.format(*cells) for cells in rows)]
    return [*lines, "", figures_sentence(made)]
