"""`lensbench simulate`: makes photographs of the chart whose true sharpness is known."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from lensbench.cli.options import numbers_in
from lensbench.cli.output import say
from lensbench.model.errors import SettingError

if TYPE_CHECKING:
    from lensbench.chart.layout import Layout
    from lensbench.simulate import Job

__all__ = ["FileFormat", "Filter", "simulate"]


_MOST_JOBS: Final = 5000


class FileFormat(StrEnum):
    """What is written."""

    DNG = "dng"
    JPEG = "jpeg"
    TIFF = "tiff"
    TIFF_LINEAR = "tiff-linear"


class Turned(StrEnum):
    """What is turned by 180 degrees for a second pass."""

    CAMERA = "camera"
    CHART = "chart"


class FocusedAt(StrEnum):
    """The stop that the lens is focused at."""

    WORKING = "working"
    WIDEST = "widest"


class Filter(StrEnum):
    """The colour filters of the sensor."""

    BAYER = "bayer"
    XTRANS = "xtrans"
    MONO = "mono"


def simulate(
    *,
    out: Annotated[
        Path,
        typer.Option(
            "--out", file_okay=False, help="Folder to write into.", show_default=False, metavar="PATH"
        ),
    ],
    lens: Annotated[
        str,
        typer.Option(
            "--lens", help="sorrel, fennel or tansy (invented), or a JSON description.", metavar="TEXT"
        ),
    ] = "sorrel",
    stops: Annotated[
        str, typer.Option("--stops", help="f-numbers, with commas between.", metavar="TEXT")
    ] = "2.8,4,5.6,8,11,16",
    focal_lengths: Annotated[
        str | None,
        typer.Option(
            "--focal-lengths",
            help="In mm, with commas between.  [default: the lens's shortest]",
            show_default=False,
            metavar="TEXT",
        ),
    ] = None,
    repeats: Annotated[
        int,
        typer.Option("--repeats", min=1, max=1000, help="Shots a setting, focused anew.", metavar="NUMBER"),
    ] = 2,
    focus_spread_um: Annotated[
        float,
        typer.Option(
            "--focus-spread-um",
            min=0.0,
            max=10_000.0,
            help="Scatter of the focus on the sensor's side: sigma, in um.",
            metavar="NUMBER",
        ),
    ] = 0.0,
    focused_at: Annotated[
        FocusedAt,
        typer.Option("--focused-at", help="Stop to focus at: the shot's own, or the widest."),
    ] = FocusedAt.WORKING,
    focus_steps_um: Annotated[
        str | None,
        typer.Option(
            "--focus-steps-um",
            help="A focus bracket at these positions, in um from the widest stop's best, with commas between.",
            show_default=False,
            metavar="TEXT",
        ),
    ] = None,
    turned: Annotated[
        Turned | None,
        typer.Option(
            "--turned",
            help="Shoot all once more with the camera, or the chart, turned by 180 degrees.",
            show_default=False,
        ),
    ] = None,
    paper: Annotated[
        str | None,
        typer.Option(
            "--paper",
            help="As for `chart`.  [default: A3, of a wall set A4]",
            show_default=False,
            metavar="TEXT",
        ),
    ] = None,
    wall: Annotated[
        int | None,
        typer.Option(
            "--wall",
            min=1,
            max=29,
            help="A wall set of this many pages instead of a sheet.",
            show_default=False,
            metavar="NUMBER",
        ),
    ] = None,
    solid: Annotated[bool, typer.Option("--solid", help="Chart in solid black instead of grey.")] = False,
    print_sigma_mm: Annotated[
        float,
        typer.Option(
            "--print-sigma-mm",
            min=0.0,
            max=100.0,
            help="Blur of the print's edges: sigma, in mm.",
            metavar="NUMBER",
        ),
    ] = 0.0,
    size: Annotated[
        str, typer.Option("--size", help="ROWSxCOLS of the pictures, in px.", metavar="TEXT")
    ] = "1160x1740",
    pitch_um: Annotated[
        float, typer.Option("--pitch-um", min=0.1, max=100.0, help="Pixel pitch, in um.", metavar="NUMBER")
    ] = 4.0,
    cfa: Annotated[Filter, typer.Option("--cfa", help="Colour filters of the sensor.")] = Filter.BAYER,
    paper_level: Annotated[
        float,
        typer.Option(
            "--paper-level",
            min=0.01,
            max=100.0,
            help="Exposure: signal of the paper, as a share of white; above 1 clips.",
            metavar="NUMBER",
        ),
    ] = 0.65,
    iso: Annotated[
        int, typer.Option("--iso", min=25, max=10_000_000, help="ISO; noise grows with it.", metavar="NUMBER")
    ] = 100,
    tilt: Annotated[
        str,
        typer.Option(
            "--tilt",
            help="PITCH,YAW,ROLL of the camera, in degrees: up, to its right, clockwise.",
            metavar="TEXT",
        ),
    ] = "0,0,0",
    distance_mm: Annotated[
        float | None,
        typer.Option(
            "--distance-mm",
            min=10.0,
            max=1_000_000.0,
            help="Chart to sensor, in mm.  [default: the chart fills the frame]",
            show_default=False,
            metavar="NUMBER",
        ),
    ] = None,
    file_format: Annotated[
        FileFormat, typer.Option("--format", help="Raw, or a finished picture.")
    ] = FileFormat.DNG,
    sharpen: Annotated[
        float,
        typer.Option(
            "--sharpen",
            min=0.0,
            max=10.0,
            help="In-camera sharpening of JPEG and TIFF: 0 none, 1 strong.",
            metavar="NUMBER",
        ),
    ] = 0.0,
    seed: Annotated[
        int, typer.Option("--seed", min=0, max=2**32 - 1, help="Of noise and focus errors.", metavar="NUMBER")
    ] = 1,
    workers: Annotated[
        int, typer.Option("--workers", min=1, max=256, help="Processes to use.", metavar="NUMBER")
    ] = 1,
) -> None:
    """Make photographs of the chart through a described lens and camera, with the truth beside them.

    Every file bears the metadata of a camera's; truth.json holds the exact SFR of every edge (in cycles per
    pixel). A lens description gives blur in micrometres on the sensor; see the glossary. Focus brackets and turned
    shots are told in shots_table.csv, for `sweep --shots`.

    Example: lensbench simulate --out shoot --lens fennel --focal-lengths 24,70 --stops 4,8
    """
    from lensbench import simulate as room
    from lensbench.chart.layout import sheet

    if out.is_dir() and any(out.iterdir()):
        raise SettingError(f"{out} holds files already; name a new folder, so that none is overwritten")
    rows, cols = (int(value) for value in numbers_in(size, "--size", mark="x", count=2))
    pitch_deg, yaw_deg, roll_deg = numbers_in(tilt, "--tilt", count=3, limits=(-360.0, 360.0))
    described = room.lens_described(lens)
    sensor_mm = (rows * pitch_um / 1000.0, cols * pitch_um / 1000.0)
    scene = room.Scene(
        layout=_hung(wall, paper or "A4", sensor_mm, seed) if wall else sheet(paper or "A3", solid=solid),
        lens=described,
        camera=room.Camera(
            rows=rows, cols=cols, pitch_um=pitch_um, cfa="rggb" if cfa is Filter.BAYER else cfa.value
        ),
        pose=room.Pose(pitch_deg=pitch_deg, yaw_deg=yaw_deg, roll_deg=roll_deg, distance_mm=distance_mm),
        print_sigma_mm=print_sigma_mm,
    )
    shortest_mm = described.focal_range_mm[0]
    jobs = room.series(
        scene,
        out,
        plan=room.Plan(
            focal_lengths_mm=numbers_in(focal_lengths, "--focal-lengths") if focal_lengths else [shortest_mm],
            f_numbers=numbers_in(stops, "--stops"),
            repeats=repeats,
            focus_spread_um=focus_spread_um,
            focused=focused_at.value,
            focus_steps_um=numbers_in(focus_steps_um, "--focus-steps-um") if focus_steps_um else (),
            turned=turned.value if turned else "",
            paper_level=paper_level,
            iso=iso,
            seed=seed,
        ),
        processing=room.Processing(format=file_format.value, sharpening=sharpen),
    )
    made = _made(jobs, out, workers=workers, seed=seed)
    say(f"{out}: {len(jobs)} photographs of {scene.layout.name} through {described.name}{made}.")


def _made(jobs: "list[Job]", out: Path, *, workers: int, seed: int) -> str:
    """Take the photographs, and say what stands beside them."""
    from lensbench.simulate import shoot, write_shots_table

    if len(jobs) > _MOST_JOBS:
        raise SettingError(
            f"{len(jobs)} photographs; at most {_MOST_JOBS} are made at once: give fewer settings"
        )
    with typer.progressbar(length=len(jobs), label="Simulating", file=typer.get_text_stream("stderr")) as bar:
        shoot(jobs, workers=workers, seed=seed, progress=bar.update)
    table = write_shots_table(out, jobs)
    return f", {table.name}, and truth.json" if table else ", and truth.json"


def _hung(pages: int, paper: str, sensor_mm: tuple[float, float], seed: int) -> "Layout":
    """Hang a wall set by hand, for a frame as wide as it is for a full-size sensor of this shape."""
    from lensbench.simulate import ByHand, hung_wall

    widest = 36.0 / max(sensor_mm)
    usual_mm = (sensor_mm[0] * widest, sensor_mm[1] * widest)
    return hung_wall(pages, paper=paper, sensor_mm=usual_mm, by_hand=ByHand(seed=seed))
