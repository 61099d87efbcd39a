"""The one way to the terminal: no sign of a file's or a lens's name reaches it that a terminal obeys.

What the commands that measure many photographs say: progress on standard error, the answer on standard output.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

import typer

from lensbench.storage.text import clean_text, visible

if TYPE_CHECKING:
    from lensbench.model.compare import CompareFindings
    from lensbench.model.shot import PrintProfile, ShotResult
    from lensbench.model.sweep import SweepFindings
    from lensbench.sweep import Sweep

__all__ = [
    "keep_and_say",
    "progress_bar",
    "say",
    "say_answer",
    "say_comparison",
    "say_document",
    "say_kept_print",
    "say_passed_over",
    "say_rejected",
]


def say(*lines: str, err: bool = False) -> None:
    """Print lines, each of them on one line whatever names stand in it, in one go."""
    typer.echo("\n".join(visible(line).rstrip() for line in lines), err=err)


def say_document(text: str | bytes) -> None:
    """Print a JSON document, in which hidden signs are escaped already."""
    typer.echo((text.decode() if isinstance(text, bytes) else text).rstrip("\n"))


_MOST_NAMED: Final = 5


@contextmanager
def progress_bar(doing: str = "measuring") -> Iterator[Callable[[int, int], None]]:
    """Show a bar on standard error, where that is a terminal; the function given back takes (done, total)."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        line = bar.add_task(doing, total=None)

        def show(done: int, total: int) -> None:
            bar.update(line, completed=done, total=total)

        yield show


def say_passed_over(folders: Sequence[Path]) -> None:
    """Name what bears a photograph's name but is a link, a pipe or a device, and so was not opened."""
    from lensbench.photo import passed_over

    found = list(dict.fromkeys(path for folder in folders for path in passed_over(folder)))
    if found:
        names = ", ".join(clean_text(path.name) for path in found[:_MOST_NAMED])
        more = f" and {len(found) - _MOST_NAMED} more" if len(found) > _MOST_NAMED else ""
        say(f"passed over, being no files of their own (links, pipes) or unreadable: {names}{more}", err=True)


def say_rejected(done: "Sweep") -> None:
    """Name every photograph that was left out, with its reason."""
    from lensbench.sweep import copies_in_words

    planned = [shot.planned for shot in done.shots]
    for reason, count in Counter(
        shot.left_out for shot in planned if shot.by_choice and shot.copy_of is None
    ).items():
        say(f"skipped {count} photograph{'s' * (count > 1)}: {reason}", err=True)
    for sentence in copies_in_words({shot.path: shot.copy_of for shot in planned if shot.copy_of}):
        say(sentence, err=True)
    rejections = [*done.findings.unplaced, *(one for lens in done.findings.lenses for one in lens.rejected)]
    for rejection in rejections:
        say(f"rejected: {clean_text(rejection.path.name)}: {rejection.reason}", err=True)


def say_answer(findings: "SweepFindings", written: Sequence[Path]) -> None:
    """Give the answer in plain sentences, and say where the report lies."""
    from lensbench.report.text.answer import answer_sentences

    for sentence in answer_sentences(findings):
        say(sentence)
    say(f"Report: {written[-1]}")


def say_comparison(comparison: "CompareFindings", written: Sequence[Path]) -> None:
    """Give the comparison in plain sentences with its table, and say where the report lies."""
    from lensbench.report.out.compare import choice_lines
    from lensbench.report.text.compare import comparison_answer, comparison_limits

    for line in (*comparison_answer(comparison), *choice_lines(comparison), *comparison_limits(comparison)):
        say(line)
    say(f"Report: {written[-1]}")


def say_kept_print(name: str, shots: "Sequence[ShotResult]") -> list[str]:
    """Make and keep the profile of a print from photographs at two or more distances; say what it is."""
    from lensbench.capture.print_profile import profile_from_distances

    return keep_and_say(profile_from_distances(shots, name=Path(name).stem), name)


def keep_and_say(profile: "PrintProfile", name: str) -> list[str]:
    """Keep a profile under a name, and say what it is and how to use it."""
    from lensbench.capture.print_profile import keep_profile
    from lensbench.optics import RISE_10_90_SIGMAS

    path = keep_profile(profile, name)
    sigma, sd = profile.edge_sigma_mm, profile.edge_sigma_sd_mm
    return [
        (
            f"The print's own edges: sigma {sigma:.4f} +- {1.96 * sd:.4f} mm (95 %), that is "
            f"{RISE_10_90_SIGMAS * sigma:.3f} mm from 10 to 90 %; from {profile.made_from}."
        ),
        f"Kept in {path}; use it with --print-profile {name}",
    ]
