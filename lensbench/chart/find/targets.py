"""Targets that a mapping predicts: located in the overview, then on the full picture's sites; and their edges' regions.

A region is the largest box of whole pixels that holds one edge only. Near a crossing the picture is an affine image
of the printed target, so a box suits an arm when its four corners lie in the half disc on the arm's side of the other
line, by margins that grow with the blur.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, inf, pi
from typing import Final

import cv2
import numpy as np

from lensbench.chart.find.crossing import Crossings, Patches, Picture, fit_crossings
from lensbench.chart.find.mapping import Mapping, fit_mapping
from lensbench.chart.layout.parts import ARMS, Layout, Target
from lensbench.model.shot import BoolArray, Box, ByteArray, Overview
from lensbench.model.units import FloatArray

FEWEST_TARGETS: Final = 4  # a homography has eight unknowns: four points

_LARGEST_MISFIT: Final = 0.4
_LOWEST_CONTRAST: Final = 1.2
_LARGEST_TURN_RAD: Final = 0.12
LARGEST_STRAY: Final = 0.2
"""Of a target's radius: how far a crossing may lie from where the rest of the chart puts it."""
BORDER_PX: Final = 6.0
_SMALLEST_HALF_PX: Final = 4
_LARGEST_HALF_PX: Final = 24


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Expected:
    """Targets whose crossings should lie in the picture, and where; one entry a target."""

    targets: tuple[Target, ...]
    center_px: FloatArray  # shape (n, 2)
    arms_px: FloatArray  # shape (n, 4, 2): from the crossing to the ends of arms 1 to 4 on the rim
    radius_px: FloatArray  # shape (n,): the rim's mean radius

    @classmethod
    def of(cls, targets: tuple[Target, ...], center_px: FloatArray, jacobian: FloatArray) -> "Expected":
        """Targets at some places, shape (n, 2), where a millimetre takes the pixels of `jacobian`, (n, 2, 2)."""
        radius_mm = np.array([target.radius_mm for target in targets])
        return cls(
            targets=targets,
            center_px=center_px,
            arms_px=arms_mm(targets) @ jacobian.transpose(0, 2, 1),
            radius_px=radius_mm * np.sqrt(np.abs(np.linalg.det(jacobian))),
        )

    @property
    def line_rad(self) -> FloatArray:
        """Directions of arms 1 and 2, shape (n, 2), from the row axis to the column axis."""
        return np.arctan2(self.arms_px[:, :2, 1], self.arms_px[:, :2, 0])


def expect(layout: Layout, mapping: Mapping, size_px: tuple[int, int]) -> Expected:
    """Predict the targets whose crossings the picture shows."""
    centers_mm = np.array([target.center_mm for target in layout.targets])
    placed = mapping.to_px(centers_mm)
    to_border = np.minimum(placed, np.asarray(size_px) - 1.0 - placed).min(axis=1)
    shown = np.flatnonzero((to_border >= BORDER_PX) & (mapping.depth(centers_mm) > 0.0))
    return predict(tuple(layout.targets[index] for index in shown), mapping)


def predict(targets: tuple[Target, ...], mapping: Mapping) -> Expected:
    """Predict where these targets fall."""
    centers_mm = np.array([target.center_mm for target in targets]).reshape(-1, 2)
    return Expected.of(targets, mapping.to_px(centers_mm), mapping.jacobian(centers_mm))


def arms_mm(targets: Sequence[Target]) -> FloatArray:
    """Ways from each target's crossing to the ends of its arms, shape (n, 4, 2)."""
    turn_deg, radius_mm = np.array([(t.turn_deg, t.radius_mm) for t in targets]).reshape(-1, 2).T
    angle = np.radians(turn_deg[:, None] - 90.0 * (np.array(ARMS) - 1.0))  # as `Target.arm_direction` has it
    along = np.stack((-np.cos(angle), np.sin(angle)), axis=-1)
    return np.asarray(radius_mm[:, None, None] * along, np.float64)


def locate_roughly(expected: Expected, overview: Overview) -> Crossings:
    """Locate crossings in the overview, to a tenth of its pixels; positions in full-resolution pixels."""
    factor = overview.factor
    radius = float(np.median(expected.radius_px)) / factor
    start = (expected.center_px + 0.5) / factor - 0.5
    reach = int(np.clip(0.35 * radius, 3, 10))
    points = np.ascontiguousarray(start[:, None, ::-1], dtype=np.float32)
    limits = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 20, 0.02)
    saddles = np.asarray(cv2.cornerSubPix(overview.grey, points, (reach, reach), (-1, -1), limits))
    moved = saddles[:, 0, ::-1].astype(np.float64)
    stayed = np.hypot(*(moved - start).T) <= 0.4 * radius
    start = np.where(stayed[:, None], moved, start)
    patches = _grey_patches(overview.grey, start, half=int(np.clip(0.5 * radius, _SMALLEST_HALF_PX, 9)))
    fitted = fit_crossings(patches, start_px=start, line_rad=expected.line_rad, blur_px=1.0)
    return replace(
        fitted,
        position_px=(fitted.position_px + 0.5) * factor - 0.5,
        position_sd_px=fitted.position_sd_px * factor,
        blur_px=np.sqrt(np.maximum(fitted.blur_px**2 - 1.0 / 12.0, 0.01)) * factor,
    )


def typical_blur_px(expected: Expected, rough: Crossings) -> float:
    """Blur that most crossings stay below, in full-resolution pixels."""
    good = plausible(expected, rough)
    return float(np.percentile(rough.blur_px[good], 75.0)) if good.any() else 1.5


def locate_finely(expected: Expected, picture: Picture, *, blur_px: float) -> Crossings:
    """Locate crossings on the sites of the full picture, in linear light."""
    if not expected.targets:
        none, pairs = np.empty(0), np.empty((0, 2))
        return Crossings(pairs, none, pairs, none, none, none, none)
    room = 0.6 * float(expected.radius_px.min())
    half = int(np.clip(min(ceil(3.0 * blur_px) + 6, room), _SMALLEST_HALF_PX, _LARGEST_HALF_PX))
    patches = _cut_patches(picture, expected.center_px, half=half)
    return fit_crossings(
        patches, start_px=expected.center_px, line_rad=expected.line_rad, blur_px=max(blur_px, 0.6)
    )


def refit(
    mapping: Mapping, expected: Expected, crossings: Crossings, *, size_px: tuple[int, int]
) -> tuple[Mapping, BoolArray]:
    """Fit the mapping to the crossings that are good targets, and tell which these are."""
    good = plausible(expected, crossings)
    centers_mm = np.array([target.center_mm for target in expected.targets]).reshape(-1, 2)
    for _ in range(2):
        if good.sum() < FEWEST_TARGETS:
            return mapping, good
        mapping = fit_mapping(
            centers_mm[good], crossings.position_px[good], start=mapping.homography, size_px=size_px
        )
        stray = np.hypot(*(mapping.to_px(centers_mm) - crossings.position_px).T)
        near = stray <= LARGEST_STRAY * expected.radius_px
        if near[good].all():
            break
        good = good & near
    return mapping, good


def plausible(expected: Expected, crossings: Crossings) -> BoolArray:
    """Which crossings look like a target: dark, light and lines as they must be, a good fit."""
    turned = np.abs(np.sin(crossings.line_rad - expected.line_rad)).max(axis=1, initial=0.0)
    moved = np.hypot(*(crossings.position_px - expected.center_px).T)
    dark, bright = crossings.mean - crossings.amplitude, crossings.mean + crossings.amplitude
    plausible: BoolArray = (
        (crossings.misfit <= _LARGEST_MISFIT)
        & (crossings.amplitude > 0.0)
        & (bright > _LOWEST_CONTRAST * dark)
        & (turned <= _LARGEST_TURN_RAD)
        & (moved <= 0.5 * expected.radius_px)
        & (crossings.blur_px <= 0.5 * expected.radius_px)
    )
    return plausible


def _windows(centers_px: FloatArray, half: int, size_px: tuple[int, ...]) -> tuple[FloatArray, list[Box]]:
    """Windows around some points, moved inwards at the picture's border, and their first pixels."""
    side = min(2 * half + 1, *size_px)
    first = np.clip(np.rint(centers_px) - half, 0, np.maximum(np.asarray(size_px) - (2 * half + 1), 0))
    return first, [Box(top=int(row), left=int(col), height=side, width=side) for row, col in first]


def _grey_patches(grey: ByteArray, centers_px: FloatArray, *, half: int) -> Patches:
    first, boxes = _windows(centers_px, half, grey.shape)
    pieces = [grey[box.top : box.top + box.height, box.left : box.left + box.width] for box in boxes]
    # The overview holds square roots of light; in them a blurred black quarter's sides look bent.
    values = np.array(pieces, np.float64) ** 2 / 255.0
    return Patches(values=values, present=np.ones(values.shape, np.bool_), corner_px=first)


def _cut_patches(picture: Picture, centers_px: FloatArray, *, half: int) -> Patches:
    first, boxes = _windows(centers_px, half, picture.size_px)
    pieces = [picture.cut(box) for box in boxes]
    return Patches(
        values=np.array([piece.values for piece in pieces]),
        present=np.array([piece.present for piece in pieces]),
        corner_px=first,
    )


_BLUR_MARGIN: Final = 3.5  # sigmas of blur between a box and crossing or rim
_PLAIN_MARGIN_PX: Final = 2.0
_LARGEST_MARGIN: Final = 0.35  # of the target's radius
_SHORTEST_EDGE_PX: Final = 12.0
_NARROWEST_PX: Final = 9
_FARTHEST_PX: Final = 44.0
_FARTHEST_BLURS: Final = 36.0
"""From the edge: a fit looks at 40 px, or 32 sigmas of blur; the rest is room for a line that is not quite known."""

_PLACES: Final = np.linspace(0.3, 0.75, 10)
_DIAGONALS_RAD: Final = np.linspace(0.12, pi / 2.0 - 0.12, 11)
# Half heights and half widths of boxes whose half diagonal is 1.
_SHAPES: Final = np.stack((np.sin(_DIAGONALS_RAD), np.cos(_DIAGONALS_RAD)), axis=-1)


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
    center = centers[arms, place]
    half = _not_beyond_reach(
        size[arms, place, shape, None] * _SHAPES[shape], direction, np.repeat(blur_px, len(ARMS))
    )
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


def _not_beyond_reach(half: FloatArray, direction: FloatArray, blur_px: FloatArray) -> FloatArray:
    """Half sides without what lies so far from the edge that no fit looks at it: a third, where edges are sharp.

    `direction` holds the edge's absolute parts along both axes, shape (n, 2), as half sides.
    """
    reach_px = np.maximum(_FARTHEST_PX, _FARTHEST_BLURS * blur_px)
    upright = direction[:, :1] >= direction[:, 1:]
    across = np.where(upright, half[:, 1:], half[:, :1])
    lengthwise = np.where(upright, half[:, :1], half[:, 1:])
    steep, flat = direction.max(axis=1, keepdims=True), direction.min(axis=1, keepdims=True)
    across = np.minimum(across, (reach_px[:, None] + lengthwise * flat) / steep)
    return np.where(upright == [True, False], lengthwise, across)


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
