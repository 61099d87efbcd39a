"""What can go wrong: errors, arranged by what the photographer can do about it, and flags.

LensError
 |- ImageError    a file that is no photograph, is damaged, is not linear or is clipped
 |   |- UnreadableError   ... that the system does not give now, and may give another time
 |   |- MemoryShortError  ... that the memory does not suffice for, and may another time
 |   `- TooSlowError      ... that took longer than it was given
 |- ChartError    no chart in the picture, or not one of ours
 |- EdgeError     a region that holds no measurable edge
 |- SweepError    a folder with nothing usable, or with settings that nobody knows
 |- LibraryError  the library's file is damaged or in use, or already holds what was to be added
 |- TextFileError a table, a profile or findings that are not there, not text or damaged
 |   `- TableError    a row whose cells cannot be told apart
 `- SettingError  a value given by the user that cannot be used

A message says what was found, where, the limit, and the next step. What does not end a run is a flag: a figure never
travels without its flags. Every flag that any room raises is listed in `flags.txt`, and the report, the command line
and the docs take their words from there.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from importlib.resources import files
from typing import Final


class LensError(Exception):
    """Root of every error that a user can meet; the command line prints it as one sentence.

    Parameters
    ----------
    give : tuple of str
        Parameters that would settle it, by their names in Python; the command line names its options instead.
    """

    def __init__(self, message: str = "", *, give: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.give = give

    def __str__(self) -> str:
        return self.sentence(self.give)

    def sentence(self, names: Sequence[str]) -> str:
        """Message, and what to give, by these names."""
        message = super().__str__()
        return f"{message}: give {' and '.join(names)}" if names else message


class ImageError(LensError, ValueError):
    """The photograph cannot be read or cannot be measured."""


class UnreadableError(ImageError):
    """The system does not give the photograph now; it may be whole."""


class MemoryShortError(ImageError):
    """The memory does not suffice for the photograph now; it may be whole."""


class TooSlowError(ImageError):
    """The photograph took longer than it was given."""


class ChartError(LensError, ValueError):
    """No chart was found, or a chart that is not ours."""


class EdgeError(LensError, ValueError):
    """The region holds no edge that can be measured."""


class SweepError(LensError, ValueError):
    """The folder gives nothing to work with."""


class LibraryError(LensError, ValueError):
    """The library of measured lenses can't be used, or a request to it can't be met."""


class TextFileError(LensError, ValueError):
    """A text file that a user named cannot be taken; says why, and leaves the file's name to the caller."""


class TableError(TextFileError):
    """A row of a table holds too many cells, or a cell goes over lines: nobody knows which cell is which."""


class SettingError(LensError, ValueError):
    """A value given by the user is out of range or of the wrong form."""


class Severity(StrEnum):
    """How much a flag matters."""

    INFO = "info"
    WARNING = "warning"
    REJECT = "reject"


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """One kind of trouble."""

    name: str
    severity: Severity
    meaning: str
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """One flag raised, with the figure that was seen and the limit it broke."""

    flag: str
    seen: str  # the figure seen and the limit, in words: «SNR 12, limit 20»

    @property
    def severity(self) -> Severity:
        """The severity that the registry gives this flag."""
        return FLAGS[self.flag].severity

    @property
    def message(self) -> str:
        """What was seen, as one plain sentence."""
        return f"{FLAGS[self.flag].meaning} ({self.seen})" if self.seen else FLAGS[self.flag].meaning

    @property
    def advice(self) -> str:
        """What to do about it."""
        return FLAGS[self.flag].advice

    def __str__(self) -> str:
        return f"{self.flag}: {self.seen}" if self.seen else self.flag


@dataclass(frozen=True, slots=True)
class Note:
    """Something to be said: which of its kind, with figures and names; the report finds the words.

    What the values and names are stands beside each kind.
    """

    kind: StrEnum
    values: tuple[float, ...] = ()
    names: tuple[str, ...] = ()
    limit: float = float("nan")


def _registry() -> dict[str, Flag]:
    """Flags of one edge, then of one photograph or series; two lines each: name, severity, meaning; then the advice."""
    text = files("lensbench.model").joinpath("flags.txt").read_text(encoding="utf-8")
    lines = [line.strip() for line in text.splitlines()]
    flags = {}
    for head, advice in zip(lines[::2], lines[1::2], strict=True):
        name, severity, meaning = head.split(maxsplit=2)
        flags[name] = Flag(
            name=name, severity=Severity(severity.removesuffix(":")), meaning=meaning, advice=advice
        )
    return flags


FLAGS: Final = _registry()


def remark(flag: str, seen: str = "") -> Remark:
    """Raise a flag of the registry, with the figure seen and its limit; a KeyError where it holds none of that name."""
    return Remark(flag=FLAGS[flag].name, seen=seen)


def worst(remarks: tuple[Remark, ...]) -> Severity | None:
    """The gravest severity among some remarks, or None without any."""
    return max((remark.severity for remark in remarks), key=list(Severity).index) if remarks else None
