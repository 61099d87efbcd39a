"""The refined method for one region: line, noise, shapes, specks, figures."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.edge.figures import crossing_cypx, falling_slope, overshoots_percent, rise_10_90_px
from lensbench.edge.line import EdgeLine, Points, fit_line
from lensbench.edge.noise import Noise, plateau_noise
from lensbench.edge.posterior import LEVELS, Posterior, fit_shapes, pool
from lensbench.edge.shapes import ComplexArray, nearest_rung, rung_at
from lensbench.optics import gaussian_sigma_px
from lensbench.records import BoolArray
from lensbench.units import FloatArray

__all__ = ["RefinedEdge", "measure_refined"]

_OUTLIER_SD: Final = 5.0
_MOST_OUTLIERS: Final = 0.03
_LEAST_SPECK: Final = 0.006
"""A speck differs from the fit by at least this part of the step."""
_SHIFT: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RefinedEdge:
    """The refined reading of one region."""

    line: EdgeLine
    noise: Noise
    posterior: Posterior
    frequency_cypx: FloatArray
    sfr: FloatArray
    sfr_sd: FloatArray
    mtf_cypx: tuple[float, float, float, float]
    """At 50, 30, 20 and 10 percent."""
    mtf50_sd_cypx: float
    esf_position_px: FloatArray
    esf: FloatArray
    rise_10_90_px: float
    overshoot_percent: float
    undershoot_percent: float
    outliers: int
    """Samples left out as specks or hot pixels."""


def measure_refined(points: Points, region_shape: tuple[int, int]) -> RefinedEdge:
    """Measure the edge in one region by the refined method.

    Raises
    ------
    EdgeError
        No edge is there.
    """
    line = fit_line(points)
    noise, posterior, distance = _fit(points, line)
    keep = _sound(points, distance, posterior, noise, region_shape)
    outliers = int(points.value.size - np.count_nonzero(keep))
    if outliers:
        points = Points(row_px=points.row_px[keep], col_px=points.col_px[keep], value=points.value[keep])
        line = fit_line(points)
        noise, posterior, distance = _fit(points, line)
    return _figures(line, noise, posterior, float(np.abs(distance).max()), outliers)


def _fit(points: Points, line: EdgeLine) -> tuple[Noise, Posterior, FloatArray]:
    """Fit noise and shapes about a line; the rung follows the MTF50 found."""
    distance, along = line.distance_px(points)
    noise = plateau_noise(line, distance, along, points.value)
    index = nearest_rung(gaussian_sigma_px(1.0) / line.sigma_px)
    tried: set[int] = set()
    while True:
        tried.add(index)
        rung = rung_at(index)
        bins = pool(distance, along, points.value, step_px=rung.step_px)
        posterior = fit_shapes(bins, rung, noise, step=line.bright - line.dark)
        sfr = np.abs(_transfer(posterior))[: rung.own_frequency_cypx.size]
        better = nearest_rung(crossing_cypx(rung.own_frequency_cypx, sfr, 0.5))
        if better in tried or len(tried) >= 4:
            return noise, posterior, distance
        index = better


def _columns_otf(posterior: Posterior) -> ComplexArray:
    """Give the transforms of all columns, on the own grid then the output grid: levels and light have none."""
    rung = posterior.rung
    size = rung.mean_otf.size
    levels = np.zeros((LEVELS, size), complex)
    levels[1] = rung.mean_otf
    grid = np.concatenate([rung.own_frequency_cypx, np.linspace(0.0, 1.0, 101)])
    levels[_SHIFT] = 2j * np.pi * grid * rung.mean_otf
    parts = [levels, rung.modes_otf]
    if posterior.free_size:
        parts.append(rung.free_otf)
    return np.concatenate(parts)


def _transfer(posterior: Posterior) -> ComplexArray:
    transfer: ComplexArray = posterior.coefficient @ _columns_otf(posterior) / posterior.step
    return transfer


def _sfr_gradient(posterior: Posterior, columns: ComplexArray, transfer: ComplexArray) -> FloatArray:
    """Give d|M|/d(coefficient) for every frequency: shape (coefficients, frequencies)."""
    modulus = np.maximum(np.abs(transfer), 1e-12)
    gradient: FloatArray = (np.conj(transfer) * columns).real / (modulus * posterior.step)
    gradient[1] -= modulus / posterior.step
    return gradient


def _figures(
    line: EdgeLine, noise: Noise, posterior: Posterior, reach_px: float, outliers: int
) -> RefinedEdge:
    columns = _columns_otf(posterior)
    transfer = posterior.coefficient @ columns / posterior.step
    gradient = _sfr_gradient(posterior, columns, transfer)
    variance = np.einsum("if,ij,jf->f", gradient, posterior.covariance, gradient, optimize=True)
    modulus, sd = np.abs(transfer), np.sqrt(np.maximum(variance, 0.0))
    own = posterior.rung.own_frequency_cypx
    count = own.size
    mtf = tuple(crossing_cypx(own, modulus[:count], level) for level in (0.5, 0.3, 0.2, 0.1))
    mtf50_sd = float("nan")
    if np.isfinite(mtf[0]):
        slope = abs(falling_slope(own, modulus[:count], mtf[0]))
        mtf50_sd = float(np.interp(mtf[0], own, sd[:count])) / slope
    position, esf = _esf(posterior, reach_px)
    overshoot, undershoot = overshoots_percent(esf)
    return RefinedEdge(
        line=line,
        noise=noise,
        posterior=posterior,
        frequency_cypx=np.linspace(0.0, 1.0, 101),
        sfr=modulus[count:],
        sfr_sd=sd[count:],
        mtf_cypx=(mtf[0], mtf[1], mtf[2], mtf[3]),
        mtf50_sd_cypx=mtf50_sd,
        esf_position_px=position,
        esf=esf,
        rise_10_90_px=rise_10_90_px(position, esf),
        overshoot_percent=overshoot,
        undershoot_percent=undershoot,
        outliers=outliers,
    )


def _esf(posterior: Posterior, reach_px: float) -> tuple[FloatArray, FloatArray]:
    rung = posterior.rung
    shapes = [rung.mean[1][None], rung.modes[0]] + ([rung.free[0]] if posterior.free_size else [])
    weights = np.concatenate([posterior.coefficient[_SHIFT : _SHIFT + 1], posterior.coefficient[LEVELS:]])
    esf = rung.mean[0] + weights @ np.concatenate(shapes) / posterior.step
    inside = np.abs(rung.position_px) <= reach_px
    return rung.position_px[inside], esf[inside]


def _sound(
    points: Points, distance: FloatArray, posterior: Posterior, noise: Noise, shape: tuple[int, int]
) -> BoolArray:
    """Mark the samples that are no specks: within 5 sd of the fit, and not beside one that is not."""
    expected = posterior.expected(distance)
    profile = (expected - posterior.dark) / posterior.step
    limit = np.maximum(_OUTLIER_SD**2 * noise.variance_at(profile), (_LEAST_SPECK * posterior.step) ** 2)
    excess = np.square(points.value - expected) > limit
    share = np.count_nonzero(excess) / excess.size
    if share == 0.0 or share > _MOST_OUTLIERS:
        return np.ones(excess.size, bool)
    mask = np.zeros(shape, bool)
    row = np.rint(points.row_px + (shape[0] - 1) / 2).astype(np.intp)
    col = np.rint(points.col_px + (shape[1] - 1) / 2).astype(np.intp)
    mask[row[excess], col[excess]] = True
    grown = mask.copy()
    for axis in (0, 1):
        for shift in (-1, 1):
            grown |= np.roll(mask, shift, axis=axis)
    return ~grown[row, col]
