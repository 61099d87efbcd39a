"""The reference of commands, made from what `--help` says: `python tests/made/make_commands.py` writes the page."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import typer

from lensbench.cli.main import app

PAGE: Final = Path(__file__).resolve().parents[2] / "docs" / "reference" / "commands.md"
_HEAD: Final = """# Commands

Made from `--help` by `python tests/made/make_commands.py`; a test says when it is out of date. Each command gives
status 0 when it is done, 1 when it could not measure, 2 for wrong usage, 3 when it is done but photographs were
rejected and `--strict` was given. Results go to standard output, progress and warnings to standard error.
"""


def page() -> str:
    """The whole page as Markdown."""
    return "\n".join([_HEAD, *_command(typer.main.get_command(app), None, "lensbench")]).rstrip() + "\n"


def _command(command: Any, parent: Any, name: str) -> Iterator[str]:
    context = command.context_class(command, info_name=name, parent=parent)
    if parent is not None:
        yield from _described(command, context)
    if hasattr(command, "list_commands"):
        for inner in command.list_commands(context):
            known = command.get_command(context, inner)
            if not known.hidden:
                yield from _command(known, context, inner)


def _described(command: Any, context: Any) -> Iterator[str]:
    yield f"## {context.command_path}\n"
    about = re.sub(r"[\b\f]\n?", "", command.help or "").strip()
    for paragraph in re.split(r"\n\s*\n", about):
        text = " ".join(paragraph.split())
        example = re.fullmatch(r"Example: (.*)", text)
        yield f"Example:\n\n    {example[1]}\n" if example else f"{text}\n"
    records = [record for item in command.get_params(context) if (record := item.get_help_record(context))]
    rows = [
        f"| `{usage.replace('|', ', ')}` | {_cell(told)} |"  # a bar ends the cell, in code too
        for usage, told in records
        if "--help" not in usage
    ]
    if rows:
        yield "\n".join(["| option | meaning |", "|---|---|", *rows]) + "\n"


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|").replace("<", "&lt;")


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
