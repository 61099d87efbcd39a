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

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from lensbench.edge.columns import level_columns, rows, variance
from lensbench.edge.lost import LostDetail
from lensbench.edge.samples import Bins, Plateaus, spread_out, stack_bins
from lensbench.edge.shapes import MIDDLES, PriorShape
from lensbench.edge.system import LEVELS, LIGHT_SD, SHIFT, SIZE_SD, LineColumns, Places, System
from lensbench.model.units import FloatArray

_LIGHT_SHARES: Final = (0.8, 0.2)
_KIND_SHARES: Final = (0.3, 0.13, 0.19, 0.26, 0.12)
_SIZE_SHARES: Final = (0.5, 0.35, 0.1, 0.05)
SHARES: Final[FloatArray] = np.outer(_KIND_SHARES, _SIZE_SHARES)
"""Shape (kinds, sizes): how common each is for a lone edge."""
_AVERAGED: Final = 3
"""So many of the likeliest combinations are averaged, none that weighs less than a hundredth of the first."""
_LEAST_WEIGHT: Final = 0.08
_TOGETHER: Final = 24  # regions worked on at a time: their arrays then fit the processor's cache
_DOUBTFUL_SD: Final = 2.5
_ROUNDS: Final = 12
_OWN_EDGES: Final = 8.0
"""So many edges must a photograph show before its own shares outweigh those of a lone edge."""


@dataclass(slots=True, kw_only=True, eq=False)
class Posterior:
    """Coefficients of the columns with their covariance, and how well they fit, for one region."""

    shape: PriorShape
    coefficient: FloatArray
    spreads: list[tuple[FloatArray, float]]
    """Of each part that was averaged, and the root of its weight; put together when they are first asked for."""
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
    _profile: list[tuple[FloatArray, FloatArray, FloatArray]] = field(default_factory=list)

    @property
    def spread(self) -> FloatArray:
        """Shape (columns, m): S with S S' the coefficients' covariance."""
        if len(self.spreads) > 1:
            parts = [part * root for part, root in self.spreads]
            self.spreads = [(np.concatenate(parts, axis=1), 1.0)]
        return self.spreads[0][0]

    def let_go(self) -> None:
        """Let go of the covariance, most of the bytes."""
        self.spreads.clear()
        self._profile.clear()

    @property
    def doubtful(self) -> bool:
        """Whether the residuals are larger than the noise allows."""
        return self.misfit_sds > _DOUBTFUL_SD

    @property
    def misfit_sds(self) -> float:
        """How far the residuals stand beyond what noise makes, in standard deviations of it."""
        return (self.chi2 - self.degrees) / math.sqrt(2.0 * self.degrees)

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
        if not self._profile:
            table, weights = self.shape.fine, self.coefficient
            shapes = table.mean * weights[1] + weights[LEVELS:] @ table.modes
            across = table.position_px / self.across_unit_px
            mean = table.mean[0]
            light = weights[3] * (1.0 - mean) * across + weights[5] * mean * across
            level = np.asarray(shapes[0] + weights[0] + weights[SHIFT] * table.mean[1] + light, np.float64)
            self._profile.append((level, shapes[1], shapes[2]))
        return self._profile[0]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weighed:
    """How probable each combination of kind, light and free-form size makes one region's samples."""

    system: System
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
        light = np.log(_LIGHT_SHARES)[:, None]
        return np.asarray(np.logaddexp.reduce(self.log_evidence + light, axis=1), np.float64)


def weigh_shapes(
    bins: Sequence[Bins], shape: PriorShape, plateaus: Sequence[Plateaus], *, levels: FloatArray
) -> list[Weighed]:
    """All kinds of edges near one prior shape, weighed against the pooled samples of several regions.

    Samples are pooled by distance towards the bright side; `levels`, shape (regions, 2), is a first idea of the linear
    dark and bright level, which scale the prior.
    """
    weighed: list[Weighed] = []
    for first in range(0, len(bins), _TOGETHER):
        part = slice(first, first + _TOGETHER)
        weighed += _weighed(System(bins[part], shape, plateaus[part], levels[part]))
    return weighed


def _weighed(system: System) -> list[Weighed]:
    common = np.log(np.outer(_KIND_SHARES, _LIGHT_SHARES))
    evidence = system.log_evidence(common)
    return [Weighed(system=system, region=i, log_evidence=own) for i, own in enumerate(evidence)]


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
    systems: dict[int, list[int]] = {}
    for place, edge in enumerate(weighed):
        systems.setdefault(id(edge.system), []).append(place)
    found: dict[int, Posterior] = {}
    for places in systems.values():
        averaged, _ = _averaged([weighed[place] for place in places], shares)
        found.update(zip(places, averaged, strict=True))
    return [found[place] for place in range(len(weighed))]


def likeliest(weighed: Sequence[Weighed], shares: FloatArray) -> tuple[Places, FloatArray, list[int]]:
    """Combinations that are worth averaging, of one edge after another, with their weights and where each begins."""
    prior = shares[:, None, :] * np.array(_LIGHT_SHARES)[:, None]
    score = np.stack([edge.log_evidence for edge in weighed]) + np.log(np.maximum(prior, 1e-12))
    flat = score.reshape(len(weighed), -1)
    chosen = np.argsort(-flat, axis=1)[:, :_AVERAGED]
    best = np.take_along_axis(flat, chosen, axis=1)
    weight = np.exp(best - best[:, :1])
    weight *= weight > _LEAST_WEIGHT
    weight /= weight.sum(axis=1, keepdims=True)
    edge, rank = np.nonzero(weight)
    which = np.stack(
        [
            np.array([own.region for own in weighed])[edge],
            *np.unravel_index(chosen[edge, rank], score.shape[1:]),
        ]
    )
    starts = np.searchsorted(edge, np.arange(len(weighed) + 1)).tolist()
    return which, weight[edge, rank], starts


def _averaged(weighed: Sequence[Weighed], shares: FloatArray) -> tuple[list[Posterior], FloatArray]:
    """Posterior of each region of one system, and the line's coefficients where they are fitted, too."""
    system = weighed[0].system
    which, weight, starts = likeliest(weighed, shares)
    each, spread, used, line, _ = system.solved(which)
    regions = np.array([edge.region for edge in weighed])
    mean, used, line, light, size = (
        np.add.reduceat((weight * terms.T).T, starts[:-1], axis=0)
        for terms in (each, used, line, np.square(LIGHT_SD)[which[2]], np.square(SIZE_SD)[which[3]])
    )
    chi2 = system.chi2(regions, mean, line)
    root = np.sqrt(weight)
    posteriors = []
    for i, region in enumerate(regions):
        own = slice(starts[i], starts[i + 1])
        apart = (each[own] - mean[i]).T * root[own]
        posteriors.append(
            Posterior(
                shape=system.shape,
                coefficient=mean[i],
                spreads=[*zip(spread[own], root[own].tolist(), strict=True), (apart, 1.0)],
                free_size=float(np.sqrt(size[i])),
                light_size=float(np.sqrt(light[i])),
                chi2=float(chi2[i]),
                degrees=float(max(system.filled[region] - used[i], 1.0)),
                across_unit_px=float(system.across_unit_px[region]),
                turn_share=float(system.turn_share[region]),
            )
        )
    return posteriors, line


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
    weighed = _weighed(System([bins], shape, [plateaus], levels[None], line=line))
    posteriors, turn_bend = _averaged(weighed, SHARES)
    return weighed[0], posteriors[0], turn_bend[0] - line.centre


def pull_of(
    posteriors: Sequence[Posterior], bins: Sequence[Bins], plateaus: Sequence[Plateaus], gradients: FloatArray
) -> FloatArray:
    """By how much figures of fits of one prior shape move per unit of one sample's value, for a sample in each bin.

    `gradients` are the figures' changes per unit of each coefficient, shape (fits, figures, columns); the result has
    shape (fits, figures, SIZE).
    """
    shape, span = posteriors[0].shape, slice(0, MIDDLES.size)
    stacked = stack_bins(bins, shape.step_px)
    columns = np.concatenate(
        [level_columns(stacked, shape.fitted, span), rows(stacked, shape.fitted.modes, span)], axis=1
    )
    direction = np.stack(
        [
            (gradient @ posterior.spread) @ posterior.spread.T
            for gradient, posterior in zip(gradients, posteriors, strict=True)
        ]
    )
    weight = 1.0 / variance(plateaus, columns[:, 1], shape.fitted.position_px)
    step = np.array([posterior.step for posterior in posteriors])
    lost = LostDetail.of(stacked, shape.fitted, span, plateaus, step)
    if lost is not None:
        columns -= lost.taken(columns, stacked.count * weight)
    return spread_out(direction @ columns * weight[:, None])
