"""A photograph of the printed chart that owes nothing to the simulator: the PDF, rasterised and projected.

The page is what an independent PDF rasteriser makes of the file; the camera is a pinhole written out by hand.
"""

from math import cos, radians, sin
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import tifffile

from lensbench.chart.draw.charts import draw

DPI = 200
FOCAL_MM, PITCH_UM = 50.0, 12.0


def page_of(layout, folder: Path) -> np.ndarray:
    """Rasterise the chart's PDF to linear light, 0 to 1."""
    draw(layout, folder / "chart.pdf")
    document = pypdfium2.PdfDocument(folder / "chart.pdf")
    bitmap = document[0].render(scale=DPI / 72, grayscale=True, prefer_bgrx=False)
    return bitmap.to_numpy().reshape(bitmap.height, -1)[:, : bitmap.width].astype(np.float32) / 255.0


def camera_rays(*, yaw: float, pitch: float, roll: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give the camera's right, down and forward in the wall's right, down, into the wall.

    Turned to its right it looks more to the wall's right; upward, more up; rolled clockwise as seen from
    behind, its right side goes down.
    """
    yaw, pitch, roll = map(radians, (yaw, pitch, roll))
    forward = np.array([sin(yaw) * cos(pitch), -sin(pitch), cos(yaw) * cos(pitch)])
    level = np.array([cos(yaw), 0.0, -sin(yaw)])
    below = np.cross(forward, level)
    return cos(roll) * level + sin(roll) * below, cos(roll) * below - sin(roll) * level, forward


def photograph_page(
    page: np.ndarray, size_px: tuple[int, int], *, aim_mm: tuple[float, float], m: float, **turns: float
) -> np.ndarray:
    """Photograph the page by a pinhole aimed at the place (down, right) from its centre, at magnification m."""
    right, down, forward = camera_rays(**turns)
    object_mm, image_px = FOCAL_MM * (1 + 1 / m), FOCAL_MM * (1 + m) * 1000 / PITCH_UM
    eye = np.array([aim_mm[1], aim_mm[0], 0.0]) - object_mm * forward
    corners_mm = np.array([(-140.0, -200.0), (-140.0, 200.0), (140.0, 200.0), (140.0, -200.0)])
    seen = []
    for row_mm, col_mm in corners_mm:
        ray = np.array([col_mm, row_mm, 0.0]) - eye
        depth = ray @ forward
        seen.append(
            (
                (size_px[1] - 1) / 2 + image_px * (ray @ right) / depth,
                (size_px[0] - 1) / 2 + image_px * (ray @ down) / depth,
            )
        )
    # Pixel centres of the page: its middle lies between the two middle ones.
    middle = (np.array(page.shape) - 1) / 2
    on_page = corners_mm * DPI / 25.4 + middle
    warp = cv2.getPerspectiveTransform(on_page[:, ::-1].astype(np.float32), np.array(seen, np.float32))
    # The page is finer than the pixels: soften it as pixels would before it is sampled.
    soft = cv2.GaussianBlur(page, (0, 0), 0.6 * DPI / 25.4 * (PITCH_UM / 1000 / m))
    return cv2.warpPerspective(soft, warp, size_px[::-1], flags=cv2.INTER_LINEAR, borderValue=1.0)


def write_tiff(path: Path, light: np.ndarray) -> Path:
    """Write linear light as a 16-bit TIFF, with noise of 0.3 % and white at 0.7."""
    noise = np.random.default_rng(6).normal(0, 0.003, light.shape)
    codes = np.clip(0.7 * (0.05 + 0.95 * light) + noise, 0, 1) * 65535
    tifffile.imwrite(path, np.rint(codes).astype(np.uint16))
    return path
