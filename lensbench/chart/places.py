"""Where on the wall each page of a wall set belongs."""

from dataclasses import dataclass
from typing import Final

__all__ = ["PLACES", "Place"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where on the wall a page belongs."""

    words: str
    share: tuple[float, float]
    """(down, right) from the middle, as a share of the way to the outermost page."""


def _place(down: float, right: float, words: str) -> Place:
    return Place(words=words, share=(down, right))


PLACES: Final[tuple[Place, ...]] = (
    _place(0.0, 0.0, "middle"),
    _place(-1.0, -1.0, "corner, upper left"),
    _place(-1.0, 1.0, "corner, upper right"),
    _place(1.0, 1.0, "corner, lower right"),
    _place(1.0, -1.0, "corner, lower left"),
    _place(-0.5, -0.5, "half-way, upper left"),
    _place(-0.5, 0.5, "half-way, upper right"),
    _place(0.5, 0.5, "half-way, lower right"),
    _place(0.5, -0.5, "half-way, lower left"),
    _place(-1.0, 0.0, "edge, top"),
    _place(0.0, 1.0, "edge, right"),
    _place(1.0, 0.0, "edge, bottom"),
    _place(0.0, -1.0, "edge, left"),
    _place(-0.5, 0.0, "half-way, up"),
    _place(0.0, 0.5, "half-way, right"),
    _place(0.5, 0.0, "half-way, down"),
    _place(0.0, -0.5, "half-way, left"),
    _place(-1.0, -0.5, "top, left of the middle"),
    _place(-1.0, 0.5, "top, right of the middle"),
    _place(-0.5, 1.0, "right, above the middle"),
    _place(0.5, 1.0, "right, below the middle"),
    _place(1.0, 0.5, "bottom, right of the middle"),
    _place(1.0, -0.5, "bottom, left of the middle"),
    _place(0.5, -1.0, "left, below the middle"),
    _place(-0.5, -1.0, "left, above the middle"),
    _place(-0.75, -0.75, "near the corner, upper left"),
    _place(-0.75, 0.75, "near the corner, upper right"),
    _place(0.75, 0.75, "near the corner, lower right"),
    _place(0.75, -0.75, "near the corner, lower left"),
)
"""Page 1 first. A set of N pages is the first N; a page's target is turned to suit its place."""
