"""Locating the targets that a mapping predicts: first in the overview, then on the full picture's sites."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil
from typing import Final

import cv2
import numpy as np

from lensbench.chart.find.crossing import ByteArray, Crossings, Overview, Patches, Picture, fit_crossings
from lensbench.chart.find.mapping import Mapping, fit_mapping
from lensbench.chart.layout.parts import ARMS, Layout, Target
from lensbench.model.shot import BoolArray, Box
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
    arms = [np.multiply(t.radius_mm, [t.arm_direction(arm) for arm in ARMS]) for t in targets]
    return np.array(arms).reshape(-1, len(ARMS), 2)


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
