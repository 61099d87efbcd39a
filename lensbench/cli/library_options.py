"""What the commands of `lensbench library` share."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from lensbench.library import Library

__all__ = ["AsJson", "Place", "library_at"]

Place = Annotated[
    Path | None,
    typer.Option(
        "--library", metavar="FILE", help="The library.  [default: in your data folder]", show_default=False
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]


def library_at(place: Path | None) -> "Library":
    """Give the library named, or the one in the user's data folder."""
    from lensbench.library import Library, usual_place

    return Library(place=place or usual_place())
