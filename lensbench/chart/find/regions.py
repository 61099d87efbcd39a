"""What finding gives: the chart in one photograph, its targets, and for every arm the region that holds its edge.

A region is the largest box of whole pixels that holds this one edge only. Near a crossing the picture is an affine
image of the printed target, so a box suits an arm when its four corners lie in the half disc on the arm's side of the
other line, by margins that grow with the blur.
"""

from dataclasses import dataclass
from math import inf, pi
from typing import Final

import numpy as np

from lensbench.chart.find.crossing import Crossings
from lensbench.chart.find.mapping import Mapping
from lensbench.chart.find.targets import Expected, predict
from lensbench.chart.layout import ARMS, Layout, Target
from lensbench.model.shot import Box
from lensbench.model.units import FloatArray

_BLUR_MARGIN: Final = 3.5
"""Sigmas of blur between a box and crossing or rim."""
_PLAIN_MARGIN_PX: Final = 2.0
_LARGEST_MARGIN: Final = 0.35
"""Of the target's radius."""
_SHORTEST_EDGE_PX: Final = 12.0
_NARROWEST_PX: Final = 9

_PLACES: Final = np.linspace(0.3, 0.75, 10)
_SHAPES_RAD: Final = np.linspace(0.12, pi / 2.0 - 0.12, 11)


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmRegion:
    """One edge of a target, ready to be measured."""

    arm: int
    """1 to 4, counter-clockwise on the chart as printed."""
    box: Box
    angle_deg: float
    """Expected: from the columns' direction, in [-90, 90), positive when the upper end leans to the right."""
    center_px: tuple[float, float]
    """The middle of the edge's piece inside the box."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundTarget:
    """One target in the picture."""

    target: Target
    crossing_px: tuple[float, float]
    crossing_sd_px: float
    """Standard deviation of each coordinate, from the noise around the crossing."""
    residual_px: float
    """Distance from where the fitted geometry puts it."""
    border_px: float
    """Distance of the crossing from the nearest border of the picture."""
    radius_px: float
    """The rim's mean radius in the picture."""
    blur_px: float
    """Sigma of the Gaussian that suits the crossing best: an estimate, not a measurement."""
    dark_level: float
    bright_level: float
    """Levels beside the crossing, linear, white = 1."""
    arms: tuple[ArmRegion, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChartFound:
    """The chart in one photograph."""

    layout: Layout
    size_px: tuple[int, int]
    mapping: Mapping
    """From the chart, in mm, to the picture, in pixels."""
    targets: tuple[FoundTarget, ...]
    targets_on_chart: int
    """Of a sheet, how many it has; of a wall set, the highest page number seen."""
    marker_ids: tuple[int, ...]
    residual_px: float
    """Rms distance of the crossings from the fitted geometry."""

    @property
    def contrast(self) -> float:
        """Bright over dark as the picture shows it, of the medians of the targets; infinite for perfect black."""
        bright, dark = (np.median([(t.bright_level, t.dark_level) for t in self.targets], axis=0)).tolist()
        return bright / dark if dark > 0.0 else inf

    @property
    def blur_px(self) -> float:
        """Median blur of the crossings, as a Gaussian sigma."""
        return float(np.median([target.blur_px for target in self.targets]))


def chart_found(
    layout: Layout,
    mapping: Mapping,
    targets: tuple[Target, ...],
    crossings: Crossings,
    *,
    marker_ids: tuple[int, ...],
    size_px: tuple[int, int],
    targets_on_chart: int | None = None,
) -> ChartFound:
    """Chart of these targets, as the final mapping predicts them and as they were located."""
    expected = predict(targets, mapping)
    residual = np.hypot(*(crossings.position_px - expected.center_px).T)
    regions = arm_regions(
        crossings.position_px, arms_px=expected.arms_px, blur_px=crossings.blur_px, size_px=size_px
    )
    return ChartFound(
        layout=layout,
        size_px=size_px,
        mapping=mapping,
        targets=tuple(
            _found_target(index, expected, crossings, arms=arms, size_px=size_px)
            for index, arms in enumerate(regions)
        ),
        targets_on_chart=targets_on_chart or len(layout.targets),
        marker_ids=marker_ids,
        residual_px=float(np.sqrt((residual**2).mean())),
    )


def _found_target(
    index: int,
    expected: Expected,
    crossings: Crossings,
    *,
    arms: tuple[ArmRegion, ...],
    size_px: tuple[int, int],
) -> FoundTarget:
    position = crossings.position_px[index]
    return FoundTarget(
        target=expected.targets[index],
        crossing_px=(float(position[0]), float(position[1])),
        crossing_sd_px=float(crossings.position_sd_px[index]),
        residual_px=float(np.hypot(*(position - expected.center_px[index]))),
        border_px=float(np.minimum(position, np.asarray(size_px) - 1.0 - position).min()),
        radius_px=float(expected.radius_px[index]),
        blur_px=float(crossings.blur_px[index]),
        dark_level=float(crossings.mean[index] - crossings.amplitude[index]),
        bright_level=float(crossings.mean[index] + crossings.amplitude[index]),
        arms=arms,
    )


def edge_angle_deg(direction: FloatArray) -> FloatArray:
    """Angles from vertical, in [-90, 90), of lines along (down, right), shape (..., 2).

    >>> float(edge_angle_deg(np.array([-1.0, 0.1])).round(1))
    5.7
    """
    angle = np.degrees(np.arctan2(direction[..., 1], -direction[..., 0]))
    return np.asarray((angle + 90.0) % 180.0 - 90.0, np.float64)


def arm_regions(
    crossings_px: FloatArray, *, arms_px: FloatArray, blur_px: FloatArray, size_px: tuple[int, int]
) -> list[tuple[ArmRegion, ...]]:
    """Regions of targets; an arm with too little of it in the picture is left out.

    Among the boxes that suit an arm, the one of largest area times length of edge is taken: length tells more
    about an edge than width does.

    Parameters
    ----------
    crossings_px : float array, shape (n, 2)
        Where each target's arms meet.
    arms_px : float array, shape (n, 4, 2)
        From there to the ends of arms 1 to 4 on the rim, in the picture.
    blur_px : float array, shape (n,)
        Sigma of the picture's blur at each target.
    size_px : (rows, columns)
        Of the picture.
    """
    count = len(crossings_px)
    along = arms_px.reshape(-1, 2)
    across = np.roll(arms_px, -1, axis=1).reshape(-1, 2)
    crossing = np.repeat(crossings_px, len(ARMS), axis=0)
    margin_px = np.repeat(_PLAIN_MARGIN_PX + _BLUR_MARGIN * blur_px, len(ARMS))
    places, half = _best_boxes(crossing, along, _limits(along, across, margin_px), size_px)
    centers = crossing + places[:, None] * along
    lengths = _edge_length_px(half, along)
    angles = edge_angle_deg(along)
    regions = [
        ArmRegion(arm=arm, box=box, angle_deg=angle, center_px=(row, col))
        if length >= _SHORTEST_EDGE_PX and min(box.height, box.width) >= _NARROWEST_PX
        else None
        for arm, box, angle, (row, col), length in zip(
            ARMS * count,
            _whole_pixels(centers, half),
            angles.tolist(),
            centers.tolist(),
            lengths.tolist(),
            strict=True,
        )
    ]
    grouped = [regions[start : start + len(ARMS)] for start in range(0, len(regions), len(ARMS))]
    return [tuple(region for region in group if region is not None) for group in grouped]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Limits:
    """What a box's corners must keep to, in the target's own measure: arm and neighbour are 1 long."""

    inverse: FloatArray
    """Shape (n, 2, 2): its rows give a point's place along the arm and across it."""
    from_line: FloatArray
    inside_rim: FloatArray


def _limits(along: FloatArray, across: FloatArray, margin_px: FloatArray) -> _Limits:
    inverse = np.linalg.inv(np.stack((along, across), axis=-1))
    shrinks = np.linalg.norm(inverse, axis=2)
    return _Limits(
        inverse=inverse,
        from_line=np.minimum(margin_px * shrinks[:, 0], _LARGEST_MARGIN),
        inside_rim=1.0 - np.minimum(margin_px * shrinks.max(axis=1), _LARGEST_MARGIN),
    )


def _best_boxes(
    crossing: FloatArray, along: FloatArray, limits: _Limits, size_px: tuple[int, int]
) -> tuple[FloatArray, FloatArray]:
    """Best box of each arm: the place of its middle along the arm, and half its height and width.

    Every place and shape of a grid is tried at its largest size; axes are (arm, place, shape).
    """
    unit = np.stack((np.sin(_SHAPES_RAD), np.cos(_SHAPES_RAD)), axis=-1)
    size = _room(unit, limits)
    centers = crossing[:, None] + _PLACES[:, None] * along[:, None]
    to_border = np.minimum(centers, np.asarray(size_px) - 1.0 - centers)
    size = np.minimum(size, (to_border[:, :, None] / unit).min(axis=-1)).clip(0.0)
    direction = np.abs(along) / np.hypot(*along.T)[:, None]
    length = (unit / np.maximum(direction[:, None], 1e-9)).min(axis=-1)
    worth = size**3 * unit.prod(axis=-1) * length[:, None]
    best = worth.reshape(len(along), -1).argmax(axis=1)
    place, shape = np.unravel_index(best, worth.shape[1:])
    half: FloatArray = size[np.arange(len(along)), place, shape, None] * unit[shape]
    return _PLACES[place], half


def _room(unit: FloatArray, limits: _Limits) -> FloatArray:
    """How far boxes may grow round each place till a corner meets line or rim, in px."""
    places = _PLACES[:, None]
    from_line, inside_rim = limits.from_line[:, None, None], limits.inside_rim[:, None, None]
    room = np.full((len(from_line), len(_PLACES), len(unit)), np.inf)
    for signs in ((1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)):
        step = (unit * np.asarray(signs)) @ limits.inverse.transpose(0, 2, 1)
        ahead = step[:, None, :, 0]
        room = np.minimum(room, (places - from_line) / np.maximum(-ahead, 1e-12))
        # |place e1 + s step| = inside_rim, solved for s > 0.
        square = (step**2).sum(axis=-1)[:, None]
        beyond = (places * ahead) ** 2 - square * (places**2 - inside_rim**2)
        room = np.minimum(room, (np.sqrt(beyond.clip(0.0)) - places * ahead) / square)
    return room


def _edge_length_px(half: FloatArray, along: FloatArray) -> FloatArray:
    """Length of the edge through the middle of each box."""
    direction = np.abs(along) / np.hypot(*along.T)[:, None]
    length: FloatArray = 2.0 * (half / np.maximum(direction, 1e-9)).min(axis=-1)
    return length


def _whole_pixels(centers: FloatArray, half: FloatArray) -> list[Box]:
    """Pixels whose centres lie inside boxes; of height or width 0 or less where there are none."""
    first, last = np.ceil(centers - half).astype(int), np.floor(centers + half).astype(int)
    sizes = last - first + 1
    return [
        Box(top=top, left=left, height=height, width=width)
        for (top, left), (height, width) in zip(first.tolist(), sizes.tolist(), strict=True)
    ]
