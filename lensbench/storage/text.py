"""The one way in for small text files that a user names: tables, findings, profiles, descriptions.

Nothing in them is trusted, and nothing but a regular file of bounded size is read: a pipe would be waited for
without end, a device read until the memory is full.

Text from outside (file names, metadata, tables, JSON) made fit to be shown: one line, no hidden characters.
"""

import csv
import io
import json
import os
import re
import tomllib
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator
from functools import cache
from importlib.resources import files
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import Any, Final

from lensbench.model.errors import TableError, TextFileError

USUAL_MOST_BYTES: Final = 20_000_000
_MOST_DIGITS: Final = 18
_WITHOUT_WAITING: Final = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)  # for a pipe's writer


@cache
def words_of(room: str) -> dict[str, Any]:
    """Texts that a room says to its reader, from its own `words.toml`: tables of texts by what they speak of."""
    return tomllib.loads(files(f"lensbench.{room}").joinpath("words.toml").read_text(encoding="utf-8"))


def read_text(path: Path, *, most_bytes: int = USUAL_MOST_BYTES) -> str:
    """Read a text file in UTF-8, with or without a byte order mark.

    A TextFileError bears the reason alone, for the caller to name the file and the next step.
    """
    try:
        return _content(path, most_bytes).decode("utf-8-sig")
    except TextFileError:
        raise
    except FileNotFoundError as error:
        raise TextFileError("there is no such file") from error
    except OSError as error:
        raise TextFileError(f"the system says: {error.strerror}") from error
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise TextFileError(
            f"it is no text in UTF-8, from line {line} on; save it as text (CSV, JSON) in UTF-8"
        ) from error
    except ValueError as error:  # a NUL in it
        raise TextFileError("its name is not valid") from error


def _content(path: Path, most_bytes: int) -> bytes:
    with open(os.open(path, os.O_RDONLY | _WITHOUT_WAITING), "rb") as stream:  # noqa: PTH123  a handle, no path
        kind = os.fstat(stream.fileno()).st_mode
        if S_ISDIR(kind):
            raise TextFileError("it is a folder, no file")
        if not S_ISREG(kind):
            raise TextFileError("it is a device or a pipe, no file; save its content to a file first")
        content = stream.read(most_bytes + 1)
    if len(content) > most_bytes:
        raise TextFileError(f"it is larger than {most_bytes / 1e6:g} MB, the most that is read")
    return content


def read_json(path: Path, *, most_bytes: int = USUAL_MOST_BYTES) -> Any:
    """Read a JSON document; a TextFileError as of `read_text` and `json_in`."""
    return json_in(read_text(path, most_bytes=most_bytes))


def json_in(text: str) -> Any:
    """What a JSON text holds; a TextFileError where it is none, or nested deeper than anything this program writes."""
    try:
        # A number too long for any figure becomes a float: infinity at the end, which every check refuses.
        return json.loads(
            text, parse_int=lambda digits: int(digits) if len(digits) <= _MOST_DIGITS else float(digits)
        )
    except json.JSONDecodeError as error:
        raise TextFileError(f"it is no JSON, or damaged, at line {error.lineno}") from error
    except (ValueError, RecursionError) as error:
        raise TextFileError("it is JSON of a form that nothing here writes, or damaged") from error


_SEMICOLON_TOO_MANY: Final = "a semicolon too many, or one within a text? Put such a cell in quotes"
_COMMA_TOO_MANY: Final = (
    "a comma as decimal sign, or within a text? Write 2.8, put such a cell in quotes, or separate all cells by "
    "semicolons"
)


def table_in(text: str, *, delimiter: str = ",") -> Iterator[tuple[int, dict[str, str]]]:
    """Rows of a CSV text, each with its line and its cells, stripped, by the columns' names; no cell is None.

    A row without any filled cell is passed over, cells that lack at a row's end are empty. A TableError where a row has
    too many cells (a decimal comma, most likely) or a cell goes over several lines; a TextFileError where a column
    stands twice, or it is no CSV.
    """
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True, strict=True
    )
    line = 1
    try:
        names = [name.strip() for name in next(reader, [])]
        if twice := [name for name in names if name and names.count(name) > 1]:
            raise TextFileError(f"the column «{twice[0]}» stands twice; leave one")
        line = reader.line_num + 1
        for cells in reader:
            if any("\n" in cell or "\r" in cell for cell in cells):
                raise TableError(f"line {line}: a cell goes on over the next line; close its quote")
            if any(cell.strip() for cell in cells):
                if len(cells) > len(names):
                    cause = _COMMA_TOO_MANY if delimiter == "," else _SEMICOLON_TOO_MANY
                    raise TableError(f"line {line} has {len(cells)} cells for {len(names)} columns: {cause}")
                if any(cell.strip() for name, cell in zip(names, cells, strict=False) if not name):
                    raise TableError(
                        f"line {line}: a cell stands in a column without a name; name it, or empty it"
                    )
                filled = {name: cell.strip() for name, cell in zip(names, cells, strict=False) if name}
                yield line, dict.fromkeys(names, "") | filled
            line = reader.line_num + 1
    except csv.Error as error:
        raise TextFileError(
            f"it is no table (CSV), or damaged, from line {line} on; a quote stands at the begin and the end of a "
            "cell or not at all"
        ) from error


LONGEST_TEXT: Final = 160  # longer names are cut; no honest lens or file name needs more. [characters]


def visible(text: str) -> str:
    """Text without control, direction and invisible characters; white space of any kind becomes spaces.

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
    """A text on one line, cut to length, nothing hidden in it; to escape it is the business of what shows it."""
    line = one_line(text or "")
    if len(line) > LONGEST_TEXT:
        line = line[: LONGEST_TEXT - 1] + "…"
    return line or unknown


_CLOSE: Final = (
    0.7  # of difflib's ratio, at which a slip of the finger stays near; common practice, no source
)


def told_apart(paths: Iterable[Path]) -> dict[Path, str]:
    """Name of each file: its own, with its folder's before it where two files bear one.

    >>> told_apart([Path("a/1.dng"), Path("b/1.dng"), Path("b/2.dng")])[Path("b/1.dng")]
    'b/1.dng'
    """
    known = tuple(dict.fromkeys(paths))
    counts = Counter(path.name for path in known)
    return {path: path.name if counts[path.name] == 1 else str(Path(*path.parts[-2:])) for path in known}


def nearest(word: str, known: Iterable[str]) -> str:
    """Known word that a mistyped one is nearest to; empty where none is near.

    >>> nearest("swep", ["sweep", "compare"]), nearest("--shot", ["--shots", "--out"]), nearest("x", ["sweep"])
    ('sweep', '--shots', '')
    """
    from difflib import get_close_matches  # noqa: PLC0415  only a mistake needs it

    names = list(known)
    begun = [name for name in names if name.startswith(word) and len(word) > 2]
    return next(iter(begun or get_close_matches(word, names, n=1, cutoff=_CLOSE)), "")
