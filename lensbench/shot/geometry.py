"""Where things stand: an edge in the picture, and the camera before the chart.

Directions follow the lens trade's line convention: an edge along the radius gives the sagittal figure, an
edge square to it the tangential one.
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from math import asin, atan2, cos, degrees, hypot, nan, radians, sin, sqrt
from typing import Final

import numpy as np

from lensbench import optics
from lensbench.model.shot import Direction, Tilt
from lensbench.model.units import FloatArray

_ALONG_DEG: Final = 22.5
_CENTRE: Final = 0.03
_HALVINGS: Final = 53  # as many as a float has bits

Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where a point of the picture stands."""

    image_height: float  # distance from the picture's centre, as a fraction of the half-diagonal
    azimuth_deg: float  # 0 to the right of the picture as stored, positive counter-clockwise, in (-180, 180]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """How the camera stood before the chart; NaN or None where it cannot be told."""

    tilt: Tilt
    magnification: float | None
    """Image size over object size, where the optical axis meets the chart."""
    distance_mm: float | None
    """Chart plane to sensor plane, f (2 + m + 1/m), along the optical axis."""


def place_of(center_px: Point, size_px: tuple[int, int]) -> Standing:
    """Give image height and azimuth of a point (row, column) in a picture of this size."""
    down, right = _from_centre(center_px, size_px)
    half_diagonal = hypot(*size_px) / 2.0
    return Standing(
        image_height=hypot(down, right) / half_diagonal, azimuth_deg=degrees(atan2(0.0 - down, right))
    )


def _from_centre(center_px: Point, size_px: tuple[int, int]) -> Point:
    return center_px[0] - (size_px[0] - 1) / 2.0, center_px[1] - (size_px[1] - 1) / 2.0


def direction_of(center_px: Point, size_px: tuple[int, int], *, angle_deg: float) -> Direction:
    """Whether an edge runs along the radius, across it, or neither.

    Sagittal within 22.5 degrees of the radius, tangential within 22.5 degrees of its normal; otherwise, and nearer to
    the centre than 0.03 of the half-diagonal, oblique. The angle is the edge's from the columns' direction, positive
    when its upper end leans to the right.
    """
    if place_of(center_px, size_px).image_height < _CENTRE:
        return Direction.OBLIQUE
    down, right = _from_centre(center_px, size_px)
    along = abs(-cos(radians(angle_deg)) * down + sin(radians(angle_deg)) * right) / hypot(down, right)
    if along >= cos(radians(_ALONG_DEG)):
        return Direction.SAGITTAL
    if along <= sin(radians(_ALONG_DEG)):
        return Direction.TANGENTIAL
    return Direction.OBLIQUE


def zone_of(image_height: float, size_px: tuple[int, int]) -> str:
    """Name the third of the picture that an image height lies in: inner, middle or outer."""
    inner, outer = zone_borders(size_px)
    if image_height < inner:
        return "inner"
    return "middle" if image_height <= outer else "outer"


@lru_cache(maxsize=64)
def zone_borders(size_px: tuple[int, int]) -> tuple[float, float]:
    """Image heights of the two circles about the centre that part a picture of this shape into thirds of its area.

    A circle reaches beyond the picture's borders where its radius exceeds half a side: what is cut off does not
    count. In a 3:2 picture the borders are 0.443 and 0.647 of the half-diagonal.
    """
    half_diagonal = hypot(*size_px) / 2.0
    sides = (size_px[0] / 2.0 / half_diagonal, size_px[1] / 2.0 / half_diagonal)

    def border(share: float) -> float:
        low, high = 1e-9, 1.0
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            less = _quarter_within(middle, sides) < share * sides[0] * sides[1]
            low, high = (middle, high) if less else (low, middle)
        return high

    return border(1 / 3), border(2 / 3)


def _quarter_within(radius: float, sides: Point) -> float:
    """Give the area of a quarter disc inside a rectangle that has its corner in the disc's centre."""
    height, width = sides
    flat_until = sqrt(max(radius**2 - height**2, 0.0))
    if flat_until >= width:
        return height * width

    def under_circle(across: float) -> float:
        return (across * sqrt(max(radius**2 - across**2, 0.0)) + radius**2 * asin(across / radius)) / 2.0

    return height * flat_until + under_circle(min(width, radius)) - under_circle(flat_until)


def camera_pose(
    homography: FloatArray,
    size_px: tuple[int, int],
    *,
    focal_length_mm: float | None,
    pixel_pitch_um: float | None,
    spread: FloatArray | None = None,
) -> Pose:
    """How the camera stood, told from one picture.

    The homography, shape (3, 3), takes (row_mm, col_mm, 1) on the chart to (row_px, col_px, 1) without distortion; from
    its `spread`, independent one-sigma changes of shape (k, 3, 3), come the tilt's standard deviations. A plane seen by
    a pinhole at the image distance v: columns 1 and 2 of the homography, freed of v, are the chart's axes in the
    camera's frame (Zhang 2000, IEEE PAMI 22:1330, section 3.1). v = f (1 + m) where focal length and pixel pitch are
    known; else it comes from the perspective itself (ibid., eqs. 3 and 4, square pixels and the picture's centre as
    principal point), which needs a clear tilt: without one, pitch and yaw stay NaN. Roll needs neither.

    The camera turns to its right (yaw), then up (pitch), then clockwise about its own axis (roll). A chart that hangs
    turned by quarter turns counts as upright for yaw and pitch.
    """
    pose = _pose(homography, size_px, focal_length_mm, pixel_pitch_um)
    if spread is None:
        return pose
    changed = [_pose(homography + change, size_px, focal_length_mm, pixel_pitch_um).tilt for change in spread]
    return replace(pose, tilt=_with_sd(pose.tilt, changed))


def _with_sd(tilt: Tilt, changed: list[Tilt]) -> Tilt:
    """Add up what each independent change does to the tilt, angles the short way round."""

    def sd(name: str) -> float:
        off = [(getattr(other, name) - getattr(tilt, name) + 180.0) % 360.0 - 180.0 for other in changed]
        return float(np.sqrt(np.sum(np.square(off))))

    return replace(tilt, pitch_sd_deg=sd("pitch_deg"), yaw_sd_deg=sd("yaw_deg"), roll_sd_deg=sd("roll_deg"))


def _pose(
    homography: FloatArray,
    size_px: tuple[int, int],
    focal_length_mm: float | None,
    pixel_pitch_um: float | None,
) -> Pose:
    plane = _centred(homography, size_px)
    pitch_mm = None if pixel_pitch_um is None else pixel_pitch_um / 1000.0
    scale = _scale_on_axis(plane)
    image_px = _image_distance_px(plane, size_px)
    if focal_length_mm is not None and pitch_mm is not None:
        image_px = focal_length_mm * (1.0 + scale * pitch_mm) / pitch_mm
    axes = _chart_axes(plane, image_px or hypot(*size_px))
    unshortened = 1.0 / sqrt(max(abs(float(axes[2, 2])), 1e-6))  # the tilt shortens areas by its cosine
    magnification = None if pitch_mm is None else scale * unshortened * pitch_mm
    distance_mm = None
    if magnification is not None and focal_length_mm is not None:
        distance_mm = optics.chart_distance_mm(focal_length_mm=focal_length_mm, magnification=magnification)
    tilt = _tilt(axes, tilt_known=image_px is not None)
    return Pose(tilt=tilt, magnification=magnification, distance_mm=distance_mm)


def _centred(homography: FloatArray, size_px: tuple[int, int]) -> FloatArray:
    """Rewrite it for (right, down), from the picture's centre, positive in front of the camera."""
    shift, swap = np.eye(3), np.eye(3)[[1, 0, 2]]
    shift[:2, 2] = (1.0 - np.asarray(size_px)) / 2.0
    plane = np.asarray(swap @ shift @ homography @ swap, np.float64)
    on_axis = np.linalg.solve(plane, np.array([0.0, 0.0, 1.0]))
    return plane if on_axis[2] > 0.0 else -plane


def _scale_on_axis(plane: FloatArray) -> float:
    """Give pixels per mm where the optical axis meets the chart, as the root of the enlargement of area."""
    on_axis = np.linalg.solve(plane, np.array([0.0, 0.0, 1.0]))
    # For p = (a, b) / c the enlargement is det(plane) / c^3, and c = 1 / on_axis[2] at this point.
    return float(sqrt(abs(np.linalg.det(plane)) * abs(on_axis[2]) ** 3))


_CLEAR_TILT: Final = 0.02
_IMAGE_DISTANCES: Final = (0.5, 60.0)


def _image_distance_px(plane: FloatArray, size_px: tuple[int, int]) -> float | None:
    """Give the image distance that makes the chart's axes square and of one length, or None."""
    half_diagonal = hypot(*size_px) / 2.0
    on_axis = np.linalg.solve(plane, np.array([0.0, 0.0, 1.0]))
    reach_mm = half_diagonal / _scale_on_axis(plane)
    if hypot(plane[2, 0], plane[2, 1]) * reach_mm * abs(on_axis[2]) < _CLEAR_TILT:
        return None
    flat, deep = (_squareness_terms(rows) for rows in (plane[:2, :2], plane[2:, :2]))
    inverse_square = -float(flat @ deep) / float(flat @ flat)
    if inverse_square <= 0.0:
        return None
    image_px = 1.0 / sqrt(inverse_square)
    near, far = (limit * half_diagonal for limit in _IMAGE_DISTANCES)
    return image_px if near <= image_px <= far else None


def _squareness_terms(rows: FloatArray) -> FloatArray:
    """Give these rows' part in the product of the two axes and in half the difference of their squares."""
    first, second = rows[:, 0], rows[:, 1]
    return np.array([float(first @ second), float(first @ first - second @ second) / 2.0])


def _chart_axes(plane: FloatArray, image_px: float) -> FloatArray:
    """Give the chart's right, down and inward axes as columns, in the camera's right, down and forward."""
    seen = plane[:, :2] / np.array([[image_px], [image_px], [1.0]])
    seen /= sqrt(float(np.linalg.norm(seen[:, 0]) * np.linalg.norm(seen[:, 1])))
    left, _, right = np.linalg.svd(np.column_stack((seen, np.cross(seen[:, 0], seen[:, 1]))))
    return np.asarray(left @ right, np.float64)


def _tilt(axes: FloatArray, *, tilt_known: bool) -> Tilt:
    """Read yaw, pitch and roll off; the camera's own axes are the rows."""
    quarters = round(degrees(atan2(axes[0, 1], axes[1, 1])) / 90.0)
    for _ in range(quarters % 4):  # let the chart's right and down be those nearest to the camera's
        axes = np.column_stack((axes[:, 1], -axes[:, 0], axes[:, 2]))
    roll_deg = 90.0 * quarters + degrees(atan2(axes[0, 1], axes[1, 1]))
    right, down, forward = (float(part) for part in axes[2])
    return Tilt(
        pitch_deg=degrees(asin(min(max(-down, -1.0), 1.0))) if tilt_known else nan,
        yaw_deg=degrees(atan2(right, forward)) if tilt_known else nan,
        roll_deg=(roll_deg + 180.0) % 360.0 - 180.0,
    )
