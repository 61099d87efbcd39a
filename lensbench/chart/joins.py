"""Where a sheet that is printed in parts is joined: along lines that cross as few of its targets as can be.

A part that lies half a millimetre off gives an edge under the join a step of its own, so a target that a join must
cross is left out of the print.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import Final

import numpy as np

from lensbench.chart.layout import Layout
from lensbench.units import FloatArray

__all__ = ["OVERLAP_MM", "Joins", "Obstacle", "joins_along", "obstacles"]

OVERLAP_MM: Final = 10.0
"""How far a part runs on under its neighbour."""
_CLEAR_MM: Final = 2.0
"""Between a join and what it must not touch."""
_CLOSER_MM: Final = 1.0
"""How much nearer it may come to a marker or a tone: a join fits between two tones."""
_FREE_MM: Final = 10.0
"""Further from the next rim a join gains nothing."""
_NEAR: Final = 0.01
"""What each millimetre less than that costs."""
_UNEVEN: Final = 1e-5
"""What a square millimetre off an even division costs."""
_FOCUSING_AID, _TARGET, _TONE, _MARKER = 1000.0, 10.0, 5.0, 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """What a join had better not cross, along one axis of the sheet."""

    name: str
    """A target's; else empty."""
    center_mm: float
    reach_mm: float
    cost: float

    def hit_by(self, place_mm: float) -> bool:
        """Tell whether a join at this place meets it."""
        return abs(place_mm - self.center_mm) < self.reach_mm + _CLEAR_MM


@dataclass(frozen=True, slots=True, kw_only=True)
class Joins:
    """Where a sheet, or a strip of it, is joined along one axis."""

    places_mm: tuple[float, ...]
    """From the sheet's centre."""
    crossed: tuple[str, ...]
    """Targets that a join meets."""
    cost: float


def obstacles(
    layout: Layout, axis: int, *, between_mm: tuple[float, float] = (-np.inf, np.inf)
) -> list[Obstacle]:
    """Give what stands in the way along an axis (0: down, 1: right), within a strip across it."""
    low, high = between_mm
    round_ones = [("", (0.0, 0.0), layout.quiet_radius_mm, _FOCUSING_AID)]
    round_ones += [(t.name, t.center_mm, t.radius_mm, _TARGET) for t in layout.targets]
    squares = [("", s.center_mm, s.side_mm / 2.0 - _CLOSER_MM, _TONE) for s in layout.tones]
    squares += [("", s.center_mm, s.side_mm / 2.0 - _CLOSER_MM, _MARKER) for s in layout.markers]
    return [
        Obstacle(name=name, center_mm=center_mm[axis], reach_mm=reach_mm, cost=cost)
        for name, center_mm, reach_mm, cost in (*round_ones, *squares)
        if low - reach_mm < center_mm[1 - axis] < high + reach_mm
    ]


def joins_along(found: Sequence[Obstacle], *, whole_mm: float, shown_mm: float, more_parts: int = 0) -> Joins:
    """Choose the joins along one axis, on a grid of millimetres, by dynamic programming.

    Parameters
    ----------
    found : sequence of Obstacle
        What stands along this axis.
    whole_mm : float
        The sheet's length.
    shown_mm : float
        What one part can show at most, its overlap included.
    more_parts : int
        Beyond the fewest that reach.
    """
    parts = max(ceil((whole_mm - OVERLAP_MM) / (shown_mm - OVERLAP_MM)), 1) + more_parts
    if parts == 1:
        return Joins(places_mm=(), crossed=(), cost=0.0)
    places = np.arange(-ceil(whole_mm / 2.0) + 1.0, ceil(whole_mm / 2.0))
    chosen = _cheapest(places, _cost(found, places), parts=parts, whole_mm=whole_mm, shown_mm=shown_mm)
    hit = [one for one in found if any(one.hit_by(place) for place in chosen)]
    return Joins(
        places_mm=tuple(chosen),
        crossed=tuple(one.name for one in hit if one.name),
        cost=sum(one.cost for one in hit),
    )


def _cost(found: Sequence[Obstacle], places: FloatArray) -> FloatArray:
    """Give what a join at each place would cross, and a little for passing near a rim."""
    cost = np.zeros_like(places)
    for one in found:
        room = np.abs(places - one.center_mm) - one.reach_mm
        cost += one.cost * (room < _CLEAR_MM) - _NEAR * np.clip(room, 0.0, _FREE_MM)
    return cost


def _cheapest(
    places: FloatArray, cost: FloatArray, *, parts: int, whole_mm: float, shown_mm: float
) -> list[float]:
    """Give the joins of least cost: each within a part's reach of the one before, the last within the border's."""
    step_mm = int(shown_mm - OVERLAP_MM)
    total = np.where(places <= step_mm - whole_mm / 2.0, cost + _uneven(places, 1, parts, whole_mm), np.inf)
    before = []
    for number in range(2, parts):
        padded = np.concatenate((np.full(step_mm, np.inf), total[:-1]))
        reachable = np.lib.stride_tricks.sliding_window_view(padded, step_mm)
        best = reachable.argmin(axis=1)
        before.append(np.arange(len(places)) - step_mm + best)
        total = reachable[np.arange(len(places)), best] + cost + _uneven(places, number, parts, whole_mm)
    index = int(np.argmin(np.where(places >= whole_mm / 2.0 - shown_mm, total, np.inf)))
    chosen = [index]
    for came_from in reversed(before):
        chosen.append(int(came_from[chosen[-1]]))
    return [float(places[index]) for index in reversed(chosen)]


def _uneven(places: FloatArray, number: int, parts: int, whole_mm: float) -> FloatArray:
    even = -whole_mm / 2.0 + whole_mm * number / parts
    return np.asarray(_UNEVEN * (places - even) ** 2, np.float64)
