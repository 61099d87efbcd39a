"""The refined estimate: a linear Gaussian fit of edge shapes to all samples, by their exact distances.

    y = dark + step * [ mean(d) + sum_k a_k mode_k(d) ] + light + noise

Samples are pooled in narrow bins of distance; within a bin the shape is expanded to second order about the bin's
middle with the samples' own first and second moments, so neither the bins nor the phases leave a trace. The
coefficients have known prior variances (the family's, or a free-form one whose size the data's own evidence
chooses), so the result is the posterior mean and covariance in closed form. This is Gaussian-process regression; see
Rasmussen and Williams, Gaussian Processes for Machine Learning (2006), chapters 2 and 5. All regions whose edges lie
near the same rung are solved together.

Weighted linear problems of several regions: solved, and their evidence weighed, for any Gaussian prior.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from lensbench.edge.bins import MIDDLES, Bins, Plateaus, spread_out, stack_bins
from lensbench.edge.shapes import Rung, Shapes
from lensbench.model.units import FloatArray

__all__ = ["LEVELS", "LineColumns", "Posterior", "fit_shapes", "fit_with_line", "pull_of"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solution:
    """Posterior mean and covariance, and how well they fit, for each region."""

    coefficient: FloatArray
    covariance: FloatArray
    fitted: FloatArray
    chi2: FloatArray
    degrees: FloatArray


class System:
    """Weighted linear problems of several regions, solved for any prior."""

    def __init__(self, columns: FloatArray, weight: FloatArray, value: FloatArray) -> None:
        self.weight = weight
        self.value = value
        self._columns = columns
        weighted = columns * weight[:, None]
        self._gram = weighted @ columns.transpose(0, 2, 1)
        self._moment = (weighted @ value[:, :, None])[:, :, 0]

    def add(self, gram: FloatArray, moment: FloatArray) -> None:
        """Add what is known of the last columns beside the bins, of one region."""
        last = slice(self._gram.shape[1] - gram.shape[0], None)
        self._gram[0, last, last] += gram
        self._moment[0, last] += moment

    def _scaled(
        self, prior_sd: FloatArray, part: slice = slice(None)
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Give the system I + S G S with a unit diagonal, the moment to match, and the scale of each unknown."""
        diagonal = np.arange(prior_sd.shape[1])
        gram = self._gram[part]
        scale = 1.0 / np.sqrt(1.0 + gram[:, diagonal, diagonal] * np.square(prior_sd))
        sd = prior_sd * scale
        system = gram * sd[:, :, None] * sd[:, None, :]
        system[:, diagonal, diagonal] = 1.0
        return system, self._moment[part] * sd, scale

    def evidence(self, prior_sd: FloatArray, part: slice = slice(None)) -> FloatArray:
        """Give the logarithm of the data's probability under a prior, up to a constant, for each region."""
        system, moment, scale = self._scaled(prior_sd, part)
        factor = np.linalg.cholesky(system)
        solved = np.linalg.solve(system, moment[:, :, None])[:, :, 0]
        logarithm = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1) - np.log(scale).sum(axis=1)
        evidence: FloatArray = 0.5 * (moment * solved).sum(axis=1) - logarithm
        return evidence

    def evidence_of(self, i: int, prior_sd: FloatArray) -> float:
        """Give the evidence of one region."""
        return float(self.evidence(prior_sd, slice(i, i + 1))[0])

    def solve(self, prior_sd: FloatArray) -> Solution:
        """Give coefficients, covariance, chi-square and its degrees of freedom for each region."""
        system, moment, scale = self._scaled(prior_sd)
        inverse = np.linalg.inv(system)
        sd = prior_sd * scale
        coefficient = (inverse @ moment[:, :, None])[:, :, 0] * sd
        fitted = (coefficient[:, None, :] @ self._columns)[:, 0]
        chi2 = (self.weight * np.square(self.value - fitted)).sum(axis=1)
        used = prior_sd.shape[1] - (np.diagonal(inverse, axis1=1, axis2=2) * np.square(scale)).sum(axis=1)
        filled = np.count_nonzero(self.weight, axis=1)
        return Solution(
            coefficient=coefficient,
            covariance=inverse * sd[:, :, None] * sd[:, None, :],
            fitted=fitted,
            chi2=chi2,
            degrees=np.maximum(filled - used, 1.0),
        )


LEVELS: Final = 7
"""Columns before the modes: dark level, step, shift; light across and along, dark side then bright side."""
SHIFT: Final = 2
_ACROSS: Final = (3, 5)
_ALONG: Final = (4, 6)
_LIGHT_SIZES: Final = (3e-4, 0.03)
"""Prior sd of the light's slope across the region, as a part of the step: even light, or gently uneven."""
_FREE_SIZES: Final = (3e-4, 3e-3, 0.02, 0.1, 0.4)
"""Prior sd of the free-form part, as a part of the step."""
_SHIFT_SD_PX: Final = 0.3
_VAGUE: Final = 10.0
"""Prior sd of the two levels, as a part of the step: wide enough to say nothing, small enough to keep digits."""
_ONE_DISTANCE_PX: Final = 0.25
"""Samples within this count as being at one distance: no transfer that a lens leaves varies faster."""
_TOGETHER: Final = 12
"""Regions worked on at a time: their arrays then fit the processor's cache."""
_DOUBTFUL_SD: Final = 2.5
"""A fit whose chi-square lies this many sd above its degrees of freedom is tried with a free-form part."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """Coefficients of the columns with their covariance, and how well they fit, for one region."""

    rung: Rung
    coefficient: FloatArray
    covariance: FloatArray
    free_size: float
    """Prior size of the free-form part that the evidence chose; 0 where the family alone explains the data."""
    light_size: float
    fitted: FloatArray
    """Level of each bin by the fit."""
    chi2: float
    """Weighted squared residual of the bins."""
    across_unit_px: float
    """Distance at which the light's columns across reach one."""
    degrees: float
    """Bins less coefficients that the data determine."""
    turn_share: float
    """Of what the samples tell of the line's turn, the share that lies between samples at one and the same distance."""

    @property
    def doubtful(self) -> bool:
        """Whether the residuals are larger than the noise allows."""
        return self.chi2 > self.degrees + _DOUBTFUL_SD * float(np.sqrt(2.0 * self.degrees))

    def profile(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Give the fitted level at every position of the table, with its slope and bend; light along is left aside."""
        rung, weights = self.rung.fine, self.coefficient
        last = LEVELS + rung.modes.shape[1]
        shapes = rung.mean * weights[1] + weights[LEVELS:last] @ rung.modes
        if self.free_size:
            shapes = shapes + weights[last:] @ rung.free
        across = rung.position_px / self.across_unit_px
        mean = rung.mean[0]
        light = weights[3] * (1.0 - mean) * across + weights[5] * mean * across
        level = np.asarray(shapes[0] + weights[0] + weights[SHIFT] * rung.mean[1] + light, np.float64)
        return level, np.asarray(shapes[1], np.float64), np.asarray(shapes[2], np.float64)

    @property
    def dark(self) -> float:
        """Level of the dark plateau at the edge."""
        return float(self.coefficient[0])

    @property
    def step(self) -> float:
        """Bright less dark plateau."""
        return float(self.coefficient[1])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineColumns:
    """What turn and bend of the line do to the samples of one region, per px at `scale_px` along the edge."""

    columns: FloatArray
    """Shape (2, SIZE): mean effect in each fine bin; none in the tails."""
    gram: FloatArray
    """Shape (2, 2): what the samples within bins add to the normal equations."""
    moment: FloatArray
    centre: FloatArray
    """Where the line stands now, counted from the middle of the prior. [px]"""
    prior_sd: FloatArray
    scale_px: float


def fit_shapes(
    bins: Sequence[Bins], rung: Rung, plateaus: Sequence[Plateaus], *, step: FloatArray, free: bool
) -> list[Posterior]:
    """Fit the columns of one rung to the pooled samples of several regions.

    Parameters
    ----------
    bins : sequence of Bins
        Samples pooled by distance towards the bright side, one for each region.
    rung : Rung
        Shapes near these edges' sharpness.
    plateaus : sequence of Plateaus
        Noise and light along the edge, one for each region.
    step : array
        First idea of bright less dark for each region, which scales the prior. [linear]
    free : bool
        Whether edges that the family alone leaves in doubt are tried with a free-form part.
    """
    posteriors: list[Posterior] = []
    for first in range(0, len(bins), _TOGETHER):
        part = slice(first, first + _TOGETHER)
        posteriors.extend(_fit_together(bins[part], rung, plateaus[part], step[part], free=free))
    return posteriors


def _fit_together(
    bins: Sequence[Bins], rung: Rung, plateaus: Sequence[Plateaus], step: FloatArray, *, free: bool
) -> list[Posterior]:
    stacked = stack_bins(bins, rung.step_px)
    table, used = rung.fitted, np.flatnonzero(stacked.count.any(axis=0))
    span = slice(int(used[0]), int(used[-1]) + 1)
    base = np.concatenate([_level_columns(stacked, table, span), _rows(stacked, table.modes, span)], axis=1)
    weight = stacked.count[:, span] / _variance(plateaus, base[:, 1])
    known, along_sd = _light_along(stacked, plateaus, span, base)
    system = System(base, weight, stacked.value[:, span] - known)
    tight, loose = (_prior_sd(step, along_sd, base.shape[1], light, 0.0, 0) for light in _LIGHT_SIZES)
    uneven = system.evidence(loose) > system.evidence(tight) + 1.0
    solution = system.solve(np.where(uneven[:, None], loose, tight))
    light = np.where(uneven, _LIGHT_SIZES[1], _LIGHT_SIZES[0])
    unit, share = _farthest(stacked, table, span)[:, 0], _turn_share(stacked, rung, span)
    posteriors = [
        _posterior(rung, solution, i, (0.0, float(light[i])), (float(unit[i]), float(share[i])))
        for i in range(len(bins))
    ]
    for i, posterior in enumerate(posteriors):
        if free and posterior.doubtful:
            own = slice(i, i + 1)
            extra = _rows(stacked, table.free, span, own)[0]
            wide = _free_fit(system, base[i], extra, i, step[own], along_sd[own])
            if wide is not None:
                posteriors[i] = _posterior(rung, wide[0], 0, wide[1:], (float(unit[i]), float(share[i])))
    return posteriors


def fit_with_line(
    bins: Bins, rung: Rung, plateaus: Plateaus, *, step: float, line: LineColumns
) -> tuple[Posterior, FloatArray]:
    """Fit the columns of one rung and the line of one region together.

    Returns
    -------
    Posterior, array
        The shapes, their covariance widened by what the line leaves open; and by how much turn and bend of the line
        still differ from where it lies. [px at `scale_px`]
    """
    stacked, steps = stack_bins([bins], rung.step_px), np.array([step])
    table, used = rung.fitted, np.flatnonzero(stacked.count[0])
    span = slice(int(used[0]), int(used[-1]) + 1)
    base = np.concatenate([_level_columns(stacked, table, span), _rows(stacked, table.modes, span)], axis=1)
    weight = stacked.count[:, span] / _variance([plateaus], base[:, 1])
    known, along_sd = _light_along(stacked, [plateaus], span, base)
    own = line.columns[:, MIDDLES[span]]
    value = stacked.value[:, span] - known + line.centre @ own
    count = base.shape[1]
    system = System(np.concatenate([base, own[None]], axis=1), weight, value)
    system.add(line.gram, line.moment)
    priors = [_prior_sd(steps, along_sd, count, light, 0.0, 2) for light in _LIGHT_SIZES]
    for prior in priors:
        prior[:, count:] = line.prior_sd
    tight, loose = (float(system.evidence(prior)[0]) for prior in priors)
    uneven = int(loose > tight + 1.0)
    solution = system.solve(priors[uneven])
    unit, share = _farthest(stacked, table, span)[0, 0], _turn_share(stacked, rung, span)[0]
    shapes = _posterior(rung, solution, 0, (0.0, _LIGHT_SIZES[uneven]), (float(unit), float(share)))
    whole = solution.coefficient[0]
    kept = replace(shapes, coefficient=whole[:count], covariance=shapes.covariance[:count, :count])
    return kept, whole[count:] - line.centre


def pull_of(posterior: Posterior, bins: Bins, plateaus: Plateaus, gradient: FloatArray) -> FloatArray:
    """Give by how much a figure moves per unit of one sample's value, for a sample in each bin.

    `gradient` is the figure's change per unit of each coefficient.
    """
    table, span = posterior.rung.fitted, slice(0, MIDDLES.size)
    stacked = stack_bins([bins], posterior.rung.step_px)
    parts = [_level_columns(stacked, table, span), _rows(stacked, table.modes, span)]
    parts += [_rows(stacked, table.free, span)] if posterior.free_size else []
    columns = np.concatenate(parts, axis=1)[0]
    direction = posterior.covariance @ gradient
    return spread_out(direction @ columns / _variance([plateaus], columns[None, 1])[0])


def _turn_share(bins: Bins, rung: Rung, span: slice) -> FloatArray:
    """Weigh the spread of the places along the edge within narrow strips of distance against the whole of it."""
    width = max(round(_ONE_DISTANCE_PX / rung.step_px), 1)
    first = np.arange(span.start, span.stop, width)
    count, along = bins.count[:, span], bins.along_px[:, span]
    square = bins.along_scatter_px2[:, span] + count * np.square(along)
    number, sums, squares = (
        np.add.reduceat(one, first - span.start, axis=1) for one in (count, count * along, square)
    )
    steep = np.square(rung.fitted.mean[1, np.minimum(first + width // 2, MIDDLES.size - 1)])
    within = (squares - np.square(sums) / np.maximum(number, 1.0)) @ steep
    whole = squares @ steep - np.square(sums @ steep) / np.maximum(number @ steep, 1e-300)
    return np.asarray(within / np.maximum(whole, 1e-300), np.float64)


def _farthest(bins: Bins, table: Shapes, span: slice) -> FloatArray:
    distance = np.abs(table.position_px[span] + bins.offset_px[:, span]) * (bins.count[:, span] > 0)
    return np.asarray(np.maximum(distance.max(axis=1, keepdims=True), 1.0), np.float64)


def _posterior(
    rung: Rung, solution: Solution, i: int, sizes: tuple[float, float], told: tuple[float, float]
) -> Posterior:
    return Posterior(
        rung=rung,
        coefficient=solution.coefficient[i],
        covariance=solution.covariance[i],
        free_size=sizes[0],
        light_size=sizes[1],
        across_unit_px=told[0],
        turn_share=told[1],
        fitted=solution.fitted[i],
        chi2=float(solution.chi2[i]),
        degrees=float(solution.degrees[i]),
    )


def _free_fit(
    system: "System", base: FloatArray, free: FloatArray, i: int, step: FloatArray, along_sd: FloatArray
) -> tuple[Solution, float, float] | None:
    """Try free-form parts of several sizes on one region; None where the family alone has more evidence."""
    columns = np.concatenate([base, free])
    wide = System(columns[None], system.weight[i : i + 1], system.value[i : i + 1])
    sizes = [(free_size, light) for free_size in _FREE_SIZES for light in _LIGHT_SIZES]
    count = base.shape[0]
    trials = [_prior_sd(step, along_sd, count, light, free_size, free.shape[0]) for free_size, light in sizes]
    evidence = [float(wide.evidence(trial)[0]) for trial in trials]
    best = int(np.argmax(evidence))
    alone = max(
        system.evidence_of(i, _prior_sd(step, along_sd, count, light, 0.0, 0)) for light in _LIGHT_SIZES
    )
    if evidence[best] <= alone:
        return None
    return wide.solve(trials[best]), *sizes[best]


def _rows(bins: Bins, samples: FloatArray, span: slice, own: slice = slice(None)) -> FloatArray:
    """Evaluate shapes (3, shapes, positions) at the bins' true content: (regions, shapes, bins)."""
    rows = samples[1, :, span] * bins.offset_px[own, None, span]
    rows += samples[0, :, span]
    rows += samples[2, :, span] * bins.half_square_px2[own, None, span]
    return rows


def _level_columns(bins: Bins, table: Shapes, span: slice) -> FloatArray:
    mean = _rows(bins, table.mean[:, None], span)[:, 0]
    distance = table.position_px[span] + bins.offset_px[:, span]
    across = distance / _farthest(bins, table, span)
    along = bins.along_px[:, span]
    along = along / np.maximum(np.abs(along).max(axis=1, keepdims=True), 1.0)
    other = 1.0 - mean
    slope = np.broadcast_to(table.mean[1, span], mean.shape)
    columns = [np.ones_like(mean), mean, slope, other * across, other * along, mean * across, mean * along]
    return np.stack(columns, axis=1)


def _light_along(
    bins: Bins, plateaus: Sequence[Plateaus], span: slice, base: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Give the light's known slope along the edge at each bin, and the prior sd of what is left of it."""
    along, mean = bins.along_px[:, span], base[:, 1]
    dark = np.array([one.dark_slope_per_px for one in plateaus])[:, None]
    bright = np.array([one.bright_slope_per_px for one in plateaus])[:, None]
    sd = np.array([(one.dark_slope_sd_per_px, one.bright_slope_sd_per_px) for one in plateaus])
    farthest = np.maximum(np.abs(along).max(axis=1, keepdims=True), 1.0)
    return (dark * (1.0 - mean) + bright * mean) * along, sd * farthest


def _variance(plateaus: Sequence[Plateaus], profile: FloatArray) -> FloatArray:
    dark = np.array([one.noise.dark_variance for one in plateaus])[:, None]
    bright = np.array([one.noise.bright_variance for one in plateaus])[:, None]
    variance: FloatArray = dark + (bright - dark) * np.clip(profile, 0.0, 1.0)
    return variance


def _prior_sd(
    step: FloatArray, along_sd: FloatArray, columns: int, light: float, free: float, free_columns: int
) -> FloatArray:
    sd = np.ones((step.size, columns + free_columns))
    sd[:, :2] = _VAGUE
    sd[:, SHIFT] = _SHIFT_SD_PX
    sd[:, _ACROSS] = light
    sd[:, columns:] = free
    sd *= step[:, None]
    sd[:, _ALONG] = np.maximum(along_sd, 1e-5 * step[:, None])
    return sd
