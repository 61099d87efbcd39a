"""`lensbench plan`: makes the list of shots to take, with distances, a checklist to print and a table for `sweep`."""

import re
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lensbench.cli.options import numbers_in
from lensbench.cli.output import say
from lensbench.model.errors import SettingError
from lensbench.storage.text import name_in_tables

if TYPE_CHECKING:
    from lensbench.capture.plan import ShootPlan

__all__ = ["ChartKind", "plan"]


class ChartKind(StrEnum):
    """What is hung."""

    AUTO = "auto"
    SHEET = "sheet"
    WALL = "wall"


def plan(
    *,
    focal: Annotated[
        str,
        typer.Option("--focal", help="Of the lens, in mm: 50, or 24-70.", show_default=False, metavar="TEXT"),
    ],
    widest: Annotated[
        float,
        typer.Option(
            "--widest", min=0.5, max=128.0, help="Widest f-number.", show_default=False, metavar="NUMBER"
        ),
    ],
    out: Annotated[
        Path, typer.Option("--out", file_okay=False, help="Folder to write into.", metavar="PATH")
    ] = Path("lensbench-plan"),
    narrowest: Annotated[
        float,
        typer.Option(
            "--narrowest", min=0.5, max=128.0, help="Narrowest f-number worth a shot.", metavar="NUMBER"
        ),
    ] = 16.0,
    closest_m: Annotated[
        float | None,
        typer.Option(
            "--closest-m",
            min=0.01,
            max=1000.0,
            help="Closest focus, subject to sensor, in m.",
            metavar="NUMBER",
        ),
    ] = None,
    lens: Annotated[str, typer.Option("--lens", help="Name, for the table.", metavar="TEXT")] = "",
    camera: Annotated[str, typer.Option("--camera", help="Name, for the table.", metavar="TEXT")] = "",
    pitch_um: Annotated[
        float, typer.Option("--pitch-um", min=0.1, max=100.0, help="Pixel pitch, in um.", metavar="NUMBER")
    ] = 6.0,
    size: Annotated[
        str, typer.Option("--size", help="ROWSxCOLS of the pictures, in px.", metavar="TEXT")
    ] = "4000x6000",
    paper: Annotated[
        str, typer.Option("--paper", help="Largest paper you can print, as for `chart`.", metavar="TEXT")
    ] = "A4",
    chart: Annotated[
        ChartKind, typer.Option("--chart", help="One sheet, a wall set, or what the room allows.")
    ] = ChartKind.AUTO,
    room_m: Annotated[
        float,
        typer.Option("--room-m", min=0.3, max=1000.0, help="Length of the room, in m.", metavar="NUMBER"),
    ] = 4.0,
    print_edge_mm: Annotated[
        float,
        typer.Option(
            "--print-edge-mm",
            min=0.001,
            max=10.0,
            help="10-90 % rise of a printed edge, in mm.",
            metavar="NUMBER",
        ),
    ] = 0.1,
    print_dpi: Annotated[
        float,
        typer.Option(
            "--print-dpi", min=10.0, max=20_000.0, help="Of the printer, in dots per inch.", metavar="NUMBER"
        ),
    ] = 600.0,
    exposure: Annotated[
        str,
        typer.Option(
            "--exposure", help="TIME@STOP that your light asks for; other stops follow.", metavar="TEXT"
        ),
    ] = "1/30@5.6",
    stops: Annotated[
        str,
        typer.Option("--stops", help="f-numbers with commas between.  [default: full stops]", metavar="TEXT"),
    ] = "",
    focal_lengths: Annotated[
        str,
        typer.Option(
            "--focal-lengths", help="In mm, with commas between.  [default: 3 to 5]", metavar="TEXT"
        ),
    ] = "",
    repeats: Annotated[
        int, typer.Option("--repeats", min=1, max=20, help="Shots a setting, focused anew.", metavar="NUMBER")
    ] = 3,
    first_file: Annotated[
        str,
        typer.Option("--first-file", help="Name of the first file to come: DSC00417.ARW.", metavar="TEXT"),
    ] = "",
    quick: Annotated[
        bool, typer.Option("--quick", help="Ten-minute test of a used lens: 12 shots at most, one page.")
    ] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over a shots.csv that holds your entries.")
    ] = False,
) -> None:
    """Plan a shoot: where to stand, which chart, how flat and square it must hang, every shot, and the time.

    Writes checklist.pdf to print, and shots.csv for `check --plan` and `sweep --shots`.

    Example: lensbench plan --focal 24-70 --widest 2.8 --closest-m 0.38 --paper A4 --room-m 5 --out plan
    """
    from lensbench.capture.checklist import checklist_pdf
    from lensbench.capture.gear import CameraGear, LensGear
    from lensbench.capture.plan import Exposure, Place, make_plan, quick_plan
    from lensbench.capture.plan_table import counted_names, table_shots, table_text
    from lensbench.capture.standing import PrintGear
    from lensbench.storage.files import Listing, unwritable

    owned = LensGear(
        name=name_in_tables(lens),
        focal_range_mm=_focal_range(focal),
        widest_f_number=widest,
        narrowest_f_number=max(narrowest, widest),
        closest_mm=None if closest_m is None else 1000.0 * closest_m,
    )
    body = CameraGear(name=name_in_tables(camera), pitch_um=pitch_um, size_px=_size(size))
    place = Place(
        room_mm=1000.0 * room_m,
        paper=paper,
        printed=PrintGear(edge_mm=print_edge_mm, dots_per_inch=print_dpi),
        exposure=Exposure.parse(exposure),
        chart=chart.value,
    )
    lengths = numbers_in(focal_lengths, "--focal-lengths") if focal_lengths else []
    if quick:
        made = quick_plan(owned, body, place=place, focal_lengths_mm=lengths)
    else:
        wanted = numbers_in(stops, "--stops", limits=(0.5, 128.0)) if stops else []
        made = make_plan(owned, body, place=place, stops=wanted, focal_lengths_mm=lengths, repeats=repeats)
    names = counted_names(first_file, len(made.shots)) if first_file else []
    _keep_entries(out / "shots.csv", replace=replace)
    files = {"checklist.pdf": checklist_pdf(made), "shots.csv": table_text(table_shots(made, files=names))}
    try:
        Listing(folder=out, what="plan").write(files, agreed=("shots.csv",) if replace else ())
    except OSError as error:
        raise unwritable(out, error) from error
    say(*_lines(made))
    say(f"Written: {out / 'checklist.pdf'} to print, {out / 'shots.csv'} for check and sweep")


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


def _lines(made: "ShootPlan") -> list[str]:
    from lensbench.capture.checklist import (
        chart_sentence,
        distance_rows,
        headline,
        print_sentence,
        tolerance_rows,
    )

    lines = [f"{headline(made)}.", chart_sentence(made), *made.remarks]
    for header, rows in (distance_rows(made), tolerance_rows(made)):
        widths = [max(len(row[place]) for row in (header, *rows)) + 2 for place in range(len(header))]
        lines += ["", *(_row(row, widths) for row in (header, *rows))]
    return [*lines, "", print_sentence(made)]


def _row(cells: tuple[str, ...], widths: list[int]) -> str:
    return "  " + "".join(f"{cell:<{width}}" for cell, width in zip(cells, widths, strict=True)).rstrip()


def _focal_range(text: str) -> tuple[float, float]:
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(?:-\s*(\d+(?:\.\d+)?))?\s*(?:mm)?\s*", text)
    if found is None:
        raise SettingError(f"--focal {text}: give millimetres, 50 or 24-70")
    short_mm = float(found[1])
    return short_mm, float(found[2] or short_mm)


def _size(text: str) -> tuple[int, int]:
    found = re.fullmatch(r"\s*(\d+)\s*[xX×]\s*(\d+)\s*", text)
    if found is None:
        raise SettingError(f"--size {text}: give ROWSxCOLS in pixels, such as 4000x6000")
    return int(found[1]), int(found[2])
