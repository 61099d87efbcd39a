"""`lensbench demo`: the whole road once, on an invented shoot."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lensbench.cli.options import Workers
from lensbench.cli.output import progress_bar, say, say_answer, say_comparison, say_rejected
from lensbench.model.errors import SettingError

if TYPE_CHECKING:
    from lensbench.sweep import Sweep

__all__ = ["demo"]


_OWN_CAMERA = """
The same with your own camera:
  1. lensbench chart --paper A3 --out chart.pdf, printed at actual size on matte paper and fixed flat on a board
  2. fill the frame with it up to the marks; tripod, stabiliser off, self-timer, base ISO, raw
  3. photograph every f-stop at every focal length three times, focusing anew each time
  4. lensbench sweep FOLDER-OF-YOUR-SHOTS
  5. open the report; with a second lens: lensbench compare REPORT-A REPORT-B"""


def demo(
    out: Annotated[
        Path, typer.Option("--out", help="New folder for the shoot and its reports.", metavar="PATH")
    ] = Path("lensbench-demo"),
    workers: Workers = None,
) -> None:
    """Simulate an invented shoot of two lenses, then run sweep and compare on it. Takes a minute or two.

    A zoom and a prime, f/2.8 to f/16, two shots a setting, written as raw files (about 200 MB); one frame is
    misfocused. The truth lies beside the photographs in truth.json.

    Example: lensbench demo --out lensbench-demo
    """
    from lensbench.compare import compare
    from lensbench.report.out import write
    from lensbench.simulate import PRIME_FOLDER, ZOOM_FOLDER
    from lensbench.sweep import usual_workers

    if out.exists() and any(out.iterdir()):
        raise SettingError(f"{out} exists already; remove it, or name another folder with --out")
    count = workers or usual_workers()
    _simulate(out, count)
    reports = []
    for folder in (ZOOM_FOLDER, PRIME_FOLDER):
        done = _swept(out / folder, out / f"{folder}-report", count)
        say_rejected(done)
        reports.append(out / f"{folder}-report")
        written = write.write_sweep(done.findings, done.shots, reports[-1])
        say_answer(done.findings, written)
        say("")
    comparison = compare(reports)
    say_comparison(comparison, write.write_compare(comparison, out / "comparison"))
    say(*_OWN_CAMERA.split("\n"))


def _simulate(out: Path, workers: int) -> None:
    from lensbench.simulate import demo_jobs, shoot

    jobs = demo_jobs(out)
    say(f"Photographing an invented zoom and an invented prime: {len(jobs)} raw files in {out}", err=True)
    with progress_bar("photographing") as progress:
        shoot(
            jobs,
            workers=workers,
            seed=7,
            truth_channels=("green",),
            progress=lambda made: progress(made, len(jobs)),
        )


def _swept(folder: Path, report: Path, workers: int) -> "Sweep":
    from lensbench.sweep import Running, sweep

    with progress_bar() as progress:
        spread = Running(workers=workers, progress=lambda done, total, _: progress(done, total))
        return sweep([folder], cache=report / "measured", running=spread)
