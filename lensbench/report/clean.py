"""Text from outside (metadata, file names, tables) made fit to show: no hidden characters, no formulas."""

import unicodedata
from pathlib import Path
from typing import Final

__all__ = ["clean_text", "photo_labels", "spreadsheet_path", "spreadsheet_text"]

LONGEST_TEXT: Final = 160
"""Longer names are cut; no honest lens or file name needs more. [characters]"""

_FORMULA_STARTS: Final = tuple("=+-@|%") + tuple("＝＋－＠")
"""Cells that begin so can run as formulas in spreadsheets (OWASP ASVS 1.2.10, CWE-1236)."""


def clean_text(text: str | None, *, unknown: str = "unknown") -> str:
    """Give a text on one line, cut to length, without control, bidirectional or invisible characters.

    Nothing is escaped here: that is the business of the page, the PDF or the table that shows the text.
    """
    line = " ".join(_visible(text or "").split())
    if len(line) > LONGEST_TEXT:
        line = line[: LONGEST_TEXT - 1] + "…"
    return line or unknown


def spreadsheet_text(text: str | None) -> str:
    """Give a cleaned text that no spreadsheet takes for a formula: a leading apostrophe disarms it."""
    line = clean_text(text, unknown="")
    return f"'{line}" if line.startswith(_FORMULA_STARTS) else line


def spreadsheet_path(path: Path) -> str:
    """Give a path that no spreadsheet takes for a formula and that still opens the same file."""
    line = _visible(str(path))
    return f"./{line}" if line.startswith(_FORMULA_STARTS) else line


def photo_labels(paths: tuple[Path, ...]) -> dict[Path, str]:
    """Give a short name for every photograph: the file's name, with its folder where two are called alike."""
    names = [path.name for path in paths]
    return {
        path: clean_text(path.name if names.count(path.name) == 1 else f"{path.parent.name}/{path.name}")
        for path in paths
    }


def _visible(text: str) -> str:
    spaced = "".join(" " if character.isspace() else character for character in text)
    return "".join(character for character in spaced if not unicodedata.category(character).startswith("C"))
