"""Text from outside (file names, metadata, tables, JSON) made fit to be shown: one line, no hidden characters."""

import re
import unicodedata
from typing import Final

__all__ = ["LONGEST_TEXT", "clean_text", "name_in_tables", "one_line", "visible"]

LONGEST_TEXT: Final = 160
"""Longer names are cut; no honest lens or file name needs more. [characters]"""


def visible(text: str) -> str:
    """Give a text without control, direction and invisible characters; white space of any kind becomes spaces.

    Terminals obey control characters (ECMA-48), and direction marks show a name other than it is (Unicode
    Technical Report 36, 2.7). Bytes of file names that are no UTF-8 go too.
    """
    text = _decoded(text, errors="ignore")
    spaced = "".join(" " if character.isspace() else character for character in text)
    return "".join(character for character in spaced if not unicodedata.category(character).startswith("C"))


def name_in_tables(name: str) -> str:
    """Give a file's name as tables in UTF-8 hold it, alike whatever the terminal's language is.

    Bytes that are no UTF-8 are shown as U+FFFD, so that the name can still be told from most others.

    >>> name_in_tables("Sch" + chr(0xDCC3) + chr(0xDCA4) + "rfe" + chr(0xDCFF)) == "Sch\u00e4rfe\ufffd"
    True
    """
    return _decoded(name, errors="replace")


def _decoded(text: str, *, errors: str) -> str:
    """Read the bytes that the system could not decode in a file's name (PEP 383) as UTF-8."""
    return _UNDECODED.sub(
        lambda found: found[0].encode("ascii", "surrogateescape").decode("utf-8", errors), text
    )


_UNDECODED: Final = re.compile("[\udc80-\udcff]+")


def one_line(text: object) -> str:
    """Give a message, or anything else as text, on one line and without hidden characters, whole.

    >>> one_line("shot" + chr(27) + "[2J.jpg:" + chr(10) + "it is empty")
    'shot[2J.jpg: it is empty'
    """
    return " ".join(visible(str(text)).split())


def clean_text(text: str | None, *, unknown: str = "unknown") -> str:
    """Give a text on one line, cut to length, without control, direction or invisible characters.

    Nothing is escaped here: that is the business of the page, the PDF or the table that shows the text.
    """
    line = one_line(text or "")
    if len(line) > LONGEST_TEXT:
        line = line[: LONGEST_TEXT - 1] + "…"
    return line or unknown
