"""`lensbench compare`: sets lenses side by side."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

import lensbench
from lensbench.cli.options import AsJson, Viewed, path
from lensbench.cli.output import say_answer, say_document


@dataclass(frozen=True, kw_only=True)
class CompareCommand(Viewed):
    """The options of `compare`."""

    folders: Annotated[
        list[Path], typer.Argument(metavar="DIR_A DIR_B", help="Folders that `lensbench sweep` wrote.")
    ]
    out: Annotated[Path | None, path("--out", "Folder for the report.  [default: A-against-B here]")] = None
    as_json: AsJson = False


def compare(given: CompareCommand) -> None:
    """Set two or more lenses side by side: at equal stop, focal length and zone, with intervals.

    Lenses on different sensors are compared in lp/mm, where the pixel pitches are known, and in line widths
    per picture height. Beside it stands whether one could see the difference: looked at pixel for pixel on a
    screen, or in a print whose height and distance are given.

    Example: lensbench compare zoom-report prime-report --out zoom-against-prime
    """
    names = [folder.resolve().name for folder in given.folders]
    done = lensbench.compare(
        given.folders,
        out=given.out or Path("-against-".join(names) if len(names) > 1 else f"{names[0]}-compared"),
        print_height_mm=given.print_height_mm,
        viewing_distance_mm=given.viewing_distance_mm,
    )
    if given.as_json:
        say_document(done.to_json())
    else:
        say_answer(done)
