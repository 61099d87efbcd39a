"""Normal equations of an edge fit: several regions at once, under each kind of edge, light and free-form size.

Columns stand in five blocks: levels that stand alone (and the line's, where it is fitted too), the step with the
principal shapes, the free-form shapes, the light across, and last the values themselves, whose row holds the moments.
A kind of edge is a matrix from its own unknowns (the step, then amounts of unit variance) to the second block.

A Cholesky factor that ends with the row of moments holds the evidence. What all combinations of a kind share, its core
(levels, step and principal shapes), is eliminated once; each prior of light and free form then needs the factor of
what is left, a small corner.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.linalg import lapack

from lensbench.edge.columns import farthest, level_columns, light_along, rows, turn_share, variance
from lensbench.edge.lost import LostDetail
from lensbench.edge.samples import Bins, Plateaus, stack_bins
from lensbench.edge.shapes import MIDDLES, PriorShape
from lensbench.model.units import FloatArray

Places = npt.NDArray[np.intp]

LEVELS: Final = 7
"""Columns before the shapes: dark level, step, shift; light across and along, dark side then bright side."""
SHIFT: Final = 2
_STEP: Final = 1
_ALONE: Final = (0, SHIFT, 4, 6)
_ACROSS: Final = (3, 5)
LIGHT_SD: Final = (3e-4, 0.03)
"""Prior sd of the light's slope across the region, as a part of the level: even or gently uneven. The widest last."""
_LEAST_KNOWN: Final = 1e-3
"""The widest where the rest of a chart told the slope, and it was taken out, at the least."""
SIZE_SD: Final = (0.0, 3e-3, 0.025, 0.2)
"""Prior sd of the free-form part, as a part of the step. The widest last."""
_LIKELY: Final = 2
"""So many pairs of kind and light are tried with the free-form part, the likeliest without it."""
_SHIFT_SD_PX: Final = 0.3
_VAGUE: Final = 10.0
"""Prior sd of the two levels, as a part of the step: wide enough to say nothing, small enough to keep digits."""


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


class Solutions(NamedTuple):
    """Means and spreads of the columns' coefficients under some combinations, one after another."""

    mean: FloatArray
    """Levels, principal shapes, free-form shapes."""
    spread: list[FloatArray]
    """S for each, with S S' the covariance."""
    used: FloatArray
    """So many unknowns are determined by the data."""
    line: FloatArray
    """Mean of the line's two, where it is fitted too; else of none."""
    line_spread: list[FloatArray]
    """S of these for each."""


class System:
    """Normal equations of several regions in the columns of one prior shape."""

    def __init__(
        self,
        bins: Sequence[Bins],
        shape: PriorShape,
        plateaus: Sequence[Plateaus],
        levels: FloatArray,
        *,
        line: LineColumns | None = None,
    ) -> None:
        self.shape = shape
        self.line = line
        self.step = levels[:, 1] - levels[:, 0]
        stacked = stack_bins(bins, shape.step_px)
        used = np.flatnonzero(stacked.count.any(axis=0))
        span = slice(int(used[0]), int(used[-1]) + 1)
        base = level_columns(stacked, shape.fitted, span)
        weight = stacked.count[:, span] / variance(plateaus, base[:, _STEP], shape.fitted.position_px[span])
        known, along_sd = light_along(stacked, plateaus, span, base[:, _STEP])
        value = stacked.value[:, span] - known
        alone = base[:, _ALONE]
        if line is not None:
            own = line.columns[:, MIDDLES[span]]
            alone = np.concatenate([alone, own[None]], axis=1)
            value = value + line.centre @ own
        lost = LostDetail.of(stacked, shape.fitted, span, plateaus, self.step)
        if lost is not None:
            value = value - lost.mean
        count = shape.kind_mean.shape[1]
        modes = rows(stacked, shape.fitted.modes, span)
        columns = np.concatenate(
            [alone, base[:, _STEP, None], modes, base[:, _ACROSS], value[:, None]], axis=1
        )
        if lost is None:
            columns *= np.sqrt(weight)[:, None]
            self.gram = columns @ columns.transpose(0, 2, 1)
        else:
            self.gram = lost.gram(columns, weight)
        most = self.gram[:, -1, -1].copy()  # no fit explains more than this
        self.filled = np.count_nonzero(weight, axis=1)
        self.across_unit_px = farthest(stacked, shape.fitted, span)[:, 0]
        self.turn_share = turn_share(stacked, shape, span)
        self._alone = alone.shape[1]
        if line is not None:
            self.gram[0, 4:6, 4:6] += line.gram
            self.gram[0, -1, 4:6] += line.moment
            self.gram[0, 4:6, -1] += line.moment
            most[0] += line.moment @ np.linalg.pinv(line.gram, hermitian=True) @ line.moment
        self._unit = 1.0 / np.sqrt(np.maximum(most, 1e-300))
        self._shapes = slice(self._alone, self._alone + 1 + count)
        self._kinds = _kinds_of(shape)
        kinds, _, unknowns = self._kinds.shape
        through = self.gram[:, :, self._shapes] @ self._kinds.transpose(1, 0, 2).reshape(1 + count, -1)
        half = through.reshape(*self.gram.shape[:2], kinds, unknowns).transpose(0, 2, 1, 3)
        left = [sides.light_slope_sd_per_px for sides in plateaus]
        widest = LIGHT_SD[-1] / self.across_unit_px
        left_per_px = np.where([own is None for own in left], widest, [own or 0.0 for own in left])
        light_sd = np.tile(LIGHT_SD, (len(left), 1))
        light_sd[:, -1] = np.clip(left_per_px * self.across_unit_px, _LEAST_KNOWN, LIGHT_SD[-1])
        self._prior_sd = self._priors(levels, along_sd, light_sd, None if line is None else line.prior_sd)
        self._cores = self._eliminated(half)
        self._half = half[:, :, self._shapes.stop :].copy()

    def _priors(
        self, levels: FloatArray, along_sd: FloatArray, light_sd: FloatArray, line_sd: FloatArray | None
    ) -> FloatArray:
        """Prior sd of a kind's unknowns under each light, the free-form ones at their widest."""
        step = self.step[:, None]
        first, last = self._alone, self._alone + self._kinds.shape[2]
        sd = np.empty((len(levels), len(LIGHT_SD), last + 2 + self.gram.shape[1] - self._shapes.stop - 3))
        sd[:] = step[:, None]
        sd[:, :, 0] *= _VAGUE
        sd[:, :, first] *= _VAGUE
        sd[:, :, 1] *= _SHIFT_SD_PX
        sd[:, :, 2:4] = np.maximum(along_sd, 1e-5 * step)[:, None]
        if line_sd is not None:
            sd[:, :, 4:first] = line_sd
        # What lights unevenly takes the same part of both levels, so the dark side shows less of it.
        dark_part = np.clip(levels[:, :1] / np.maximum(levels[:, 1:], 1e-300), 0.0, 1.0)
        sd[:, :, -2] = np.maximum(light_sd * dark_part, LIGHT_SD[0]) * step
        sd[:, :, -1] = light_sd * step
        sd[:, :, last:-2] *= SIZE_SD[-1]
        return sd

    def _eliminated(self, half: FloatArray) -> "_Cores":
        """Core of every region under every kind; `half` are the normal equations of each kind's own unknowns."""
        regions, (kinds, _, unknowns) = len(self.gram), self._kinds.shape
        count, tail = self._alone + unknowns, slice(-_TAIL, None)
        alone, own = slice(0, self._alone), slice(self._alone, count)
        matrix = np.zeros((regions, kinds, count + _TAIL, count + _TAIL))
        matrix[:, :, alone, alone] = self.gram[:, None, alone, alone]
        matrix[:, :, own, alone] = half[:, :, alone].transpose(0, 1, 3, 2)
        matrix[:, :, own, own] = self._kinds.transpose(0, 2, 1) @ half[:, :, self._shapes]
        matrix[:, :, count:, alone] = self.gram[:, None, tail, alone]
        matrix[:, :, count:, own] = half[:, :, tail]
        matrix[:, :, count:, count:] = self.gram[:, None, tail, tail]
        scale = np.concatenate(
            [self._prior_sd[:, 0, :count], self._prior_sd[:, -1, -2:], self._unit[:, None]], axis=1
        )
        matrix *= scale[:, None, :, None]
        matrix *= scale[:, None, None]
        diagonal = np.arange(count + _TAIL)
        matrix[..., diagonal, diagonal] += 1.0
        matrix[..., -1, -1] = _BEYOND
        factor = np.linalg.cholesky(matrix)
        return _Cores(factor[..., :count, :count], factor[..., count:, :count] / scale[:, None, count:, None])

    def _rest(self, region: Places, kind: Places, inverse: FloatArray | None = None) -> "_Rest":
        """What is left of light and moments once the core is eliminated; with its inverse, of the free form, too."""
        left, tail = self._cores.left[region, kind], slice(-_TAIL, None)
        if inverse is not None:
            tail = slice(self._shapes.stop, None)
            free = slice(self._shapes.stop, -_TAIL)
            across = np.concatenate(
                [self.gram[region, free, : self._alone], self._half[region, kind, :-_TAIL]], axis=2
            )
            across *= self._prior_sd[region, 0, None, : across.shape[2]]
            left = np.concatenate([across @ inverse.transpose(0, 2, 1), left], axis=1)
        return _Rest(left, self.gram[region, tail, tail] - left @ left.transpose(0, 2, 1), self._unit[region])

    def _rest_sd(self, region: Places, light: Places | int, size: Places | int) -> FloatArray:
        """Prior sd of the free-form unknowns at some sizes, and of the light across."""
        sd = self._prior_sd[region, light, self._alone + self._kinds.shape[2] :]
        sd[:, :-2] *= (np.array(SIZE_SD) / SIZE_SD[-1])[size, None]
        return sd

    def log_evidence(self, log_common: FloatArray) -> FloatArray:
        """Logarithm of the data's probability under every combination that may matter, up to a constant.

        `log_common` says how common each pair of kind and light is; the result has shape (regions, kinds, lights,
        sizes), minus infinity where a combination was not tried.
        """
        regions, kinds, lights = len(self.gram), *log_common.shape
        evidence = np.full((regions, kinds, lights, len(SIZE_SD)), -np.inf)
        core = -np.log(self._cores.factor.diagonal(axis1=2, axis2=3)).sum(axis=2)
        region, kind = np.divmod(np.arange(regions * kinds), kinds)
        plain = self._rest(region, kind)
        for each in range(lights):
            sd = self._prior_sd[region, each, -2:]
            evidence[region, kind, each, 0] = core[region, kind] + plain.log_evidence(sd)
        score = evidence[..., 0] + log_common
        ranked = np.argsort(-score.reshape(regions, -1), axis=1)[:, :_LIKELY].ravel()
        region = np.repeat(np.arange(regions), _LIKELY)
        kind, light = np.divmod(ranked, lights)
        # One kind under two lights is one.
        unlike, place = np.unique(region * kinds + kind, return_inverse=True)
        whose = np.divmod(unlike, kinds)
        full = _Rest(*(own[place] for own in self._rest(*whose, _inverted(self._cores.factor[whose]))))
        for size in range(1, len(SIZE_SD)):
            free = full.log_evidence(self._rest_sd(region, light, size))
            evidence[region, kind, light, size] = core[region, kind] + free
        return evidence

    def solved(self, which: Places) -> Solutions:
        """Solve for some combinations: `which` holds their regions, kinds, lights and sizes, shape (4, n)."""
        spread: list[FloatArray] = [np.empty(0)] * which.shape[1]
        line_spread = spread.copy()
        mean = np.empty((len(spread), LEVELS + self.shape.fine.modes.shape[1]))
        line, used = np.empty((len(spread), self._alone - len(_ALONE))), np.empty(len(spread))
        for free in (False, True):
            places = np.flatnonzero((which[3] > 0) == free)
            if places.size:
                solved = self._solved(which[:, places], free=free)
                mean[places], used[places], line[places] = solved.mean, solved.used, solved.line
                for place, own, turned in zip(places, solved.spread, solved.line_spread, strict=True):
                    spread[place], line_spread[place] = own, turned
        return Solutions(mean, spread, used, line, line_spread)

    def _solved(self, which: Places, *, free: bool) -> Solutions:
        region, kind, light, size = which
        core = _inverted(self._cores.factor[region, kind])
        rest = self._rest(region, kind, core if free else None)
        sd = self._rest_sd(region, light, size) if free else self._prior_sd[region, light, -2:]
        factor = rest.factor(sd)
        last = _inverted(factor[:, :-1, :-1])
        count = core.shape[1]
        inverse = np.zeros((len(sd), count + sd.shape[1], count + sd.shape[1]))
        inverse[:, :count, :count], inverse[:, count:, count:] = core, last
        inverse[:, count:, :count] = last @ ((-sd[:, :, None] * rest.left[:, :-1]) @ core)
        used = inverse.shape[1] - np.einsum("bij,bij->b", inverse, inverse)
        inverse *= np.concatenate([self._prior_sd[region, 0, :count], sd], axis=1)[:, None]
        moment = np.concatenate([rest.left[:, -1], factor[:, -1, :-1] / rest.unit[:, None]], axis=1)
        root = inverse.transpose(0, 2, 1)
        spread, turned = self._spread(kind, root), root[:, len(_ALONE) : self._alone]
        return Solutions(
            (spread @ moment[:, :, None])[:, :, 0],
            list(spread),
            used,
            (turned @ moment[:, :, None])[:, :, 0],
            list(turned),
        )

    def _spread(self, kind: Places, root: FloatArray) -> FloatArray:
        """From the unknowns' spread to that of levels, principal and free-form shapes."""
        first, last = self._alone, self._alone + self._kinds.shape[2]
        shapes = self._kinds.shape[1] - 1
        spread = np.zeros((len(root), LEVELS + self.shape.fine.modes.shape[1], root.shape[2]))
        spread[:, _ALONE] = root[:, : len(_ALONE)]
        spread[:, _ACROSS] = root[:, -2:]
        held = self._kinds[kind] @ root[:, first:last]
        spread[:, _STEP], spread[:, LEVELS : LEVELS + shapes] = held[:, 0], held[:, 1:]
        free = root[:, last:-2]
        spread[:, LEVELS + shapes : LEVELS + shapes + free.shape[1]] = free
        return spread

    def chi2(self, region: Places, mean: FloatArray, line: FloatArray) -> FloatArray:
        """Weighted squared residual of each region's bins for these coefficients."""
        parts = [mean[:, _ALONE], line, mean[:, [_STEP]], mean[:, LEVELS:], mean[:, _ACROSS]]
        vector = np.concatenate([*parts, np.full((len(mean), 1), -1.0)], axis=1)
        through = (self.gram[region] @ vector[:, :, None])[:, :, 0]
        return np.asarray((vector * through).sum(axis=1), np.float64)


class _Cores(NamedTuple):
    """Cholesky factors of systems I + S G S without the unknowns whose prior varies: (regions, kinds, ...)."""

    factor: FloatArray
    left: FloatArray
    """Rows of light and moments that stand below the factor, in units of their own."""


class _Rest(NamedTuple):
    """What elimination leaves of some systems: unknowns whose prior varies, then the moments."""

    left: FloatArray
    corner: FloatArray
    unit: FloatArray
    """One over the root of the values' square."""

    def factor(self, sd: FloatArray) -> FloatArray:
        """Cholesky factors under one prior sd of each unknown; a last row holds the moments."""
        scale = np.concatenate([sd, self.unit[:, None]], axis=1)
        matrix = self.corner * scale[:, :, None]
        matrix *= scale[:, None]
        diagonal = np.arange(scale.shape[1])
        matrix[:, diagonal, diagonal] += 1.0
        matrix[:, -1, -1] = _BEYOND
        return np.asarray(np.linalg.cholesky(matrix), np.float64)

    def log_evidence(self, sd: FloatArray) -> FloatArray:
        """Evidence under such a prior, but for the core's pivots."""
        factor = self.factor(sd)
        told = np.square(self.left[:, -1]).sum(axis=1)
        told += np.square(factor[:, -1, :-1] / self.unit[:, None]).sum(axis=1)
        pivots = factor.diagonal(axis1=1, axis2=2)[:, :-1]
        return np.asarray(0.5 * told - np.log(pivots).sum(axis=1), np.float64)


_TAIL: Final = 3
"""Columns that stand last: the light across, and the values."""
_BEYOND: Final = 2.0
"""In place of the values' square, 1: more than any fit explains, so that the factor exists."""


def _inverted(factors: FloatArray) -> FloatArray:
    """Invert lower triangles."""
    inverse = np.empty(factors.shape)
    for place, factor in enumerate(factors):
        # Lower halves in rows are upper halves in columns, as LAPACK stores them.
        inverse[place] = lapack.dtrtri(factor.T)[0].T
    return inverse


def _kinds_of(shape: PriorShape) -> FloatArray:
    """From each kind's unknowns to the step and the principal shapes: (kinds, columns, unknowns)."""
    kinds, shapes, rank = shape.kind_factor.shape
    into = np.zeros((kinds, 1 + shapes, 1 + rank))
    into[:, 0, 0] = 1.0
    into[:, 1:, 0] = shape.kind_mean
    into[:, 1:, 1:] = shape.kind_factor
    return into
