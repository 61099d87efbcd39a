"""Pictures of a sheet for the tests of finding, made here from the layout's plain numbers.

A pinhole camera with radial distortion; every pixel averages 4 x 4 points of the sheet; Gaussian blur follows.
Nothing of `simulate` or of the mapping under test is used.
"""

from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt

from lensbench.chart.layout.parts import MODULES, Layout, marker_modules
from lensbench.model.shot import Box, Samples

Array = npt.NDArray[np.float64]
POINTS = 4


@dataclass(frozen=True)
class Small:
    grey: npt.NDArray[np.uint8]
    factor: int


@dataclass(frozen=True)
class ArrayPicture:
    """Linear light, shape (rows, cols), with or without a Bayer filter before it."""

    light: npt.NDArray[np.float32]
    bayer: bool = False

    @property
    def size_px(self):
        return self.light.shape

    def cut(self, box: Box) -> Samples:
        assert box.top >= 0
        assert box.left >= 0
        values = self.light[box.top : box.top + box.height, box.left : box.left + box.width].astype(float)
        assert values.shape == (box.height, box.width)
        present = np.ones(values.shape, dtype=bool)
        if self.bayer:
            rows, cols = np.indices(values.shape)
            present = (rows + box.top + cols + box.left) % 2 == 1
            values = np.where(present, values, 0.0)
        return Samples(
            box=box,
            channel="green",
            values=values,
            present=present,
            clipped=np.zeros(values.shape, dtype=bool),
        )

    def overview(self, max_px: int) -> Small:
        factor = 1
        while self.light.size / factor**2 > max_px:
            factor += 1
        rows, cols = (side // factor for side in self.light.shape)
        trimmed = self.light[: rows * factor, : cols * factor]
        small = cv2.resize(trimmed, (cols, rows), interpolation=cv2.INTER_AREA)
        return Small(grey=(255.0 * np.sqrt(np.clip(small, 0.0, 1.0))).astype(np.uint8), factor=factor)


@dataclass(frozen=True)
class Camera:
    """Looks at the sheet's centre (plus an offset), from a distance, turned by three angles."""

    size_px: tuple[int, int] = (1000, 1500)
    focal_px: float = 1500.0
    distance_mm: float = 420.0
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    offset_mm: tuple[float, float] = (0.0, 0.0)
    corner_shift: float = 0.0
    """Radial distortion at the corner, as a fraction: p = u (1 + shift (|u| / half-diagonal)^2)."""
    turn: Array = field(init=False)

    def __post_init__(self):
        yaw, pitch, roll = np.radians((self.yaw_deg, self.pitch_deg, self.roll_deg))
        # Axes are (row, col, depth).
        about_row = np.array([[1, 0, 0], [0, np.cos(yaw), np.sin(yaw)], [0, -np.sin(yaw), np.cos(yaw)]])
        about_col = np.array(
            [[np.cos(pitch), 0, np.sin(pitch)], [0, 1, 0], [-np.sin(pitch), 0, np.cos(pitch)]]
        )
        about_axis = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
        object.__setattr__(self, "turn", about_axis @ about_col @ about_row)

    @property
    def center(self) -> Array:
        return (np.array(self.size_px) - 1) / 2

    @property
    def half_diagonal(self) -> float:
        return float(np.hypot(*self.size_px)) / 2

    def to_px(self, points_mm) -> Array:
        points = np.asarray(points_mm, float) - np.array(self.offset_mm)
        space = np.concatenate((points, np.zeros((*points.shape[:-1], 1))), axis=-1) @ self.turn.T
        plain = self.focal_px * space[..., :2] / (space[..., 2:] + self.distance_mm)
        q = (plain**2).sum(axis=-1, keepdims=True) / self.half_diagonal**2
        return self.center + plain * (1 + self.corner_shift * q)

    def to_mm(self, points_px) -> Array:
        bent = np.asarray(points_px, float) - self.center
        plain = bent.copy()
        for _ in range(12 if self.corner_shift else 0):
            q = (plain**2).sum(axis=-1, keepdims=True) / self.half_diagonal**2
            plain = bent / (1 + self.corner_shift * q)
        rays = np.concatenate((plain / self.focal_px, np.ones((*plain.shape[:-1], 1))), axis=-1) @ self.turn
        start = -self.distance_mm * self.turn[2]
        reach = -start[2] / rays[..., 2:]
        return (start + reach * rays)[..., :2] + np.array(self.offset_mm)


def photograph(
    layout: Layout, camera: Camera, *, blur_px: float = 0.8, light=None
) -> npt.NDArray[np.float32]:
    """Give linear light, paper white at 0.7."""
    picture = np.full(camera.size_px, 1.0, dtype=np.float32)
    for target in layout.targets:
        _draw(picture, camera, target.center_mm, target.radius_mm, _target_light(layout, target))
    for marker in layout.markers:
        reach = 0.75 * marker.side_mm
        _draw(picture, camera, marker.center_mm, reach, _marker_light(layout, marker))
    picture *= 0.7
    if light is not None:
        picture *= light
    return cv2.GaussianBlur(picture, (0, 0), blur_px, borderType=cv2.BORDER_REPLICATE)


def _target_light(layout, target):
    first, second = np.array(target.arm_direction(1)), np.array(target.arm_direction(2))

    def light(offset_mm):
        dark = (offset_mm @ first) * (offset_mm @ second) > 0
        inside = (offset_mm**2).sum(axis=-1) < target.radius_mm**2
        return np.where(dark & inside, layout.dark_reflectance, layout.light_reflectance)

    return light


def _marker_light(layout, marker):
    ink = np.pad(marker_modules(marker.marker_id), 1)

    sine, cosine = np.sin(np.radians(marker.turn_deg)), np.cos(np.radians(marker.turn_deg))

    def light(offset_mm):
        # The page's own down and right, as they run on the wall when the page is turned clockwise.
        down, right = offset_mm @ np.array([cosine, -sine]), offset_mm @ np.array([sine, cosine])
        place = np.stack((down, right), axis=-1)
        cell = np.floor((place / marker.side_mm + 0.5) * MODULES).astype(int) + 1
        cell = np.clip(cell, 0, MODULES + 1)
        return np.where(ink[cell[..., 0], cell[..., 1]], layout.marker_reflectance, layout.light_reflectance)

    return light


def _draw(picture, camera, center_mm, reach_mm, light):
    angles = np.linspace(0, 2 * np.pi, 33)
    around = np.array(center_mm) + 1.1 * reach_mm * np.column_stack((np.cos(angles), np.sin(angles)))
    placed = camera.to_px(around)
    first = np.clip(np.floor(placed.min(axis=0)).astype(int) - 1, 0, picture.shape)
    last = np.clip(np.ceil(placed.max(axis=0)).astype(int) + 2, 0, picture.shape)
    if (last <= first).any():
        return
    fine = (np.arange(POINTS) + 0.5) / POINTS - 0.5
    rows = (np.arange(first[0], last[0])[:, None] + fine).ravel()
    cols = (np.arange(first[1], last[1])[:, None] + fine).ravel()
    grid = np.stack(np.meshgrid(rows, cols, indexing="ij"), axis=-1)
    values = light(camera.to_mm(grid) - np.array(center_mm))
    shape = (last[0] - first[0], POINTS, last[1] - first[1], POINTS)
    region = picture[first[0] : last[0], first[1] : last[1]]
    np.minimum(region, values.reshape(shape).mean(axis=(1, 3)), out=region, casting="unsafe")
