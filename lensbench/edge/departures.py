"""What light thrown aside could do to an edge's figures: second images, smears, rings, discs, which no kind holds.

A pane, a filter or a shaken camera throws a part s of the light to other places, a lens with dust, ghosts or scatter
lays it in rings, discs and round haloes of any profile: the ESF departs by s times the difference between copies laid
where that light falls and the edge itself. Beside the fit of an edge many such departures are weighed, each with one
unknown s >= 0 (half a Gaussian of one of three widths): the evidence of each, and the means of s and of its square,
follow in closed form from what the fit leaves over and from what its columns could take up (Rasmussen and Williams,
2006, chapter 2: one column more). So it is known how far each moves MTF50 beyond what the shapes took in; its square,
averaged over all with their probabilities, is a variance of the figure (Hoeting et al., Statistical Science 14, 382
(1999)). A departure too small to be seen weighs as its prior does, with all that may hide in the noise.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from scipy import special

from lensbench.edge.columns import level_columns, light_along, rows, variance
from lensbench.edge.curves import Curves, mtf_gradients, mtf_moved
from lensbench.edge.posterior import SHARES, likeliest
from lensbench.edge.region import RefinedFit
from lensbench.edge.samples import stack_bins
from lensbench.edge.shapes import MIDDLES, SHAPE_GRID_CYPX, SIZE, ComplexArray, prior_shape
from lensbench.model.shot import BoolArray
from lensbench.model.units import FloatArray
from lensbench.optics import gaussian_sigma_px

_ROUND: Final = "round"
_COMMON: Final = {"image": 0.04, "images": 0.02, "smear": 0.02, "shake": 0.01, "half": 0.02}
"""How common each departure is, for a lone edge that no plain lens explains."""
_NONE: Final = 1.0 - sum(_COMMON.values())
_ROUND_COMMON: Final = 0.9
"""The same of round ones, beside those: nearly as common as none, for no two lenses scatter alike."""
_IMAGES: Final = ("image", "images")
_SIZES: Final[FloatArray] = np.array([0.01, 0.03, 0.1])
"""Prior sizes of the light thrown aside, as parts of the whole; each as common as the others."""
_NEAREST_SIGMAS: Final = 1.5
_FURTHEST_SIGMAS: Final = 30.0
_APART_SIGMAS: Final = 0.8
_GROWTH: Final = 0.1
"""Places of the light thrown aside, in sigmas of the blur: so far apart, further out by a part of the distance."""
_ROUND_SIGMAS: Final = (2.0, 3.5, 6.0, 10.0, 17.0)
_ROUND_PLACES: Final = 48
_PLAIN: Final = 2
"""Kinds, the first ones, that a good lens makes."""
_WHOLE: Final = 3
"""Kinds, the first ones, of a lens alone, with aberrations; the others are haloes and tails."""
_SMALL: Final = 2
"""Free-form sizes, the first ones, that a good lens may need."""
_LEAST_STRANGE: Final = 0.5
_LEAST_THROWN: Final = 0.9
_LEAST_FREE: Final = 0.05
_LEAST_MISFIT_SDS: Final = 1.0
"""Edges are looked at that other kinds explain better, for round departures; for all others, too, if these kinds are
haloes or tails, or need the free form as well, or leave something over."""
_LEAST_TOLD: Final = 1e-4
"""Of what the samples tell of a departure, the part that the columns must leave."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """What light thrown aside may do to an edge."""

    doubt: float = 0.0
    """Sd that it adds to MTF50, relative to it."""
    probability: float = 0.0
    """That there are second images; smears and half haloes may be a fast lens's own flare."""


@dataclass(frozen=True, slots=True, eq=False)
class _Departures:
    """All departures of edges of one prior shape, per unit of the light thrown aside."""

    log_common: FloatArray
    samples: FloatArray  # shape (3, departures, bins of the fit): the ESF's change, with two derivatives
    otf: ComplexArray  # on the prior shape's own grid
    is_image: BoolArray
    is_round: BoolArray
    furthest_px: FloatArray  # from the edge, but for the last twentieth of the light


def departures_of(fits: Sequence[RefinedFit], curves: Sequence[Curves]) -> list[Departure]:
    """What light thrown aside may do to each of some edges, all of one prior shape, with their curves."""
    found = [Departure()] * len(fits)
    systems: dict[int, list[int]] = {}
    strange, shows = _strange(fits)
    for place in np.flatnonzero(strange).tolist():
        if np.isfinite(curves[place].mtf_cypx[0]):
            systems.setdefault(id(fits[place].weighed.system), []).append(place)
    for places in systems.values():
        own = _weighed([fits[place] for place in places], [curves[place] for place in places], shows[places])
        for place, departure in zip(places, own, strict=True):
            found[place] = departure
    return found


def _strange(fits: Sequence[RefinedFit]) -> tuple[BoolArray, BoolArray]:
    """Whether each edge is one that no good lens makes, and whether it shows more than aberrations.

    Edges of files, and ragged ones, have errors of their own.
    """
    evidence = np.stack([fit.weighed.log_evidence for fit in fits])
    share = np.exp(evidence - evidence.max(axis=(1, 2, 3), keepdims=True)).sum(axis=2) * SHARES
    share /= share.sum(axis=(1, 2), keepdims=True)
    strange = 1.0 - share[:, :_PLAIN, :_SMALL].sum(axis=(1, 2))
    free, thrown = share[:, :, _SMALL:].sum(axis=(1, 2)), share[:, _WHOLE:].sum(axis=(1, 2))
    misfit = np.array([fit.posterior.misfit_sds for fit in fits])
    asked = np.array([fit.points.is_sensor and fit.ragged is None for fit in fits])
    shows = (thrown > _LEAST_THROWN) | (free > _LEAST_FREE) | (misfit > _LEAST_MISFIT_SDS)
    return np.asarray(asked & (strange > _LEAST_STRANGE), np.bool_), np.asarray(shows, np.bool_)


def _weighed(fits: Sequence[RefinedFit], curves: Sequence[Curves], every: BoolArray) -> list[Departure]:
    """Weigh departures, every one or the round ones, beside the fits of one system."""
    shape, span = fits[0].posterior.shape, slice(0, MIDDLES.size)
    which, weight, starts = likeliest([fit.weighed for fit in fits], SHARES)
    solved = fits[0].weighed.system.solved(which)
    plateaus = [fit.plateaus for fit in fits]
    bins = stack_bins([fit.bins for fit in fits], shape.step_px)
    levels = level_columns(bins, shape.fitted, span)
    columns = np.concatenate([levels, rows(bins, shape.fitted.modes, span)], axis=1)
    told = bins.count / variance(plateaus, levels[:, 1], shape.fitted.position_px)
    value = bins.value - light_along(bins, plateaus, span, levels[:, 1])[0]
    line = fits[0].weighed.system.line
    found = []
    for i, (fit, its) in enumerate(zip(fits, curves, strict=True)):
        table = _departures(shape.index, every=bool(every[i]))
        departed = fit.posterior.step * rows(bins, table.samples, span, slice(i, i + 1))[0]
        weighted = departed * told[i]
        through = columns[i] @ weighted.T
        turned = np.zeros((0, len(departed))) if line is None else line.columns[:, MIDDLES] @ weighted.T
        gradient = mtf_gradients(fit.posterior, np.array(its.mtf_cypx[:1]))[0] / its.mtf_cypx[0]
        alone = mtf_moved(fit.posterior, its.mtf_cypx[0], table.otf) / its.mtf_cypx[0]
        whole = np.einsum("kb,kb->k", weighted, departed)
        own = slice(starts[i], starts[i + 1])
        taken = [
            spread.T @ through + line_spread.T @ turned
            for spread, line_spread in zip(solved.spread[own], solved.line_spread[own], strict=True)
        ]
        left = whole - np.array([np.einsum("ij,ij->j", part, part) for part in taken])
        sure = left > _LEAST_TOLD * whole
        rest = (value[i] - solved.mean[own] @ columns[i]) @ weighted.T
        beside = _Beside(
            weight=weight[own],
            told=np.where(sure, left, _LEAST_TOLD * whole),
            moment=np.where(sure, rest, 0.0),
            moved=alone
            - [gradient @ spread @ part for spread, part in zip(solved.spread[own], taken, strict=True)],
            apart=(solved.mean[own] - fit.posterior.coefficient) @ gradient,
        )
        # Light beyond the region is in both plateaus, and not in the figure.
        common = np.where(table.furthest_px < fit.reach_px, table.log_common, -np.inf)
        found.append(_averaged(table, common, beside))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Beside:
    """Departures beside each combination: what the samples tell of them, and how they move MTF50, relative to it."""

    weight: FloatArray
    told: FloatArray
    """Precision of the light thrown aside, once the columns have taken what they can: (combinations, departures)."""
    moment: FloatArray
    moved: FloatArray
    apart: FloatArray
    """By how much each combination's own figure differs from the average."""


def _averaged(table: _Departures, log_common: FloatArray, beside: _Beside) -> Departure:
    """Average over combinations, departures and sizes, and over there being none."""
    precision = beside.told[:, None] + _SIZES[:, None] ** -2.0
    root = np.sqrt(precision)
    z = beside.moment[:, None] / root
    above = special.log_ndtr(z)
    # Of a Gaussian about z cut off below zero, in its own sd: the mean, and with it the mean square.
    half = 0.5 * z * z
    mean = z + np.exp(-half - above) / np.sqrt(2.0 * np.pi)
    prior = np.log(2.0 * beside.weight / _SIZES.size)[:, None, None] - np.log(_SIZES)[:, None]
    log = prior + log_common + (above + half - np.log(root))
    rest = np.log(beside.weight * _NONE)
    largest = max(float(log.max()), float(rest.max()))
    share = np.exp(log - largest)
    share /= float(share.sum() + np.exp(rest - largest).sum())
    unit = beside.moved[:, None] / root
    square = share * ((1.0 + z * mean) * np.square(unit) + 2.0 * beside.apart[:, None, None] * mean * unit)
    # Round departures beside them leave the others, and second images, as sure as they are.
    others = max(1.0 - float(share[..., table.is_round].sum()), 1e-9)
    apart_from_round = float(square[..., ~table.is_round].sum()) / others
    return Departure(
        doubt=float(np.sqrt(max(float(square.sum()), apart_from_round, 0.0))),
        probability=float(share[..., table.is_image].sum()) / others,
    )


@lru_cache(maxsize=2 * len(SHAPE_GRID_CYPX))
def _departures(index: int, *, every: bool) -> _Departures:
    shape = prior_shape(index)
    step, own = shape.step_px, shape.own_frequency_cypx
    mean = shape.fine.mean
    samples, otf, common, furthest = [], [], [], []
    drawn = _drawn(gaussian_sigma_px(shape.mtf50_cypx) / step)
    kinds = [departure for departure in drawn if every or departure[0] == _ROUND]
    number = Counter(kind for kind, _, _ in kinds)
    for kind, places, light in kinds:
        to = np.rint(places).astype(np.intp)
        at = MIDDLES - to[:, None]
        copies = mean[:, np.clip(at, 0, SIZE - 1)]
        copies[1:, (at < 0) | (at >= SIZE)] = 0.0
        samples.append(np.einsum("p,spb->sb", light, copies) - mean[:, MIDDLES])
        otf.append(light @ np.exp(-2j * np.pi * np.outer(to * step, own)) - 1.0)
        common.append(np.log(_COMMON.get(kind, _ROUND_COMMON) / number[kind]))
        furthest.append(step * float(np.abs(places[np.searchsorted(np.cumsum(light), 0.95)])))
    changes = np.array(samples).transpose(1, 0, 2)
    is_image = np.array([kind in _IMAGES for kind, _, _ in kinds])
    passed = np.array(otf) * shape.mean_otf[: own.size]
    is_round = np.array([kind == _ROUND for kind, _, _ in kinds])
    return _Departures(np.array(common), changes, passed, is_image, is_round, np.array(furthest))


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
    for places in _round_places():
        for far in _ROUND_SIGMAS:
            yield _ROUND, sigma * far * places, np.full(_ROUND_PLACES, 1.0 / _ROUND_PLACES)


def _round_places() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Places of equal parts of the light along the normal, of a ring, an even disc and (1 + r^2)^-3, each of radius 1.

    Seen along an edge their line spreads are (1 - x^2)^(-1/2), (1 - x^2)^(1/2) and (1 + x^2)^(-5/2), Student's t of
    four degrees (Abel's integral).
    """
    part = (np.arange(_ROUND_PLACES) + 0.5) / _ROUND_PLACES
    x = np.linspace(-1.0, 1.0, 2001)
    disc = np.interp(part, 0.5 + (x * np.sqrt(1.0 - x * x) + np.arcsin(x)) / np.pi, x)
    return -np.cos(np.pi * part), disc, np.asarray(0.5 * special.stdtrit(4.0, part), np.float64)
