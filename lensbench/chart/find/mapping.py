"""From the chart plane to the picture: a homography and radial distortion, fitted to points seen.

    u = H (row_mm, col_mm, 1), a point without distortion, from the picture's centre;
    p = u (1 + k1 q + k2 q^2), q = (|u| / half-diagonal)^2.

All coordinates are (row, column). Where a sheet is no true plane (bent, or stretched by damp), crossings stray from the
fit by more than their noise, and neighbours stray alike, which the fit's own covariance takes for chance: leaving out
one part of the sheet after the other shows it (block jackknife; Kuensch 1989, Annals of Statistics 17:1217, from
memory). Where some points may be anywhere, the map is the one that most of them agree on (random-sample consensus, the
same draws at every call): least squares over everything would be pulled by a few far strays.
"""

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np

from lensbench.model.errors import ChartError
from lensbench.model.units import FloatArray

_ROUNDS: Final = 12
_EXPECTED_DISTORTION: Final = 0.05
_RAYLEIGH_MEDIAN: Final = 1.1774  # sqrt(2 ln 2): median distance of points of sd 1 along both axes
_TUKEY: Final = 4.685  # 95 % efficiency for Gaussian noise: Beaton & Tukey 1974, Technometrics 16:147
_SETTLED: Final = 1e-7  # in half-diagonals: less than a thousandth of a pixel
_TERMS: Final = 8
_ENOUGH_FOR_TWO: Final = 15
_FAR_ENOUGH_FOR_TWO: Final = 0.7  # of the half-diagonal: nearer, the second term looks like the first


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mapping:
    """Where points of the chart fall in the picture."""

    homography: FloatArray
    """Shape (3, 3): (row_mm, col_mm, 1) to (row_px, col_px, 1) in the picture without distortion."""
    center_px: tuple[float, float]
    """The centre of the distortion: the picture's centre."""
    half_diagonal_px: float
    radial: tuple[float, float]
    """k1 and k2; positive where points are moved outwards (pincushion)."""
    spread: FloatArray | None = None
    """Shape (k, 3, 3): independent one-sigma changes of the homography, where they are known."""

    @property
    def distortion_percent(self) -> float:
        """Shift of a point at the picture's corner, as a percentage of its distance from the centre."""
        return 100.0 * sum(self.radial)

    def to_px(self, points_mm: FloatArray) -> FloatArray:
        """Map points, shape (n, 2), to the picture."""
        plain, _ = project(self.homography, points_mm)
        outward = plain - np.asarray(self.center_px)
        q = (outward**2).sum(axis=-1, keepdims=True) / self.half_diagonal_px**2
        placed: FloatArray = self.center_px + outward * (1.0 + q * (self.radial[0] + q * self.radial[1]))
        return placed

    def jacobian(self, points_mm: FloatArray, *, step_mm: float = 0.5) -> FloatArray:
        """Local pixels per millimetre, shape (n, 2, 2): [picture axis, chart axis]."""
        columns = [
            (self.to_px(points_mm + step) - self.to_px(points_mm - step)) / (2.0 * step_mm)
            for step in step_mm * np.eye(2)
        ]
        return np.stack(columns, axis=-1)

    def depth(self, points_mm: FloatArray) -> FloatArray:
        """Homography's third coordinate of points: positive before the camera."""
        _, depth = project(self.homography, points_mm)
        return depth


def project(homography: FloatArray, points_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points, shape (n, 2), by a homography alone, and the third coordinate before the division."""
    raised = points_mm @ homography[:, :2].T + homography[:, 2]
    return raised[:, :2] / raised[:, 2:], raised[:, 2]


def fit_mapping(
    points_mm: FloatArray, points_px: FloatArray, *, start: FloatArray, size_px: tuple[int, int]
) -> Mapping:
    """Fit homography and distortion to four points or more, shape (n, 2), from a rough homography (mm to px) on.

    Gauss-Newton on Tukey's biweight, so that a few strays do no harm. The distortion is held near zero (sd 5 % at the
    corner) where the points do not tell it; its second term joins with 15 points that reach far out. A ChartError where
    the points lie on one line, or too near to each other.
    """
    center = (np.asarray(size_px, dtype=np.float64) - 1.0) / 2.0
    scale_px = float(np.hypot(*size_px)) / 2.0
    scale_mm = float(np.abs(points_mm).max())
    shift = np.array([[1.0, 0.0, -center[0]], [0.0, 1.0, -center[1]], [0.0, 0.0, scale_px]]) / scale_px
    scaled = shift @ start @ np.diag([scale_mm, scale_mm, 1.0])
    seen = (points_px - center) / scale_px
    spread = len(points_mm) >= _ENOUGH_FOR_TWO and np.hypot(*seen.T).max() >= _FAR_ENOUGH_FOR_TWO
    parameters = np.concatenate(((scaled / scaled[2, 2]).ravel()[:_TERMS], np.zeros(2 if spread else 1)))
    parameters, changes = _descend(parameters, points_mm / scale_mm, seen, pixel=1.0 / scale_px)
    unscaled = np.diag([1.0 / scale_mm, 1.0 / scale_mm, 1.0])
    fitted = np.append(parameters[:_TERMS], 1.0).reshape(3, 3) @ unscaled
    radial = (*parameters[_TERMS:], 0.0)[:2]
    return Mapping(
        homography=np.linalg.inv(shift) @ fitted,
        center_px=(float(center[0]), float(center[1])),
        half_diagonal_px=scale_px,
        radial=(float(radial[0]), float(radial[1])),
        spread=np.linalg.inv(shift) @ changes @ unscaled,
    )


def _descend(
    parameters: FloatArray, points: FloatArray, seen: FloatArray, *, pixel: float
) -> tuple[FloatArray, FloatArray]:
    """Parameters, and independent one-sigma changes of the scaled homography, shape (8, 3, 3)."""
    normal, weights = np.eye(len(parameters)), np.ones(2 * len(points))
    held = np.arange(len(parameters)) >= _TERMS
    for _ in range(_ROUNDS):
        residual, slopes = _residual(parameters, points, seen)
        distance = np.hypot(*residual.T)
        scale = max(float(np.median(distance)) / _RAYLEIGH_MEDIAN, 0.02 * pixel)
        weights = np.repeat(np.clip(1.0 - (distance / (_TUKEY * scale)) ** 2, 0.0, None) ** 2, 2)
        prior = np.where(held, (scale / _EXPECTED_DISTORTION) ** 2, 0.0)
        flat = slopes.reshape(-1, len(parameters))
        normal = flat.T @ (weights[:, None] * flat) + np.diag(prior)
        try:
            step = np.linalg.solve(normal, flat.T @ (weights * residual.ravel()) - prior * parameters)
        except np.linalg.LinAlgError as error:
            raise ChartError(
                "the marks of the chart that were seen lie on one line; show more of it"
            ) from error
        parameters = parameters + step
        if np.abs(step).max() < _SETTLED:
            break
    residual, _ = _residual(parameters, points, seen)
    freedom = max(float(weights.sum()) - _TERMS, 1.0)
    left = float((weights * residual.ravel() ** 2).sum()) / freedom
    covariance = max(left, (0.02 * pixel) ** 2) * np.linalg.pinv(normal, hermitian=True)[:_TERMS, :_TERMS]
    values, vectors = np.linalg.eigh(covariance)
    steps = vectors.T * np.sqrt(values.clip(0.0))[:, None]
    return parameters, np.column_stack((steps, np.zeros(_TERMS))).reshape(-1, 3, 3)


def _residual(parameters: FloatArray, points: FloatArray, seen: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Residuals, shape (n, 2), and slopes of the fit, (n, 2, parameters), in scaled coordinates."""
    homography = np.append(parameters[:_TERMS], 1.0).reshape(3, 3)
    plain, depth = project(homography, points)
    raised = np.column_stack((points, np.ones(len(points)))) / depth[:, None]
    bend = parameters[_TERMS:]
    q = (plain**2).sum(axis=1)
    powers = q[:, None] ** np.arange(1, len(bend) + 1)
    growth = 1.0 + powers @ bend
    steepness = (powers / q[:, None].clip(1e-12)) @ (bend * np.arange(1, len(bend) + 1))
    local = growth[:, None, None] * np.eye(2) + 2.0 * steepness[:, None, None] * (
        plain[:, :, None] * plain[:, None, :]
    )
    plain_slopes = np.zeros((len(points), 2, _TERMS))
    plain_slopes[:, 0, 0:3] = raised
    plain_slopes[:, 1, 3:6] = raised
    plain_slopes[:, :, 6:8] = -plain[:, :, None] * raised[:, None, :2]
    slopes = np.concatenate((local @ plain_slopes, plain[:, :, None] * powers[:, None, :]), axis=2)
    return seen - growth[:, None] * plain, slopes


_NOISE_PX: Final = 0.03  # what crossings stray in any case: the lens's distortion is no polynomial
_STRAINED: Final = 3.0  # times the noise
_BLOCKS: Final = (2, 3)  # parts along the sheet's height and width
_FEWEST: Final = 12  # targets, for a part to be left out


def with_strain(
    mapping: Mapping,
    centers_mm: FloatArray,
    seen_px: FloatArray,
    *,
    noise_px: float,
    size_px: tuple[int, int],
) -> Mapping:
    """Mapping fitted to all, with a spread that holds for a strained sheet; as it is where nothing speaks for one."""
    stray_px = float(np.sqrt(((mapping.to_px(centers_mm) - seen_px) ** 2).mean()))
    if len(centers_mm) < _FEWEST or stray_px <= _STRAINED * np.hypot(noise_px, _NOISE_PX):
        return mapping
    low, high = centers_mm.min(axis=0), centers_mm.max(axis=0)
    place = (centers_mm - low) / np.maximum(high - low, 1e-9)
    cell = np.minimum((place * _BLOCKS).astype(int), np.subtract(_BLOCKS, 1))
    part = cell[:, 0] * _BLOCKS[1] + cell[:, 1]
    without = []
    for number in np.unique(part):
        kept = part != number
        fit = fit_mapping(centers_mm[kept], seen_px[kept], start=mapping.homography, size_px=size_px)
        without.append(fit.homography)
    scaled = np.array([homography / homography[2, 2] for homography in without])
    count = len(scaled)
    spread = np.sqrt((count - 1.0) / count) * (scaled - scaled.mean(axis=0)) * mapping.homography[2, 2]
    return replace(mapping, spread=spread)


_FEWEST_FOR_MAPPING: Final = 5  # four fit some homography whatever they are; a fifth confirms it
_FEWEST_FOR_AFFINE: Final = 4  # three fit some affine map


def agreed_mapping(
    points_mm: FloatArray, points_px: FloatArray, *, stray_mm: float, size_px: tuple[int, int]
) -> Mapping | None:
    """Fit homography and distortion to the points that agree on one homography; both shape (n, 2), in the same order.

    Those agree that are seen at most `stray_mm` from their places on the chart: distortion and error together. None
    where fewer than five points, or fewer than half of them, agree, or all lie on one line.
    """
    if len(points_mm) < _FEWEST_FOR_MAPPING:
        return None
    to_mm, agreeing = cv2.findHomography(points_px, points_mm, cv2.RANSAC, stray_mm)
    if to_mm is None:
        return None
    good = np.asarray(agreeing, np.bool_).ravel()
    if good.sum() < max(_FEWEST_FOR_MAPPING, len(points_mm) / 2.0):
        return None
    try:
        start = np.linalg.inv(np.asarray(to_mm, np.float64))
        return fit_mapping(points_mm[good], points_px[good], start=start, size_px=size_px)
    except (ChartError, np.linalg.LinAlgError):  # all on one line
        return None


def agreed_affine(points: FloatArray, points_px: FloatArray, *, stray_px: float) -> FloatArray | None:
    """Affine map, shape (2, 3), of the points, shape (n, 2), that agree within a distance on one.

    None where fewer than four of them, or fewer than half, agree, or all lie on one line.
    """
    if len(points) < _FEWEST_FOR_AFFINE:
        return None
    affine, agreeing = cv2.estimateAffine2D(
        points, points_px, method=cv2.RANSAC, ransacReprojThreshold=stray_px
    )
    if affine is None or np.count_nonzero(agreeing) < max(_FEWEST_FOR_AFFINE, len(points) / 2.0):
        return None
    return np.asarray(affine, np.float64)
