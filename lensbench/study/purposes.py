"""What a picture is for, and so which parts of it must be sharp: weights on the zones, stated beforehand.

A place is a zone of the picture or a purpose. The weights are common practice, no source: a subject in the middle
fills the inner zone and reaches into the next; what stands at the edges and in the corners lies in the outer zone,
with a little of the ground before it.
"""

from collections.abc import Mapping
from typing import Final

from lensbench.records import ZONES, ZoneFigure

__all__ = ["EDGES", "FRAME", "MIDDLE", "PLACES", "PURPOSES", "figure_at", "weights_in_words"]

MIDDLE: Final = "subject in the middle"
FRAME: Final = "whole frame"
EDGES: Final = "edges and corners"

PURPOSES: Final[dict[str, dict[str, float]]] = {
    MIDDLE: {"inner": 0.7, "halfway": 0.3},
    FRAME: {"frame": 1.0},
    EDGES: {"halfway": 0.2, "outer": 0.8},
}
"""Purpose -> weights of the zones' MTF50, one in all. `frame` itself weighs the zones by their area."""

PLACES: Final = (*ZONES, MIDDLE, EDGES)
"""All that gets a curve of its own; the purpose of the whole frame is the zone `frame`."""


def figure_at(summary: Mapping[str, ZoneFigure], place: str) -> float:
    """Give the MTF50 of a zone or for a purpose, in cycles per pixel.

    NaN where a zone that counts was not seen: without it the figure would be another one.
    """
    weights = PURPOSES.get(place, {place: 1.0})
    if not all(zone in summary and summary[zone].mtf50_cypx > 0.0 for zone in weights):
        return float("nan")
    return sum(weight * summary[zone].mtf50_cypx for zone, weight in weights.items())


def weights_in_words(purpose: str) -> str:
    """Say what counts how much.

    >>> weights_in_words("subject in the middle")
    'inner zone 70 %, halfway zone 30 %'
    """
    if purpose == FRAME:
        return "the zones by their share of the picture's area"
    return ", ".join(f"{zone} zone {100.0 * weight:.0f} %" for zone, weight in PURPOSES[purpose].items())
