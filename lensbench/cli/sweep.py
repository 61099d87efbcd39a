"""`lensbench sweep`: measures a folder of test shots and finds the best settings."""

import os
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Final

import typer

import lensbench
from lensbench.cli.options import (
    REJECTED,
    AsJson,
    Encoding,
    Method,
    MethodName,
    Out,
    Physical,
    PitchUm,
    PrintProfile,
    ShotsTable,
    Strict,
    Workers,
    measure_options,
)
from lensbench.cli.output import progress_bar, running, say, say_answer, say_document, say_not_used

_INTERRUPTED: Final = 130


class TieRule(StrEnum):
    """Which of several equally good stops to take."""

    BEST = "best"
    WIDEST = "widest"
    MIDDLE = "middle"
    DEEPEST = "deepest"


@dataclass(frozen=True, kw_only=True)
class SweepCommand:
    """The options of `sweep`."""

    folders: Annotated[
        list[Path], typer.Argument(metavar="FOLDER", help="Folders of test shots; never written to.")
    ]
    out: Out = None
    shots: ShotsTable = None
    workers: Workers = None
    method: Method = MethodName.REFINED
    pitch_um: PitchUm = None
    print_profile: PrintProfile = None
    tie: Annotated[TieRule, typer.Option("--tie", help="Which of equally good f-stops to take.")] = (
        TieRule.BEST
    )
    physical: Physical = False
    encoding: Encoding = "auto"
    strict: Strict = False
    as_json: AsJson = False


def sweep(given: SweepCommand) -> None:
    """Measure a folder of test shots; find the best f-stop and the best zoom setting.

    Photographs of the chart are grouped by camera, lens, focal length and f-number. Focus anew for every shot
    and take three of each setting: then the answer says what can be told apart, and what cannot. A second run
    with the same --out takes up where the first stopped.

    Example: lensbench sweep shots/ --out shots-report
    """
    try:
        with progress_bar() as progress:
            done = lensbench.sweep(
                given.folders,
                out=given.out or _beside(given.folders[0]),
                shots=given.shots,
                options=measure_options(given),
                tie=given.tie.value,
                running=running(given.workers, progress),
            )
    except KeyboardInterrupt:
        say("lensbench: stopped; run it again with the same --out to take up from here", err=True)
        raise typer.Exit(_INTERRUPTED) from None
    say_not_used(done, given.folders)
    if given.physical and not done.has_physical:
        say("no physical reading: it needs the f-number and the pixel pitch (--pitch-um)", err=True)
    if given.as_json:
        say_document(done.to_json())
    else:
        say_answer(done)
    if given.strict and done.rejected:
        raise typer.Exit(REJECTED)


def _beside(folder: Path) -> Path:
    """Name the report's folder: beside the photographs, or here where that place is read-only."""
    place = folder.resolve()
    parent = place.parent if os.access(place.parent, os.W_OK) else Path.cwd()
    return parent / f"{place.name or 'shots'}-lensbench"
