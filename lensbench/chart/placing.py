"""Where the targets and markers of a sheet stand.

All in whole tenths of a millimetre from the sheet's centre, so that every machine places them alike.
The places are mirrored into the four quadrants; only the turns of the targets differ between them.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from math import cos, hypot, radians, sin
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.errors import SettingError

__all__ = ["Disc", "IntArray", "corner_discs", "inner_discs", "marker_places"]

IntArray = npt.NDArray[np.int64]
Point = tuple[int, int]

# Rings: (fraction of the half-diagonal of the 3:2 frame, azimuths of one quadrant in degrees).
_RINGS: Final = ((0.225, (45.0,)), (0.455, (19.0, 66.0)), (0.66, (22.0,)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Disc:
    """A target's outline."""

    row: int
    col: int
    radius: int

    def clears(self, other: "Disc", gap: int) -> bool:
        """Whether the two discs are at least this far apart."""
        distance = hypot(self.row - other.row, self.col - other.col)
        return distance >= self.radius + other.radius + gap


def corner_discs(frames: list[Point], *, radius: int, gap: int) -> list[Disc]:
    """Give the discs of the lower right corner that serve all frames best without touching.

    A disc serves a frame when the whole of it lies inside; a set of discs is as good as the frame that it
    serves worst: the crossing's distance from the centre as a fraction of the half-diagonal.
    """
    tucked = [(row - radius - gap, col - radius - gap) for row, col in frames]
    shared = {
        (min(row for row, _ in some), min(col for _, col in some))
        for count in range(1, len(tucked) + 1)
        for some in combinations(tucked, count)
    }
    candidates = [Disc(row=row, col=col, radius=radius) for row, col in sorted(shared)]
    sets = [
        chosen
        for count in range(1, len(frames) + 1)
        for chosen in combinations(candidates, count)
        if all(one.clears(other, gap) for one, other in combinations(chosen, 2))
    ]
    return list(max(sets, key=lambda chosen: _service(chosen, frames, gap)))


def _service(discs: Iterable[Disc], frames: list[Point], gap: int) -> tuple[int, int]:
    """Rate a set by its worst-served frame, then by the sum over all, in thousandths."""
    served = list(discs)
    reached = [
        max(
            (
                round(1000 * hypot(disc.row, disc.col) / hypot(row, col))
                for disc in served
                if disc.row + disc.radius + gap <= row and disc.col + disc.radius + gap <= col
            ),
            default=0,
        )
        for row, col in frames
    ]
    return min(reached), sum(reached)


def inner_discs(frame: Point, corners: list[Disc], *, radius: int, gap: int) -> list[Disc]:
    """Give the other discs of one quadrant: the centre, staggered rings, the middles of the sides.

    `frame` is the 3:2 frame's half-size. A ring's disc that would leave the frame or touch another is moved
    inwards or left out.
    """
    half_diagonal = hypot(*frame)
    placed = [Disc(row=0, col=0, radius=radius)]
    for fraction, azimuths in _RINGS:
        for azimuth in azimuths:
            row = round(fraction * half_diagonal * sin(radians(azimuth)))
            col = round(fraction * half_diagonal * cos(radians(azimuth)))
            _add(placed, corners, Disc(row=row, col=col, radius=radius), gap)
    _add(placed, corners, Disc(row=frame[0] - radius - gap, col=0, radius=radius), gap)
    _add(placed, corners, Disc(row=0, col=frame[1] - radius - gap, radius=radius), gap)
    return placed


def _add(placed: list[Disc], corners: list[Disc], disc: Disc, gap: int) -> None:
    neighbours = [mirrored for other in [*placed, *corners] for mirrored in _mirrored(other)]
    if all(disc.clears(other, gap) for other in neighbours):
        placed.append(disc)


def _mirrored(disc: Disc) -> list[Disc]:
    return [
        Disc(row=down * disc.row, col=right * disc.col, radius=disc.radius)
        for down in (1, -1)
        for right in (1, -1)
    ]


def marker_places(extent: Point, discs: list[Disc], *, side: int, gap: int, count: int) -> list[Point]:
    """Give the centres of one quadrant's markers: far from each other, clear of all discs.

    `extent` is the half-size of the field that may hold them; `gap` is the quiet zone around a marker.

    Raises
    ------
    SettingError
        The page is too narrow for so many.
    """
    reach = side // 2 + gap
    free = _free_places(extent, discs, reach)
    chosen: list[Point] = []
    nearest = np.full(len(free), np.iinfo(np.int64).max)
    nearest = np.minimum(nearest, _own_mirror_distance(free))
    start = np.array(extent) * 2 // 5
    for _ in range(count):
        clear = nearest >= (2 * reach) ** 2
        if not clear.any():
            raise SettingError("the page is too narrow for a chart: take one nearer to 4:3 or 3:2")
        score = np.where(clear, nearest, -1)
        pick = int(np.argmax(score)) if chosen else _nearest_to(free, clear, start)
        chosen.append((int(free[pick, 0]), int(free[pick, 1])))
        for mirrored in _mirrored(Disc(row=chosen[-1][0], col=chosen[-1][1], radius=0)):
            offset = free - np.array((mirrored.row, mirrored.col))
            nearest = np.minimum(nearest, (offset**2).sum(axis=1))
    return chosen


def _free_places(extent: Point, discs: list[Disc], reach: int) -> IntArray:
    """Give the grid points of the quadrant where a marker's square with its quiet zone touches no disc."""
    step = max(5, extent[1] // 150)
    rows, cols = np.mgrid[reach : extent[0] - reach : step, reach : extent[1] - reach : step]
    places = np.stack((rows.ravel(), cols.ravel()), axis=1).astype(np.int64)
    free = np.ones(len(places), dtype=np.bool_)
    for disc in discs:
        for mirrored in _mirrored(disc):
            offset = np.abs(places - np.array((mirrored.row, mirrored.col)))
            outside = np.maximum(offset - reach, 0)
            free &= (outside**2).sum(axis=1) >= disc.radius**2
    kept: IntArray = places[free]
    return kept


def _own_mirror_distance(places: IntArray) -> IntArray:
    distance: IntArray = (2 * places.min(axis=1)) ** 2
    return distance


def _nearest_to(places: IntArray, clear: npt.NDArray[np.bool_], point: IntArray) -> int:
    distance = ((places - point) ** 2).sum(axis=1)
    return int(np.argmin(np.where(clear, distance, np.iinfo(np.int64).max)))
