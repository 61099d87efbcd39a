"""The light that a fast lens throws far, read off each target's own picture, and taken out of its edges' regions.

A target is a known pattern, so its picture tells the point spread: away from all borders between ink and paper, by more
than the nearest n px, a level is

    paper - step [D * s_near + sum_j s_j (D * block_j)]        D: the part of every place that is inked

with s_near the light that falls nearer than n, blocks of the plane further out (rings, and directions in each), and s_j
the light in each of them. That is linear, and is solved by least squares with s_j >= 0 and priors that fall as 1/r^3.
An edge that went on for ever would have its own D; what the difference of both makes, with the same s_j, is what the
target's other arms, its rim and the markers beside it bring into a region. The light over the picture must be known.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import ceil
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import fft

from lensbench.chart.find import ArmRegion, ChartFound, FoundTarget, Picture, predict
from lensbench.chart.layout import Layout, Marker, Target, Tone, marker_modules
from lensbench.model.shot import Box, Samples
from lensbench.model.units import FloatArray
from lensbench.shot.light import Light, light_over

Single = npt.NDArray[np.float32]

_CELLS_OF_RADIUS: Final = 16.0
"""Cells whose means are looked at: so many to a target's radius, of whole pairs of pixels."""
_OUTSIDE: Final = 0.5
_REACH: Final = 1.5
"""What is looked at beyond the rim, and how far light is followed, in radii."""
_DIRECTIONS: Final = 16
_RING_GROWTH: Final = 1.3
_NARROWEST_RING: Final = 0.75  # in cells
_FINE: Final = 4  # points of a cell, along rows and along columns
_BLUR_MARGIN: Final = 3.5
_PLAIN_MARGIN_PX: Final = 2.0
_NEAREST_STEP: Final = 0.5  # of a cell, to which the nearest distance is rounded up
_LIGHT: Final = 0.8
"""Prior sd of the light in a block, as a part of all: so much times the block's area over r^3, in pixels."""
_SLOPE_SD: Final = 0.003  # of the light over a target's radius, as a part of it: what its map leaves
_CELL_SD: Final = 0.002  # of a cell beside its noise, as a part of the level: what blocks cannot follow
_LARGEST_MISFIT: Final = 0.01  # rms of the cells beyond noise, as a part of the level
_FEWEST_CELLS: Final = 150
_ROUNDS: Final = 4


def subtract_flare(
    samples: Iterable[Samples],
    arms: Sequence[tuple[FoundTarget, ArmRegion]],
    *,
    chart: ChartFound,
    photo: Picture,
    taken: set[str],
) -> Iterator[Samples]:
    """Every arm's samples as they would be if its edge went on for ever; the targets where it was done join `taken`.

    `samples` holds the regions of `arms` in the same order, and nobody else's, for they are changed.
    """
    if (light := light_over(chart)) is None:
        yield from samples
        return
    spokes = predict(tuple(found.target for found in chart.targets), chart.mapping).arms_px
    by_name = {found.target.name: arms_px for found, arms_px in zip(chart.targets, spokes, strict=True)}
    seen: dict[str, _Flare | None] = {}
    for own, (target, arm) in zip(samples, arms, strict=True):
        name = target.target.name
        if name not in seen:
            seen[name] = _Flare.of(_Ground.of(target, by_name[name]), chart.layout, photo, light)
        if (flare := seen[name]) is not None:
            np.add(own.values, flare.missing(arm), out=own.values)
            taken.add(name)
        yield own


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ground:
    """The plane round a target, in square cells of whole pixels."""

    target: FoundTarget
    cell_px: int
    first_px: npt.NDArray[np.intp]
    """Row and column of the first cell's first pixel."""
    looked: slice
    """Cells looked at, of rows and of columns: the others are out of the way of the light followed."""
    own: tuple[FloatArray, FloatArray]
    """Places of fine points along arms 1 and 2, in radii."""

    @classmethod
    def of(cls, target: FoundTarget, arms_px: FloatArray) -> "_Ground":
        """Ground round a target, from the ways to its arms' ends."""
        radius = target.radius_px
        cell_px = max(2 * round(radius / _CELLS_OF_RADIUS / 2.0), 2)
        looked, away = ceil((1.0 + _OUTSIDE) * radius / cell_px), ceil(_REACH * radius / cell_px)
        size = 2 * (looked + away)
        middle = np.asarray(target.crossing_px)
        first_px = (np.floor((middle + 0.5) / cell_px).astype(np.intp) - looked - away) * cell_px
        fine = (np.arange(size * _FINE) + 0.5) * (cell_px / _FINE) - 0.5
        down, right = first_px[:, None] + fine - middle[:, None]
        to_own = np.linalg.inv(np.stack([arms_px[0], arms_px[1]], axis=1))
        one, other = (row[0] * down[:, None] + row[1] * right for row in to_own)
        return cls(
            target=target,
            cell_px=cell_px,
            first_px=first_px,
            looked=slice(away, size - away),
            own=(one, other),
        )

    @property
    def size(self) -> int:
        """Cells along rows and along columns."""
        return len(self.own[0]) // _FINE

    def middles_px(self) -> tuple[FloatArray, FloatArray]:
        """Rows and columns of the middles of the cells looked at."""
        places = self.cell_px * (np.arange(self.looked.start, self.looked.stop) + 0.5) - 0.5
        return self.first_px[0] + places, self.first_px[1] + places

    def share(self, fine: npt.NDArray[np.bool_]) -> Single:
        """Share of every cell whose points are so."""
        cells = fine.reshape(self.size, _FINE, self.size, _FINE)
        return np.asarray(cells.mean(axis=(1, 3), dtype=np.float32), np.float32)

    def inked(self) -> npt.NDArray[np.bool_]:
        """Which points lie in the target's dark quarters, between arms 1 and 2 or 3 and 4."""
        one, other = self.own
        return np.asarray((one * other > 0.0) & (one * one + other * other < 1.0), np.bool_)

    def pattern(self, layout: Layout) -> tuple[Single, FloatArray]:
        """Ink in every cell, 1 that of the dark quarters; and how far its middle lies from any border, in px."""
        target = self.target.target
        one, other = (own[_FINE // 2 :: _FINE, _FINE // 2 :: _FINE] for own in self.own)
        from_middle = np.hypot(one, other)
        lines = np.where(from_middle < 1.0, np.minimum(np.abs(one), np.abs(other)), np.inf)
        away = np.minimum(np.abs(from_middle - 1.0), lines) * target.radius_mm
        directions = np.array([target.arm_direction(1), target.arm_direction(2)])
        reach_mm = float(np.abs(np.stack([one, other])).max()) * target.radius_mm * 1.5
        ink = self.share(self.inked())
        for shape, darkness in _shapes(layout):
            apart_mm = np.subtract(target.center_mm, shape.center_mm)
            if shape is target or np.hypot(*apart_mm) > reach_mm + _half_mm(shape):
                continue
            down, right = (
                apart + target.radius_mm * (one * along[0] + other * along[1])
                for apart, along in zip(apart_mm, directions.T, strict=True)
            )
            outside_mm, dark = _beside(shape, down, right)
            cell_mm = self.cell_px * target.radius_mm / self.target.radius_px
            ink += np.float32(darkness) * np.clip(0.5 - outside_mm / cell_mm, 0.0, 1.0) * dark
            away = np.minimum(away, np.maximum(outside_mm, 0.0))
        return np.asarray(ink, np.float32), away * (self.target.radius_px / target.radius_mm)

    def means(self, photo: Picture) -> tuple[FloatArray, FloatArray, float]:
        """Mean of the samples in every cell looked at, their number (0 beyond the picture), and a sample's variance."""
        cells, side = self.looked.stop - self.looked.start, self.cell_px
        first = self.first_px + self.looked.start * side
        lowest = np.maximum(first, 0)
        beyond = np.minimum(first + cells * side, np.asarray(photo.size_px) // side * side)
        (top, left), (height, width) = lowest.tolist(), np.maximum(beyond - lowest, 0).tolist()
        sums = np.zeros((3, cells, cells))
        if height and width:
            region = photo.cut(Box(top=top, left=left, height=height, width=width))
            value = np.where(region.present, region.values, 0.0)
            held = np.stack([value, region.present, value * value])
            start = (lowest - first) // side
            inside = np.s_[:, start[0] : start[0] + height // side, start[1] : start[1] + width // side]
            sums[inside] = held.reshape(3, height // side, side, width // side, side).sum(axis=(2, 4))
        total, count, squares = sums
        mean = total / np.maximum(count, 1.0)
        full = count >= 0.9 * count.max()
        scatter = (squares - total * mean) / np.maximum(count - 1.0, 1.0)
        return mean, count, float(np.median(scatter[full]))


def _shapes(layout: Layout) -> Iterator[tuple[Target | Marker | Tone, float]]:
    """What else is printed, and how dark it is on average where it is inked, the targets' dark quarters being 1."""
    full = 1.0 - layout.dark_reflectance
    yield from ((target, 1.0) for target in layout.targets)
    for marker in layout.markers:
        inked = float(marker_modules(marker.marker_id).mean())
        yield marker, (1.0 - layout.marker_reflectance) * inked / full
    yield from ((tone, (1.0 - tone.reflectance) / full) for tone in layout.tones if tone.reflectance < 1.0)


def _half_mm(shape: Target | Marker | Tone) -> float:
    return shape.radius_mm if isinstance(shape, Target) else 0.5 * shape.side_mm


def _beside(
    shape: Target | Marker | Tone, down_mm: FloatArray, right_mm: FloatArray
) -> tuple[FloatArray, FloatArray | float]:
    """How far points, counted from a shape's middle, lie outside it; and which are inked."""
    if isinstance(shape, Target):
        first, second = (shape.arm_direction(arm) for arm in (1, 2))
        one, other = (down_mm * along[0] + right_mm * along[1] for along in (first, second))
        return np.hypot(down_mm, right_mm) - shape.radius_mm, (one * other > 0.0).astype(np.float64)
    turn = np.radians(shape.turn_deg)
    along, across = (
        np.abs(down_mm * np.cos(turn) - right_mm * np.sin(turn)),
        np.abs(down_mm * np.sin(turn) + right_mm * np.cos(turn)),
    )
    return np.maximum(along, across) - 0.5 * shape.side_mm, 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Flare:
    """Far light of one target's picture."""

    ground: _Ground
    light: Light
    level: float
    """By which levels were divided, in the picture's centre."""
    spread: npt.NDArray[np.complex64]
    """Transform of the light in the blocks, times the step."""
    ink: Single

    @classmethod
    def of(cls, ground: _Ground, layout: Layout, photo: Picture, light: Light) -> "_Flare | None":
        """Flare that a target's picture tells; None where too little of it can be seen, or no spread explains it."""
        target, middles_px = ground.target, ground.middles_px()
        nearest_px = _PLAIN_MARGIN_PX + _BLUR_MARGIN * target.blur_px
        steps = ceil(nearest_px / ground.cell_px / _NEAREST_STEP)
        nearest = _NEAREST_STEP * steps
        ink, away_px = ground.pattern(layout)
        mean, count, variance = ground.means(photo)
        square = ground.looked, ground.looked
        seen = np.flatnonzero((count > 0.0) & (away_px[square] > (nearest + 0.5) * ground.cell_px))
        if seen.size < _FEWEST_CELLS:
            return None
        size = _whole(ground.size)
        blocks, radius, area = _blocks(size, steps, ceil(_REACH * target.radius_px / ground.cell_px))
        inked = fft.rfft2(ink, s=(size, size)) * blocks
        level = 0.5 * (target.bright_level + target.dark_level)
        central_level = level / float(light(*target.crossing_px))
        places = np.meshgrid(*middles_px, indexing="ij")
        slopes = [
            ((place - at) / target.radius_px).ravel()[seen]
            for place, at in zip(places, target.crossing_px, strict=True)
        ]
        own = np.rint(ink[square].ravel()[seen])
        shown = fft.irfft2(inked, s=(size, size))[:, *square].reshape(len(blocks), -1)[:, seen]
        value = (mean / light(*middles_px)).ravel()[seen] / central_level
        columns = np.concatenate([np.ones((1, seen.size)), slopes * value, -own[None], -shown])
        sd = _LIGHT * area / (radius**3 * ground.cell_px)
        precision = np.concatenate([[1e-6], np.full(2, _SLOPE_SD**-2.0), [1e-6], sd**-2.0])
        noise = variance / level**2 / count.ravel()[seen]
        weight = 1.0 / (noise + _CELL_SD**2)
        found = _not_negative(columns, value, weight, precision, first=4)
        misfit = np.square(value - found @ columns) - noise
        if float(np.average(misfit, weights=weight)) > _LARGEST_MISFIT**2:
            return None
        spread = np.einsum("k,kij->ij", found[4:].astype(np.float32), blocks)
        return cls(ground=ground, light=light, level=central_level, spread=spread, ink=ink)

    def missing(self, arm: ArmRegion) -> FloatArray:
        """What the samples of an arm's region lack of an infinite edge's."""
        ground, box = self.ground, arm.box
        one, other = ground.own
        side = (other, one, -other, -one)[arm.arm - 1]
        more = self.ink - ground.share(side > 0.0)
        size = _whole(ground.size)
        cells = fft.irfft2(self.spread * fft.rfft2(more, s=(size, size)), s=(size, size))
        rows, cols = box.top + np.arange(float(box.height)), box.left + np.arange(float(box.width))
        for number, places in enumerate((rows, cols)):
            at = (places - ground.first_px[number] + 0.5) / ground.cell_px - 0.5
            low = np.floor(at).astype(np.intp)
            cells = cells[low].T * (1.0 - at + low) + cells[low + 1].T * (at - low)
        return np.asarray(cells * self.light(rows, cols) * self.level)


def _whole(cells: int) -> int:
    """Cells that are transformed."""
    return int(fft.next_fast_len(cells, real=True))


@lru_cache(maxsize=8)
def _blocks(
    size: int, nearest_steps: int, reach: int
) -> tuple[npt.NDArray[np.complex64], FloatArray, FloatArray]:
    """Transforms of the blocks that the plane is cut into, each of sum 1, their radii and areas, in cells."""
    nearest = _NEAREST_STEP * nearest_steps
    borders = [nearest]
    while borders[-1] < reach:
        borders.append(max(borders[-1] * _RING_GROWTH, borders[-1] + _NARROWEST_RING))
    cells = np.rint(np.fft.fftfreq(size, 1.0 / size))
    fine = (cells[:, None] + (np.arange(_FINE) - 0.5 * (_FINE - 1)) / _FINE).ravel()
    down, right = fine[:, None], fine[None, :]
    ring = np.digitize(np.hypot(down, right), borders) - 1
    held = np.flatnonzero((ring >= 0) & (ring < len(borders) - 1))
    turn = (np.arctan2(right, down) / (2.0 * np.pi) % 1.0 * _DIRECTIONS).ravel()[held]
    row, col = np.divmod(held, fine.size)
    cell = row // _FINE * size + col // _FINE
    before = np.floor(turn).astype(np.intp)
    number = (len(borders) - 1) * _DIRECTIONS
    blocks = np.zeros(number * size * size)
    for step, share in ((0, 1.0 - turn + before), (1, turn - before)):
        block = ring.ravel()[held] * _DIRECTIONS + (before + step) % _DIRECTIONS
        blocks += np.bincount(block * (size * size) + cell, share, blocks.size)
    blocks = blocks.reshape(number, size, size) / _FINE**2
    area = blocks.sum(axis=(1, 2))
    radius = np.repeat(np.sqrt(np.multiply(borders[1:], borders[:-1])), _DIRECTIONS)
    return fft.rfft2((blocks / area[:, None, None]).astype(np.float32)), radius, area


def _not_negative(
    columns: FloatArray, value: FloatArray, weight: FloatArray, precision: FloatArray, *, first: int
) -> FloatArray:
    """Least squares with a prior about 0; unknowns from the `first` on are let go where they come out below 0."""
    weighted = columns * weight
    gram, moment = weighted @ columns.T + np.diag(precision), weighted @ value
    kept = np.arange(moment.size)
    found = np.zeros(moment.size)
    for _ in range(_ROUNDS):
        found[:] = 0.0
        found[kept] = np.linalg.solve(gram[np.ix_(kept, kept)], moment[kept])
        sound = (found[kept] >= 0.0) | (kept < first)
        if sound.all():
            break
        kept = kept[sound]
    found[first:] = np.maximum(found[first:], 0.0)
    return found
