"""`lensbench compare`: sets lenses side by side."""

from pathlib import Path
from typing import Annotated

import typer

from lensbench.cli.options import PrintHeight, ViewingDistance, print_and_eye
from lensbench.cli.output import say_comparison, say_document

__all__ = ["compare"]


def compare(
    folders: Annotated[
        list[Path],
        typer.Argument(metavar="DIR_A DIR_B", help="Folders that `lensbench sweep` wrote."),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="Folder for the report.  [default: A-against-B here]",
            show_default=False,
            metavar="PATH",
        ),
    ] = None,
    print_height_mm: PrintHeight = None,
    viewing_distance_mm: ViewingDistance = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the comparison as JSON.")] = False,
) -> None:
    """Set two or more lenses side by side: at equal stop, focal length and zone, with intervals.

    Lenses on different sensors are compared in lp/mm, where the pixel pitches are known, and in line widths
    per picture height. Beside it stands whether one could see the difference: looked at pixel for pixel on a
    screen, or in a print whose height and distance are given.

    Example: lensbench compare zoom-report prime-report --out zoom-against-prime
    """
    from lensbench.compare import compare
    from lensbench.report.out import json_form, write

    viewed = print_and_eye(print_height_mm, viewing_distance_mm)
    names = [folder.resolve().name for folder in folders]
    place = out or Path("-against-".join(names) if len(names) > 1 else f"{names[0]}-compared")
    write.check_output_folder(place, sweeps=folders)
    comparison = compare(folders, print_and_eye_mm=viewed)
    written = write.write_compare(comparison, place)
    if as_json:
        say_document(write.json_text(json_form.comparison_as_json(comparison)))
        return
    say_comparison(comparison, written)
