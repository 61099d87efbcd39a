"""The refined estimate: a linear Gaussian fit of edge shapes to all samples, by their exact distances.

    y = dark + step * [ mean(d) + sum_k a_k mode_k(d) ] + light + noise

Samples are pooled in narrow bins of distance; within a bin the shape is expanded to second order about the bin's
middle with the samples' own first and second moments, so neither the bins nor the phases leave a trace. The
coefficients have known prior variances (the family's, or a free-form one whose size the data's own evidence
chooses), so the result is the posterior mean and covariance in closed form. This is Gaussian-process regression; see
Rasmussen and Williams, Gaussian Processes for Machine Learning (2006), chapters 2 and 5.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.edge.family import HALF
from lensbench.edge.noise import Noise
from lensbench.edge.shapes import Rung
from lensbench.units import FloatArray

__all__ = ["LEVELS", "Bins", "Posterior", "fit_shapes", "pool"]

LEVELS: Final = 7
"""Columns before the modes: dark level, step, shift; light across and along, dark side then bright side."""
_SHIFT: Final = 2
_LIGHT_SIZES: Final = (3e-4, 0.03)
"""Prior sd of the light's slope over the region, as a part of the step: even light, or gently uneven."""
_FREE_SIZES: Final = (3e-4, 3e-3, 0.02, 0.1, 0.4)
"""Prior sd of the free-form part, as a part of the step."""
_SHIFT_SD_PX: Final = 0.3
_VAGUE: Final = 1e3
_DOUBTFUL_SD: Final = 2.0
"""A fit whose chi-square lies this many sd above its degrees of freedom is tried with a free-form part."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bins:
    """Samples pooled by distance from the edge: only bins that hold any."""

    index: npt.NDArray[np.intp]
    count: FloatArray
    value: FloatArray
    offset_px: FloatArray
    """Mean distance from the bin's middle."""
    half_square_px2: FloatArray
    """Half the mean squared distance from the bin's middle."""
    along_px: FloatArray
    """Mean place along the edge."""
    sample_bin: npt.NDArray[np.intp]
    """For every sample, its place in the arrays above; -1 beyond the table's range."""

    def rows(self, samples: FloatArray) -> FloatArray:
        """Evaluate shapes (3, ..., positions) at the bins' true content."""
        picked = samples[..., self.index]
        rows: FloatArray = picked[0] + picked[1] * self.offset_px + picked[2] * self.half_square_px2
        return rows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """Coefficients of the columns with their covariance, and how well they fit."""

    rung: Rung
    bins: Bins
    coefficient: FloatArray
    covariance: FloatArray
    free_size: float
    """Prior size of the free-form part that the evidence chose; 0 where the family alone explains the data."""
    light_size: float
    fitted: FloatArray
    """Level of each bin by the fit."""
    chi2: float
    """Weighted squared residual of the bins."""
    degrees: float
    """Bins less coefficients that the data determine."""

    def expected(self, distance_px: FloatArray) -> FloatArray:
        """Give the fitted level of every pooled sample; NaN for one beyond the table's range."""
        rung, bins = self.rung, self.bins
        weights = self.coefficient
        middle = (bins.index - HALF) * rung.step_px + bins.offset_px
        modes = rung.modes[:, :, bins.index]
        slope = weights[1] * rung.mean[1][bins.index] + weights[LEVELS : LEVELS + modes.shape[1]] @ modes[1]
        bend = weights[1] * rung.mean[2][bins.index] + weights[LEVELS : LEVELS + modes.shape[1]] @ modes[2]
        if self.free_size:
            free = rung.free[:, :, bins.index]
            slope = slope + weights[-free.shape[1] :] @ free[1]
            bend = bend + weights[-free.shape[1] :] @ free[2]
        spread = bins.half_square_px2 - 0.5 * bins.offset_px**2
        where = bins.sample_bin
        apart = distance_px - middle[where]
        level = (self.fitted - bend * spread)[where] + apart * (slope[where] + 0.5 * apart * bend[where])
        return np.where(where >= 0, level, np.nan)

    @property
    def dark(self) -> float:
        """Level of the dark plateau at the edge."""
        return float(self.coefficient[0])

    @property
    def step(self) -> float:
        """Bright less dark plateau."""
        return float(self.coefficient[1])


def pool(distance_px: FloatArray, along_px: FloatArray, value: FloatArray, *, step_px: float) -> Bins:
    """Pool samples in bins of distance, with their moments; samples beyond the table's range are left out."""
    place: FloatArray = distance_px * (1.0 / step_px)
    index = np.rint(place).astype(np.intp)
    apart = np.asarray((place - index) * step_px, np.float64)
    index += HALF
    size = 2 * HALF + 1
    inside = (index >= 0) & (index < size)
    whole = bool(inside.all())
    sample = index if whole else np.where(inside, index, size)
    if not whole:
        index, apart, value, along_px = index[inside], apart[inside], value[inside], along_px[inside]
    count = np.bincount(index, minlength=size)
    filled = np.flatnonzero(count)
    number = count[filled].astype(np.float64)
    place_of = np.full(size + 1, -1)
    place_of[filled] = np.arange(filled.size)

    def mean(weight: FloatArray) -> FloatArray:
        total: FloatArray = np.bincount(index, weight, size)[filled]
        return total / number

    return Bins(
        index=filled,
        count=number,
        value=mean(value),
        offset_px=mean(apart),
        half_square_px2=0.5 * mean(apart * apart),
        along_px=mean(along_px),
        sample_bin=place_of[sample],
    )


def fit_shapes(bins: Bins, rung: Rung, noise: Noise, *, step: float) -> Posterior:
    """Fit the columns of one rung to pooled samples.

    Parameters
    ----------
    bins : Bins
        Samples pooled by distance towards the bright side.
    rung : Rung
        Shapes near this edge's sharpness.
    noise : Noise
        Variance of a sample.
    step : float
        First idea of bright less dark, which scales the prior. [linear]
    """
    mean = bins.rows(rung.mean)
    weight = bins.count / noise.variance_at(mean)
    base = np.concatenate([_level_columns(bins, rung, mean), bins.rows(rung.modes)])
    tight, loose = (_prior_sd(step, base.shape[0], light, 0.0, 0) for light in _LIGHT_SIZES)
    problem = _Problem(base, weight, bins.value)
    prior, light = tight, _LIGHT_SIZES[0]
    if problem.evidence(loose) > problem.evidence(tight) + 1.0:
        prior, light = loose, _LIGHT_SIZES[1]
    free_size = 0.0
    _, _, chi2, degrees = problem.solve(prior)
    if chi2 > degrees + _DOUBTFUL_SD * np.sqrt(2.0 * degrees):
        wide = _Problem(np.concatenate([base, bins.rows(rung.free)]), weight, bins.value)
        count = rung.free.shape[1]
        options = [
            (wide.evidence(trial), size, slope, trial)
            for size in _FREE_SIZES
            for slope in _LIGHT_SIZES
            for trial in (_prior_sd(step, base.shape[0], slope, size, count),)
        ]
        best, size, slope, trial = max(options, key=lambda option: option[0])
        if best > problem.evidence(prior):
            problem, prior, free_size, light = wide, trial, size, slope
    coefficient, covariance, chi2, degrees = problem.solve(prior)
    return Posterior(
        rung=rung,
        bins=bins,
        coefficient=coefficient,
        covariance=covariance,
        free_size=free_size,
        light_size=light,
        fitted=coefficient @ problem.columns,
        chi2=chi2,
        degrees=degrees,
    )


def _level_columns(bins: Bins, rung: Rung, mean: FloatArray) -> FloatArray:
    distance = (bins.index - HALF) * rung.step_px + bins.offset_px
    across = distance / max(float(np.abs(distance).max()), 1.0)
    along = bins.along_px / max(float(np.abs(bins.along_px).max()), 1.0)
    other = 1.0 - mean
    slope = rung.mean[1][bins.index]
    return np.stack(
        [np.ones_like(mean), mean, slope, other * across, other * along, mean * across, mean * along]
    )


def _prior_sd(step: float, columns: int, light: float, free: float, free_columns: int) -> FloatArray:
    sd = np.full(columns + free_columns, step)
    sd[:2] *= _VAGUE
    sd[_SHIFT] *= _SHIFT_SD_PX
    sd[_SHIFT + 1 : LEVELS] *= light
    sd[columns:] *= free
    return sd


class _Problem:
    """One weighted linear problem, solved for any prior."""

    def __init__(self, columns: FloatArray, weight: FloatArray, value: FloatArray) -> None:
        self.columns = columns
        self._weight = weight
        self._value = value
        weighted = columns * weight
        self._gram = weighted @ columns.T
        self._moment = weighted @ value

    def _scaled(self, prior_sd: FloatArray) -> tuple[FloatArray, FloatArray]:
        system = self._gram * prior_sd * prior_sd[:, None]
        system[np.diag_indices_from(system)] += 1.0
        return system, self._moment * prior_sd

    def evidence(self, prior_sd: FloatArray) -> float:
        """Give the logarithm of the data's probability under a prior, up to a constant."""
        system, moment = self._scaled(prior_sd)
        factor = np.linalg.cholesky(system)
        half = np.linalg.solve(factor, moment)
        return float(0.5 * half @ half - np.log(np.diag(factor)).sum())

    def solve(self, prior_sd: FloatArray) -> tuple[FloatArray, FloatArray, float, float]:
        """Give coefficients, covariance, chi-square and its degrees of freedom."""
        system, moment = self._scaled(prior_sd)
        inverse = np.linalg.inv(system)
        covariance = inverse * prior_sd * prior_sd[:, None]
        coefficient = (inverse @ moment) * prior_sd
        residual = self._value - coefficient @ self.columns
        chi2 = float(self._weight @ (residual * residual))
        used = float(prior_sd.size - np.trace(inverse))
        return coefficient, covariance, chi2, max(self._value.size - used, 1.0)
