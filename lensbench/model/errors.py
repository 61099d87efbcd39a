"""What can go wrong, arranged by what the photographer can do about it.

LensError
 |- ImageError    a file that is no photograph, is damaged, is not linear or is clipped
 |- ChartError    no chart in the picture, or not one of ours
 |- EdgeError     a region that holds no measurable edge
 |- SweepError    a folder with nothing usable, or with settings that nobody knows
 |- LibraryError  the library's file is damaged or in use, or already holds what was to be added
 |- TextFileError a table, a profile or findings that are not there, not text or damaged
 |   `- TableError    a row whose cells cannot be told apart
 `- SettingError  a value given by the user that cannot be used

A message says what was found, where, the limit, and the next step.
"""

from collections.abc import Sequence


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
