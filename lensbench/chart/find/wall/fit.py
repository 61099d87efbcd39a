"""Camera and pages together: one plane seen through one lens, and on it pages hung and printed by hand.

That a page's print is true to scale only nearly is what limits the tilt, and the stated spread holds it.
Crossings, markers' centres, pieces of arms and rims all come as places seen along one direction each.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.chart.find.crossing import Crossings
from lensbench.chart.find.wall.model import CAMERA, PAGE, Observations, WallModel
from lensbench.chart.find.wall.pages import SightedPage
from lensbench.chart.find.wall.strips import Strips
from lensbench.chart.layout import IntArray
from lensbench.model.units import FloatArray

PRINT_SCALE_SD: Final = 0.001
"""Of one page's print scale against another's: from memory of office printers; common practice, no source."""
_PRINT_STRETCH_SD: Final = 0.0005
"""Of a page's stretch along one axis against the other."""
_CAMERA_SD: Final = np.array([2.0, 0.03, 0.03, 0.5, 0.5, 0.05, 0.03])
"""What cameras do at all: scale, shape of A, perspective, distortion."""
_PAGE_SD: Final = np.array([1e3, 1e3, 1e3, PRINT_SCALE_SD, _PRINT_STRETCH_SD, _PRINT_STRETCH_SD])
_NOTHING_SD: Final = 1e-6
_ROUNDS: Final = 8
SETTLED: Final = 1e-6
"""In half-diagonals: some thousandths of a pixel."""
_LARGE: Final = 3.0


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
    model: WallModel
    parameters: FloatArray

    def to_px(self, page: npt.NDArray[np.int64], point_mm: FloatArray) -> FloatArray:
        """Pixels of points on pages; `page` has the points' shape but for its last axis, or spreads to it."""
        flat = np.broadcast_to(page, point_mm.shape[:-1]).ravel()
        placed = self.model.to_px(self.parameters, flat, point_mm.reshape(-1, 2))
        return placed.reshape(point_mm.shape)


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
    start : float array, optional
        Parameters of an earlier fit to the same pages.
    """
    model = WallModel.starting(matrices, middles_px, size_px)
    prior = _prior(len(matrices), second_term=second_term)
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
    return _result(model, parameters, inflation * np.asarray(np.linalg.inv(normal)[:5, :5], np.float64))


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


def _prior(pages: int, *, second_term: bool) -> FloatArray:
    """Weights of what is expected beforehand: no shape, no distortion, exact prints."""
    sd = np.concatenate((_CAMERA_SD, np.tile(_PAGE_SD, pages)))
    if not second_term:
        sd[CAMERA - 1] = _NOTHING_SD
    weight: FloatArray = sd**-2.0
    return weight


def _weights(left: FloatArray) -> FloatArray:
    """Weights that fall for large deviations (Huber 1964, Annals of Mathematical Statistics 35:73)."""
    return np.asarray(np.minimum(1.0, _LARGE / np.maximum(np.abs(left), 1e-9)), np.float64)


def _result(model: WallModel, parameters: FloatArray, covariance: FloatArray) -> WallFit:
    camera, pages = parameters[:CAMERA], parameters[CAMERA:].reshape(-1, PAGE)
    values, vectors = np.linalg.eigh(covariance)
    steps = (vectors * np.sqrt(values.clip(0.0))).T
    middle = model.homography(camera)
    spread = [model.homography(camera + np.append(step, (0.0, 0.0))) - middle for step in steps]
    return WallFit(
        homography=middle,
        homography_spread=np.array(spread),
        radial=(float(camera[5]), float(camera[6])),
        places_mm=pages[:, :2] * model.unit_mm,
        turns_deg=np.degrees(pages[:, 2]),
        scales=np.exp(pages[:, 3]),
        model=model,
        parameters=parameters,
    )


FLOOR_PX: Final = 0.02
"""Standard deviation below which no place is believed."""
_MIDDLE_OVERVIEW_PX: Final = 0.4
"""Standard deviation of a marker's middle, in pixels of the overview."""


def of_crossings(crossings: Crossings) -> Observations:
    """Crossings as two observations each."""
    count = len(crossings.position_px)
    sd_px = np.hypot(crossings.position_sd_px, FLOOR_PX)
    return _both_ways(np.arange(count), np.zeros((count, 2)), crossings.position_px, sd_px)


def _both_ways(page: IntArray, point_mm: FloatArray, seen_px: FloatArray, sd_px: FloatArray) -> Observations:
    """Places known in both directions of the picture."""
    count = len(page)
    return Observations(
        page=np.repeat(page, 2),
        point_mm=np.repeat(point_mm, 2, axis=0),
        normal=np.tile(np.eye(2), (count, 1)),
        value_px=seen_px.ravel(),
        sd_px=np.repeat(sd_px, 2),
    )


def of_markers(pages: list[SightedPage], corners_px: FloatArray, *, factor: int) -> Observations:
    """Markers' centres: blur moves their corners, but not these."""
    page, point_mm, seen_px = [], [], []
    for index, sighted in enumerate(pages):
        by_id = {marker.marker_id: marker.center_mm for marker in sighted.page.markers}
        for read, marker_id in zip(sighted.markers, sighted.marker_ids, strict=True):
            page.append(index)
            point_mm.append(by_id[marker_id])
            seen_px.append(corners_px[read].mean(axis=0))
    sd_px = np.full(len(page), _MIDDLE_OVERVIEW_PX * factor)
    return _both_ways(np.array(page), np.array(point_mm), np.array(seen_px), sd_px)


def joined(*parts: Observations) -> Observations:
    """Put observations together."""
    return Observations(
        page=np.concatenate([part.page for part in parts]),
        point_mm=np.concatenate([part.point_mm for part in parts]),
        normal=np.concatenate([part.normal for part in parts]),
        value_px=np.concatenate([part.value_px for part in parts]),
        sd_px=np.concatenate([part.sd_px for part in parts]),
    )


def of_strips(strips: Strips, page: IntArray, point_mm: FloatArray, sd_px: FloatArray) -> Observations:
    """Pieces of edges that were found."""
    kept = strips.good
    return Observations(
        page=page[kept],
        point_mm=point_mm[kept],
        normal=strips.normal[kept],
        value_px=(strips.normal * strips.point_px).sum(axis=1)[kept],
        sd_px=sd_px[kept],
    )
