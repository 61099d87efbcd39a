"""Paper sizes: the names that a user may give, and any size in millimetres."""

import re
from dataclasses import dataclass
from typing import Final

from lensbench.model.errors import SettingError

SHORTEST_MM: Final = 140
LONGEST_MM: Final = 2047
"""Limits of a page of any size: below, the targets are too small; above, the markers' code ends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A page lying on its long side."""

    name: str
    """As the chart prints it: «A3», «Letter», «500x400 mm»."""
    size_mm: tuple[float, float]
    """(height, width), width at least the height. [mm]"""


def _lying(name: str, short_mm: float, long_mm: float) -> Paper:
    return Paper(name=name, size_mm=(short_mm, long_mm))


# ISO 216:2007 (A series) and ANSI/ASME Y14.1 (Letter 8.5 x 11 in, Tabloid 11 x 17 in); Legal is
# 8.5 x 14 in by common practice, no source.
NAMED_PAPERS: Final[tuple[Paper, ...]] = (
    _lying("A4", 210.0, 297.0),
    _lying("A3", 297.0, 420.0),
    _lying("A2", 420.0, 594.0),
    _lying("A1", 594.0, 841.0),
    _lying("A0", 841.0, 1189.0),
    _lying("Letter", 215.9, 279.4),
    _lying("Legal", 215.9, 355.6),
    _lying("Tabloid", 279.4, 431.8),
)
"""Their order is part of the markers' code: append only."""


def paper_named(text: str) -> Paper:
    """Page that a user names: A4 to A0, Letter, Legal, Tabloid, or WIDTHxHEIGHT in whole mm.

    The page always lies on its long side, whichever number is given first.

    Raises
    ------
    SettingError
        The name is not known, or a side is not a whole number between 140 and 2047 mm.

    >>> paper_named("a3").size_mm
    (297.0, 420.0)
    >>> paper_named("500x400").name
    '500x400 mm'
    """
    for paper in NAMED_PAPERS:
        if paper.name.lower() == text.strip().lower():
            return paper
    return _paper_of_size(text)


def _paper_of_size(text: str) -> Paper:
    sides = re.fullmatch(r"\s*(\d+)\s*[xX×]\s*(\d+)\s*(?:mm)?\s*", text)
    if sides is None:
        names = ", ".join(paper.name for paper in NAMED_PAPERS)
        raise SettingError(
            f"paper '{text}' is not known: give one of {names}, or WIDTHxHEIGHT in whole millimetres, "
            "such as 500x400"
        )
    short_mm, long_mm = sorted(int(side) for side in sides.groups())
    if short_mm < SHORTEST_MM or long_mm > LONGEST_MM:
        raise SettingError(f"paper '{text}': each side must lie between {SHORTEST_MM} and {LONGEST_MM} mm")
    for paper in NAMED_PAPERS:
        if paper.size_mm == (short_mm, long_mm):
            return paper
    return _lying(f"{long_mm}x{short_mm} mm", float(short_mm), float(long_mm))
