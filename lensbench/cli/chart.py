"""`lensbench chart`: makes a chart to print."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final

from lensbench.cli.options import number, path, switch, text
from lensbench.cli.output import say
from lensbench.model.errors import SettingError
from lensbench.storage.files import check_kind

_SIGN: Final = b"/Subject (Chart to photograph"


@dataclass(frozen=True, kw_only=True)
class ChartCommand:
    """The options of `chart`."""

    out: Annotated[Path | None, path("--out", "PDF file to write.  [default: chart.pdf, or wall.pdf]")] = None
    paper: Annotated[
        str, text("--paper", "A4 to A0, Letter, Legal, Tabloid, or WIDTHxHEIGHT in whole mm (500x400).")
    ] = "A4"
    wall: Annotated[int | None, number("--wall", "Make a wall set of this many pages.", 1, 29)] = None
    sensor: Annotated[
        str | None, text("--sensor", "WIDTHxHEIGHT of the sensor in mm (wall set).  [default: 36x24]")
    ] = None
    distance_f: Annotated[
        float | None,
        number(
            "--distance-f", "From wall to camera, in focal lengths (wall set).  [default: 50]", 1.0, 10_000.0
        ),
    ] = None
    solid: Annotated[
        bool, switch("--solid", "Solid black instead of grey: for printers that screen greys.")
    ] = False
    contrast: Annotated[
        float | None,
        number("--contrast", "Bright over dark, 1.5 to 20.  [default: 4; wall set: black]", 1.5, 20.0),
    ] = None


def chart(given: ChartCommand) -> None:
    """Make a chart to print, as a PDF in exact millimetres: one sheet, or a wall set of pages.

    A sheet: print it at actual size on matte paper, fix it flat on a rigid board, and fill the picture with it up
    to the brackets of your camera's ratio.

    A wall set (--wall 13): one large target a page, hung on a wall to fill the frame; the first page says where.
    It needs no plotter, and stands far enough away that the print's own blur does not count.

    Example: lensbench chart --wall 13 --paper A4 --distance-f 50 --out wall.pdf
    """
    if given.solid and given.contrast is not None:
        raise SettingError("give either --solid or --contrast, not both")
    if given.wall is None and (given.sensor is not None or given.distance_f is not None):
        raise SettingError("--sensor and --distance-f belong to a wall set: give --wall PAGES too")
    out = given.out or Path("chart.pdf" if given.wall is None else "wall.pdf")
    check_kind(out, suffix=".pdf", begins=b"%PDF-", sign=_SIGN, what="a chart (PDF) as this program wrote it")
    say(_sheet(out, given) if given.wall is None else _wall(out, given, given.wall))


def _sheet(out: Path, given: ChartCommand) -> str:
    from lensbench.chart.draw import draw
    from lensbench.chart.layout import DEFAULT_CONTRAST, sheet

    contrast = DEFAULT_CONTRAST if given.contrast is None else given.contrast
    layout = sheet(given.paper, solid=given.solid, contrast=contrast)
    draw(layout, out)
    return (
        f"{out}: {layout.name}, {len(layout.targets)} targets. Print it at actual size (100 %), then measure the line "
        "in its lower margin."
    )


def _wall(out: Path, given: ChartCommand, pages: int) -> str:
    from lensbench.chart.draw import draw_wall
    from lensbench.chart.layout import dark_reflectance, hanging

    dark = 0.0 if given.contrast is None else dark_reflectance(given.contrast)
    distance_f = 50.0 if given.distance_f is None else given.distance_f
    sensor_mm = _sensor_mm(given.sensor or "36x24")
    plan = hanging(pages, paper=given.paper, sensor_mm=sensor_mm, focal_lengths=distance_f)
    draw_wall(plan, out, dark_reflectance=dark)
    frame_cm = " x ".join(f"{side / 10.0:.0f}" for side in reversed(plan.frame_mm))
    return (
        f"{out}: where to hang, and {pages} pages {plan.pages[0].page.paper} for a frame of {frame_cm} cm "
        f"({plan.focal_lengths:g} focal lengths from the wall). Print at actual size (100 %), "
        "then measure the line on each page."
    )


def _sensor_mm(given: str) -> tuple[float, float]:
    """Read WIDTHxHEIGHT and give (height, width).

    Raises
    ------
    SettingError
        It is not that.
    """
    try:
        width_mm, height_mm = (float(side) for side in given.lower().split("x"))
    except ValueError:
        raise SettingError(f"--sensor {given}: give WIDTHxHEIGHT in millimetres, such as 36x24") from None
    return height_mm, width_mm
