"""`lensbench demo`: the whole road once, on an invented shoot."""

from pathlib import Path
from typing import Annotated

import lensbench
from lensbench.cli.options import Workers, path
from lensbench.cli.output import progress_bar, running, say, say_answer, say_not_used
from lensbench.model.errors import SettingError

_OWN_CAMERA = """
The same with your own camera:
  1. lensbench chart --paper A3 --out chart.pdf, printed at actual size on matte paper and fixed flat on a board
  2. fill the frame with it up to its brackets; tripod, stabiliser off, self-timer, base ISO, raw
  3. photograph every f-stop at every focal length three times, focusing anew each time
  4. lensbench sweep FOLDER-OF-YOUR-SHOTS
  5. open the report; with a second lens: lensbench compare REPORT-A REPORT-B"""


def demo(
    out: Annotated[Path, path("--out", "New folder for the shoot and its reports.")] = Path("lensbench-demo"),
    workers: Workers = None,
) -> None:
    """Simulate an invented shoot of two lenses, then run sweep and compare on it. Takes a minute or two.

    A zoom and a prime, f/2.8 to f/16, two shots a setting, written as raw files (about 200 MB); one frame is
    misfocused. The truth lies beside the photographs in truth.json.

    Example: lensbench demo --out lensbench-demo
    """
    from lensbench.simulate import PRIME_FOLDER, ZOOM_FOLDER

    if out.exists() and not (out.is_dir() and not any(out.iterdir())):
        raise SettingError(f"{out} exists already; remove it, or name another folder with --out")
    _simulate(out, workers)
    reports = []
    for folder in (ZOOM_FOLDER, PRIME_FOLDER):
        reports.append(out / f"{folder}-report")
        with progress_bar() as progress:
            done = lensbench.sweep(out / folder, out=reports[-1], running=running(workers, progress))
        say_not_used(done)
        say_answer(done)
        say("")
    say_answer(lensbench.compare(reports, out=out / "comparison"))
    say(*_OWN_CAMERA.split("\n"))


def _simulate(out: Path, workers: int | None) -> None:
    from lensbench.simulate import demo_jobs, shoot
    from lensbench.sweep import usual_workers

    jobs = demo_jobs(out)
    say(f"Photographing an invented zoom and an invented prime: {len(jobs)} raw files in {out}", err=True)
    with progress_bar("photographing") as progress:
        shoot(
            jobs,
            workers=workers or usual_workers(),
            seed=7,
            truth_channels=("green",),
            progress=lambda made: progress(made, len(jobs)),
        )
