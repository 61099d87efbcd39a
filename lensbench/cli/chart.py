"""`lensbench chart`: makes a chart to print."""

from pathlib import Path
from typing import Annotated

import typer

from lensbench.errors import SettingError

__all__ = ["chart"]


def chart(
    out: Annotated[Path, typer.Option("--out", help="PDF file to write.", show_default=False)],
    paper: Annotated[
        str,
        typer.Option(
            "--paper", help="A4 to A0, Letter, Legal, Tabloid, or WIDTHxHEIGHT in whole mm (500x400)."
        ),
    ] = "A4",
    solid: Annotated[
        bool, typer.Option("--solid", help="Solid black instead of grey: for printers that screen greys.")
    ] = False,
    contrast: Annotated[
        float | None,
        typer.Option(
            "--contrast", help="Bright over dark, 1.5 to 20, without unit.  [default: 4]", show_default=False
        ),
    ] = None,
) -> None:
    """Make a chart to print, as a PDF in exact millimetres.

    Print it at actual size on matte paper, fix it flat on a rigid board, and fill the picture with it up to
    the marks of your camera's ratio.

    Example: lensbench chart --paper A3 --out chart.pdf
    """
    from lensbench.chart.drawing import draw
    from lensbench.chart.layout import DEFAULT_CONTRAST, sheet

    if solid and contrast is not None:
        raise SettingError("give either --solid or --contrast, not both")
    layout = sheet(paper, solid=solid, contrast=DEFAULT_CONTRAST if contrast is None else contrast)
    draw(layout, out)
    typer.echo(
        f"{out}: {layout.name}, {len(layout.targets)} targets. "
        "Print it at actual size (100 %), then measure the line in its lower margin."
    )
