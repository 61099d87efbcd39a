"""Camera and pages together: one plane seen through one lens, and on it pages hung and printed by hand.

The wall's own coordinates have their origin on the optical axis and are turned so that the map onto the picture
is symmetric; then

    X = place + R(turn) S x_page,  p = e^c A X / (1 + g X),  A = [[1 + a1, a2], [a2, 1 - a1]],
    picture = middle + p (1 + k1 q + k2 q^2),  q = |p|^2,  lengths in half-diagonals.

S is a page's print: its scale and its stretch, which are one only nearly. That they are unknown is what limits
the tilt, and the stated spread holds it.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.units import FloatArray

__all__ = ["PRINT_SCALE_SD", "SETTLED", "Observations", "WallFit", "fit_wall"]

PRINT_SCALE_SD: Final = 0.001
"""Of one page's print scale against another's: from memory of office printers; common practice, no source."""
_PRINT_STRETCH_SD: Final = 0.0005
"""Of a page's stretch along one axis against the other."""
_SHAPE_SD: Final = np.array([2.0, 0.03, 0.03, 0.5, 0.5, 0.05, 0.03])
"""What cameras do at all: scale, shape of A, perspective, distortion."""
_CAMERA: Final = 7
_PAGE: Final = 6
_ROUNDS: Final = 8
_STEP: Final = 1e-6
SETTLED: Final = 1e-6
"""In half-diagonals: some thousandths of a pixel."""
_LARGE: Final = 3.0


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
class WallFit:
    """The wall as fitted, in its own coordinates."""

    homography: FloatArray
    """Shape (3, 3): wall mm to pixels without distortion."""
    homography_spread: FloatArray
    """Shape (5, 3, 3): independent one-sigma changes of it."""
    radial: tuple[float, float]
    places_mm: FloatArray
    """Shape (pages, 2)."""
    turns_deg: FloatArray
    scales: FloatArray
    standardised: FloatArray
    """Shape (m,): what the fit leaves of each observation, in its standard deviations."""
    model: "_Model"
    parameters: FloatArray

    def to_px(self, page: npt.NDArray[np.int64], point_mm: FloatArray) -> FloatArray:
        """Give the pixels of points on pages; `page` has the points' shape but for its last axis, or spreads to it."""
        flat = np.broadcast_to(page, point_mm.shape[:-1]).ravel()
        pages = self.parameters[_CAMERA:].reshape(-1, _PAGE)[flat]
        placed = self.model.placed(self.parameters[:_CAMERA], pages, point_mm.reshape(-1, 2))
        return placed.reshape(point_mm.shape)


def fit_wall(
    seen: Observations,
    *,
    matrices: FloatArray,
    middles_px: FloatArray,
    size_px: tuple[int, int],
    second_term: bool,
    settled: float = SETTLED,
) -> WallFit:
    """Fit camera and pages to what was seen.

    Parameters
    ----------
    seen : Observations
        At least a target's crossing and one more place on every page.
    matrices, middles_px : arrays, shape (pages, 2, 2) and (pages, 2)
        Each page's rough map, from its mm to pixels.
    size_px : (rows, columns)
        Of the picture.
    second_term : bool
        Whether the second term of the distortion joins.
    settled : float
        The step below which the fit ends, in half-diagonals.
    """
    model = _Model.starting(matrices, middles_px, size_px)
    parameters = model.start.copy()
    expected_sd = np.concatenate((_SHAPE_SD, np.tile(_PAGE_SD, len(matrices))))
    if not second_term:
        expected_sd[_CAMERA - 1] = 1e-6
    prior = expected_sd**-2.0
    normal, left = np.eye(len(parameters)), np.zeros(len(seen.sd_px))
    weights = np.ones(len(seen.sd_px))
    for _ in range(_ROUNDS):
        left = model.left(parameters, seen)
        weights = np.minimum(1.0, _LARGE / np.maximum(np.abs(left), 1e-9))
        slopes = model.slopes(parameters, seen)
        normal = slopes.T @ (weights[:, None] * slopes) + np.diag(prior)
        held = prior * (parameters - model.held_at)
        step = np.linalg.solve(normal, slopes.T @ (weights * left) - held)
        parameters = parameters + step
        if np.abs(step).max() < settled:
            break
    left = model.left(parameters, seen)
    freedom = max(len(left) - len(parameters), 1)
    inflation = max(1.0, float((weights * left**2).sum()) / freedom)
    covariance: FloatArray = np.asarray(inflation * np.linalg.inv(normal)[:5, :5], dtype=np.float64)
    return model.result(parameters, covariance, left)


_PAGE_SD: Final = np.array([1e3, 1e3, 1e3, PRINT_SCALE_SD, _PRINT_STRETCH_SD, _PRINT_STRETCH_SD])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Model:
    """Parameters: 7 of the camera; of each page place (2), turn, log scale and stretch (2)."""

    start: FloatArray
    unit_mm: float
    """A half-diagonal on the wall."""
    half_diagonal_px: float
    middle_px: FloatArray

    @property
    def held_at(self) -> FloatArray:
        """What the prior expects: the scale where it started, no shape, no distortion, exact prints."""
        held = np.zeros_like(self.start)
        held[0] = self.start[0]
        return held

    @classmethod
    def starting(cls, matrices: FloatArray, middles_px: FloatArray, size_px: tuple[int, int]) -> "_Model":
        half_diagonal_px = float(np.hypot(*size_px)) / 2.0
        middle_px = (np.asarray(size_px) - 1.0) / 2.0
        unit_mm = half_diagonal_px / float(np.median(np.sqrt(np.linalg.det(matrices))))
        pages = np.zeros((len(matrices), _PAGE))
        pages[:, :2] = (middles_px - middle_px) / half_diagonal_px
        pages[:, 2] = np.arctan2(matrices[:, 0, 1] - matrices[:, 1, 0], matrices[:, 0, 0] + matrices[:, 1, 1])
        start = np.concatenate((np.zeros(_CAMERA), pages.ravel()))
        return cls(start=start, unit_mm=unit_mm, half_diagonal_px=half_diagonal_px, middle_px=middle_px)

    def left(self, parameters: FloatArray, seen: Observations) -> FloatArray:
        """Give seen less expected, in standard deviations."""
        pages = parameters[_CAMERA:].reshape(-1, _PAGE)[seen.page]
        placed = self.placed(parameters[:_CAMERA], pages, seen.point_mm)
        left: FloatArray = (seen.value_px - (seen.normal * placed).sum(axis=1)) / seen.sd_px
        return left

    def slopes(self, parameters: FloatArray, seen: Observations) -> FloatArray:
        """Give the derivatives of what is expected, in standard deviations, shape (m, parameters)."""
        index = seen.page
        camera, pages = parameters[:_CAMERA], parameters[_CAMERA:].reshape(-1, _PAGE)[index]
        slopes = np.zeros((len(index), len(parameters)))
        rows = np.arange(len(index))
        across = seen.normal / (_STEP * seen.sd_px[:, None])
        here = self.placed(camera, pages, seen.point_mm)
        for column, step in enumerate(_STEP * np.eye(_CAMERA)):
            change = self.placed(camera + step, pages, seen.point_mm) - here
            slopes[:, column] = (across * change).sum(axis=1)
        for column, step in enumerate(_STEP * np.eye(_PAGE)):
            change = self.placed(camera, pages + step, seen.point_mm) - here
            slopes[rows, _CAMERA + _PAGE * index + column] = (across * change).sum(axis=1)
        return slopes

    def placed(self, camera: FloatArray, pages: FloatArray, point_mm: FloatArray) -> FloatArray:
        """Give the pixels of points, each on a page with its own parameters."""
        row, col = (point_mm * (np.exp(pages[:, 3]) / self.unit_mm)[:, None]).T
        row, col = (
            row * (1.0 + pages[:, 4]) + col * pages[:, 5],
            row * pages[:, 5] + col * (1.0 - pages[:, 4]),
        )
        cosine, sine = np.cos(pages[:, 2]), np.sin(pages[:, 2])
        wall = np.stack(
            (pages[:, 0] + row * cosine + col * sine, pages[:, 1] - row * sine + col * cosine), axis=-1
        )
        plain = wall @ _plain(camera) / (1.0 + wall @ camera[3:5])[:, None]
        q = (plain**2).sum(axis=1, keepdims=True)
        placed: FloatArray = self.middle_px + self.half_diagonal_px * plain * (
            1.0 + q * (camera[5] + q * camera[6])
        )
        return placed

    def homography(self, camera: FloatArray) -> FloatArray:
        """Give wall mm to pixels, without distortion."""
        flat = np.eye(3)
        flat[:2, :2] = _plain(camera)
        flat[2, :2] = camera[3:5]
        to_px = np.diag([self.half_diagonal_px, self.half_diagonal_px, 1.0])
        to_px[:2, 2] = self.middle_px
        return to_px @ flat @ np.diag([1.0 / self.unit_mm, 1.0 / self.unit_mm, 1.0])

    def result(self, parameters: FloatArray, covariance: FloatArray, left: FloatArray) -> WallFit:
        camera, pages = parameters[:_CAMERA], parameters[_CAMERA:].reshape(-1, _PAGE)
        values, vectors = np.linalg.eigh(covariance)
        steps = (vectors * np.sqrt(values.clip(0.0))).T
        middle = self.homography(camera)
        spread = [self.homography(camera + np.append(step, (0.0, 0.0))) - middle for step in steps]
        return WallFit(
            homography=middle,
            homography_spread=np.array(spread),
            radial=(float(camera[5]), float(camera[6])),
            places_mm=pages[:, :2] * self.unit_mm,
            turns_deg=np.degrees(pages[:, 2]),
            scales=np.exp(pages[:, 3]),
            standardised=left,
            model=self,
            parameters=parameters,
        )


def _plain(camera: FloatArray) -> FloatArray:
    """Give the symmetric map of the wall onto the picture."""
    scale, one, other = camera[:3]
    shape: FloatArray = np.exp(scale) * np.array([[1.0 + one, other], [other, 1.0 - one]])
    return shape
