"""The one way to the terminal: no sign of a file's or a lens's name reaches it that a terminal obeys."""

import typer

from lensbench.clean import visible

__all__ = ["say", "say_document"]


def say(*lines: str, err: bool = False) -> None:
    """Print lines, each of them on one line whatever names stand in it, in one go."""
    typer.echo("\n".join(visible(line).rstrip() for line in lines), err=err)


def say_document(text: str | bytes) -> None:
    """Print a JSON document, in which hidden signs are escaped already."""
    typer.echo((text.decode() if isinstance(text, bytes) else text).rstrip("\n"))
