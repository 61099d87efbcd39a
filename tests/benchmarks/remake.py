"""Remake the tables of measured figures in docs/measured.

    python tests/benchmarks/remake.py [TABLE ...] [--tiny] [--set NAME=NUMBER ...] [--out FOLDER]

Without a name all of them, which takes some hours on one core. `--tiny` prints the smallest case of each and writes
nothing, unless a folder is named. `--set` changes an amount of work, such as `--set shoots=100`.
"""

import argparse
from importlib import import_module
from pathlib import Path

import pages

SCRIPTS = {
    "accuracy": "accuracy",
    "advice": "advice",
    "check-speed": "check_speed",
    "compare": "compare",
    "condition": "condition",
    "decision": "decision",
    "effect": "effect",
    "finding": "finding",
    "geometry": "geometry",
    "odd-edges": "odd_rows",
    "performance": "performance",
    "print": "print_profile",
    "quality": "quality",
    "ranking": "ranking",
    "wall-sweep": "wall_sweep",
    "wavefront-charts": "wavefront_charts",
}
"""Pages of docs/measured, and the script here that makes each."""


def table_of(name: str) -> pages.Table:
    """Table of a page."""
    table = import_module(SCRIPTS[name]).TABLE
    assert isinstance(table, pages.Table)
    return table


def main() -> None:
    """Remake what was asked for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("tables", nargs="*", metavar="TABLE", help=f"some of {', '.join(SCRIPTS)}")
    parser.add_argument("--tiny", action="store_true", help="the smallest case of each, printed only")
    parser.add_argument("--set", action="append", default=[], metavar="NAME=NUMBER", dest="changes")
    parser.add_argument("--out", type=Path, help="folder of the pages  [default: docs/measured]")
    asked = parser.parse_args()
    if unknown := set(asked.tables) - set(SCRIPTS):
        parser.error(f"no such table: {', '.join(sorted(unknown))}; there are {', '.join(SCRIPTS)}")
    changes = {name: int(number) for name, number in (change.split("=") for change in asked.changes)}
    folder = asked.out or (None if asked.tiny else pages.ROOT / "docs" / "measured")
    for name in asked.tables or SCRIPTS:
        table = table_of(name)
        amounts = {**table.full, **(table.tiny if asked.tiny else {})}
        amounts |= {amount: number for amount, number in changes.items() if amount in amounts}
        path = None if folder is None else folder / f"{name}.md"
        before = path.read_text(encoding="utf-8") if path is not None and path.exists() else ""
        text = pages.text_of(name, table, before=before, **amounts)
        print(text)
        if path is not None:
            path.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
