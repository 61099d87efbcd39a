"""`lensbench sweep`: measures a folder of test shots and finds the best settings."""

import os
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lensbench.cli.edge import MethodName
from lensbench.cli.options import REJECTED, Encoding, Physical, PitchUm, PrintProfileName, Strict, Workers
from lensbench.cli.output import progress_bar, say, say_answer, say_document, say_passed_over, say_rejected

if TYPE_CHECKING:
    from lensbench.sweep import Sweep

__all__ = ["TieRule", "sweep"]


INTERRUPTED = 130


class TieRule(StrEnum):
    """Which of several equally good stops to take."""

    BEST = "best"
    WIDEST = "widest"
    MIDDLE = "middle"
    DEEPEST = "deepest"


def sweep(
    folders: Annotated[
        list[Path], typer.Argument(metavar="FOLDER", help="Folders of test shots; never written to.")
    ],
    *,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="Folder for the report.  [default: FOLDER-lensbench beside it]",
            show_default=False,
            metavar="PATH",
        ),
    ] = None,
    shots: Annotated[
        Path | None,
        typer.Option(
            "--shots", help="Table (CSV) of what the metadata lacks: file,lens,f_number,...", metavar="PATH"
        ),
    ] = None,
    workers: Workers = None,
    method: Annotated[
        MethodName, typer.Option("--method", help="How edges are measured.")
    ] = MethodName.REFINED,
    pitch_um: PitchUm = None,
    print_profile: PrintProfileName = None,
    tie: Annotated[
        TieRule,
        typer.Option("--tie", help="Which of equally good f-stops to take."),
    ] = TieRule.BEST,
    physical: Physical = False,
    encoding: Encoding = "auto",
    strict: Strict = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the findings as JSON.")] = False,
) -> None:
    """Measure a folder of test shots; find the best f-stop and the best zoom setting.

    Photographs of the chart are grouped by camera, lens, focal length and f-number. Focus anew for every shot
    and take three of each setting: then the answer says what can be told apart, and what cannot. A second run
    with the same --out takes up where the first stopped.

    Example: lensbench sweep shots/ --out shots-report
    """
    from lensbench.capture.print_profile import kept_profile
    from lensbench.report.out import write
    from lensbench.shot import MeasureOptions
    from lensbench.stats import Tie
    from lensbench.sweep import Running, sweep, usual_workers

    place = out or _beside(folders[0])
    options = MeasureOptions(
        method=method.value,
        pitch_um=pitch_um,
        physical=physical,
        encoding=encoding,
        print_profile=None if print_profile is None else kept_profile(print_profile),
    )
    write.check_output_folder(place, inputs=folders)
    try:
        with progress_bar() as progress:
            spread = Running(
                workers=workers or usual_workers(),
                progress=lambda done, total, _: progress(done, total),
            )
            done = sweep(
                folders,
                shots_csv=shots,
                options=options,
                cache=place / "measured",
                running=spread,
                tie=Tie(tie.value),
            )
    except KeyboardInterrupt:
        say("lensbench: stopped; run it again with the same --out to take up from here", err=True)
        raise typer.Exit(INTERRUPTED) from None
    written = write.write_sweep(done.findings, done.shots, place)
    say_passed_over(folders)
    say_rejected(done)
    if physical:
        _say_where_not_read(done)
    if as_json:
        from lensbench.report.out.json_form import findings_as_json

        say_document(write.json_text(findings_as_json(done.findings)))
    else:
        say_answer(done.findings, written)
    if strict and done.rejected:
        raise typer.Exit(REJECTED)


def _say_where_not_read(done: "Sweep") -> None:
    from lensbench.report.text.blur import has_physical

    if not any(has_physical(shot) for shot in done.shots):
        say("no physical reading: it needs the f-number and the pixel pitch (--pitch-um)", err=True)


def _beside(folder: Path) -> Path:
    """Name the report's folder: beside the photographs, or here where that place is read-only."""
    place = folder.resolve()
    parent = place.parent if os.access(place.parent, os.W_OK) else Path.cwd()
    return parent / f"{place.name or 'shots'}-lensbench"
