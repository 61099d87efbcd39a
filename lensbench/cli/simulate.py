"""`lensbench simulate` and `demo`: photographs of the chart whose true sharpness is known, and all at work on some."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, Literal

import typer

import lensbench
from lensbench.cli.options import (
    PictureSize,
    SensorPitchUm,
    Workers,
    level_size_px,
    number,
    numbers_in,
    option,
    path,
    text,
)
from lensbench.cli.output import progress_bar, running, say, say_answer, say_not_used
from lensbench.model.errors import SettingError

if TYPE_CHECKING:
    from lensbench.simulate import Plan, Scene

_MOST_JOBS: Final = 5000
_CFA: Final = {"bayer": "rggb", "xtrans": "xtrans", "mono": "mono"}


@dataclass(frozen=True, kw_only=True)
class SimulateCommand:
    """The options of `simulate`."""

    out: Annotated[Path, path("Folder to write into.", file_okay=False)]
    lens: Annotated[
        str,
        text("sorrel, fennel, tansy, borage, borage-decentred or clover (invented), or a JSON description."),
    ] = "sorrel"
    stops: Annotated[str, text("f-numbers, with commas between.")] = "2.8,4,5.6,8,11,16"
    focal_lengths: Annotated[
        str | None, text("In mm, with commas between.  [default: the lens's shortest]")
    ] = None
    repeats: Annotated[int, number("Shots a setting, focused anew.", 1, 1000, whole=True)] = 2
    focus_spread_um: Annotated[
        float, number("Scatter of the focus on the sensor's side: sigma, in um.", 0.0, 1e4, kind="um")
    ] = 0.0
    focused_at: Annotated[
        Literal["working", "widest"], option("Stop to focus at: the shot's own, or the widest.")
    ] = "working"
    focus_steps_um: Annotated[
        str | None,
        text("A focus bracket at these positions, in um from the widest stop's best, with commas between."),
    ] = None
    turned: Annotated[
        Literal["camera", "chart"] | None,
        option("Shoot all once more with the camera, or the chart, turned by 180 degrees."),
    ] = None
    paper: Annotated[str | None, text("As for `chart`.  [default: A3, of a wall set A4]")] = None
    wall: Annotated[
        int | None, number("A wall set of this many pages instead of a sheet.", 1, 29, whole=True)
    ] = None
    solid: Annotated[bool, option("Chart in solid black instead of grey.", "--solid")] = False
    print_sigma_mm: Annotated[
        float, number("Blur of the print's edges: sigma, in mm.", 0.0, 100.0, kind="mm")
    ] = 0.0
    size: PictureSize = "1160x1740"
    pitch_um: SensorPitchUm = 4.0
    cfa: Annotated[Literal["bayer", "xtrans", "mono"], option("Colour filters of the sensor.")] = "bayer"
    paper_level: Annotated[
        float, number("Exposure: signal of the paper, as a share of white; above 1 clips.", 0.01, 100.0)
    ] = 0.65
    iso: Annotated[int, number("ISO; noise grows with it.", 25, 10_000_000, kind="ISO", whole=True)] = 100
    tilt: Annotated[str, text("PITCH,YAW,ROLL of the camera, in degrees: up, to its right, clockwise.")] = (
        "0,0,0"
    )
    distance_mm: Annotated[
        float | None,
        number("Chart to sensor, in mm.  [default: the chart fills the frame]", 10.0, 1e6, kind="mm"),
    ] = None
    file_format: Annotated[
        Literal["dng", "jpeg", "tiff", "tiff-linear"],
        option("Raw, or a finished picture; tiff-linear is measured with --encoding linear.", "--format"),
    ] = "dng"
    sharpen: Annotated[
        float, number("In-camera sharpening of JPEG and TIFF: 0 none, 1 strong.", 0.0, 10.0)
    ] = 0.0
    seed: Annotated[int, number("Of noise and focus errors.", 0, 2**32 - 1, whole=True)] = 1
    workers: Annotated[int, number("Processes to use.", 1, 256, whole=True)] = 1


def simulate(given: SimulateCommand) -> None:
    """Make photographs of the chart through a described lens and camera, with the truth beside them.

    Every file bears the metadata of a camera's; truth.json holds the exact SFR of every edge (in cycles per
    pixel). A lens description gives blur in micrometres on the sensor; see the glossary. Focus brackets and turned
    shots are told in shots.csv, for `sweep --shots`.

    Example: lensbench simulate --out shoot --lens fennel --focal-lengths 24,70 --stops 4,8
    """
    from lensbench.simulate import Processing, series, shoot, write_shots_table

    out = given.out
    if out.is_dir() and any(out.iterdir()):
        raise SettingError(f"{out} holds files already; name a new folder, so that none is overwritten")
    scene = _scene(given)
    processing = Processing(format=given.file_format, sharpening=given.sharpen)
    plan = _plan(given, shortest_mm=scene.lens.focal_range_mm[0])
    jobs = series(scene, out, plan=plan, processing=processing)
    if len(jobs) > _MOST_JOBS:
        raise SettingError(
            f"{len(jobs)} photographs; at most {_MOST_JOBS} are made at once: give fewer settings"
        )
    with typer.progressbar(length=len(jobs), label="Simulating", file=typer.get_text_stream("stderr")) as bar:
        shoot(jobs, workers=given.workers, seed=given.seed, progress=bar.update)
    table = write_shots_table(out, jobs)
    beside = f"{table.name}, and truth.json" if table else "and truth.json"
    say(f"{out}: {len(jobs)} photographs of {scene.layout.name} through {scene.lens.name}, {beside}.")


def _scene(given: SimulateCommand) -> "Scene":
    """Read lens, camera, chart and pose."""
    from lensbench.chart.layout import sheet
    from lensbench.simulate import ByHand, Camera, Pose, Scene, hung_wall, lens_described

    rows, cols = level_size_px(given.size)
    pitch_deg, yaw_deg, roll_deg = numbers_in(
        given.tilt, "--tilt", kind="degrees", count=3, limits=(-360.0, 360.0)
    )
    lens = lens_described(given.lens)
    if given.wall:
        # Hung for a frame as wide as it is for a full-size sensor of this shape.
        usual_mm = (36.0 * rows / max(rows, cols), 36.0 * cols / max(rows, cols))
        layout = hung_wall(
            given.wall, paper=given.paper or "A4", sensor_mm=usual_mm, by_hand=ByHand(seed=given.seed)
        )
    else:
        layout = sheet(given.paper or "A3", solid=given.solid)
    return Scene(
        layout=layout,
        lens=lens,
        camera=Camera(rows=rows, cols=cols, pitch_um=given.pitch_um, cfa=_CFA[given.cfa]),
        pose=Pose(pitch_deg=pitch_deg, yaw_deg=yaw_deg, roll_deg=roll_deg, distance_mm=given.distance_mm),
        print_sigma_mm=given.print_sigma_mm,
    )


def _plan(given: SimulateCommand, *, shortest_mm: float) -> "Plan":
    from lensbench.simulate import Plan

    focal_lengths, steps = given.focal_lengths, given.focus_steps_um
    return Plan(
        focal_lengths_mm=numbers_in(focal_lengths, "--focal-lengths", kind="mm")
        if focal_lengths
        else [shortest_mm],
        f_numbers=numbers_in(given.stops, "--stops", kind="f-number"),
        repeats=given.repeats,
        focus_spread_um=given.focus_spread_um,
        focused=given.focused_at,
        focus_steps_um=numbers_in(steps, "--focus-steps-um", kind="um") if steps else (),
        turned=given.turned or "",
        paper_level=given.paper_level,
        iso=given.iso,
        seed=given.seed,
    )


_OWN_CAMERA: Final = """
The same with your own camera:
  1. lensbench chart --paper A3 --out chart.pdf, printed at actual size on matte paper and fixed flat on a board
  2. fill the frame with it up to its brackets; tripod, stabiliser off, self-timer, base ISO, raw
  3. photograph every f-stop at every focal length three times, focusing anew each time
  4. lensbench sweep FOLDER-OF-YOUR-SHOTS
  5. open the report; with a second lens: lensbench compare REPORT-A REPORT-B"""


def demo(
    out: Annotated[Path, path("New folder for the shoot and its reports.")] = Path("lensbench-demo"),
    workers: Workers = None,
) -> None:
    """Simulate an invented shoot of two lenses, then run sweep and compare on it. Takes a minute or two.

    A zoom and a prime, f/2.8 to f/16, three shots a setting, written as raw files (about 300 MB). It goes as a real
    afternoon does: the autofocus strays, one frame is misfocused, one shaken, and the zoom is a little decentred. The
    truth lies beside the photographs in truth.json.

    Example: lensbench demo --out lensbench-demo
    """
    from lensbench.simulate import DEMO_SEED, PRIME_FOLDER, ZOOM_FOLDER, demo_jobs, shoot
    from lensbench.sweep import usual_workers

    if out.exists() and not (out.is_dir() and not any(out.iterdir())):
        raise SettingError(f"{out} exists already; remove it, or name another folder with --out")
    jobs = demo_jobs(out)
    say(f"Photographing an invented zoom and an invented prime: {len(jobs)} raw files in {out}", err=True)
    with progress_bar("photographing") as progress:
        shoot(
            jobs,
            workers=workers or usual_workers(),
            seed=DEMO_SEED,
            truth_channels=("green",),
            progress=lambda made: progress(made, len(jobs)),
        )
    reports = []
    for folder in (ZOOM_FOLDER, PRIME_FOLDER):
        reports.append(out / f"{folder}-report")
        with running(workers) as spread:
            done = lensbench.sweep(out / folder, out=reports[-1], running=spread)
        say_not_used(done)
        say_answer(done)
        say("")
    say_answer(lensbench.compare(reports, out=out / "comparison"))
    say(*_OWN_CAMERA.split("\n"))
