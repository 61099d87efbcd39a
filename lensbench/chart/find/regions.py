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
from lensbench.chart.find.targets import predict
from lensbench.chart.layout.parts import ARMS, Layout, Target
from lensbench.model.shot import Box
from lensbench.model.units import FloatArray

_BLUR_MARGIN: Final = 3.5  # sigmas of blur between a box and crossing or rim
_PLAIN_MARGIN_PX: Final = 2.0
_LARGEST_MARGIN: Final = 0.35  # of the target's radius
_SHORTEST_EDGE_PX: Final = 12.0
_NARROWEST_PX: Final = 9

_PLACES: Final = np.linspace(0.3, 0.75, 10)
_DIAGONALS_RAD: Final = np.linspace(0.12, pi / 2.0 - 0.12, 11)
_SHAPES: Final = np.stack((np.sin(_DIAGONALS_RAD), np.cos(_DIAGONALS_RAD)), axis=-1)
"""Half heights and half widths of boxes whose half diagonal is 1."""


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
    size_px: tuple[int, int],
    targets_on_chart: int | None = None,
) -> ChartFound:
    """Chart of these targets, as the final mapping predicts them and as they were located."""
    expected = predict(targets, mapping)
    position = crossings.position_px
    regions = arm_regions(position, arms_px=expected.arms_px, blur_px=crossings.blur_px, size_px=size_px)
    found = [
        FoundTarget(
            target=target,
            crossing_px=(float(position[index, 0]), float(position[index, 1])),
            crossing_sd_px=float(crossings.position_sd_px[index]),
            radius_px=float(expected.radius_px[index]),
            blur_px=float(crossings.blur_px[index]),
            dark_level=float(crossings.mean[index] - crossings.amplitude[index]),
            bright_level=float(crossings.mean[index] + crossings.amplitude[index]),
            arms=regions[index],
        )
        for index, target in enumerate(targets)
    ]
    return ChartFound(
        layout=layout,
        size_px=size_px,
        mapping=mapping,
        targets=tuple(found),
        targets_on_chart=targets_on_chart or len(layout.targets),
        residual_px=float(np.sqrt((np.hypot(*(position - expected.center_px).T) ** 2).mean())),
    )


def arm_regions(
    crossings_px: FloatArray, *, arms_px: FloatArray, blur_px: FloatArray, size_px: tuple[int, int]
) -> list[tuple[ArmRegion, ...]]:
    """Regions of n targets, from crossings, shape (n, 2), ways from there to the arms' ends, (n, 4, 2), and blur.

    Among the boxes that suit an arm, the one of largest area times length of edge is taken: length tells more about an
    edge than width does. An arm with too little of it in the picture is left out.
    """
    along = arms_px.reshape(-1, 2)
    across = np.roll(arms_px, -1, axis=1).reshape(-1, 2)
    margin_px = np.repeat(_PLAIN_MARGIN_PX + _BLUR_MARGIN * blur_px, len(ARMS))
    centers = np.repeat(crossings_px, len(ARMS), axis=0)[:, None] + _PLACES[:, None] * along[:, None]
    to_border = np.minimum(centers, np.asarray(size_px) - 1.0 - centers)
    # Every place and shape is tried at its largest size; axes are (arm, place, shape).
    size = _room(along, across, margin_px)
    size = np.minimum(size, (to_border[:, :, None] / _SHAPES).min(axis=-1)).clip(0.0)
    direction = np.maximum(np.abs(along) / np.hypot(*along.T)[:, None], 1e-9)
    length = (_SHAPES / direction[:, None]).min(axis=-1)
    worth = size**3 * _SHAPES.prod(axis=-1) * length[:, None]
    best = worth.reshape(len(along), -1).argmax(axis=1)
    place, shape = np.unravel_index(best, worth.shape[1:])
    arms = np.arange(len(along))
    center, half = centers[arms, place], size[arms, place, shape, None] * _SHAPES[shape]
    # The pixels whose centres lie inside; a side of 0 or less where there are none.
    first = np.ceil(center - half).astype(int)
    sides = np.floor(center + half).astype(int) - first + 1
    long_enough = 2.0 * (half / direction).min(axis=-1) >= _SHORTEST_EDGE_PX
    from_vertical_deg = np.degrees(np.arctan2(along[:, 1], -along[:, 0]))
    angle_deg = (from_vertical_deg + 90.0) % 180.0 - 90.0
    regions: list[list[ArmRegion]] = [[] for _ in crossings_px]
    for index in np.flatnonzero(long_enough & (sides.min(axis=1) >= _NARROWEST_PX)).tolist():
        target, arm = divmod(index, len(ARMS))
        (top, left), (height, width) = first[index].tolist(), sides[index].tolist()
        regions[target].append(
            ArmRegion(
                arm=ARMS[arm],
                box=Box(top=top, left=left, height=height, width=width),
                angle_deg=float(angle_deg[index]),
                center_px=(float(center[index, 0]), float(center[index, 1])),
            )
        )
    return [tuple(target) for target in regions]


def _room(along: FloatArray, across: FloatArray, margin_px: FloatArray) -> FloatArray:
    """How far boxes may grow round each place till a corner meets line or rim, in px, axes (arm, place, shape).

    Corners are followed in the target's own measure, in which arm and neighbour are 1 long.
    """
    inverse = np.linalg.inv(np.stack((along, across), axis=-1))
    shrinks = np.linalg.norm(inverse, axis=2)
    from_line = np.minimum(margin_px * shrinks[:, 0], _LARGEST_MARGIN)[:, None, None]
    inside_rim = 1.0 - np.minimum(margin_px * shrinks.max(axis=1), _LARGEST_MARGIN)[:, None, None]
    places = _PLACES[:, None]
    room = np.full((len(along), len(_PLACES), len(_SHAPES)), np.inf)
    for signs in ((1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)):
        step = (_SHAPES * np.asarray(signs)) @ inverse.transpose(0, 2, 1)
        ahead = step[:, None, :, 0]
        room = np.minimum(room, (places - from_line) / np.maximum(-ahead, 1e-12))
        # |place e1 + s step| = inside_rim, solved for s > 0.
        square = (step**2).sum(axis=-1)[:, None]
        beyond = (places * ahead) ** 2 - square * (places**2 - inside_rim**2)
        room = np.minimum(room, (np.sqrt(beyond.clip(0.0)) - places * ahead) / square)
    return room
