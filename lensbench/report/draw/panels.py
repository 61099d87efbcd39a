"""What a plot shows, as data, and the look of its lines: a colour, a line style and a mark for each role.

Colour never counts alone, and stands out from the page by 3:1 or more in light and dark (WCAG 2.2, 1.4.11).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from lensbench.report.text.words import Grid, borne, sd_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """One axis: where it begins and ends, and what its ticks say."""

    title: str
    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]

    @classmethod
    def around(cls, title: str, ticks: Iterable[tuple[float, str]], *, margin: float = 0.5) -> "Axis":
        """Axis that reaches beyond its first and last tick by a margin."""
        all_ticks = tuple(ticks)
        return cls(title=title, low=all_ticks[0][0] - margin, high=all_ticks[-1][0] + margin, ticks=all_ticks)


@dataclass(frozen=True, slots=True)
class Point:
    """One mark with its interval; NaN where there is none."""

    place: float
    value: float
    low: float = math.nan
    high: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One curve: the path that is drawn, and the marks with their intervals."""

    name: str
    role: str  # key of the palette
    path: tuple[tuple[float, float], ...]
    points: tuple[Point, ...] = ()

    @classmethod
    def through(cls, points: Iterable[Point], *, name: str, role: str, joined: bool = True) -> "Line":
        """Curve from mark to mark; the marks alone where they are not `joined`."""
        marks = tuple(points)
        path = tuple((point.place, point.value) for point in marks) if joined else ()
        return cls(name=name, role=role, path=path, points=marks)


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One plot with its words and its table."""

    key: str
    """Stem of the file and anchor in the page: letters, digits and hyphens."""
    title: str
    about: str
    """What is to be seen, for those who don't see it, and as a caption."""
    across: Axis
    up: Axis
    lines: tuple[Line, ...]
    level: float | None = None
    """A value that curves are held against: no difference, or half the contrast."""
    grid: Grid


def difference_text(difference: float, ci95: tuple[float, float]) -> str:
    r"""Difference with its interval below.

    >>> difference_text(2.04, (-1.0, 5.0))
    '+2.0\n-1.0 to +5.0'
    >>> difference_text(0.01, (-0.01, 0.03))
    '0\nwithin 0.05'
    """
    low, high = ci95
    bounded = all(math.isfinite(value) for value in (difference, low, high))
    middle, low_text, high_text = (
        borne(value, sd_of(ci95), 1, sign=True) for value in (difference, low, high)
    )
    if not bounded:
        return middle
    return middle + (f"\n{low_text} to {high_text}" if low_text != high_text else "\nwithin 0.05")


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """The look of one line."""

    color: str
    color_on_dark: str
    dashes: tuple[float, ...]  # lengths of dash and gap in units of the line's width; empty for a solid line
    mark: str  # circle, square, triangle or diamond


STYLES: Final = {
    "inner": Style(color="#0f5144", color_on_dark="#a5e8d7", dashes=(5, 2), mark="circle"),
    "middle": Style(color="#227f6d", color_on_dark="#6ac5b0", dashes=(1.2, 1.6), mark="square"),
    "outer": Style(color="#4b9d8b", color_on_dark="#3f9482", dashes=(6, 1.8, 1.2, 1.8), mark="triangle"),
    "frame": Style(color="#23272b", color_on_dark="#f1efe9", dashes=(), mark="diamond"),
    "first": Style(color="#2a5db0", color_on_dark="#86b4ff", dashes=(), mark="circle"),
    "second": Style(color="#a3530b", color_on_dark="#f0a860", dashes=(5, 2), mark="square"),
    "sagittal": Style(color="#23272b", color_on_dark="#f1efe9", dashes=(), mark="circle"),
    "tangential": Style(color="#23272b", color_on_dark="#f1efe9", dashes=(2.4, 1.4), mark="square"),
}
"""Thirds are one hue in three depths, lenses two other hues; sagittal and tangential differ by their line alone."""
ACCENT: Final = Style(color="#0f6e5d", color_on_dark="#5fd3b9", dashes=(), mark="circle")
"""The hue of the thirds: what is best and what is as good."""
RIBBON: Final = "#cfe6df"
