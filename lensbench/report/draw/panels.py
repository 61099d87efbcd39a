"""What a plot shows, as data, and the look of its lines: a colour, a line style and a mark for each role.

Colour never counts alone, and stands out from the page by 3:1 or more in light and dark (WCAG 2.2, 1.4.11).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from lensbench.report.text.words import Scale

LONGEST_NAME_IN_ROW: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A table of texts."""

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """One axis: where it begins and ends, and what its ticks say."""

    title: str
    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One mark with its interval; NaN where there is none."""

    place: float
    value: float
    low: float = math.nan
    high: float = math.nan

    @classmethod
    def of(cls, place: float, value: float, ci95: tuple[float, float]) -> "Point":
        """Mark of a figure with its interval."""
        return cls(place=place, value=value, low=ci95[0], high=ci95[1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One curve: the path that is drawn, and the marks with their intervals."""

    name: str
    role: str
    """Key of the palette."""
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
    up_right: Axis | None
    lines: tuple[Line, ...]
    tied: tuple[float, ...] = ()
    """Places that can't be told from the best, the best included."""
    best: float | None = None
    level: float | None = None
    """A value that curves are held against: no difference, or half the contrast."""
    grid: Grid

    @property
    def names_are_long(self) -> bool:
        """Whether the legend needs a row for each name."""
        return max((len(line.name) for line in self.lines), default=0) > LONGEST_NAME_IN_ROW

    @property
    def shades(self) -> tuple[tuple[float, float], ...]:
        """Where the tied places are shaded: from halfway to the tick before to halfway to the tick after."""
        places = [place for place, _ in self.across.ticks]
        middles = [(before + after) / 2.0 for before, after in pairwise(places)]
        borders = [self.across.low, *middles, self.across.high]
        spans = [span for place, span in zip(places, pairwise(borders), strict=True) if place in self.tied]
        return tuple(spans)


def value_axis(values: list[float], *, title: str = "MTF50, cycles/pixel") -> Axis:
    """Axis that holds all values, with round ticks; it need not begin at zero."""
    known = [value for value in values if math.isfinite(value)] or [0.0, 0.5]
    low, high = min(known), max(known)
    step = round_step((high - low) or 0.1)
    first, last = math.floor(low / step - 0.2), math.ceil(high / step + 0.2)
    begin = max(first, 0) if low >= 0.0 else first
    ticks = tuple((number * step, f"{number * step:.4g}") for number in range(begin, last + 1))
    return Axis(title=title, low=ticks[0][0], high=ticks[-1][0], ticks=ticks)


def lpmm_axis(up: Axis, scale: Scale) -> Axis | None:
    """Axis like this one in line pairs per millimetre, with round ticks of its own."""
    low, high = scale.lpmm(up.low), scale.lpmm(up.high)
    if low is None or high is None:
        return None
    step = round_step(high - low)
    numbers = range(math.ceil(low / step), math.floor(high / step) + 1)
    ticks = tuple((number * step, f"{number * step:g}") for number in numbers)
    return Axis(title="lp/mm on the sensor", low=low, high=high, ticks=ticks)


def round_step(extent: float) -> float:
    """Step of 1, 2 or 5 times a power of ten that divides an extent into about five."""
    power = 10.0 ** math.floor(math.log10(extent / 5.0))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= extent / 5.0 * 0.999)


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """The look of one line."""

    color: str
    color_on_dark: str
    dashes: tuple[float, ...]
    """Lengths of dash and gap in units of the line's width; empty for a solid line."""
    mark: str
    """circle, square, triangle or diamond."""


_SOLID: Final[tuple[float, ...]] = ()

STYLES: Final[dict[str, Style]] = {
    "inner": Style(color="#0a62ad", color_on_dark="#74bcf7", dashes=(5, 2), mark="circle"),
    "middle": Style(color="#a86200", color_on_dark="#f2b650", dashes=(1.2, 1.6), mark="square"),
    "outer": Style(color="#8a2268", color_on_dark="#ea93cb", dashes=(6, 1.8, 1.2, 1.8), mark="triangle"),
    "frame": Style(color="#23272b", color_on_dark="#f1efe9", dashes=_SOLID, mark="diamond"),
    "first": Style(color="#0a62ad", color_on_dark="#74bcf7", dashes=_SOLID, mark="circle"),
    "second": Style(color="#a86200", color_on_dark="#f2b650", dashes=(5, 2), mark="square"),
    "sagittal": Style(color="#0a62ad", color_on_dark="#74bcf7", dashes=_SOLID, mark="circle"),
    "tangential": Style(color="#a86200", color_on_dark="#f2b650", dashes=(3, 2), mark="square"),
}
