"""`lensbench simulate`: makes photographs of the chart whose true sharpness is known."""

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from lensbench.cli.options import number, numbers_in, path, switch, text
from lensbench.cli.output import say
from lensbench.model.errors import SettingError
from lensbench.model.units import PITCH_LIMITS_UM

if TYPE_CHECKING:
    from lensbench.chart.layout import Layout
    from lensbench.simulate import Job, Lens, Plan, Scene

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


@dataclass(frozen=True, kw_only=True)
class SimulateCommand:
    """The options of `simulate`."""

    out: Annotated[Path, path("--out", "Folder to write into.", file_okay=False)]
    lens: Annotated[
        str,
        text(
            "--lens",
            "sorrel, fennel, tansy, borage, borage-decentred or clover (invented), or a JSON description.",
        ),
    ] = "sorrel"
    stops: Annotated[str, text("--stops", "f-numbers, with commas between.")] = "2.8,4,5.6,8,11,16"
    focal_lengths: Annotated[
        str | None, text("--focal-lengths", "In mm, with commas between.  [default: the lens's shortest]")
    ] = None
    repeats: Annotated[int, number("--repeats", "Shots a setting, focused anew.", 1, 1000)] = 2
    focus_spread_um: Annotated[
        float,
        number(
            "--focus-spread-um", "Scatter of the focus on the sensor's side: sigma, in um.", 0.0, 10_000.0
        ),
    ] = 0.0
    focused_at: Annotated[
        FocusedAt, typer.Option("--focused-at", help="Stop to focus at: the shot's own, or the widest.")
    ] = FocusedAt.WORKING
    focus_steps_um: Annotated[
        str | None,
        text(
            "--focus-steps-um",
            "A focus bracket at these positions, in um from the widest stop's best, with commas between.",
        ),
    ] = None
    turned: Annotated[
        Turned | None,
        typer.Option(
            "--turned", help="Shoot all once more with the camera, or the chart, turned by 180 degrees."
        ),
    ] = None
    paper: Annotated[str | None, text("--paper", "As for `chart`.  [default: A3, of a wall set A4]")] = None
    wall: Annotated[
        int | None, number("--wall", "A wall set of this many pages instead of a sheet.", 1, 29)
    ] = None
    solid: Annotated[bool, switch("--solid", "Chart in solid black instead of grey.")] = False
    print_sigma_mm: Annotated[
        float, number("--print-sigma-mm", "Blur of the print's edges: sigma, in mm.", 0.0, 100.0)
    ] = 0.0
    size: Annotated[str, text("--size", "ROWSxCOLS of the pictures, in px.")] = "1160x1740"
    pitch_um: Annotated[float, number("--pitch-um", "Pixel pitch, in um.", *PITCH_LIMITS_UM)] = 4.0
    cfa: Annotated[Filter, typer.Option("--cfa", help="Colour filters of the sensor.")] = Filter.BAYER
    paper_level: Annotated[
        float,
        number(
            "--paper-level", "Exposure: signal of the paper, as a share of white; above 1 clips.", 0.01, 100.0
        ),
    ] = 0.65
    iso: Annotated[int, number("--iso", "ISO; noise grows with it.", 25, 10_000_000)] = 100
    tilt: Annotated[
        str, text("--tilt", "PITCH,YAW,ROLL of the camera, in degrees: up, to its right, clockwise.")
    ] = "0,0,0"
    distance_mm: Annotated[
        float | None,
        number(
            "--distance-mm",
            "Chart to sensor, in mm.  [default: the chart fills the frame]",
            10.0,
            1_000_000.0,
        ),
    ] = None
    file_format: Annotated[FileFormat, typer.Option("--format", help="Raw, or a finished picture.")] = (
        FileFormat.DNG
    )
    sharpen: Annotated[
        float, number("--sharpen", "In-camera sharpening of JPEG and TIFF: 0 none, 1 strong.", 0.0, 10.0)
    ] = 0.0
    seed: Annotated[int, number("--seed", "Of noise and focus errors.", 0, 2**32 - 1)] = 1
    workers: Annotated[int, number("--workers", "Processes to use.", 1, 256)] = 1


def simulate(given: SimulateCommand) -> None:
    """Make photographs of the chart through a described lens and camera, with the truth beside them.

    Every file bears the metadata of a camera's; truth.json holds the exact SFR of every edge (in cycles per
    pixel). A lens description gives blur in micrometres on the sensor; see the glossary. Focus brackets and turned
    shots are told in shots_table.csv, for `sweep --shots`.

    Example: lensbench simulate --out shoot --lens fennel --focal-lengths 24,70 --stops 4,8
    """
    from lensbench import simulate as room

    out = given.out
    if out.is_dir() and any(out.iterdir()):
        raise SettingError(f"{out} holds files already; name a new folder, so that none is overwritten")
    scene = _scene(given)
    processing = room.Processing(format=given.file_format.value, sharpening=given.sharpen)
    jobs = room.series(scene, out, plan=_plan(given, scene.lens), processing=processing)
    made = _made(jobs, out, workers=given.workers, seed=given.seed)
    say(f"{out}: {len(jobs)} photographs of {scene.layout.name} through {scene.lens.name}{made}.")


def _scene(given: SimulateCommand) -> "Scene":
    """Read lens, camera, chart and pose."""
    from lensbench import simulate as room
    from lensbench.chart.layout import sheet

    rows, cols = (int(value) for value in numbers_in(given.size, "--size", mark="x", count=2))
    pitch_deg, yaw_deg, roll_deg = numbers_in(given.tilt, "--tilt", count=3, limits=(-360.0, 360.0))
    lens = room.lens_described(given.lens)
    sensor_mm = (rows * given.pitch_um / 1000.0, cols * given.pitch_um / 1000.0)
    if given.wall:
        layout = _hung(given.wall, given.paper or "A4", sensor_mm, given.seed)
    else:
        layout = sheet(given.paper or "A3", solid=given.solid)
    cfa = "rggb" if given.cfa is Filter.BAYER else given.cfa.value
    return room.Scene(
        layout=layout,
        lens=lens,
        camera=room.Camera(rows=rows, cols=cols, pitch_um=given.pitch_um, cfa=cfa),
        pose=room.Pose(
            pitch_deg=pitch_deg, yaw_deg=yaw_deg, roll_deg=roll_deg, distance_mm=given.distance_mm
        ),
        print_sigma_mm=given.print_sigma_mm,
    )


def _plan(given: SimulateCommand, lens: "Lens") -> "Plan":
    from lensbench.simulate import Plan

    focal_lengths, steps = given.focal_lengths, given.focus_steps_um
    return Plan(
        focal_lengths_mm=numbers_in(focal_lengths, "--focal-lengths")
        if focal_lengths
        else [lens.focal_range_mm[0]],
        f_numbers=numbers_in(given.stops, "--stops"),
        repeats=given.repeats,
        focus_spread_um=given.focus_spread_um,
        focused=given.focused_at.value,
        focus_steps_um=numbers_in(steps, "--focus-steps-um") if steps else (),
        turned=given.turned.value if given.turned else "",
        paper_level=given.paper_level,
        iso=given.iso,
        seed=given.seed,
    )


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
