"""Sharpness over the picture as data: maps of one lens, all on one scale, with centre and corners in figures.

`field_figure` draws them.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from statistics import fmean
from typing import Final

from lensbench.model.setting import Setting, f_stop, focal_length
from lensbench.model.shot import ChartEdge, Direction, Place, ShotResult
from lensbench.model.sweep import LensFindings, SweepShot
from lensbench.report.draw.strips import THIRD_NAMES, StripScale, scales_of
from lensbench.report.text.words import AtSetting, Grid, full_scale, known, shots_at, worded
from lensbench.shot import place_of
from lensbench.storage.text import clean_text

_MOST_TURN_DEG: Final = 45.0
_FULL_BAR: Final = 0.07
"""Of the picture's width, for 100 % of the lens: so all its maps have one scale, whatever they show."""
_BAR_END: Final = 0.006  # of the picture's width: how far a bar stays within the border
_NEAR: Final = 0.5  # of the half-diagonal: how far from a corner a target may stand for it
_CENTRAL: Final = 0.1
"""Of the half-diagonal: how much farther from the centre than the innermost target others count with it."""
AT_CENTRE: Final = 0.05
"""Of the half-diagonal: a target so near to the picture's centre shows it by itself."""
_CORNERS: Final = {
    Place.UPPER_LEFT: (0.0, 0.0),
    Place.UPPER_RIGHT: (0.0, 1.0),
    Place.LOWER_LEFT: (1.0, 0.0),
    Place.LOWER_RIGHT: (1.0, 1.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """One place in the picture."""

    name: str
    center_px: tuple[float, float]
    sagittal_cypx: float  # NaN where no edge along the radius was measured
    tangential_cypx: float

    @property
    def figures_cypx(self) -> list[float]:
        """Those that there are."""
        return [value for value in (self.sagittal_cypx, self.tangential_cypx) if math.isfinite(value)]

    @property
    def mean_cypx(self) -> float:
        """Mean of the figures that there are; NaN without any."""
        return fmean(self.figures_cypx) if self.figures_cypx else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldMap:
    """Sharpness over the picture at one setting."""

    key: str
    title: str
    about: str
    caption: str
    """What stands below, where the figures of centre and corners are seen."""
    focal_length_mm: float | None
    size_px: tuple[int, int]
    spots: tuple[Spot, ...]
    places: tuple[tuple[Place, float], ...]
    """Centre and corners with their MTF50 in cycles per pixel; those that the chart does not reach are left out."""
    full_cypx: float
    """100 % of the lens, as long as the scale's bar."""
    scales: tuple[StripScale, ...]
    grid: Grid
    explained: bool = True
    """Whether the page shows what its lines mean: the first of several does; files always do."""

    def percent(self, figure_cypx: float) -> float:
        """A figure in percent of the lens's sharpest setting."""
        return 100.0 * figure_cypx / self.full_cypx

    def bar_px(self, figure_cypx: float) -> float:
        """How long a figure's bar is, in pixels of the photograph."""
        return _FULL_BAR * self.size_px[1] * figure_cypx / self.full_cypx


def spot_bars(spot: Spot, field: FieldMap) -> dict[str, tuple[tuple[float, float], tuple[float, float]]]:
    """Ends of a spot's bars, in pixels: along the radius for the sagittal figure, across it for the tangential one.

    At the picture's border they stand a little further in than their target, so that none leaves the picture.
    """
    centre_px = ((length - 1) / 2.0 for length in field.size_px)
    down, right = (place - middle for place, middle in zip(spot.center_px, centre_px, strict=True))
    radius_px = math.hypot(down, right)
    along = (down / radius_px, right / radius_px) if radius_px > 1.0 else (0.0, 1.0)
    bars = {
        "sagittal": (field.bar_px(spot.sagittal_cypx) / 2.0, along),
        "tangential": (field.bar_px(spot.tangential_cypx) / 2.0, (along[1], -along[0])),
    }
    reach = {role: (px * rows, px * cols) for role, (px, (rows, cols)) in bars.items() if math.isfinite(px)}
    row, col = spot.center_px
    if reach:
        most = [
            max(abs(ends[axis]) for ends in reach.values()) + _BAR_END * field.size_px[1] for axis in (0, 1)
        ]
        row, col = (_within(*place) for place in zip(spot.center_px, field.size_px, most, strict=True))
    return {
        role: ((row - rows, col - cols), (row + rows, col + cols)) for role, (rows, cols) in reach.items()
    }


def _within(place: float, length: int, reach: float) -> float:
    return min(max(place, reach), length - 1.0 - reach)


def field_maps(lens: LensFindings, shots: Sequence[SweepShot], *, key: str) -> list[FieldMap]:
    """Map for every focal length at its best stop, the mean over the shots of that setting; all on one scale.

    A ten-minute test names no best stop: its map is that of the widest one, which shows a bad copy first.
    """
    maps = []
    for number, focal in enumerate(lens.by_focal_length, start=1):
        quick = lens.quick and focal.curve
        stop = min(point.f_number for point in focal.curve) if quick else focal.best_f_number
        setting = Setting(focal_length_mm=focal.focal_length_mm, f_number=stop)
        if field := field_map_at(lens, setting, shots, key=f"{key}-field-{number}"):
            maps.append(field)
    bars = worded("plots.bars")
    first = [
        replace(map_, about=f"{map_.about} {bars}", caption=f"{map_.caption} {bars}") for map_ in maps[:1]
    ]
    return first + [replace(map_, explained=False) for map_ in maps[1:]]


def field_map_at(
    lens: LensFindings, at: AtSetting, shots: Sequence[SweepShot], *, key: str
) -> FieldMap | None:
    """Map of the setting of a record; None where no target was measured there."""
    results = _one_way_up(shots_at(lens, at, shots))
    edges: dict[str, list[ChartEdge]] = defaultdict(list)
    for edge in chain.from_iterable(result.edges for result in results):
        if edge.edge.measured:
            edges[edge.target].append(edge)
    spots = tuple(_spot(name, group) for name, group in sorted(edges.items()))
    longest_cypx = max((value for spot in spots for value in spot.figures_cypx), default=0.0)
    if not longest_cypx:
        return None
    third, full_cypx = full_scale(lens) or ("", longest_cypx)
    scales = scales_of(full_cypx, lens, THIRD_NAMES.get(third, "edge"))
    places = _places(spots, results[0].size_px)
    counted = f"Mean of {len(results)} shots." if len(results) > 1 else "One shot."
    return FieldMap(
        key=key,
        title=f"{focal_length(at.focal_length_mm)}, {f_stop(at.f_number)}: sharpness over the picture",
        about=f"{counted} {worded('plots.field', places=_in_words(places, full_cypx))}",
        caption=counted,
        focal_length_mm=at.focal_length_mm,
        size_px=results[0].size_px,
        spots=spots,
        places=places,
        full_cypx=full_cypx,
        scales=scales,
        grid=Grid.of(
            spots,
            "MTF50 in cycles/pixel at each target",
            {
                "target": lambda spot: spot.name,
                "row, column (px)": lambda spot: f"{spot.center_px[0]:.0f}, {spot.center_px[1]:.0f}",
                "sagittal": lambda spot: known(spot.sagittal_cypx),
                "tangential": lambda spot: known(spot.tangential_cypx),
            },
        ),
    )


def _in_words(places: Iterable[tuple[Place, float]], full_cypx: float) -> str:
    return ", ".join(f"{place} {100.0 * figure / full_cypx:.0f}" for place, figure in places)


def _places(spots: Sequence[Spot], size_px: tuple[int, int]) -> tuple[tuple[Place, float], ...]:
    """The innermost targets' mean, and the target nearest to each corner."""
    shown = [spot for spot in spots if spot.figures_cypx]
    heights = [place_of(spot.center_px, size_px).image_height for spot in shown]
    inner = [
        spot.mean_cypx
        for spot, height in zip(shown, heights, strict=True)
        if height <= min(heights) + _CENTRAL
    ]
    places = [(Place.CENTRE, fmean(inner))] if min(heights) < _NEAR else []
    for place, (down, right) in _CORNERS.items():
        corner_px = (down * (size_px[0] - 1), right * (size_px[1] - 1))
        nearest = min(shown, key=lambda spot: math.dist(spot.center_px, corner_px))
        if math.dist(nearest.center_px, corner_px) < _NEAR * math.hypot(*size_px) / 2.0:
            places.append((place, nearest.mean_cypx))
    return tuple(places)


def _one_way_up(results: list[ShotResult]) -> list[ShotResult]:
    """Leave out the shots of a turned camera or chart: its targets stand elsewhere in the picture."""
    first = results[0].tilt.roll_deg if results else math.nan
    return [
        result
        for result in results
        if not abs((result.tilt.roll_deg - first + 180.0) % 360.0 - 180.0) > _MOST_TURN_DEG
    ]


def _spot(name: str, edges: list[ChartEdge]) -> Spot:
    def mean(direction: Direction) -> float:
        figures = [edge.edge.mtf50_cypx for edge in edges if edge.direction is direction]
        return fmean(figures) if figures else math.nan

    return Spot(
        name=clean_text(name),
        center_px=(fmean(edge.center_px[0] for edge in edges), fmean(edge.center_px[1] for edge in edges)),
        sagittal_cypx=mean(Direction.SAGITTAL),
        tangential_cypx=mean(Direction.TANGENTIAL),
    )
