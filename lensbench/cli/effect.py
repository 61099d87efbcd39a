"""`lensbench effect`: measures what one change did."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

import lensbench
from lensbench.cli.options import (
    REJECTED,
    AsJson,
    Encoding,
    PitchUm,
    PrintProfile,
    Strict,
    Viewed,
    Workers,
    measure_options,
    path,
    text,
)
from lensbench.cli.output import progress_bar, running, say_answer, say_document, say_not_used


@dataclass(frozen=True, kw_only=True)
class EffectCommand(Viewed):
    """The options of `effect`."""

    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Shots of the chart; never written to.")]
    by: Annotated[
        str,
        text(
            "--by", "What was changed: condition, exposure_s, iso, f_number, focal_length_mm, lens or camera."
        ),
    ]
    against: Annotated[
        str | None,
        text("--against", "Level the others are held against.  [default: the lowest, or the first shot's]"),
    ] = None
    shots: Annotated[Path | None, path("--shots", "Table (CSV) with the columns file,condition,...")] = None
    out: Annotated[Path | None, path("--out", "Folder for the report.  [default: FOLDER-effect here]")] = None
    workers: Workers = None
    pitch_um: PitchUm = None
    print_profile: PrintProfile = None
    encoding: Encoding = "auto"
    strict: Strict = False
    as_json: AsJson = False


def effect(given: EffectCommand) -> None:
    """Measure what one change did: filter, stabiliser, support, shutter speed, ISO, processing, repair.

    Shoot the chart by turns (A, B, A, B, A, B), all else equal. Differences of MTF50 and noise are in percent,
    of overshoot in percentage points, with 95 % intervals and drift from shot to shot removed. Conditions stand
    in a shots table, or are the names of folders within FOLDER.

    Example: lensbench effect filter-shots --by condition --shots conditions.csv
    """
    with progress_bar() as progress:
        done = lensbench.effect(
            given.folder,
            by=given.by,
            against=given.against,
            out=given.out or Path(f"{given.folder.resolve().name or 'shots'}-effect"),
            shots=given.shots,
            options=measure_options(given),
            running=running(given.workers, progress),
        )
    say_not_used(done, [given.folder])
    if given.as_json:
        say_document(done.to_json())
    else:
        say_answer(done)
    if given.strict and done.rejected:
        raise typer.Exit(REJECTED)
