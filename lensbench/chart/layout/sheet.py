"""The sheet as data, in millimetres: drawn, simulated, and looked for in a picture, all from this one form.

Coordinates are (row, column) from the sheet's centre, rows down, columns to the right, as the page is read. Places are
sought in whole tenths of a millimetre, so that every machine finds the same, and mirrored into the four quadrants; only
the turns of the targets differ between them.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from math import atan2, cos, degrees, hypot, radians, sin
from typing import Final

import numpy as np

from lensbench.chart.layout.parts import (
    MARKERS_PER_QUADRANT,
    Frame,
    Layout,
    Marker,
    Paper,
    Target,
    marker_ids,
    paper_from_ids,
    paper_named,
    tone_row,
)
from lensbench.model.errors import ChartError, SettingError

Point = tuple[int, int]

_NEVER: Final = np.iinfo(np.int64).min
_RINGS: Final = ((0.225, 45.0), (0.455, 19.0), (0.455, 66.0), (0.66, 22.0))  # of the half-diagonal, azimuth


@dataclass(frozen=True, slots=True)
class _Disc:
    """A target's outline, in tenths of a millimetre."""

    row: int
    col: int
    radius: int

    def clears(self, other: "_Disc", gap: int) -> bool:
        """Whether the two discs are at least this far apart."""
        distance = hypot(self.row - other.row, self.col - other.col)
        return distance >= self.radius + other.radius + gap

    def mirrored(self) -> list["_Disc"]:
        """Give the disc in all four quadrants."""
        return [
            _Disc(down * self.row, right * self.col, self.radius) for down in (1, -1) for right in (1, -1)
        ]


def _corner_discs(frames: list[Point], *, radius: int, gap: int) -> list[_Disc]:
    """Discs of the lower right corner that serve all frames best without touching; frames are half-sizes.

    A disc serves a frame when the whole of it lies inside; a set of discs is as good as the frame that it
    serves worst, then as all together: the crossing's distance from the centre in thousandths of the half-diagonal.
    """

    def share(disc: _Disc, frame: Point) -> int:
        reach = disc.radius + gap
        inside = disc.row + reach <= frame[0] and disc.col + reach <= frame[1]
        return round(1000 * hypot(disc.row, disc.col) / hypot(*frame)) if inside else 0

    def service(discs: tuple[_Disc, ...]) -> tuple[int, int]:
        reached = [max(share(disc, frame) for disc in discs) for frame in frames]
        return min(reached), sum(reached)

    counts = range(1, len(frames) + 1)
    tucked = [(row - radius - gap, col - radius - gap) for row, col in frames]
    shared = {
        (min(row for row, _ in some), min(col for _, col in some))
        for count in counts
        for some in combinations(tucked, count)
    }
    candidates = [_Disc(row, col, radius) for row, col in sorted(shared)]
    sets = [
        chosen
        for count in counts
        for chosen in combinations(candidates, count)
        if all(disc.clears(other, gap) for disc, other in combinations(chosen, 2))
    ]
    best = max(sets, key=service)
    return list(best)


def _inner_discs(frame: Point, corners: list[_Disc], *, radius: int, gap: int) -> list[_Disc]:
    """Other discs of a quadrant of the 3:2 frame, given by half: the centre, staggered rings, middles of the sides."""
    places = [
        (
            round(share * hypot(*frame) * sin(radians(azimuth))),
            round(share * hypot(*frame) * cos(radians(azimuth))),
        )
        for share, azimuth in _RINGS
    ]
    placed = [_Disc(0, 0, radius)]
    for row, col in (*places, (frame[0] - radius - gap, 0), (0, frame[1] - radius - gap)):
        disc = _Disc(row, col, radius)
        neighbours = [mirrored for other in (*placed, *corners) for mirrored in other.mirrored()]
        if all(disc.clears(other, gap) for other in neighbours):
            placed.append(disc)
    return placed


def _marker_places(extent: Point, discs: list[_Disc], *, side: int, gap: int) -> list[Point]:
    """Centres of one quadrant's markers, inside a half-size: far from each other, clear of all discs by a gap."""
    reach = side // 2 + gap
    step = max(5, extent[1] // 150)
    rows, cols = np.mgrid[reach : extent[0] - reach : step, reach : extent[1] - reach : step]
    free = np.stack((rows.ravel(), cols.ravel()), axis=1).astype(np.int64)
    for disc in discs:
        for taken in disc.mirrored():
            outside = np.maximum(np.abs(free - (taken.row, taken.col)) - reach, 0)
            free = free[(outside**2).sum(axis=1) >= taken.radius**2]
    chosen: list[Point] = []
    nearest = (2 * free.min(axis=1)) ** 2  # squared distance from each place's own mirror image, or a marker
    from_start = ((free - np.array(extent) * 2 // 5) ** 2).sum(axis=1)
    for _ in range(MARKERS_PER_QUADRANT):
        clear = nearest >= (2 * reach) ** 2
        if not clear.any():
            raise SettingError("the page is too narrow for a chart: take one nearer to 4:3 or 3:2")
        pick = int(np.argmax(np.where(clear, nearest if chosen else -1 - from_start, _NEVER)))
        row, col = free[pick].tolist()
        chosen.append((row, col))
        for marker in _Disc(row, col, 0).mirrored():
            nearest = np.minimum(nearest, ((free - (marker.row, marker.col)) ** 2).sum(axis=1))
    return chosen


RATIOS: Final = ((3, 2), (4, 3), (16, 9), (1, 1))
_LOWEST_CONTRAST, _HIGHEST_CONTRAST = 1.5, 20.0
DEFAULT_CONTRAST: Final = 4.0
"""4:1: the lowest contrast at which processing seldom acts (ISO 12233:2017, 6.3, from memory)."""


def sheet(paper: str, *, solid: bool = False, contrast: float = DEFAULT_CONTRAST) -> Layout:
    """One sheet laid out on a paper that `paper_named` knows.

    The dark quarters are `solid` ink, or grey for a contrast, bright over dark, of 1.5 to 20. A SettingError where the
    paper is not known or too narrow, or the contrast is out of range.
    """
    return _lay_out(paper_named(paper), 0.0 if solid else dark_reflectance(contrast))


def dark_reflectance(contrast: float) -> float:
    """Dark quarters' reflectance for bright over dark, paper white being 1.

    Raises
    ------
    SettingError
        The contrast is not within 1.5 to 20.
    """
    if not _LOWEST_CONTRAST <= contrast <= _HIGHEST_CONTRAST:
        raise SettingError(
            f"contrast {contrast:g} is out of range: give {_LOWEST_CONTRAST:g} to {_HIGHEST_CONTRAST:g}, "
            "or --solid for black"
        )
    return 1.0 / contrast


def layout_from_markers(ids: Iterable[int]) -> Layout:
    """Layout, with nominal reflectances, that markers' ids belong to; a ChartError where they spell no page of ours."""
    paper = paper_from_ids(ids)
    if paper is None:
        raise ChartError(
            "the markers seen do not tell which chart this is: show at least half of the chart, in focus"
        )
    return _lay_out(paper, 1.0 / DEFAULT_CONTRAST)


@lru_cache(maxsize=32)
def _lay_out(paper: Paper, dark_reflectance: float) -> Layout:
    frames = _frames(paper)
    halves = [(int(5.0 * frame.size_mm[0] + 1e-6), int(5.0 * frame.size_mm[1] + 1e-6)) for frame in frames]
    extent = (max(row for row, _ in halves), max(col for _, col in halves))
    width = 2 * halves[0][1]
    gap = max(10, width // 250)
    inner_radius, corner_radius = round(0.036 * width), round(0.029 * width)
    corners = _corner_discs(halves, radius=corner_radius, gap=gap)
    discs = [*_inner_discs(halves[0], corners, radius=inner_radius, gap=2 * gap), *corners]
    quiet = _Disc(0, 0, round(1.62 * inner_radius))
    side = 7 * max(1, round(0.029 * width / 7))
    # At the left of the centre every ring of targets leaves room for tones.
    step_mm, tone_mm = round(0.0036 * width, 1), round(0.0027 * width, 1)
    tones = tone_row((0.0, -round(0.024 * width, 1) - 3.0 * step_mm), step_mm=step_mm, side_mm=tone_mm)
    around_tones = [_Disc(0, round(10.0 * tone.center_mm[1]), round(7.1 * tone.side_mm)) for tone in tones]
    places = _marker_places(extent, [*discs, quiet, *around_tones], side=side, gap=side // 7)
    quadrants = ((-1, -1), (-1, 1), (1, 1), (1, -1))
    centers_mm = [(down * row / 10.0, right * col / 10.0) for down, right in quadrants for row, col in places]
    return Layout(
        name=f"sheet {paper.name}",
        paper=paper.name,
        paper_mm=paper.size_mm,
        targets=_targets(discs),
        markers=tuple(
            Marker(marker_id=marker_id, center_mm=center_mm, side_mm=side / 10.0)
            for marker_id, center_mm in zip(marker_ids(paper), centers_mm, strict=True)
        ),
        frames=frames,
        quiet_radius_mm=quiet.radius / 10.0,
        dark_reflectance=dark_reflectance,
        tones=tones,
    )


def _frames(paper: Paper) -> tuple[Frame, ...]:
    """Largest frame of each ratio that leaves room at the border for ticks and print."""
    short_mm, long_mm = paper.size_mm
    height_mm = short_mm - 2.0 * min(max(0.058 * short_mm, 12.0), 36.0)
    width_mm = long_mm - 2.0 * min(max(0.045 * short_mm, 9.5), 28.0)
    frames = []
    for across, down in RATIOS:
        fitted_mm = min(width_mm, height_mm * across / down)
        frames.append(Frame(ratio=f"{across}:{down}", size_mm=(fitted_mm * down / across, fitted_mm)))
    return tuple(frames)


def _targets(discs: list[_Disc]) -> tuple[Target, ...]:
    """Mirror one quadrant's discs into all four and turn each target; nearest to the centre first."""
    everywhere = {mirrored for disc in discs for mirrored in disc.mirrored()}
    outwards = sorted(everywhere, key=lambda disc: (disc.row**2 + disc.col**2, disc.row, disc.col))
    return tuple(
        Target(
            name=f"T{number:02d}",
            center_mm=(disc.row / 10.0, disc.col / 10.0),
            radius_mm=disc.radius / 10.0,
            turn_deg=_turn_deg(disc.row, disc.col),
        )
        for number, disc in enumerate(outwards, start=1)
    )


# Edges whose slope is a simple ratio meet the pixels in few phases only; angles from a row or column. [deg]
_POOR_SLOPES_DEG: Final = tuple(degrees(atan2(rise, run)) for rise, run in ((1, 3), (1, 2), (2, 3)))
_OFFSETS_DEG: Final = tuple(sign * step / 2.0 for step in range(10, 21) for sign in (1, -1))


def _turn_deg(row: int, col: int) -> float:
    if (row, col) == (0, 0):
        return 11.5
    turn_deg = clear_turn_deg([degrees(atan2(col, -row))])
    return (turn_deg + 90.0) % 180.0 - 90.0


def clear_turn_deg(radials_deg: list[float]) -> float:
    """Target's turn, for the first radius: 5 to 10 degrees off the worst one, clear of rows, columns and diagonals."""
    offset_deg = max(_OFFSETS_DEG, key=lambda off: min(_clearance(radial + off) for radial in radials_deg))
    return round(2.0 * (radials_deg[0] + offset_deg)) / 2.0


def _clearance(turn_deg: float) -> tuple[float, float]:
    """Rate a turn: degrees from the nearest row, column or diagonal up to 8, then from a poor slope."""
    within = turn_deg % 90.0
    from_axes = min(abs(within - axis) for axis in (0.0, 45.0, 90.0))
    from_slopes = min(min(abs(within - s), abs(90.0 - within - s)) for s in _POOR_SLOPES_DEG)
    return (round(min(from_axes, 6.0), 6), round(min(from_slopes, 6.0), 6))
