"""The linear part of an edge fit: shapes laid through the samples of several regions at once, in closed form.

    y = dark + step * [ mean(d) + sum_k a_k mode_k(d) ] + light + noise

Samples are pooled in narrow bins of distance; within a bin the shape is expanded to second order about the bin's
middle with the samples' own first and second moments, so neither the bins nor the phases leave a trace. The
coefficients have known prior variances (the shape prior's, or a free-form one whose size the data's own evidence
chooses), so the result is the posterior mean and covariance. This is Gaussian-process regression; see Rasmussen and
Williams, Gaussian Processes for Machine Learning (2006), chapters 2 and 5. All regions whose edges lie near the same
prior shape are solved together.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from lensbench.edge.samples import Bins, Plateaus, spread_out, stack_bins
from lensbench.edge.shapes import MIDDLES, PriorShape, Shapes
from lensbench.model.units import FloatArray

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

    shape: PriorShape
    coefficient: FloatArray
    covariance: FloatArray
    free_size: float
    """Prior size of the free-form part that the evidence chose; 0 where the prior shapes alone explain the data."""
    light_size: float
    chi2: float
    """Weighted squared residual of the bins."""
    degrees: float
    """Bins less coefficients that the data determine."""
    across_unit_px: float
    """Distance at which the light's columns across reach one."""
    turn_share: float
    """Of what the samples tell of the line's turn, the share that lies between samples at one and the same distance."""

    @property
    def doubtful(self) -> bool:
        """Whether the residuals are larger than the noise allows."""
        return self.chi2 > self.degrees + _DOUBTFUL_SD * float(np.sqrt(2.0 * self.degrees))

    @property
    def dark(self) -> float:
        """Level of the dark plateau at the edge."""
        return float(self.coefficient[0])

    @property
    def step(self) -> float:
        """Bright less dark plateau."""
        return float(self.coefficient[1])

    def profile(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Fitted level at every position of the table, with its slope and bend; light along is left aside."""
        table, weights = self.shape.fine, self.coefficient
        last = LEVELS + table.modes.shape[1]
        shapes = table.mean * weights[1] + weights[LEVELS:last] @ table.modes
        if self.free_size:
            shapes = shapes + weights[last:] @ table.free
        across = table.position_px / self.across_unit_px
        mean = table.mean[0]
        light = weights[3] * (1.0 - mean) * across + weights[5] * mean * across
        level = np.asarray(shapes[0] + weights[0] + weights[SHIFT] * table.mean[1] + light, np.float64)
        return level, np.asarray(shapes[1], np.float64), np.asarray(shapes[2], np.float64)


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
    bins: Sequence[Bins], shape: PriorShape, plateaus: Sequence[Plateaus], *, step: FloatArray, free: bool
) -> list[Posterior]:
    """Fit the columns of one prior shape to the pooled samples of several regions.

    Parameters
    ----------
    bins : sequence of Bins
        Samples pooled by distance towards the bright side, one for each region.
    shape : PriorShape
        Shapes near these edges' sharpness.
    plateaus : sequence of Plateaus
        Noise and light along the edge, one for each region.
    step : array
        First idea of bright less dark for each region, which scales the prior. [linear]
    free : bool
        Whether edges that the prior alone leaves in doubt are tried with a free-form part.
    """
    posteriors: list[Posterior] = []
    for first in range(0, len(bins), _TOGETHER):
        part = slice(first, first + _TOGETHER)
        batch = _Batch(bins[part], shape, plateaus[part], step[part])
        system = _System(batch.columns, batch.weight, batch.value)
        tight, loose = (batch.prior_sd(light) for light in _LIGHT_SIZES)
        uneven = system.evidence(loose) > system.evidence(tight) + 1.0
        solution = system.solve(np.where(uneven[:, None], loose, tight))
        for i, light in enumerate(np.where(uneven, _LIGHT_SIZES[1], _LIGHT_SIZES[0]).tolist()):
            posterior = batch.posterior(solution, i, light=light)
            wider = _free_fit(batch, system, i) if free and posterior.doubtful else None
            posteriors.append(posterior if wider is None else wider)
    return posteriors


def fit_with_line(
    bins: Bins, shape: PriorShape, plateaus: Plateaus, *, step: float, line: LineColumns
) -> tuple[Posterior, FloatArray]:
    """Fit the columns of one prior shape and the line of one region together.

    Returns
    -------
    Posterior, array
        The shapes, their covariance widened by what the line leaves open; and by how much turn and bend of the line
        still differ from where it lies. [px at `scale_px`]
    """
    batch = _Batch([bins], shape, [plateaus], np.array([step]))
    own, count = line.columns[:, MIDDLES[batch.span]], batch.columns.shape[1]
    system = _System(
        np.concatenate([batch.columns, own[None]], axis=1), batch.weight, batch.value + line.centre @ own
    )
    system.add(line.gram, line.moment)
    priors = [batch.prior_sd(light, more=2) for light in _LIGHT_SIZES]
    for prior in priors:
        prior[:, count:] = line.prior_sd
    tight, loose = (float(system.evidence(prior)[0]) for prior in priors)
    uneven = int(loose > tight + 1.0)
    solution = system.solve(priors[uneven])
    shapes = batch.posterior(solution, 0, light=_LIGHT_SIZES[uneven])
    whole = solution.coefficient[0]
    kept = replace(shapes, coefficient=whole[:count], covariance=shapes.covariance[:count, :count])
    return kept, whole[count:] - line.centre


def pull_of(posterior: Posterior, bins: Bins, plateaus: Plateaus, gradient: FloatArray) -> FloatArray:
    """By how much a figure moves per unit of one sample's value, for a sample in each bin.

    `gradient` is the figure's change per unit of each coefficient.
    """
    table, span = posterior.shape.fitted, slice(0, MIDDLES.size)
    stacked = stack_bins([bins], posterior.shape.step_px)
    parts = [_level_columns(stacked, table, span), _rows(stacked, table.modes, span)]
    parts += [_rows(stacked, table.free, span)] if posterior.free_size else []
    columns = np.concatenate(parts, axis=1)[0]
    direction = posterior.covariance @ gradient
    return spread_out(direction @ columns / _variance([plateaus], columns[None, 1])[0])


class _Batch:
    """Stacked bins of several regions near one prior shape, with the columns that are fitted to them."""

    def __init__(
        self, bins: Sequence[Bins], shape: PriorShape, plateaus: Sequence[Plateaus], step: FloatArray
    ) -> None:
        self.shape, self._step = shape, step
        self._bins = stack_bins(bins, shape.step_px)
        used = np.flatnonzero(self._bins.count.any(axis=0))
        self.span = slice(int(used[0]), int(used[-1]) + 1)
        levels = _level_columns(self._bins, shape.fitted, self.span)
        self.columns = np.concatenate([levels, _rows(self._bins, shape.fitted.modes, self.span)], axis=1)
        self.weight = self._bins.count[:, self.span] / _variance(plateaus, self.columns[:, 1])
        known, self._along_sd = _light_along(self._bins, plateaus, self.span, self.columns[:, 1])
        self.value = self._bins.value[:, self.span] - known
        self._unit_px = _farthest(self._bins, shape.fitted, self.span)[:, 0]
        self._turn_share = _turn_share(self._bins, shape, self.span)

    def free_columns(self, i: int) -> FloatArray:
        """Columns of the free-form part of one region."""
        columns: FloatArray = _rows(self._bins, self.shape.fitted.free, self.span, slice(i, i + 1))[0]
        return columns

    def prior_sd(
        self, light: float, *, free: float = 0.0, more: int = 0, part: slice = slice(None)
    ) -> FloatArray:
        """Prior sd of the columns and of so many more."""
        step, count = self._step[part], self.columns.shape[1]
        sd = np.ones((step.size, count + more))
        sd[:, :2] = _VAGUE
        sd[:, SHIFT] = _SHIFT_SD_PX
        sd[:, _ACROSS] = light
        sd[:, count:] = free
        sd *= step[:, None]
        sd[:, _ALONG] = np.maximum(self._along_sd[part], 1e-5 * step[:, None])
        return sd

    def posterior(
        self, solution: "_Solution", region: int, *, light: float, free: float = 0.0, row: int | None = None
    ) -> Posterior:
        """Fit of one region; `row` is its place in the solution, where that holds others than the batch."""
        i = region if row is None else row
        return Posterior(
            shape=self.shape,
            coefficient=solution.coefficient[i],
            covariance=solution.covariance[i],
            free_size=free,
            light_size=light,
            chi2=float(solution.chi2[i]),
            degrees=float(solution.degrees[i]),
            across_unit_px=float(self._unit_px[region]),
            turn_share=float(self._turn_share[region]),
        )


def _free_fit(batch: _Batch, system: "_System", i: int) -> Posterior | None:
    """Try free-form parts of several sizes on one region; None where the prior alone has more evidence."""
    own, free_columns = slice(i, i + 1), batch.free_columns(i)
    columns = np.concatenate([batch.columns[i], free_columns])
    wide = _System(columns[None], batch.weight[own], batch.value[own])
    more = free_columns.shape[0]
    sizes = [(free, light) for free in _FREE_SIZES for light in _LIGHT_SIZES]
    trials = [batch.prior_sd(light, free=free, more=more, part=own) for free, light in sizes]
    evidence = [float(wide.evidence(trial)[0]) for trial in trials]
    best = int(np.argmax(evidence))
    without = [float(system.evidence(batch.prior_sd(light, part=own), own)[0]) for light in _LIGHT_SIZES]
    if evidence[best] <= max(without):
        return None
    free, light = sizes[best]
    return batch.posterior(wide.solve(trials[best]), i, light=light, free=free, row=0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Solution:
    """Posterior mean and covariance, and how well they fit, for each region."""

    coefficient: FloatArray
    covariance: FloatArray
    chi2: FloatArray
    degrees: FloatArray


class _System:
    """Weighted linear problems of several regions, solved for any Gaussian prior."""

    def __init__(self, columns: FloatArray, weight: FloatArray, value: FloatArray) -> None:
        self._columns, self._weight, self._value = columns, weight, value
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
        """System I + S G S with a unit diagonal, the moment to match, and the scale of each unknown."""
        diagonal = np.arange(prior_sd.shape[1])
        gram = self._gram[part]
        scale = 1.0 / np.sqrt(1.0 + gram[:, diagonal, diagonal] * np.square(prior_sd))
        sd = prior_sd * scale
        system = gram * sd[:, :, None] * sd[:, None, :]
        system[:, diagonal, diagonal] = 1.0
        return system, self._moment[part] * sd, scale

    def evidence(self, prior_sd: FloatArray, part: slice = slice(None)) -> FloatArray:
        """Logarithm of the data's probability under a prior, up to a constant, for each region."""
        system, moment, scale = self._scaled(prior_sd, part)
        factor = np.linalg.cholesky(system)
        solved = np.linalg.solve(system, moment[:, :, None])[:, :, 0]
        logarithm = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1) - np.log(scale).sum(axis=1)
        evidence: FloatArray = 0.5 * (moment * solved).sum(axis=1) - logarithm
        return evidence

    def solve(self, prior_sd: FloatArray) -> _Solution:
        """Coefficients, covariance, chi-square and its degrees of freedom for each region."""
        system, moment, scale = self._scaled(prior_sd)
        inverse = np.linalg.inv(system)
        sd = prior_sd * scale
        coefficient = (inverse @ moment[:, :, None])[:, :, 0] * sd
        fitted = (coefficient[:, None, :] @ self._columns)[:, 0]
        used = prior_sd.shape[1] - (np.diagonal(inverse, axis1=1, axis2=2) * np.square(scale)).sum(axis=1)
        return _Solution(
            coefficient=coefficient,
            covariance=inverse * sd[:, :, None] * sd[:, None, :],
            chi2=(self._weight * np.square(self._value - fitted)).sum(axis=1),
            degrees=np.maximum(np.count_nonzero(self._weight, axis=1) - used, 1.0),
        )


def _turn_share(bins: Bins, shape: PriorShape, span: slice) -> FloatArray:
    """Weigh the spread of the places along the edge within narrow strips of distance against the whole of it."""
    width = max(round(_ONE_DISTANCE_PX / shape.step_px), 1)
    first = np.arange(span.start, span.stop, width)
    count, along = bins.count[:, span], bins.along_px[:, span]
    square = bins.along_scatter_px2[:, span] + count * np.square(along)
    number, sums, squares = (
        np.add.reduceat(terms, first - span.start, axis=1) for terms in (count, count * along, square)
    )
    steep = np.square(shape.fitted.mean[1, np.minimum(first + width // 2, MIDDLES.size - 1)])
    within = (squares - np.square(sums) / np.maximum(number, 1.0)) @ steep
    whole = squares @ steep - np.square(sums @ steep) / np.maximum(number @ steep, 1e-300)
    return np.asarray(within / np.maximum(whole, 1e-300), np.float64)


def _farthest(bins: Bins, table: Shapes, span: slice) -> FloatArray:
    distance = np.abs(table.position_px[span] + bins.offset_px[:, span]) * (bins.count[:, span] > 0)
    return np.asarray(np.maximum(distance.max(axis=1, keepdims=True), 1.0), np.float64)


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
    bins: Bins, plateaus: Sequence[Plateaus], span: slice, mean: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Known slope of the light along the edge at each bin, and the prior sd of what is left of it."""
    along = bins.along_px[:, span]
    dark = np.array([sides.dark_slope_per_px for sides in plateaus])[:, None]
    bright = np.array([sides.bright_slope_per_px for sides in plateaus])[:, None]
    sd = np.array([(sides.dark_slope_sd_per_px, sides.bright_slope_sd_per_px) for sides in plateaus])
    farthest = np.maximum(np.abs(along).max(axis=1, keepdims=True), 1.0)
    return (dark * (1.0 - mean) + bright * mean) * along, sd * farthest


def _variance(plateaus: Sequence[Plateaus], profile: FloatArray) -> FloatArray:
    dark = np.array([sides.noise.dark_variance for sides in plateaus])[:, None]
    bright = np.array([sides.noise.bright_variance for sides in plateaus])[:, None]
    variance: FloatArray = dark + (bright - dark) * np.clip(profile, 0.0, 1.0)
    return variance
