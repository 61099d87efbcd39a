"""24-MP frames of a chart, drawn in closed form and quickly: for the benchmark of finding.

A pinhole with radial distortion. A target is the product of two error functions across its lines and one across its
rim, which is exact for a Gaussian blur; markers and tones are drawn fine and blurred. Nothing of `simulate` and
nothing of the mapping under test is used.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.special import erf

from lensbench.chart.layout.parts import MODULES, marker_modules

SIZE_PX = (4000, 6000)
PAPER = 0.8


@dataclass(frozen=True)
class Camera:
    """Looks at the chart's origin (plus an offset) from a distance, turned."""

    focal_px: float
    distance_mm: float
    turn: np.ndarray
    offset_mm: tuple[float, float]
    corner_shift: float
    size_px: tuple[int, int] = SIZE_PX

    @property
    def center(self):
        return (np.array(self.size_px) - 1) / 2

    @property
    def half_diagonal(self):
        return np.hypot(*self.size_px) / 2

    def to_px(self, points_mm):
        points = np.asarray(points_mm, float) - np.array(self.offset_mm)
        space = points @ self.turn[:, :2].T
        plain = self.focal_px * space[..., :2] / (space[..., 2:] + self.distance_mm)
        q = (plain**2).sum(axis=-1, keepdims=True) / self.half_diagonal**2
        return self.center + plain * (1 + self.corner_shift * q)

    def jacobian(self, point_mm):
        steps = 0.05 * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])
        px = self.to_px(np.asarray(point_mm) + steps)
        return np.stack([px[0] - px[1], px[2] - px[3]], axis=1) / 0.1

    def near(self, center_mm, reach_mm):
        """Give the window of pixels round a shape, and a quadratic map from them to mm about its centre."""
        span = np.linspace(-1.0, 1.0, 5) * reach_mm
        grid = np.stack(np.meshgrid(span, span, indexing="ij"), axis=-1).reshape(-1, 2)
        placed = self.to_px(grid + np.array(center_mm))
        first = np.clip(np.floor(placed.min(axis=0)) - 2, 0, self.size_px).astype(int)
        last = np.clip(np.ceil(placed.max(axis=0)) + 3, 0, self.size_px).astype(int)
        middle = self.to_px(center_mm)
        scale = np.abs(placed - middle).max()
        terms, *_ = np.linalg.lstsq(_powers((placed - middle) / scale), grid, rcond=None)
        return first, last, middle, scale, terms


def _powers(at):
    y, x = at[..., 0], at[..., 1]
    return np.stack((np.ones_like(y), y, x, y * y, y * x, x * x, y**3, y * y * x, y * x * x, x**3), axis=-1)


def _mm(first, last, middle, scale, terms):
    """Give (down, right) mm of every pixel of a window, as float32 planes."""
    y = ((np.arange(first[0], last[0]) - middle[0]) / scale).astype(np.float32)[:, None]
    x = ((np.arange(first[1], last[1]) - middle[1]) / scale).astype(np.float32)[None]
    t = terms.astype(np.float32)
    planes = []
    for axis in (0, 1):
        c = t[:, axis]
        by_row = c[0] + y * (c[1] + y * (c[3] + y * c[6]))
        planes.append(by_row + x * (c[2] + y * (c[4] + y * c[7]) + x * (c[5] + y * c[8] + x * c[9])))
    return planes


def turned_camera(*, yaw_deg, pitch_deg, roll_deg, **how):
    yaw, pitch, roll = np.radians((yaw_deg, pitch_deg, roll_deg))
    about_row = np.array([[1, 0, 0], [0, np.cos(yaw), np.sin(yaw)], [0, -np.sin(yaw), np.cos(yaw)]])
    about_col = np.array([[np.cos(pitch), 0, np.sin(pitch)], [0, 1, 0], [-np.sin(pitch), 0, np.cos(pitch)]])
    about_axis = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    return Camera(turn=about_axis @ about_col @ about_row, **how)


@dataclass(frozen=True)
class StretchedPage:
    """A camera that sees one page stretched about its middle by the printer; the rest as the camera does."""

    camera: Camera
    middle_mm: np.ndarray
    stretch: np.ndarray

    def __getattr__(self, name):
        return getattr(self.camera, name)

    def to_px(self, points_mm):
        off = np.asarray(points_mm, float) - self.middle_mm
        return self.camera.to_px(self.middle_mm + off @ self.stretch.T)

    def jacobian(self, point_mm):
        return Camera.jacobian(self, point_mm)

    def near(self, center_mm, reach_mm):
        return Camera.near(self, center_mm, reach_mm)


def draw(layout, camera, *, blur_px):
    """Give reflectance times paper level, shape of the camera's picture, float32."""
    picture = np.ones(camera.size_px, dtype=np.float32)
    draw_into(picture, layout, camera, blur_px=blur_px)
    picture *= PAPER
    return picture


def draw_into(picture, layout, camera, *, blur_px):
    """Darken a picture where a layout is printed."""
    for target in layout.targets:
        _draw_target(picture, camera, target, layout.dark_reflectance, blur_px)
    for square in (*layout.markers, *layout.tones):
        if getattr(square, "reflectance", 0.0) < 1.0:
            _draw_square(picture, camera, square, blur_px)


def _draw_target(picture, camera, target, dark, blur_px):
    px_per_mm = float(np.sqrt(abs(np.linalg.det(camera.jacobian(target.center_mm)))))
    window = camera.near(target.center_mm, target.radius_mm + 4 * blur_px / px_per_mm)
    first, last = window[:2]
    if (last <= first).any():
        return
    down, right = _mm(*window)
    inverse = np.linalg.inv(camera.jacobian(target.center_mm))
    sides, widths = [], []
    for arm in (1, 2):
        along = np.array(target.arm_direction(arm))
        width = np.sqrt(2.0) * blur_px * np.linalg.norm(inverse.T @ along)
        sides.append(erf(((down * along[0] + right * along[1]) / width).astype(np.float32)))
        widths.append(width)
    share = 0.5 * (1.0 + sides[0] * sides[1])
    rim = 0.5 * (1.0 + erf(((target.radius_mm - np.hypot(down, right)) / np.mean(widths)).astype(np.float32)))
    region = picture[first[0] : last[0], first[1] : last[1]]
    region *= 1.0 - (1.0 - dark) * (share * rim).astype(np.float32)


def _draw_square(picture, camera, square, blur_px):
    px_per_mm = float(np.sqrt(abs(np.linalg.det(camera.jacobian(square.center_mm)))))
    reach = 0.75 * square.side_mm + 4 * blur_px / px_per_mm
    window = camera.near(square.center_mm, reach)
    first, last = window[:2]
    if (last - first < 3).any():
        return
    down, right = _mm(*window)
    sine, cosine = np.sin(np.radians(square.turn_deg)), np.cos(np.radians(square.turn_deg))
    place = (down * cosine - right * sine, down * sine + right * cosine)
    tone = getattr(square, "reflectance", None)
    ink = np.ones((1, 1), bool) if tone is not None else marker_modules(square.marker_id)
    modules = 1 if tone is not None else MODULES
    padded = np.pad(ink, 1)
    cells = [
        np.clip(np.floor((p / square.side_mm + 0.5) * modules).astype(int) + 1, 0, modules + 1) for p in place
    ]
    value = np.where(padded[cells[0], cells[1]], tone or 0.0, 1.0).astype(np.float32)
    region = picture[first[0] : last[0], first[1] : last[1]]
    region *= cv2.GaussianBlur(value, (0, 0), blur_px, borderType=cv2.BORDER_REPLICATE)
