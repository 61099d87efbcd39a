"""What light thrown aside could do to an edge's figures: second images, smears, half haloes, which no kind holds.

A pane, a filter or a shaken camera throws a part s of the light to other places: the ESF departs by s times the
difference between copies laid where that light falls and the edge itself. Beside the fit of an edge many such
departures are weighed, each with one unknown s >= 0 (half a Gaussian of one of three widths): the evidence of each,
and the means of s and of its square, follow in closed form from what the fit leaves over and from what its columns
could take up (Rasmussen and Williams, 2006, chapter 2: one column more). So it is known how far each moves MTF50
beyond what the shapes took in; its square, averaged over all with their probabilities, is a variance of the figure
(Hoeting et al., Statistical Science 14, 382 (1999)). A departure too small to be seen weighs as its prior does, with
all that may hide in the noise.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from scipy import special

from lensbench.edge.columns import level_columns, rows, variance
from lensbench.edge.curves import Curves, mtf_gradients, mtf_moved
from lensbench.edge.posterior import SHARES, likeliest
from lensbench.edge.region import RefinedFit
from lensbench.edge.samples import stack_bins
from lensbench.edge.shapes import MIDDLES, SHAPE_GRID_CYPX, SIZE, ComplexArray, prior_shape
from lensbench.edge.system import Solutions
from lensbench.model.units import FloatArray
from lensbench.optics import gaussian_sigma_px

_COMMON: Final = {"image": 0.04, "images": 0.02, "smear": 0.02, "shake": 0.01, "half": 0.02}
"""How common each departure is, for a lone edge that no plain lens explains."""
_SIZES: Final[FloatArray] = np.array([0.01, 0.03, 0.1])
"""Prior sizes of the light thrown aside, as parts of the whole; each as common as the others."""
_NEAREST_SIGMAS: Final = 1.5
_FURTHEST_SIGMAS: Final = 30.0
_APART_SIGMAS: Final = 0.8
_GROWTH: Final = 0.1
"""Places of the light thrown aside, in sigmas of the blur: so far apart, further out by a part of the distance."""
_PLAIN: Final = 2
"""Kinds, the first ones, that a good lens makes."""
_SMALL: Final = 2
"""Free-form sizes, the first ones, that a good lens may need."""
_LEAST_STRANGE: Final = 0.5
_LEAST_FREE: Final = 0.05
_LEAST_MISFIT_SDS: Final = 1.0
"""Edges are looked at that other kinds explain better, if they need the free form as well or leave something over."""
_LEAST_TOLD: Final = 1e-4
"""Of what the samples tell of a departure, the part that the columns must leave."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """What light thrown aside may do to an edge."""

    doubt: float = 0.0
    """Sd that it adds to MTF50, relative to it."""
    probability: float = 0.0
    """That there is any."""


@dataclass(frozen=True, slots=True, eq=False)
class _Departures:
    """All departures of edges of one prior shape, per unit of the light thrown aside."""

    log_common: FloatArray
    samples: FloatArray  # shape (3, departures, bins of the fit): the ESF's change, with two derivatives
    otf: ComplexArray  # on the prior shape's own grid


def departures_of(fits: Sequence[RefinedFit], curves: Sequence[Curves]) -> list[Departure]:
    """What light thrown aside may do to each of some edges, all of one prior shape, with their curves."""
    found = [Departure()] * len(fits)
    systems: dict[int, list[int]] = {}
    for place, (fit, its) in enumerate(zip(fits, curves, strict=True)):
        if _is_strange(fit) and np.isfinite(its.mtf_cypx[0]):
            systems.setdefault(id(fit.weighed.system), []).append(place)
    for places in systems.values():
        own = _weighed([fits[place] for place in places], [curves[place] for place in places])
        for place, departure in zip(places, own, strict=True):
            found[place] = departure
    return found


def _is_strange(fit: RefinedFit) -> bool:
    """Whether an edge is one that no good lens makes; those of files, and ragged ones, have errors of their own."""
    if not fit.points.is_sensor or fit.ragged is not None:
        return False
    score = fit.weighed.of_shares + np.log(SHARES)
    share = np.exp(score - score.max())
    share /= share.sum()
    strange = 1.0 - float(share[:_PLAIN, :_SMALL].sum())
    free = float(share[:, _SMALL:].sum())
    left = free > _LEAST_FREE or fit.posterior.misfit_sds > _LEAST_MISFIT_SDS
    return left and strange > _LEAST_STRANGE


def _weighed(fits: Sequence[RefinedFit], curves: Sequence[Curves]) -> list[Departure]:
    """Weigh departures beside the fits of one system."""
    system = fits[0].weighed.system
    which, weight, starts = likeliest([fit.weighed for fit in fits], SHARES)
    solved = system.solved(which)
    table = _departures(system.shape.index)
    return [
        _departure(fit, its, table, solved, weight, range(starts[i], starts[i + 1]))
        for i, (fit, its) in enumerate(zip(fits, curves, strict=True))
    ]


def _departure(
    fit: RefinedFit, curves: Curves, table: _Departures, solved: Solutions, weight: FloatArray, own: range
) -> Departure:
    """One edge's departure; `own` are its combinations among those solved, with their weights."""
    posterior, system = fit.posterior, fit.weighed.system
    shape, span = posterior.shape, slice(0, MIDDLES.size)
    bins = stack_bins([fit.bins], shape.step_px)
    levels = level_columns(bins, shape.fitted, span)
    mean = levels[0, 1]
    columns = np.concatenate([levels, rows(bins, shape.fitted.modes, span)], axis=1)[0]
    weights = bins.count[0] / variance([fit.plateaus], mean[None], shape.fitted.position_px)[0]
    light = fit.plateaus.dark_slope_per_px * (1.0 - mean) + fit.plateaus.bright_slope_per_px * mean
    value = bins.value[0] - light * bins.along_px[0]
    departed = posterior.step * rows(bins, table.samples, span)[0]
    weighted = departed * weights
    told = np.einsum("kb,kb->k", weighted, departed)
    through = columns @ weighted.T
    line = None if system.line is None else system.line.columns[:, MIDDLES] @ weighted.T
    mtf50 = curves.mtf_cypx[0]
    gradient = mtf_gradients(posterior, np.array([mtf50]))[0]
    alone = mtf_moved(posterior, mtf50, table.otf)
    combinations = []
    for k in own:
        spread = solved.spread[k]
        taken = spread.T @ through
        if line is not None:
            taken += solved.line_spread[k].T @ line
        left = told - np.einsum("ij,ij->j", taken, taken)
        sure = left > _LEAST_TOLD * told
        combinations.append(
            _Beside(
                weight=float(weight[k]),
                told=np.where(sure, left, _LEAST_TOLD * told),
                moment=np.where(sure, weighted @ (value - solved.mean[k] @ columns), 0.0),
                moved=(alone - (gradient @ spread) @ taken) / mtf50,
                apart=float(gradient @ (solved.mean[k] - posterior.coefficient)) / mtf50,
            )
        )
    return _averaged(table, combinations)


@dataclass(frozen=True, slots=True, eq=False)
class _Beside:
    """Departures beside one combination: what the samples tell of each, and how it moves MTF50, relative to it."""

    weight: float
    told: FloatArray
    """Precision of the light thrown aside, once the columns have taken what they can."""
    moment: FloatArray
    moved: FloatArray
    apart: float
    """By how much the combination's own figure differs from the average."""


def _averaged(table: _Departures, combinations: Sequence[_Beside]) -> Departure:
    """Average over combinations, departures and sizes, and over there being none."""
    none, logs, squares = [], [], []
    for beside in combinations:
        precision = beside.told + _SIZES[:, None] ** -2.0
        z = beside.moment / np.sqrt(precision)
        above = special.log_ndtr(z)
        # Of a Gaussian about z cut off below zero, in its own sd: the mean, and with it the mean square.
        mean = z + np.exp(-0.5 * z * z - above) / np.sqrt(2.0 * np.pi)
        logs.append(
            np.log(2.0 * beside.weight / _SIZES.size)
            + table.log_common
            + (above + 0.5 * z * z - 0.5 * np.log(precision) - np.log(_SIZES)[:, None])
        )
        unit = beside.moved / np.sqrt(precision)
        squares.append((1.0 + z * mean) * np.square(unit) + 2.0 * beside.apart * mean * unit)
        none.append(np.log(beside.weight * (1.0 - sum(_COMMON.values()))))
    log, rest = np.array(logs), np.array(none)
    largest = max(float(log.max()), float(rest.max()))
    share = np.exp(log - largest)
    share /= float(share.sum() + np.exp(rest - largest).sum())
    square = float((share * np.array(squares)).sum())
    return Departure(doubt=float(np.sqrt(max(square, 0.0))), probability=float(share.sum()))


@lru_cache(maxsize=len(SHAPE_GRID_CYPX))
def _departures(index: int) -> _Departures:
    shape = prior_shape(index)
    step, own = shape.step_px, shape.own_frequency_cypx
    mean = shape.fine.mean
    samples, otf, common = [], [], []
    kinds = list(_drawn(gaussian_sigma_px(shape.mtf50_cypx) / step))
    number = Counter(kind for kind, _, _ in kinds)
    for kind, places, light in kinds:
        to = np.rint(places).astype(np.intp)
        at = MIDDLES - to[:, None]
        copies = mean[:, np.clip(at, 0, SIZE - 1)]
        copies[1:, (at < 0) | (at >= SIZE)] = 0.0
        samples.append(np.einsum("p,spb->sb", light, copies) - mean[:, MIDDLES])
        otf.append(light @ np.exp(-2j * np.pi * np.outer(to * step, own)) - 1.0)
        common.append(np.log(_COMMON[kind] / number[kind]))
    return _Departures(
        np.array(common), np.array(samples).transpose(1, 0, 2), np.array(otf) * shape.mean_otf[: own.size]
    )


def _drawn(sigma: float) -> Iterator[tuple[str, FloatArray, FloatArray]]:
    """Each departure's kind, and where the light falls, with its parts; `sigma` and places in steps of the table."""
    away = [_NEAREST_SIGMAS]
    while away[-1] < _FURTHEST_SIGMAS:
        away.append(away[-1] + max(_APART_SIGMAS, _GROWTH * away[-1]))
    for far in np.array(away):
        for side in (-sigma, sigma):
            yield "image", np.array([side * far]), np.ones(1)
    for far in np.array(away[::2]):
        yield "images", sigma * far * np.array([-1.0, 1.0]), np.full(2, 0.5)
        even = (np.arange(int(far) + 3) + 0.5) / (int(far) + 3)
        light = np.full(even.size, 1.0 / even.size)
        yield "shake", sigma * far * (2.0 * even - 1.0), light
        fading = np.exp(-4.5 * np.square(even))  # half a Gaussian, up to three of its sigmas
        for side in (-sigma, sigma):
            yield "smear", side * far * even, light
            yield "half", side * 3.0 * far * even, fading / fading.sum()
