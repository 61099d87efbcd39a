"""How points of pages fall in the picture: camera, wall and prints as one model, with its slopes in closed form.

The wall's own coordinates have their origin on the optical axis and are turned so that the map onto the picture
is symmetric; then

    X = place + R(turn) S x_page,  p = e^c A X / (1 + g X),  A = [[1 + a1, a2], [a2, 1 - a1]],
    picture = middle + p (1 + k1 q + k2 q^2),  q = |p|^2,  lengths in half-diagonals.

S is a page's print: its scale and its stretch.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.model.units import FloatArray

CAMERA: Final = 7
"""Parameters of the camera: log scale, shape of A (2), perspective (2), distortion (2)."""
PAGE: Final = 6
"""Parameters of a page: place (2), turn, log scale, stretch (2)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Observations:
    """Places seen along one direction each, one entry an observation."""

    page: npt.NDArray[np.int64]
    """Shape (m,): index of the page."""
    point_mm: FloatArray
    """Shape (m, 2): on the page."""
    normal: FloatArray
    """Shape (m, 2): direction in the picture."""
    value_px: FloatArray
    """Shape (m,): the place seen, along that direction."""
    sd_px: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Placed:
    """Points on their way to the picture, shapes (m, 2), with what the slopes need."""

    on_page: FloatArray
    """Scaled by the print, not yet stretched."""
    turned: FloatArray
    """Stretched and turned as it hangs, from the page's place."""
    wall: FloatArray
    depth: FloatArray
    """Shape (m, 1)."""
    plain: FloatArray
    """In the picture without distortion, from its middle."""
    px: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WallModel:
    """The way from pages to pixels."""

    start: FloatArray
    """Parameters to begin with: the camera's, then page by page."""
    unit_mm: float
    """A half-diagonal on the wall."""
    half_diagonal_px: float
    middle_px: FloatArray

    @classmethod
    def starting(cls, matrices: FloatArray, middles_px: FloatArray, size_px: tuple[int, int]) -> "WallModel":
        """Begin with pages as their rough maps, shapes (pages, 2, 2) and (pages, 2), have them."""
        half_diagonal_px = float(np.hypot(*size_px)) / 2.0
        middle_px = (np.asarray(size_px) - 1.0) / 2.0
        unit_mm = half_diagonal_px / float(np.median(np.sqrt(np.linalg.det(matrices))))
        pages = np.zeros((len(matrices), PAGE))
        pages[:, :2] = (middles_px - middle_px) / half_diagonal_px
        pages[:, 2] = np.arctan2(matrices[:, 0, 1] - matrices[:, 1, 0], matrices[:, 0, 0] + matrices[:, 1, 1])
        start = np.concatenate((np.zeros(CAMERA), pages.ravel()))
        return cls(start=start, unit_mm=unit_mm, half_diagonal_px=half_diagonal_px, middle_px=middle_px)

    def to_px(self, parameters: FloatArray, page: npt.NDArray[np.int64], point_mm: FloatArray) -> FloatArray:
        """Pixels of points, shape (m, 2), each on a page."""
        return self._placed(parameters, page, point_mm).px

    def _placed(self, parameters: FloatArray, page: npt.NDArray[np.int64], point_mm: FloatArray) -> _Placed:
        camera, pages = parameters[:CAMERA], parameters[CAMERA:].reshape(-1, PAGE)[page]
        on_page = point_mm * (np.exp(pages[:, 3:4]) / self.unit_mm)
        row, col = on_page.T
        stretched = np.column_stack(
            (row + pages[:, 4] * row + pages[:, 5] * col, col + pages[:, 5] * row - pages[:, 4] * col)
        )
        turned = _turned(stretched, pages[:, 2])
        wall = pages[:, :2] + turned
        depth = (1.0 + wall @ camera[3:5])[:, None]
        plain = wall @ _shape(camera) / depth
        q = (plain**2).sum(axis=1, keepdims=True)
        grown = 1.0 + q * (camera[5] + q * camera[6])
        px = self.middle_px + self.half_diagonal_px * plain * grown
        return _Placed(on_page=on_page, turned=turned, wall=wall, depth=depth, plain=plain, px=px)

    def left_and_slopes(self, parameters: FloatArray, seen: Observations) -> tuple[FloatArray, FloatArray]:
        """Seen less expected, and the slopes of what is expected; both in standard deviations.

        Returns
        -------
        float array, shape (m,); float array, shape (m, 13)
            Slopes along the camera's parameters, then along those of the observation's own page.
        """
        placed = self._placed(parameters, seen.page, seen.point_mm)
        left = (seen.value_px - (seen.normal * placed.px).sum(axis=1)) / seen.sd_px
        camera, pages = parameters[:CAMERA], parameters[CAMERA:].reshape(-1, PAGE)[seen.page]
        plain = placed.plain
        q = (plain**2).sum(axis=1)
        normal = seen.normal * (self.half_diagonal_px / seen.sd_px)[:, None]
        across = (normal * plain).sum(axis=1)
        # Along the plain picture, then along the wall: one row vector an observation.
        by_plain = (
            normal * (1.0 + q * (camera[5] + q * camera[6]))[:, None]
            + (2.0 * across * (camera[5] + 2.0 * q * camera[6]))[:, None] * plain
        )
        inward = (by_plain * plain).sum(axis=1) / placed.depth[:, 0]
        by_wall = by_plain @ _shape(camera) / placed.depth - inward[:, None] * camera[3:5]
        slopes = np.empty((len(left), CAMERA + PAGE))
        slopes[:, 0] = (by_plain * plain).sum(axis=1)
        on_wall = np.exp(camera[0]) * placed.wall / placed.depth
        slopes[:, 1] = by_plain[:, 0] * on_wall[:, 0] - by_plain[:, 1] * on_wall[:, 1]
        slopes[:, 2] = by_plain[:, 0] * on_wall[:, 1] + by_plain[:, 1] * on_wall[:, 0]
        slopes[:, 3:5] = -inward[:, None] * placed.wall
        slopes[:, 5], slopes[:, 6] = across * q, across * q**2
        slopes[:, 7:9] = by_wall
        slopes[:, 9] = by_wall[:, 0] * placed.turned[:, 1] - by_wall[:, 1] * placed.turned[:, 0]
        slopes[:, 10] = (by_wall * placed.turned).sum(axis=1)
        for column, stretch in ((11, (1.0, -1.0)), (12, (1.0, 1.0))):
            point = placed.on_page if column == 11 else placed.on_page[:, ::-1]
            slopes[:, column] = (by_wall * _turned(point * stretch, pages[:, 2])).sum(axis=1)
        return left, slopes

    def homography(self, camera: FloatArray) -> FloatArray:
        """Wall mm to pixels, without distortion."""
        flat = np.eye(3)
        flat[:2, :2] = _shape(camera)
        flat[2, :2] = camera[3:5]
        to_px = np.diag([self.half_diagonal_px, self.half_diagonal_px, 1.0])
        to_px[:2, 2] = self.middle_px
        return to_px @ flat @ np.diag([1.0 / self.unit_mm, 1.0 / self.unit_mm, 1.0])


def _shape(camera: FloatArray) -> FloatArray:
    """Symmetric map of the wall onto the picture."""
    scale, one, other = camera[:3]
    shape: FloatArray = np.exp(scale) * np.array([[1.0 + one, other], [other, 1.0 - one]])
    return shape


def _turned(points: FloatArray, turn_rad: FloatArray) -> FloatArray:
    """Turn points clockwise, as pages hang."""
    cosine, sine = np.cos(turn_rad), np.sin(turn_rad)
    row, col = points.T
    return np.column_stack((row * cosine + col * sine, col * cosine - row * sine))
