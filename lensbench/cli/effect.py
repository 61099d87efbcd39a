"""`lensbench effect`: measures what one change did."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lensbench.cli.options import (
    REJECTED,
    Encoding,
    PitchUm,
    PrintHeight,
    PrintProfileName,
    Strict,
    ViewingDistance,
    Workers,
)
from lensbench.cli.output import say, say_document

if TYPE_CHECKING:
    from lensbench.model.effect import EffectFindings

__all__ = ["effect"]


def effect(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Shots of the chart; never written to.")],
    *,
    by: Annotated[
        str,
        typer.Option(
            "--by",
            help="What was changed: condition, exposure_s, iso, f_number, focal_length_mm, lens or camera.",
            show_default=False,
            metavar="TEXT",
        ),
    ],
    against: Annotated[
        str | None,
        typer.Option(
            "--against",
            help="Level the others are held against.  [default: the lowest, or the first shot's]",
            show_default=False,
            metavar="TEXT",
        ),
    ] = None,
    shots: Annotated[
        Path | None,
        typer.Option("--shots", help="Table (CSV) with the columns file,condition,...", metavar="PATH"),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="Folder for the report.  [default: FOLDER-effect here]",
            show_default=False,
            metavar="PATH",
        ),
    ] = None,
    workers: Workers = None,
    pitch_um: PitchUm = None,
    print_profile: PrintProfileName = None,
    print_height_mm: PrintHeight = None,
    viewing_distance_mm: ViewingDistance = None,
    encoding: Encoding = "auto",
    strict: Strict = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the findings as JSON.")] = False,
) -> None:
    """Measure what one change did: filter, stabiliser, support, shutter speed, ISO, processing, repair.

    Shoot the chart by turns (A, B, A, B, A, B), all else equal. Differences of MTF50 and noise are in percent,
    of overshoot in percentage points, with 95 % intervals and drift from shot to shot removed. Conditions stand
    in a shots table, or are the names of folders within FOLDER.

    Example: lensbench effect filter-shots --by condition --shots conditions.csv
    """
    from lensbench.capture.print_profile import kept_profile
    from lensbench.cli.output import progress_bar, say_passed_over
    from lensbench.effect import effect as measure_effect
    from lensbench.report.out import write
    from lensbench.report.text.effect import effect_sentences
    from lensbench.shot import MeasureOptions
    from lensbench.sweep import Running, usual_workers

    options = MeasureOptions(
        pitch_um=pitch_um,
        encoding=encoding,
        print_profile=None if print_profile is None else kept_profile(print_profile),
        print_height_mm=print_height_mm,
        viewing_distance_mm=viewing_distance_mm,
    )
    place = out or Path(f"{folder.resolve().name or 'shots'}-effect")
    write.check_output_folder(place, inputs=[folder])
    with progress_bar() as progress:
        running = Running(
            workers=workers or usual_workers(), progress=lambda done, total, _: progress(done, total)
        )
        done = measure_effect(
            folder,
            by=by,
            against=against,
            shots_csv=shots,
            cache=place / "measured",
            options=options,
            running=running,
        )
    written = write.write_effect(done, place)
    say_passed_over([folder])
    _say_rejected(done.findings)
    if as_json:
        from lensbench.report.out.json_form import effect_as_json

        say_document(write.json_text(effect_as_json(done.findings)))
    else:
        for sentence in effect_sentences(done.findings):
            say(sentence)
        say(f"Report: {written[-1]}")
    if strict and done.findings.rejected:
        raise typer.Exit(REJECTED)


def _say_rejected(findings: "EffectFindings") -> None:
    from lensbench.report.text.words import clean_line
    from lensbench.storage.text import clean_text

    for rejection in findings.rejected:
        say(f"rejected: {clean_text(rejection.path.name)}: {clean_line(rejection.reason)}", err=True)
