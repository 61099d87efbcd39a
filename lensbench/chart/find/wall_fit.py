"""Camera and pages together: one plane seen through one lens, and on it pages hung and printed by hand.

The wall's own coordinates have their origin on the optical axis and are turned so that the map onto the picture
is symmetric; then

    X = place + R(turn) S x_page,  p = e^c A X / (1 + g X),  A = [[1 + a1, a2], [a2, 1 - a1]],
    picture = middle + p (1 + k1 q + k2 q^2),  q = |p|^2,  lengths in half-diagonals.

S is a page's print, its scale and its stretch: that it is true only nearly is what limits the tilt, and the stated
spread holds it. Crossings, markers' centres, pieces of arms and rims all come as places seen along one direction each.
"""

from dataclasses import dataclass, fields
from typing import Final

import numpy as np

from lensbench.model.shot import IntArray
from lensbench.model.units import FloatArray

CAMERA: Final = 7  # parameters of the camera: log scale, shape of A (2), perspective (2), distortion (2)
PAGE: Final = 6  # parameters of a page: place (2), turn, log scale, stretch (2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Observations:
    """Places seen along one direction each, one entry an observation."""

    page: IntArray  # shape (m,): index of the page
    point_mm: FloatArray  # shape (m, 2): on the page
    normal: FloatArray  # shape (m, 2): direction in the picture
    value_px: FloatArray  # shape (m,): the place seen, along that direction
    sd_px: FloatArray

    @classmethod
    def both_ways(
        cls, page: IntArray, point_mm: FloatArray, seen_px: FloatArray, sd_px: FloatArray
    ) -> "Observations":
        """Places known in both directions of the picture, as two observations each."""
        return cls(
            page=np.repeat(page, 2),
            point_mm=np.repeat(point_mm, 2, axis=0),
            normal=np.tile(np.eye(2), (len(page), 1)),
            value_px=seen_px.ravel(),
            sd_px=np.repeat(sd_px, 2),
        )

    @classmethod
    def joined(cls, *parts: "Observations") -> "Observations":
        """Put observations together."""
        names = [field.name for field in fields(cls)]
        return cls(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Placed:
    """Points on their way to the picture, shapes (m, 2), with what the slopes need."""

    on_page: FloatArray  # scaled by the print, not yet stretched
    turned: FloatArray  # stretched and turned as it hangs, from the page's place
    wall: FloatArray
    depth: FloatArray  # shape (m, 1)
    plain: FloatArray  # in the picture without distortion, from its middle
    px: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WallModel:
    """The way from pages to pixels, with its slopes in closed form."""

    start: FloatArray  # parameters to begin with: the camera's, then page by page
    unit_mm: float  # a half-diagonal on the wall
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

    def placed(self, parameters: FloatArray, page: IntArray, point_mm: FloatArray) -> _Placed:
        """Put points, shape (m, 2), each on a page, into the picture."""
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
        """Seen less expected, shape (m,), and slopes by the camera's, then the own page's parameters, (m, 13)."""
        placed = self.placed(parameters, seen.page, seen.point_mm)
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
        stretches = (placed.on_page * (1.0, -1.0), placed.on_page[:, ::-1])
        for column, stretch in enumerate(stretches, start=11):
            slopes[:, column] = (by_wall * _turned(stretch, pages[:, 2])).sum(axis=1)
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WallFit:
    """The wall as fitted, in its own coordinates."""

    homography: FloatArray  # shape (3, 3): wall mm to pixels without distortion
    homography_spread: FloatArray  # shape (5, 3, 3): independent one-sigma changes of it
    model: WallModel
    parameters: FloatArray

    @property
    def radial(self) -> tuple[float, float]:
        """Both terms of the distortion."""
        return float(self.parameters[5]), float(self.parameters[6])

    @property
    def pages(self) -> FloatArray:
        """Pages as they hang, shape (pages, 4): place (mm), turn (degrees clockwise), scale of the print."""
        row, col, turn_rad, log_scale, *_ = self.parameters[CAMERA:].reshape(-1, PAGE).T
        return np.column_stack(
            (row * self.model.unit_mm, col * self.model.unit_mm, np.degrees(turn_rad), np.exp(log_scale))
        )

    def to_px(self, page: IntArray, point_mm: FloatArray) -> FloatArray:
        """Pixels of points on pages; `page` has the points' shape but for its last axis, or spreads to it."""
        flat = np.broadcast_to(page, point_mm.shape[:-1]).ravel()
        placed = self.model.placed(self.parameters, flat, point_mm.reshape(-1, 2))
        return placed.px.reshape(point_mm.shape)


_PRINT_SCALE_SD: Final = 0.001
"""Of one page's print scale against another's: from memory of office printers; common practice, no source."""
_PRINT_STRETCH_SD: Final = 0.0005  # of a page's stretch along one axis against the other
_CAMERA_SD: Final = np.array([2.0, 0.03, 0.03, 0.5, 0.5, 0.05, 0.03])
"""What cameras do at all: scale, shape of A, perspective, distortion."""
_PAGE_SD: Final = np.array([1e3, 1e3, 1e3, _PRINT_SCALE_SD, _PRINT_STRETCH_SD, _PRINT_STRETCH_SD])
_NOTHING_SD: Final = 1e-6
_ROUNDS: Final = 8
SETTLED: Final = 1e-6  # in half-diagonals: some thousandths of a pixel
_LARGE: Final = 3.0


def fit_wall(
    seen: Observations,
    *,
    matrices: FloatArray,
    middles_px: FloatArray,
    size_px: tuple[int, int],
    second_term: bool,
    settled: float = SETTLED,
    start: FloatArray | None = None,
) -> WallFit:
    """Fit camera and pages to a target's crossing and one more place on every page, or more.

    `matrices`, shape (pages, 2, 2), and `middles_px`, (pages, 2), are the pages' rough maps, mm to px; `start` has the
    parameters of an earlier fit to the same pages; a step below `settled` ends the fit, in half-diagonals.
    """
    model = WallModel.starting(matrices, middles_px, size_px)
    # What is expected beforehand: no shape, no distortion, exact prints.
    sd = np.concatenate((_CAMERA_SD, np.tile(_PAGE_SD, len(matrices))))
    if not second_term:
        sd[CAMERA - 1] = _NOTHING_SD
    prior = sd**-2.0
    parameters = model.start if start is None else start
    left, slopes = _left_and_slopes(model, parameters, seen)
    for _ in range(_ROUNDS):
        weighted = _weights(left)[:, None] * slopes
        normal = weighted.T @ slopes + np.diag(prior)
        step = np.linalg.solve(normal, weighted.T @ left - prior * parameters)
        parameters = parameters + step
        left, slopes = _left_and_slopes(model, parameters, seen)
        if np.abs(step).max() < settled:
            break
    weights = _weights(left)
    normal = (weights[:, None] * slopes).T @ slopes + np.diag(prior)
    freedom = max(len(left) - len(parameters), 1)
    inflation = max(1.0, float((weights * left**2).sum()) / freedom)
    values, vectors = np.linalg.eigh(inflation * np.linalg.inv(normal)[:5, :5])
    steps = (vectors * np.sqrt(values.clip(0.0))).T
    homography = model.homography(parameters)
    changed = [model.homography(parameters[:CAMERA] + np.append(change, (0.0, 0.0))) for change in steps]
    return WallFit(
        homography=homography,
        homography_spread=np.array(changed) - homography,
        model=model,
        parameters=parameters,
    )


def _left_and_slopes(
    model: WallModel, parameters: FloatArray, seen: Observations
) -> tuple[FloatArray, FloatArray]:
    """Residuals, shape (m,), and slopes along all parameters, shape (m, parameters)."""
    left, own = model.left_and_slopes(parameters, seen)
    slopes = np.zeros((len(left), len(parameters)))
    slopes[:, :CAMERA] = own[:, :CAMERA]
    columns = CAMERA + PAGE * seen.page[:, None] + np.arange(PAGE)
    np.put_along_axis(slopes, columns, own[:, CAMERA:], axis=1)
    return left, slopes


def _weights(left: FloatArray) -> FloatArray:
    """Weights that fall for large deviations (Huber 1964, Annals of Mathematical Statistics 35:73)."""
    return np.asarray(np.minimum(1.0, _LARGE / np.maximum(np.abs(left), 1e-9)), np.float64)
