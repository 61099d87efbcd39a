"""`lensbench plan`: makes the list of shots to take, with distances, a checklist to print and a table for `sweep`."""

import re
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lensbench.cli.options import number, numbers_in, path, switch, text
from lensbench.cli.output import say
from lensbench.model.errors import SettingError
from lensbench.model.units import PITCH_LIMITS_UM
from lensbench.storage.text import name_in_tables

if TYPE_CHECKING:
    from lensbench.capture import ShootPlan


class ChartKind(StrEnum):
    """What is hung."""

    AUTO = "auto"
    SHEET = "sheet"
    WALL = "wall"


@dataclass(frozen=True, kw_only=True)
class PlanCommand:
    """The options of `plan`."""

    focal: Annotated[str, text("--focal", "Of the lens, in mm: 50, or 24-70.")]
    widest: Annotated[float, number("--widest", "Widest f-number.", 0.5, 128.0)]
    out: Annotated[Path, path("--out", "Folder to write into.", file_okay=False)] = Path("lensbench-plan")
    narrowest: Annotated[float, number("--narrowest", "Narrowest f-number worth a shot.", 0.5, 128.0)] = 16.0
    closest_m: Annotated[
        float | None, number("--closest-m", "Closest focus, subject to sensor, in m.", 0.01, 1000.0)
    ] = None
    lens: Annotated[str, text("--lens", "Name, for the table.")] = ""
    camera: Annotated[str, text("--camera", "Name, for the table.")] = ""
    pitch_um: Annotated[float, number("--pitch-um", "Pixel pitch, in um.", *PITCH_LIMITS_UM)] = 6.0
    size: Annotated[str, text("--size", "ROWSxCOLS of the pictures, in px.")] = "4000x6000"
    paper: Annotated[str, text("--paper", "Largest paper you can print, as for `chart`.")] = "A4"
    chart: Annotated[
        ChartKind, typer.Option("--chart", help="One sheet, a wall set, or what the room allows.")
    ] = ChartKind.AUTO
    room_m: Annotated[float, number("--room-m", "Length of the room, in m.", 0.3, 1000.0)] = 4.0
    print_edge_mm: Annotated[
        float, number("--print-edge-mm", "10-90 % rise of a printed edge, in mm.", 0.001, 10.0)
    ] = 0.1
    print_dpi: Annotated[
        float, number("--print-dpi", "Of the printer, in dots per inch.", 10.0, 20_000.0)
    ] = 600.0
    exposure: Annotated[
        str, text("--exposure", "TIME@STOP that your light asks for; other stops follow.")
    ] = "1/30@5.6"
    stops: Annotated[str, text("--stops", "f-numbers with commas between.  [default: full stops]")] = ""
    focal_lengths: Annotated[
        str, text("--focal-lengths", "In mm, with commas between.  [default: 3 to 5]")
    ] = ""
    repeats: Annotated[int, number("--repeats", "Shots a setting, focused anew.", 1, 20)] = 3
    first_file: Annotated[str, text("--first-file", "Name of the first file to come: DSC00417.ARW.")] = ""
    quick: Annotated[
        bool, switch("--quick", "Ten-minute test of a used lens: 12 shots at most, one page.")
    ] = False
    replace: Annotated[bool, switch("--replace", "Write over a shots.csv that holds your entries.")] = False


def plan(given: PlanCommand) -> None:
    """Plan a shoot: where to stand, which chart, how flat and square it must hang, every shot, and the time.

    Writes checklist.pdf to print, and shots.csv for `check --plan` and `sweep --shots`.

    Example: lensbench plan --focal 24-70 --widest 2.8 --closest-m 0.38 --paper A4 --room-m 5 --out plan
    """
    from lensbench.capture import checklist_pdf, counted_names, table_shots, table_text
    from lensbench.storage.files import Listing, unwritable

    made = _made(given)
    names = counted_names(given.first_file, len(made.shots)) if given.first_file else []
    out = given.out
    _keep_entries(out / "shots.csv", replace=given.replace)
    files = {"checklist.pdf": checklist_pdf(made), "shots.csv": table_text(table_shots(made, files=names))}
    try:
        Listing(folder=out, what="plan").write(files, agreed=("shots.csv",) if given.replace else ())
    except OSError as error:
        raise unwritable(out, error) from error
    say(*_lines(made))
    say(f"Written: {out / 'checklist.pdf'} to print, {out / 'shots.csv'} for check and sweep")


def _made(given: PlanCommand) -> "ShootPlan":
    from lensbench.capture import CameraGear, Exposure, LensGear, Place, PrintGear, make_plan, quick_plan

    lens = LensGear(
        name=name_in_tables(given.lens),
        focal_range_mm=_focal_range(given.focal),
        widest_f_number=given.widest,
        narrowest_f_number=max(given.narrowest, given.widest),
        closest_mm=None if given.closest_m is None else 1000.0 * given.closest_m,
    )
    camera = CameraGear(name=name_in_tables(given.camera), pitch_um=given.pitch_um, size_px=_size(given.size))
    place = Place(
        room_mm=1000.0 * given.room_m,
        paper=given.paper,
        printed=PrintGear(edge_mm=given.print_edge_mm, dots_per_inch=given.print_dpi),
        exposure=Exposure.parse(given.exposure),
        chart=given.chart.value,
    )
    lengths = numbers_in(given.focal_lengths, "--focal-lengths") if given.focal_lengths else []
    if given.quick:
        return quick_plan(lens, camera, place=place, focal_lengths_mm=lengths)
    stops = numbers_in(given.stops, "--stops", limits=(0.5, 128.0)) if given.stops else []
    return make_plan(lens, camera, place=place, stops=stops, focal_lengths_mm=lengths, repeats=given.repeats)


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
    from lensbench.capture import chart_sentence, distance_rows, headline, print_sentence, tolerance_rows

    lines = [f"{headline(made)}.", chart_sentence(made), *made.remarks]
    for header, rows in (distance_rows(made), tolerance_rows(made)):
        widths = [max(len(row[place]) for row in (header, *rows)) + 2 for place in range(len(header))]
        lines += ["", *(_row(row, widths) for row in (header, *rows))]
    return [*lines, "", print_sentence(made)]


def _row(cells: tuple[str, ...], widths: list[int]) -> str:
    return "  " + "".join(f"{cell:<{width}}" for cell, width in zip(cells, widths, strict=True)).rstrip()


def _focal_range(given: str) -> tuple[float, float]:
    parts = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(?:-\s*(\d+(?:\.\d+)?))?\s*(?:mm)?\s*", given)
    if parts is None:
        raise SettingError(f"--focal {given}: give millimetres, 50 or 24-70")
    short_mm = float(parts[1])
    return short_mm, float(parts[2] or short_mm)


def _size(given: str) -> tuple[int, int]:
    parts = re.fullmatch(r"\s*(\d+)\s*[xX×]\s*(\d+)\s*", given)
    if parts is None:
        raise SettingError(f"--size {given}: give ROWSxCOLS in pixels, such as 4000x6000")
    return int(parts[1]), int(parts[2])
