"""`lensbench chart`: makes a chart to print."""

from pathlib import Path
from typing import Annotated, Final

import typer

from lensbench.cli.output import say
from lensbench.model.errors import SettingError
from lensbench.storage.files import check_kind

__all__ = ["chart"]


_SIGN: Final = b"/Subject (Chart to photograph"


_Out = Annotated[
    Path | None,
    typer.Option(
        help="PDF file to write.  [default: chart.pdf, or wall.pdf]", show_default=False, metavar="PATH"
    ),
]
_Paper = Annotated[
    str,
    typer.Option(
        help="A4 to A0, Letter, Legal, Tabloid, or WIDTHxHEIGHT in whole mm (500x400).", metavar="TEXT"
    ),
]
_Wall = Annotated[
    int | None,
    typer.Option(
        min=1, max=29, help="Make a wall set of this many pages.", show_default=False, metavar="NUMBER"
    ),
]
_Sensor = Annotated[
    str | None,
    typer.Option(
        help="WIDTHxHEIGHT of the sensor in mm (wall set).  [default: 36x24]",
        show_default=False,
        metavar="TEXT",
    ),
]
_Distance = Annotated[
    float | None,
    typer.Option(
        min=1.0,
        max=10_000.0,
        help="From wall to camera, in focal lengths (wall set).  [default: 50]",
        show_default=False,
        metavar="NUMBER",
    ),
]
_Solid = Annotated[
    bool, typer.Option("--solid", help="Solid black instead of grey: for printers that screen greys.")
]
_Contrast = Annotated[
    float | None,
    typer.Option(
        min=1.5,
        max=20.0,
        help="Bright over dark, 1.5 to 20.  [default: 4; wall set: black]",
        show_default=False,
        metavar="NUMBER",
    ),
]


def chart(
    *,
    out: _Out = None,
    paper: _Paper = "A4",
    wall: _Wall = None,
    sensor: _Sensor = None,
    distance_f: _Distance = None,
    solid: _Solid = False,
    contrast: _Contrast = None,
) -> None:
    """Make a chart to print, as a PDF in exact millimetres: one sheet, or a wall set of pages.

    A sheet: print it at actual size on matte paper, fix it flat on a rigid board, and fill the picture with it up
    to the brackets of your camera's ratio.

    A wall set (--wall 13): one large target a page, hung on a wall to fill the frame; the first page says where.
    It needs no plotter, and stands far enough away that the print's own blur does not count.

    Example: lensbench chart --wall 13 --paper A4 --distance-f 50 --out wall.pdf
    """
    if solid and contrast is not None:
        raise SettingError("give either --solid or --contrast, not both")
    if wall is None and (sensor is not None or distance_f is not None):
        raise SettingError("--sensor and --distance-f belong to a wall set: give --wall PAGES too")
    path = out or Path("chart.pdf" if wall is None else "wall.pdf")
    what = "a chart (PDF) as this program wrote it"
    check_kind(path, suffix=".pdf", begins=b"%PDF-", sign=_SIGN, what=what)
    if wall is None:
        say(_sheet(path, paper=paper, solid=solid, contrast=contrast))
        return
    distance_f = 50.0 if distance_f is None else distance_f
    say(
        _wall(
            path, pages=wall, paper=paper, sensor=sensor or "36x24", distance_f=distance_f, contrast=contrast
        )
    )


def _sheet(out: Path, *, paper: str, solid: bool, contrast: float | None) -> str:
    from lensbench.chart.draw import draw
    from lensbench.chart.layout import DEFAULT_CONTRAST, sheet

    layout = sheet(paper, solid=solid, contrast=DEFAULT_CONTRAST if contrast is None else contrast)
    draw(layout, out)
    return (
        f"{out}: {layout.name}, {len(layout.targets)} targets. Print it at actual size (100 %), then measure the line "
        "in its lower margin."
    )


def _wall(
    out: Path, *, pages: int, paper: str, sensor: str, distance_f: float, contrast: float | None
) -> str:
    from lensbench.chart.draw import draw_wall
    from lensbench.chart.layout import dark_reflectance, hanging

    dark = 0.0 if contrast is None else dark_reflectance(contrast)
    plan = hanging(pages, paper=paper, sensor_mm=_sensor_mm(sensor), focal_lengths=distance_f)
    draw_wall(plan, out, dark_reflectance=dark)
    frame_cm = " x ".join(f"{side / 10.0:.0f}" for side in reversed(plan.frame_mm))
    return (
        f"{out}: where to hang, and {pages} pages {plan.pages[0].page.paper} for a frame of {frame_cm} cm "
        f"({plan.focal_lengths:g} focal lengths from the wall). Print at actual size (100 %), "
        "then measure the line on each page."
    )


def _sensor_mm(text: str) -> tuple[float, float]:
    """Read WIDTHxHEIGHT and give (height, width).

    Raises
    ------
    SettingError
        It is not that.
    """
    try:
        width_mm, height_mm = (float(side) for side in text.lower().split("x"))
    except ValueError:
        raise SettingError(f"--sensor {text}: give WIDTHxHEIGHT in millimetres, such as 36x24") from None
    return height_mm, width_mm
