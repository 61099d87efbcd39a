"""The one way to the terminal: no sign of a file's or a lens's name reaches it that a terminal obeys.

Progress and what was not used go to standard error, the answer to standard output.
"""

import os
import sys
import textwrap
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from math import isfinite, nan
from pathlib import Path
from typing import TYPE_CHECKING, Final, TextIO

import typer

from lensbench.cli.outside import STOP
from lensbench.report.text.words import borne, with_doubt
from lensbench.storage.text import clean_text, visible
from lensbench.workers import USUAL_LIMIT_S, time_limit

if TYPE_CHECKING:
    import lensbench
    from lensbench.model.shot import PrintProfile

_MOST_NAMED: Final = 5


_HEARD: Final[list[list[tuple[str, bool]]]] = []


@contextmanager
def heard() -> Iterator[list[tuple[str, bool]]]:
    """What is said meanwhile: text, and whether it goes to standard error."""
    _HEARD.append([])
    try:
        yield _HEARD[-1]
    finally:
        _HEARD.pop()


def say(*lines: str, err: bool = False) -> None:
    """Print lines, each of them on one line whatever names stand in it, in one go; a terminal's width wraps them."""
    for said in _HEARD:
        said += [(line, err) for line in lines]
    shown_lines = [visible(line).rstrip() for line in lines]
    width = _width(sys.stderr if err else sys.stdout)
    typer.echo("\n".join(part for line in shown_lines for part in _wrapped(line, width)), err=err)


def _width(stream: TextIO) -> int | None:
    """Columns of a terminal; None for a pipe or a file, in which no line is broken."""
    try:
        return os.get_terminal_size(stream.fileno()).columns or None
    except (OSError, ValueError):
        return None


def _wrapped(line: str, width: int | None) -> list[str]:
    """A line in parts that a terminal holds, broken at spaces alone; what goes on stands under its first word."""
    if width is None or len(line) <= width:
        return [line]
    indent = " " * (len(line) - len(line.lstrip()))
    return textwrap.wrap(
        line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )


@contextmanager
def progress_bar(doing: str = "measuring", *, then: str = "") -> Iterator[Callable[[int, int], None]]:
    """Show a bar on standard error, where that is a terminal; the function given back takes (done, total).

    With the last one done, a second line says what is done `then`.
    """
    if not sys.stderr.isatty():  # what draws the bar is heavy
        yield lambda _done, _total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    count = TextColumn("{task.fields[count]}")
    columns = (TextColumn("{task.description}"), BarColumn(), count, TimeRemainingColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        lines = [bar.add_task(doing, total=None, count="")]

        def tell(done: int, total: int) -> None:
            bar.update(lines[0], completed=done, total=total, count=f"{done}/{total}")
            if then and done == total and len(lines) == 1:
                lines.append(bar.add_task(then, total=None, count=""))

        yield tell


@contextmanager
def running(workers: int | None, limit_s: float = USUAL_LIMIT_S) -> "Iterator[lensbench.Running]":
    """Spread the work, shown by a bar; standard error says where no workers can start, or results be kept."""
    import lensbench
    from lensbench.report.draw.beside import drawer_early
    from lensbench.report.out import load_writers
    from lensbench.sweep import usual_workers

    def load() -> None:
        with STOP.later():
            load_writers()

    with drawer_early() as start_drawer, progress_bar(then="writing the report") as progress:
        yield lensbench.Running(
            workers=workers or usual_workers(),
            progress=lambda done, total, _: progress(done, total),
            notice=lambda sentence: say(sentence, err=True),
            timeout_s=limit_s,
            meanwhile=load,
            afterwards=start_drawer,
        )


def within_limit(limit_s: float) -> Callable[[Path], AbstractContextManager[None]]:
    """Give what a photograph is measured within, in this process, for so long at most; a TooSlowError says so."""

    def end(sentence: str) -> None:
        say(f"lensbench: {sentence}, and its decoder with it", err=True)
        os._exit(1)

    return lambda photo: time_limit(photo, limit_s, end=end)


def say_not_used(
    done: "lensbench.SweepResult | lensbench.EffectResult", folders: Sequence[Path] = ()
) -> None:
    """Name every photograph that was passed over, left out or rejected, with its reason."""
    from lensbench.photo import passed_over
    from lensbench.sweep import copies_in_words

    if passed := list(dict.fromkeys(path for folder in folders for path in passed_over(folder))):
        names = ", ".join(clean_text(path.name) for path in passed[:_MOST_NAMED])
        more = f" and {len(passed) - _MOST_NAMED} more" if len(passed) > _MOST_NAMED else ""
        say(f"passed over, being no files of their own (links, pipes) or unreadable: {names}{more}", err=True)
    planned = [shot.planned for shot in done.shots]
    skipped = Counter(shot.left_out for shot in planned if shot.by_choice and shot.copy_of is None)
    for reason, count in skipped.items():
        say(f"skipped {count} photograph{'s' * (count > 1)}: {reason}", err=True)
    for sentence in copies_in_words({shot.path: shot.copy_of for shot in planned if shot.copy_of}):
        say(sentence, err=True)
    for rejection in done.rejected:
        say(f"rejected: {clean_text(rejection.path.name)}: {rejection.reason}", err=True)


def say_result(lines: Iterable[str], document: Callable[[], str], *, as_json: bool) -> None:
    """Print a result in lines, or its JSON document, in which hidden signs are escaped already."""
    if as_json:
        typer.echo(document().rstrip("\n"))
    else:
        say(*lines)


def say_answer(
    done: "lensbench.SweepResult | lensbench.CompareResult | lensbench.EffectResult", *, as_json: bool = False
) -> None:
    """Give the answer in plain sentences and say where the report lies, or give the document."""
    import lensbench

    short = done.short_answer if isinstance(done, lensbench.SweepResult) else done.answer
    say_result((*short, f"Report: {done.written[-1]}"), done.to_json, as_json=as_json)


def keep(profile: "PrintProfile", name: str) -> list[str]:
    """Keep a profile under a name, and give what it is and how to use it."""
    from lensbench.capture import keep_profile
    from lensbench.optics import RISE_10_90_SIGMAS

    path = keep_profile(profile, name)
    sigma, sd = profile.edge_sigma_mm, profile.edge_sigma_sd_mm
    rise = borne(RISE_10_90_SIGMAS * sigma, RISE_10_90_SIGMAS * sd, 3)
    return [
        (
            f"The print's own edges: sigma {with_doubt(sigma, sd, 4)} mm (95 %), that is "
            f"{rise} mm from 10 to 90 %; from {profile.made_from}."
        ),
        f"Kept in {path}; use it with --print-profile {name}",
    ]


def shown(figure: float, decimals: int, *, sd: float = nan) -> str:
    """Write a figure with at most the digits that its sd bears, or a dash where it is not known."""
    return borne(figure, sd, decimals) if isfinite(figure) else "-"
