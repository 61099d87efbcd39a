"""Text from outside (metadata, file names, tables) made fit to show: no hidden characters, no formulas."""

from pathlib import Path
from typing import Final

from lensbench.clean import clean_text, name_in_tables, visible

__all__ = ["clean_text", "photo_labels", "spreadsheet_path", "spreadsheet_text"]

_FORMULA_STARTS: Final = tuple("=+-@|%") + tuple("＝＋－＠")
"""Cells that begin so can run as formulas in spreadsheets (OWASP ASVS 1.2.10, CWE-1236)."""


def spreadsheet_text(text: str | None) -> str:
    """Give a cleaned text that no spreadsheet takes for a formula: a leading apostrophe disarms it."""
    line = clean_text(text, unknown="")
    return f"'{line}" if line.startswith(_FORMULA_STARTS) else line


def spreadsheet_path(path: Path) -> str:
    """Give a path that no spreadsheet takes for a formula and that still opens the same file."""
    line = visible(name_in_tables(str(path)))
    return f"./{line}" if line.startswith(_FORMULA_STARTS) else line


def photo_labels(paths: tuple[Path, ...]) -> dict[Path, str]:
    """Give a short name for every photograph: the file's name, with its folder where two are called alike."""
    names = [path.name for path in paths]
    return {
        path: clean_text(path.name if names.count(path.name) == 1 else f"{path.parent.name}/{path.name}")
        for path in paths
    }
