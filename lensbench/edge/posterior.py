"""The linear part of an edge fit: shapes laid through the samples of several regions at once, in closed form.

    y = dark + step * [ mean(d) + sum_k a_k shape_k(d) + sum_j b_j bump_j(d) ] + light + noise

Samples are pooled in narrow bins of distance; within a bin the shape is expanded to second order about the bin's
middle with the samples' own first and second moments, so neither the bins nor the phases leave a trace. The
coefficients a are Gaussian for each kind of edge, the bumps b have one of several sizes, and the light is even or
gently uneven. No kind and no size is picked: the posterior is the average over all of them, each weighed by the
probability it gives the samples (Bayesian model averaging; Hoeting et al., Statistical Science 14, 382 (1999)), so its
covariance holds the doubt between them. Each part is Gaussian-process regression; see Rasmussen and Williams, Gaussian
Processes for Machine Learning (2006), chapters 2 and 5.

Edges of one photograph share how common each kind and size is: those shares are learned from all its edges together
(expectation maximisation about the shares of a lone edge; Dempster, Laird and Rubin, J. R. Stat. Soc. B 39, 1 (1977)).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import lapack

from lensbench.edge.columns import farthest, level_columns, light_along, rows, turn_share, variance
from lensbench.edge.lost import LostDetail
from lensbench.edge.samples import Bins, Plateaus, spread_out, stack_bins
from lensbench.edge.shapes import KINDS, MIDDLES, PriorShape
from lensbench.model.units import FloatArray

LEVELS: Final = 7
"""Columns before the shapes: dark level, step, shift; light across and along, dark side then bright side."""
SHIFT: Final = 2
_ACROSS: Final = (3, 5)
_ALONG: Final = (4, 6)
_LIGHT: Final = ((3e-4, 0.8), (0.03, 0.2))
"""Prior sd of the light's slope across the region, as a part of the level: even or gently uneven; and how common."""
_KNOWN_LIGHT: Final = 0.13
"""Of that sd, where the rest of a chart told the slope, and it was taken out."""
_KIND_SHARES: Final = (0.4, 0.15, 0.2, 0.13, 0.12)
_SIZES: Final = ((0.0, 0.5), (3e-3, 0.35), (0.025, 0.1), (0.2, 0.05))
"""Prior sd of the free-form part, as a part of the step; and how common."""
SHARES: Final[FloatArray] = np.outer(_KIND_SHARES, [share for _, share in _SIZES])
"""Shape (kinds, sizes): how common each is for a lone edge."""
_LIKELY: Final = 2
"""So many pairs of kind and light are tried with the free-form part, the likeliest without it."""
_AVERAGED: Final = 3
"""So many of the likeliest combinations are averaged, none that weighs less than a hundredth of the first."""
_LEAST_WEIGHT: Final = 0.08
_SHIFT_SD_PX: Final = 0.3
_VAGUE: Final = 10.0
"""Prior sd of the two levels, as a part of the step: wide enough to say nothing, small enough to keep digits."""
_TOGETHER: Final = 24  # regions worked on at a time: their arrays then fit the processor's cache
_DOUBTFUL_SD: Final = 2.5
_ROUNDS: Final = 12
_OWN_EDGES: Final = 8.0
"""So many edges must a photograph show before its own shares outweigh those of a lone edge."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """Coefficients of the columns with their covariance, and how well they fit, for one region."""

    shape: PriorShape
    coefficient: FloatArray
    spread: FloatArray
    """Shape (columns, m): S with S S' the coefficients' covariance."""
    free_size: float
    """Root mean square of the free-form part's prior size over what was averaged."""
    light_size: float
    """The same of the light's slope."""
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
        shapes = table.mean * weights[1] + weights[LEVELS:] @ table.modes
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weighed:
    """How probable each combination of kind, light and free-form size makes one region's samples."""

    system: "_System"
    region: int
    """Place in the system."""
    log_evidence: FloatArray
    """Shape (kinds, lights, sizes); minus infinity where a combination was not tried."""

    @property
    def shape(self) -> PriorShape:
        """Prior shape that was laid through the samples."""
        return self.system.shape

    @property
    def of_shares(self) -> FloatArray:
        """Log-evidence of each kind and size, averaged over the light: shape (kinds, sizes)."""
        light = np.log([share for _, share in _LIGHT])[:, None]
        return np.asarray(np.logaddexp.reduce(self.log_evidence + light, axis=1), np.float64)

    def likeliest(self, shares: FloatArray) -> tuple[npt.NDArray[np.intp], FloatArray]:
        """Combinations that are worth averaging, as flat indices, with their weights."""
        light = np.array([share for _, share in _LIGHT])
        prior = shares[:, None, :] * light[:, None]
        score = (self.log_evidence + np.log(np.maximum(prior, 1e-12))).ravel()
        chosen = np.argsort(-score)[:_AVERAGED]
        weight = np.exp(score[chosen] - score[chosen[0]])
        chosen, weight = chosen[weight > _LEAST_WEIGHT], weight[weight > _LEAST_WEIGHT]
        return chosen, weight / weight.sum()


def weigh_shapes(
    bins: Sequence[Bins], shape: PriorShape, plateaus: Sequence[Plateaus], *, levels: FloatArray
) -> list[Weighed]:
    """Weigh all kinds of edges near one prior shape against the pooled samples of several regions.

    Parameters
    ----------
    bins : sequence of Bins
        Samples pooled by distance towards the bright side, one for each region.
    shape : PriorShape
        Shapes near these edges' sharpness.
    plateaus : sequence of Plateaus
        Noise and light along the edge, one for each region.
    levels : array, shape (regions, 2)
        First idea of the dark and the bright level, which scale the prior. [linear]
    """
    weighed: list[Weighed] = []
    for first in range(0, len(bins), _TOGETHER):
        part = slice(first, first + _TOGETHER)
        weighed += _weighed(_System(bins[part], shape, plateaus[part], levels[part]))
    return weighed


def learned_shares(weighed: Sequence[Weighed]) -> FloatArray:
    """Shares of the kinds and sizes among the edges of one photograph: shape (kinds, sizes)."""
    evidence = np.stack([edge.of_shares for edge in weighed])
    evidence = np.exp(evidence - evidence.max(axis=(1, 2), keepdims=True))
    shares = SHARES
    for _ in range(_ROUNDS):
        belongs = evidence * shares
        belongs /= belongs.sum(axis=(1, 2), keepdims=True)
        shares = (belongs.sum(axis=0) + _OWN_EDGES * SHARES) / (len(weighed) + _OWN_EDGES)
    return np.asarray(shares, np.float64)


def average_shapes(weighed: Sequence[Weighed], shares: FloatArray = SHARES) -> list[Posterior]:
    """Posterior of each region, averaged over the combinations; `shares` has shape (kinds, sizes)."""
    posteriors: list[Posterior] = []
    for edge in weighed:
        chosen, weight = edge.likeliest(shares)
        posteriors.append(edge.system.averaged(edge.region, chosen, weight)[0])
    return posteriors


def fit_with_line(
    bins: Bins, shape: PriorShape, plateaus: Plateaus, *, levels: FloatArray, line: LineColumns
) -> tuple[Weighed, Posterior, FloatArray]:
    """Fit the columns of one prior shape and the line of one region together.

    Returns
    -------
    Weighed, Posterior, array
        The combinations; their average as for a lone edge, its covariance widened by what the line leaves open; and by
        how much turn and bend of the line still differ from where it lies. [px at `scale_px`]
    """
    system = _System([bins], shape, [plateaus], levels[None], line=line)
    weighed = _weighed(system)[0]
    posterior, extra = system.averaged(0, *weighed.likeliest(SHARES))
    return weighed, posterior, extra - line.centre


def pull_of(posterior: Posterior, bins: Bins, plateaus: Plateaus, gradient: FloatArray) -> FloatArray:
    """By how much figures move per unit of one sample's value, for a sample in each bin.

    `gradient` is the figures' change per unit of each coefficient, shape (figures, columns); the result has shape
    (figures, SIZE).
    """
    table, span = posterior.shape.fitted, slice(0, MIDDLES.size)
    stacked = stack_bins([bins], posterior.shape.step_px)
    columns = np.concatenate([level_columns(stacked, table, span), rows(stacked, table.modes, span)], axis=1)[
        0
    ]
    direction = (gradient @ posterior.spread) @ posterior.spread.T
    weight = 1.0 / variance([plateaus], columns[None, 1], table.position_px)
    lost = LostDetail.of(stacked, table, span, [plateaus], np.array([posterior.step]))
    if lost is not None:
        columns = columns - lost.taken(columns[None], stacked.count * weight)[0]
    return spread_out(direction @ columns * weight[0])


class _System:
    """Normal equations of several regions in the columns of one prior shape.

    Columns stand in three blocks: levels (and the line's, where it is fitted too), principal shapes, free-form shapes.
    A kind of edge is a matrix from its own unknowns (levels, then amounts of unit variance) to the first two.
    """

    def __init__(
        self,
        bins: Sequence[Bins],
        shape: PriorShape,
        plateaus: Sequence[Plateaus],
        levels: FloatArray,
        *,
        line: LineColumns | None = None,
    ) -> None:
        self.shape, self.line = shape, line
        stacked = stack_bins(bins, shape.step_px)
        used = np.flatnonzero(stacked.count.any(axis=0))
        span = slice(int(used[0]), int(used[-1]) + 1)
        base = level_columns(stacked, shape.fitted, span)
        blocks = [base, rows(stacked, shape.fitted.modes, span)]
        weight = stacked.count[:, span] / variance(plateaus, base[:, 1], shape.fitted.position_px[span])
        known, along_sd = light_along(stacked, plateaus, span, base[:, 1])
        value = stacked.value[:, span] - known
        if line is not None:
            own = line.columns[:, MIDDLES[span]]
            blocks.insert(1, own[None])
            value = value + line.centre @ own
        columns = np.concatenate(blocks, axis=1)
        self.step = levels[:, 1] - levels[:, 0]
        weighted, weighted_value = columns * weight[:, None], value * weight
        lost = LostDetail.of(stacked, shape.fitted, span, plateaus, self.step)
        if lost is not None:
            weighted, weighted_value, value = lost.beside(columns, value, weight)
        self.gram = weighted @ columns.transpose(0, 2, 1)
        self.moment = (weighted @ value[:, :, None])[:, :, 0]
        self.square = (weighted_value * value).sum(axis=1)
        self.filled = np.count_nonzero(weight, axis=1)
        self.across_unit_px = farthest(stacked, shape.fitted, span)[:, 0]
        self.turn_share = turn_share(stacked, shape, span)
        if line is not None:
            self.gram[0, LEVELS : LEVELS + 2, LEVELS : LEVELS + 2] += line.gram
            self.moment[0, LEVELS : LEVELS + 2] += line.moment
        self._into = _kinds_of(shape, 0 if line is None else 2)
        known_light = np.array([sides.light_known for sides in plateaus])
        self._level_sd = self._prior_levels(levels, along_sd, np.where(known_light, _KNOWN_LIGHT, 1.0))
        self.plain_sd = self.prior_sd()
        # For every kind: gram and moment of its own unknowns, and cross terms with the free-form shapes.
        count = self._into.shape[1]
        half = self.gram[:, None, :, :count] @ self._into
        self.own = self._into.transpose(0, 2, 1) @ half[:, :, :count]
        self.own_moment = self.moment[:, None, None, :count] @ self._into
        self.cross = half[:, :, count:]

    @property
    def fixed(self) -> int:
        """Columns before the shapes."""
        return LEVELS if self.line is None else LEVELS + 2

    def _prior_levels(self, levels: FloatArray, along_sd: FloatArray, sureness: FloatArray) -> FloatArray:
        """Prior sd of levels and line under each light: shape (regions, lights, fixed)."""
        step = self.step[:, None]
        # What lights unevenly takes the same part of both levels, so the dark side shows less of it.
        dark_part = np.clip(levels[:, :1] / np.maximum(levels[:, 1:], 1e-300), 0.0, 1.0)
        sd = np.empty((len(levels), len(_LIGHT), self.fixed))
        sd[:, :, :2] = _VAGUE * step[:, None]
        sd[:, :, SHIFT] = _SHIFT_SD_PX * step
        light = np.maximum(np.array([size for size, _ in _LIGHT]) * sureness[:, None], _LIGHT[0][0])
        sd[:, :, _ACROSS[0]] = np.maximum(light * dark_part, _LIGHT[0][0]) * step
        sd[:, :, _ACROSS[1]] = light * step
        sd[:, :, _ALONG] = np.maximum(along_sd, 1e-5 * step)[:, None]
        if self.line is not None:
            sd[:, :, LEVELS:] = self.line.prior_sd
        return sd

    def prior_sd(self) -> FloatArray:
        """Prior sd of a kind's unknowns under each light: (regions, lights, unknowns)."""
        rank = self._into.shape[2] - self.fixed
        amounts = np.broadcast_to(self.step[:, None, None], (*self._level_sd.shape[:2], rank))
        return np.concatenate([self._level_sd, amounts], axis=2)

    def averaged(
        self, region: int, chosen: npt.NDArray[np.intp], weight: FloatArray
    ) -> tuple[Posterior, FloatArray]:
        """Posterior of one region over these combinations, and the line's coefficients."""
        kinds, lights, sizes = np.unravel_index(chosen, (len(KINDS), len(_LIGHT), len(_SIZES)))
        light_sd = np.array([size for size, _ in _LIGHT])[lights]
        free_sd = np.array([size for size, _ in _SIZES])[sizes]
        parts = [
            self._solved(region, int(kind), int(light), float(size))
            for kind, light, size in zip(kinds, lights, free_sd, strict=True)
        ]
        each = np.stack([part[0] for part in parts])
        mean = weight @ each
        root = np.sqrt(weight)
        spread = np.concatenate(
            [part[1] * share for part, share in zip(parts, root, strict=True)]
            + [((each - mean) * root[:, None]).T],
            axis=1,
        )
        used = weight @ np.array([part[2] for part in parts])
        if self.line is not None:
            kept = np.r_[0:LEVELS, self.fixed : mean.size]
            coefficient, spread = mean[kept], spread[kept]
        else:
            coefficient = mean
        posterior = Posterior(
            shape=self.shape,
            coefficient=coefficient,
            spread=spread,
            free_size=float(np.sqrt(weight @ np.square(free_sd))),
            light_size=float(np.sqrt(weight @ np.square(light_sd))),
            chi2=float(self.square[region] - mean @ (2.0 * self.moment[region] - self.gram[region] @ mean)),
            degrees=float(max(self.filled[region] - used, 1.0)),
            across_unit_px=float(self.across_unit_px[region]),
            turn_share=float(self.turn_share[region]),
        )
        return posterior, mean[LEVELS : self.fixed]

    def _solved(
        self, region: int, kind: int, light: int, size: float
    ) -> tuple[FloatArray, FloatArray, float]:
        """Mean and spread of the columns' coefficients under one combination, and how many the data determine."""
        count, known = self._into.shape[1:]
        free = self.gram.shape[1] - count if size else 0
        sd = np.concatenate([self.plain_sd[region, light], np.full(free, size * self.step[region])])
        gram = np.zeros((known + free, known + free))
        gram[:known, :known] = self.own[region, kind]
        moment = self.own_moment[region, kind, 0]
        if free:
            gram[known:, :known] = self.cross[region, kind]
            gram[known:, known:] = self.gram[region, count:, count:]
            moment = np.concatenate([moment, self.moment[region, count:]])
        diagonal = np.arange(sd.size)
        unit = 1.0 / np.sqrt(1.0 + gram[diagonal, diagonal] * np.square(sd))
        scale = sd * unit
        gram *= scale[:, None]
        gram *= scale
        gram[diagonal, diagonal] = 1.0
        factor, _ = lapack.dpotrf(gram, lower=1)
        root = lapack.dtrtri(factor, lower=1)[0].T * scale[:, None]
        used = sd.size - float(
            np.square(root / np.where(scale > 0.0, scale, 1.0)[:, None] * unit[:, None]).sum()
        )
        spread = np.zeros((self.gram.shape[1], sd.size))
        into = self._into[kind]
        fixed = self.fixed
        spread[:fixed] = root[:fixed]
        spread[fixed:count] = into[fixed:, fixed:] @ root[fixed:known] + np.outer(into[fixed:, 1], root[1])
        if free:
            spread[count:] = root[known:]
        return spread @ (root.T @ moment), spread, used


class _Scaled:
    """Systems I + S G S with a unit diagonal, the moments to match, and the scale of each unknown."""

    def __init__(self, gram: FloatArray, moment: FloatArray, prior_sd: FloatArray) -> None:
        diagonal = np.arange(gram.shape[-1])
        self.unit = 1.0 / np.sqrt(1.0 + gram[..., diagonal, diagonal] * np.square(prior_sd))
        self.scale = prior_sd * self.unit
        self.matrix = gram * self.scale[..., :, None] * self.scale[..., None, :]
        self.matrix[..., diagonal, diagonal] = 1.0
        self.moment = moment * self.scale

    def solved(self) -> FloatArray:
        """Amounts that fit best."""
        return np.asarray(np.linalg.solve(self.matrix, self.moment[..., None])[..., 0], np.float64)

    def evidence(self, solved: FloatArray) -> FloatArray:
        """Logarithm of the data's probability, up to a constant; `solved` is the solution of the system."""
        factor = np.linalg.cholesky(self.matrix)
        logarithm = np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(axis=-1) - np.log(self.unit).sum(
            axis=-1
        )
        return np.asarray(0.5 * (self.moment * solved).sum(axis=-1) - logarithm, np.float64)


def _weighed(system: _System) -> list[Weighed]:
    """Evidence of every combination that may matter, for each region of a system."""
    own, cross, sd = system.own, system.cross, system.plain_sd
    regions, kinds, lights = len(sd), own.shape[1], sd.shape[1]
    plain = _Scaled(own[:, :, None], system.own_moment, sd[:, None])
    plain_evidence = plain.evidence(plain.solved())
    evidence = np.full((regions, kinds, lights, len(_SIZES)), -np.inf)
    evidence[..., 0] = plain_evidence
    common = SHARES.sum(axis=1)[:, None] * np.array([share for _, share in _LIGHT])
    ranked = np.argsort(-(plain_evidence + np.log(common)).reshape(regions, -1), axis=1)[:, :_LIKELY]
    row = np.arange(regions)[:, None]
    kind, light = np.divmod(ranked, lights)
    across = cross[row, kind] * plain.scale[row, kind, light][:, :, None, :]
    both = np.concatenate([plain.moment[row, kind, light][..., None], across.transpose(0, 1, 3, 2)], axis=3)
    solved = np.linalg.solve(plain.matrix[row, kind, light], both)
    count = across.shape[2]
    free = system.gram[:, None, -count:, -count:] - across @ solved[..., 1:]
    rest = system.moment[:, None, -count:] - (across @ solved[..., :1])[..., 0]
    sizes = np.array([size for size, _ in _SIZES[1:]])
    free_sd = np.broadcast_to(
        (system.step[:, None] * sizes)[:, None, :, None], (*kind.shape, sizes.size, count)
    )
    wide = _Scaled(free[:, :, None], rest[:, :, None], free_sd)
    more = wide.evidence(wide.solved())
    evidence[row, kind, light, 1:] = plain_evidence[row, kind, light][..., None] + more
    return [Weighed(system=system, region=i, log_evidence=evidence[i]) for i in range(regions)]


def _kinds_of(shape: PriorShape, extra: int) -> FloatArray:
    """From each kind's unknowns to levels, extra columns and principal shapes: (kinds, columns, unknowns)."""
    kinds, shapes, rank = shape.kind_factor.shape
    fixed = LEVELS + extra
    into = np.zeros((kinds, fixed + shapes, fixed + rank))
    into[:, range(fixed), range(fixed)] = 1.0
    into[:, fixed:, 1] = shape.kind_mean
    into[:, fixed:, fixed:] = shape.kind_factor
    return into
