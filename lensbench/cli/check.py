"""`lensbench check`: tells at the camera whether a shot is usable and what to do about it."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lensbench.cli.options import (
    Encoding,
    PitchUm,
    RoomFile,
    TimeLimit,
    argument,
    measure_options,
    option,
    path,
)
from lensbench.cli.output import say, within_limit
from lensbench.model.errors import SettingError, SweepError
from lensbench.storage.text import visible
from lensbench.workers import USUAL_LIMIT_S

if TYPE_CHECKING:
    from rich.table import Table

    from lensbench.capture import PlanBook, PlanFile, Session
    from lensbench.model.shot import ShotResult

_MOST_LINES = 30
_QUICK_LOOK = (
    "A quick look by sweep's limits; sweep measures every edge, and right at a limit may decide otherwise."
)


@dataclass(frozen=True, kw_only=True)
class CheckCommand:
    """The options of `check`."""

    places: Annotated[
        list[Path], argument("PHOTO... | FOLDER", "Photographs of the chart, or a folder of them.")
    ]
    watch: Annotated[
        bool, option("Follow the folder until Ctrl-C; say a line for each new shot.", "--watch")
    ] = False
    plan: Annotated[Path | None, path("shots.csv of `plan`: say what is still lacking.")] = None
    fill: Annotated[
        bool, option("Write the usable files' names into the plan's column «file».", "--fill")
    ] = False
    pitch_um: PitchUm = None
    encoding: Encoding = "auto"
    room: RoomFile = None
    time_limit: TimeLimit = USUAL_LIMIT_S


def check(given: CheckCommand) -> None:
    """Say of each shot of the chart whether it is usable, and what to do: one line a shot, beside the camera.

    Turns in degrees, moves in cm, exposure in stops. With --watch a folder that the camera writes to is followed.

    Example: lensbench check shots/ --watch --plan plan/shots.csv --fill
    """
    from lensbench import shot
    from lensbench.capture import PlanBook, PlanFile, Session
    from lensbench.sweep import read_shots_table

    places, plan = given.places, given.plan
    if given.fill and plan is None:
        raise SettingError("--fill needs a plan to fill: --plan shots.csv")
    if given.watch and (len(places) > 1 or not places[0].is_dir()):
        raise SettingError(f"{', '.join(map(str, places))}: --watch follows one folder, and this is none")
    filled = PlanFile(plan, read_shots_table) if plan is not None and given.fill else None
    book = filled.book if filled else PlanBook(read_shots_table(plan)) if plan is not None else None
    options = measure_options(given, fast=True)
    limited = within_limit(given.time_limit)

    def measured(photo: Path) -> "ShotResult":
        with limited(photo):
            return shot.measure_shot(photo, options)

    session = Session(book, measure=measured)
    try:
        usable = _follow(session, places[0], filled) if given.watch else _once(session, places, filled)
    except KeyboardInterrupt:
        usable = True
    if book is not None:
        _say_outstanding(book)
    if not usable:
        raise typer.Exit(1)


def _once(session: "Session", places: list[Path], filled: "PlanFile | None") -> bool:
    from lensbench.photo import list_photos
    from lensbench.sweep import beside_raw, copies_among, copies_in_words

    photos = []
    for place in places:
        if not place.exists():
            raise SweepError(f"{place}: there is no such photograph or folder")
        inside = list_photos(place) if place.is_dir() else [place]
        if not inside:
            raise SweepError(f"{place}: no photographs in this folder")
        photos += inside
    doubles = beside_raw(photos)
    photos = [photo for photo in dict.fromkeys(photos) if photo not in doubles]
    copies = copies_among(photos)
    for sentence in copies_in_words(copies):
        say(sentence, err=True)
    photos = [photo for photo in photos if photo not in copies]
    for photo in photos:
        verdict, _ = session.check(photo)
        say(verdict.line, *(revised.line for revised in session.revised))
        if filled:
            filled.fill()
    usable = len(session.usable)
    if len(photos) > 1:
        lacking = f"; {session.without_stop} once a table names their f-number" * bool(session.without_stop)
        say(f"{usable} of {len(photos)} usable{lacking}", _QUICK_LOOK)
    return usable > 0


def _follow(session: "Session", folder: Path, filled: "PlanFile | None") -> bool:
    from lensbench.capture import Follower, What, follow

    follower = Follower(folder)
    with _board(session.book) as tell:
        say(f"Watching {folder}; Ctrl-C ends.", _QUICK_LOOK, err=True)
        for happening in follow(follower):
            if happening.what is not What.ARRIVED:
                tell(session.settle(happening))
                for revised in session.revised:
                    tell(revised.line)
            elif not session.has_raw(happening.path):
                verdict, whole = session.check(happening.path)
                again = not whole and follower.put_back(happening.path)
                if not follower.unchanged(happening.path) or again:
                    continue
                for revised in session.revised:
                    tell(revised.line)
                tell(verdict.line + _next(session.book))
            if filled:
                filled.fill()
    return True


@contextmanager
def _board(book: "PlanBook | None") -> Iterator[Callable[[str], None]]:
    """Give what tells a line; on a terminal, the table of what the plan still lacks stands below all of them."""
    from rich.console import Console
    from rich.live import Live

    console = Console(highlight=False, markup=False, soft_wrap=True)
    if book is None or not console.is_terminal:
        yield say
        return
    with Live(_table(book), console=console, auto_refresh=False, transient=True) as live:

        def tell(line: str) -> None:
            live.console.print(visible(line))
            live.update(_table(book), refresh=True)

        yield tell


def _table(book: "PlanBook") -> "Table":
    from rich import box
    from rich.table import Table

    from lensbench.capture import outstanding_table

    header, rows = outstanding_table(book)
    title = f"{book.taken} of {len(book.rows)} shots"
    table = Table(*header, box=box.SIMPLE, title=title, title_justify="left")
    for row in rows:
        table.add_row(*row)
    return table


def _next(book: "PlanBook | None") -> str:
    if book is None:
        return ""
    if not (outstanding := book.outstanding()):
        return "  | plan complete"
    first = outstanding[0]
    return f"  | {book.taken} of {len(book.rows)}, next {first.setting} ({first.taken + 1} of {first.wanted})"


def _say_outstanding(book: "PlanBook") -> None:
    say("", f"Plan: {book.taken} of {len(book.rows)} shots are there.")
    outstanding = book.outstanding()
    rows = [(setting.setting, setting.taken, setting.wanted) for setting in outstanding[:_MOST_LINES]]
    if rows:
        say(*("  {:<28} {:>6} {:>7}".format(*row) for row in (("still lacking", "taken", "wanted"), *rows)))
    if len(outstanding) > _MOST_LINES:
        say(f"  and {len(outstanding) - _MOST_LINES} more settings")
