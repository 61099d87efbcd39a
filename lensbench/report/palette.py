"""How lines are told apart: a colour of our own, a line style and a mark for each; colour never counts alone.

Contrast with the paper is at least 3:1 in light and dark (WCAG 2.2, 1.4.11), which a test computes.
"""

from dataclasses import dataclass
from typing import Final

__all__ = ["DARK_PAPER", "LIGHT_PAPER", "STYLES", "Style", "style_of"]

LIGHT_PAPER: Final = "#fbfaf7"
DARK_PAPER: Final = "#16191d"


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
    "halfway": Style(color="#a86200", color_on_dark="#f2b650", dashes=(1.2, 1.6), mark="square"),
    "outer": Style(color="#8a2268", color_on_dark="#ea93cb", dashes=(6, 1.8, 1.2, 1.8), mark="triangle"),
    "frame": Style(color="#23272b", color_on_dark="#f1efe9", dashes=_SOLID, mark="diamond"),
    "first": Style(color="#0a62ad", color_on_dark="#74bcf7", dashes=_SOLID, mark="circle"),
    "second": Style(color="#a86200", color_on_dark="#f2b650", dashes=(5, 2), mark="square"),
    "sagittal": Style(color="#0a62ad", color_on_dark="#74bcf7", dashes=_SOLID, mark="circle"),
    "tangential": Style(color="#a86200", color_on_dark="#f2b650", dashes=(3, 2), mark="square"),
}


def style_of(role: str) -> Style:
    """Give the look of a role.

    Raises
    ------
    KeyError
        No such role: a mistake of the programmer.
    """
    return STYLES[role]
