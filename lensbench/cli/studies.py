"""`lensbench sweep`, `compare`, `effect` and `rank`: the commands that judge folders of photographs or of results."""

import os
import shlex
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from math import isfinite
from pathlib import Path
from typing import Annotated, Final, Literal

import typer

import lensbench
from lensbench.cli import options as shared
from lensbench.cli.options import Viewed, argument, measure_options, number, option, path, text
from lensbench.cli.output import (
    heard,
    progress_bar,
    running,
    say,
    say_answer,
    say_not_used,
    say_result,
    within_limit,
)
from lensbench.cli.room import say_unlike_room
from lensbench.report.text.words import clean_line
from lensbench.storage.cache import packed
from lensbench.storage.files import CONTENTS, holds_newer, sole_writer
from lensbench.storage.standing import Said, Standing
from lensbench.storage.text import clean_text, told_apart
from lensbench.workers import USUAL_LIMIT_S, start_server

_INTERRUPTED: Final = 130


@dataclass(frozen=True, kw_only=True)
class SweepCommand:
    """The options of `sweep`."""

    folders: Annotated[
        list[str],
        argument("FOLDER", "Folders of test shots, or addresses such as s3://...; never written to."),
    ]
    out: shared.Out = None
    shots: shared.ShotsTable = None
    workers: shared.Workers = None
    time_limit: shared.TimeLimit = USUAL_LIMIT_S
    scheduler: Annotated[
        str, text("Dask scheduler whose workers measure instead, such as tcp://host:8786.")
    ] = ""
    send_files: Annotated[
        bool, option("Send the photographs to those workers; else they read the same paths.")
    ] = False
    method: shared.Method = "refined"
    pitch_um: shared.PitchUm = None
    print_profile: shared.PrintProfile = None
    camera: shared.CameraName = None
    distance_mm: Annotated[
        float | None,
        number(
            "Chart to sensor as taped, in mm: says where the pictures show another.", 10.0, 1e6, kind="mm"
        ),
    ] = None
    room: shared.RoomFile = None
    tie: Annotated[
        Literal["best", "widest", "middle", "deepest"], option("Which of equally good f-stops to take.")
    ] = "best"
    physical: shared.Physical = False
    encoding: shared.Encoding = "auto"
    paper: shared.Paper = "A4"
    strict: shared.Strict = False
    as_json: shared.AsJson = False


def sweep(given: SweepCommand) -> None:
    """Measure a folder of test shots; find the best f-stop and the best zoom setting.

    Photographs of the chart are grouped by camera, lens, focal length and f-number. Focus anew for every shot
    and take three of each setting: then the answer says what can be told apart, and what cannot. A second run
    with the same --out takes up where the first stopped.

    Example: lensbench sweep shots/ --out shots-report
    """
    out = given.out or _beside(given.folders[0])
    if given.as_json or any("://" in folder for folder in given.folders):
        status = _measured_and_said(given, out, doubts=[])
    else:
        status = _said_again(given, out)
    if status:
        raise typer.Exit(status)


def _said_again(given: SweepCommand, out: Path) -> int:
    """Say what the last run said, where all that it rests on stands; else go the whole way; the exit status."""
    profile = None if given.print_profile is None else packed(measure_options(given).print_profile)
    standing = Standing(
        out=out,
        kept=out / "measured",
        asked=ascii((str(Path.cwd()), str(out), given, profile)),
        folders=tuple(map(Path, given.folders)),
        tables=() if given.shots is None else (given.shots,),
    )
    if standing.may_hold:
        with sole_writer(out):
            said = standing.said()
        if said is not None:
            for line, err in said.lines:
                say(line, err=err)
            return said.status
    before, doubts = standing.inputs(), list[str]()
    with heard() as lines:
        status = _measured_and_said(given, out, doubts=doubts)
    if not doubts:
        standing.keep(Said(lines=lines, status=status), inputs=before)
    return status


def _measured_and_said(given: SweepCommand, out: Path, *, doubts: list[str]) -> int:
    """Measure, write the report and say the answer; the exit status, and what may come out otherwise another time."""
    if not given.scheduler:
        _start_early(given.folders, out)
    from lensbench.sweep import STOP_UNKNOWN, is_address

    def notice(sentence: str) -> None:
        doubts.append(sentence)
        say(sentence, err=True)

    try:
        with running(given.workers, given.time_limit) as local:
            spread = replace(
                local,
                scheduler=given.scheduler,
                send_files=given.send_files,
                notice=notice,
                passing=doubts.append,
            )
            done = lensbench.sweep(
                given.folders,
                out=out,
                shots=given.shots,
                options=measure_options(given),
                tie=given.tie,
                camera=given.camera,
                running=spread,
                paper=given.paper,
                command=_typed(given),
            )
    except KeyboardInterrupt:
        say("lensbench: stopped; run it again with the same --out to take up from here", err=True)
        raise typer.Exit(_INTERRUPTED) from None
    left_out = [shot.planned.left_out for shot in done.shots if not shot.planned.by_choice]
    doubts += [reason for reason in left_out if reason not in ("", STOP_UNKNOWN)]
    say_not_used(done, [Path(folder) for folder in given.folders if not is_address(folder)])
    say_unlike_room(done, camera=given.camera, distance_mm=given.distance_mm)
    if given.physical and not done.has_physical:
        say("no physical reading: it needs the f-number and the pixel pitch (--pitch-um)", err=True)
    say_answer(done, as_json=given.as_json)
    return shared.REJECTED if given.strict and done.rejected else 0


_DECIDING: Final = ("out", "shots", "method", "pitch_um", "print_profile", "tie", "physical", "encoding")
"""Options that decide what a sweep finds and where it writes."""


def _typed(given: SweepCommand) -> str:
    """The command by which somebody else gets the same, as a shell takes it."""
    usual, parts = SweepCommand(folders=given.folders), ["lensbench", "sweep", *given.folders]
    for name in _DECIDING:
        if (value := getattr(given, name)) != getattr(usual, name):
            words = [f"{value:g}" if isinstance(value, float) else str(value)]
            parts += [f"--{name.replace('_', '-')}", *([] if value is True else words)]
    return shlex.join(parts)


def _start_early(folders: Iterable[str | Path], out: Path) -> None:
    """Load what workers need while this program loads its own, where anything seems new since the last run."""
    if any(holds_newer(Path(folder), out / "measured" / CONTENTS) for folder in folders):
        start_server()


def _beside(folder: str) -> Path:
    """Name the report's folder: beside the photographs, or here where that place is read-only or elsewhere."""
    if "://" in folder:
        from lensbench.sweep import folder_name, is_address

        if is_address(folder):
            return Path.cwd() / f"{folder_name(folder)}-lensbench"
    shots = Path(folder).resolve()
    parent = shots.parent if os.access(shots.parent, os.W_OK) else Path.cwd()
    return parent / f"{shots.name or 'shots'}-lensbench"


def remake(
    folder: Annotated[Path, argument("DIR", "Folder that `lensbench sweep` wrote.")],
    paper: shared.Paper = "A4",
    as_json: shared.AsJson = False,
) -> None:
    """Remake the reports of a sweep folder from what it keeps: nothing is measured, no photograph is needed.

    Page, PDF, plots, tables and findings.json are written anew, by this lensbench's words and statistics. A file that
    you changed is never written over.

    Example: lensbench report shots-report
    """
    with progress_bar("writing the report"):
        done = lensbench.remake(folder, paper=paper)
    say_answer(done, as_json=as_json)


@dataclass(frozen=True, kw_only=True)
class CompareCommand(Viewed):
    """The options of `compare`."""

    folders: Annotated[list[Path], argument("DIR_A DIR_B", "Folders that `lensbench sweep` wrote.")]
    out: Annotated[Path | None, path("Folder for the report.  [default: A-against-B here]")] = None
    paper: shared.Paper = "A4"
    as_json: shared.AsJson = False


def compare(given: CompareCommand) -> None:
    """Set two or more lenses side by side: at equal stop, focal length and zone, with intervals.

    Lenses on different sensors are compared in line widths per picture height; lp/mm stand beside it. Intervals
    allow for the error of a set-up: name two sweeps of one lens, set up anew, to have it measured. Beside it
    stands whether one could see the difference: pixel for pixel on a screen, or in a print of your size.

    Example: lensbench compare zoom-report prime-report --out zoom-against-prime
    """
    names = [folder.resolve().name for folder in given.folders]
    done = lensbench.compare(
        given.folders,
        out=given.out or Path("-against-".join(names) if len(names) > 1 else f"{names[0]}-compared"),
        print_height_mm=given.print_height_mm,
        viewing_distance_mm=given.viewing_distance_mm,
        paper=given.paper,
    )
    say_answer(done, as_json=given.as_json)


@dataclass(frozen=True, kw_only=True)
class EffectCommand(Viewed):
    """The options of `effect`."""

    folder: Annotated[Path, argument("FOLDER", "Shots of the chart; never written to.")]
    by: Annotated[
        str, text("What was changed: condition, exposure_s, iso, f_number, focal_length_mm, lens or camera.")
    ]
    against: Annotated[
        str | None, text("Level the others are held against.  [default: the lowest, or the first shot's]")
    ] = None
    shots: Annotated[Path | None, path("Table (CSV) with the columns file,condition,...")] = None
    out: Annotated[Path | None, path("Folder for the report.  [default: FOLDER-effect here]")] = None
    workers: shared.Workers = None
    time_limit: shared.TimeLimit = USUAL_LIMIT_S
    pitch_um: shared.PitchUm = None
    print_profile: shared.PrintProfile = None
    camera: shared.CameraName = None
    room: shared.RoomFile = None
    encoding: shared.Encoding = "auto"
    paper: shared.Paper = "A4"
    strict: shared.Strict = False
    as_json: shared.AsJson = False


def effect(given: EffectCommand) -> None:
    """Measure what one change did: filter, stabiliser, support, shutter speed, ISO, processing, repair.

    Shoot the chart by turns (A, B, A, B, A, B), all else equal. Differences of MTF50 and noise are in percent,
    of overshoot in percentage points, with 95 % intervals and drift from shot to shot removed. Conditions stand
    in a shots table, or are the names of folders within FOLDER.

    Example: lensbench effect filter-shots --by condition --shots conditions.csv
    """
    out = given.out or Path(f"{given.folder.resolve().name or 'shots'}-effect")
    _start_early([given.folder], out)
    with running(given.workers, given.time_limit) as spread:
        done = lensbench.effect(
            given.folder,
            by=given.by,
            against=given.against,
            out=out,
            shots=given.shots,
            options=measure_options(given),
            camera=given.camera,
            running=spread,
            paper=given.paper,
        )
    say_not_used(done, [given.folder])
    say_answer(done, as_json=given.as_json)
    if given.strict and done.rejected:
        raise typer.Exit(shared.REJECTED)


def rank(
    photos: Annotated[
        list[Path], argument("PHOTO... | FOLDER", "Two or more frames of one scene, or their folder.")
    ],
    time_limit: shared.TimeLimit = USUAL_LIMIT_S,
    as_json: shared.AsJson = False,
) -> None:
    """Order near-identical frames of any scene by sharpness; no chart is needed.

    The frames must show the same scene, of one camera, size and file format: the camera hardly moved between
    them. They are laid over one another and compared where the scene has detail; a file that cannot be read, or
    shows another scene, is left out and named. Frames that can't be told apart share a group; where none can, no
    order is named. Blur is in px, contrast in percent of the sharpest frame's at the frequency named (in cycles
    per pixel).

    Example: lensbench rank burst_1.dng burst_2.dng burst_3.dng
    """
    from lensbench.sweep import copies_in_words

    with progress_bar("comparing") as progress:
        done = lensbench.rank(photos, progress=progress, limit=within_limit(time_limit))
    for sentence in copies_in_words(done.copies):
        say(clean_text(sentence), err=True)
    ranking = done.ranking
    for rejection in ranking.left_out:
        say(f"left out: {clean_text(rejection.path.name)}: {clean_line(rejection.reason)}", err=True)
    say_result(_rank_lines(done), done.to_json, as_json=as_json)


def _rank_lines(done: "lensbench.RankResult") -> Iterator[str]:
    ranking = done.ranking
    row = "  {:>4} {:>5}  {:<24} {:>11} {:>15} {:>12}".format
    yield ranking.answer
    if not ranking.told_apart:
        return
    called = told_apart(frame.photo for frame in ranking.frames)
    yield ""
    yield row("rank", "group", "frame", "contrast, %", "95 % interval", "more blur px")
    for frame in ranking.frames:
        contrast, low, high = (
            f"{100.0 + percent:.1f}" for percent in (frame.detail_percent, *frame.ci95_percent)
        )
        interval = f"{low} to {high}" if isfinite(frame.ci95_percent[0]) and frame.rank > 1 else "-"
        name, blur = clean_text(called[frame.photo]), f"{frame.extra_blur_px:.2f}"
        yield row(frame.rank, frame.group, name, contrast, interval, blur)
    places = f"{ranking.pieces} places"
    yield from (
        "",
        f"Contrast at {ranking.frequency_cypx:.2f} cycles/pixel, the sharpest frame's being 100 %; {places}.",
    )
    for pair in done.neighbours:
        names = f"{clean_text(called[pair.sharper])} is sharper than {clean_text(called[pair.softer])}"
        chance = "above 99.9 %" if pair.probability > 0.999 else f"{100.0 * pair.probability:.1f} %"
        apart = "" if pair.told_apart else ", can't be told apart"
        yield f"  {names}: {chance}{apart}"
    yield from ranking.cautions
