"""How sharp each zone of the picture is, with an interval for this one photograph."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf, nan, sqrt
from statistics import fmean
from typing import Final

import numpy as np
from scipy.special import stdtrit

from lensbench.model.errors import Severity, worst
from lensbench.model.shot import ZONES, ChartEdge, Direction, Edge, ZoneFigure
from lensbench.model.units import FloatArray
from lensbench.shot.geometry import zone_of

_THIRDS: Final = tuple(zone for zone in ZONES if zone != "frame")
_COVERAGE: Final = 0.975
_ENDLESS: Final = 1e6  # degrees of freedom that stand for infinitely many


@dataclass(frozen=True, slots=True)
class _Mean:
    """A mean, its variance and how well that is known; NaN where there is nothing to go by."""

    value: float
    variance: float
    degrees: float = inf


_NULL_CYPX: Final = 1.0
"""A square pixel passes nothing of this frequency (derived): half of the contrast there is an error, as of regions of
some ten pixels."""


def is_usable(chart_edge: ChartEdge) -> bool:
    """Tell whether an edge goes into the summary: measured, possible, and without a flag that rejects it."""
    edge = chart_edge.edge
    return (
        edge.measured
        and edge.mtf50_cypx < _NULL_CYPX
        and not (edge.flags and worst(edge.flags) is Severity.REJECT)
    )


def summarise(edges: Sequence[ChartEdge], size_px: tuple[int, int]) -> dict[str, ZoneFigure]:
    """Figure of every zone, inner, middle and outer, and of the frame; NaN where there is nothing to go by.

    In a third the sagittal and the tangential mean count equally; oblique edges stand in only where it has neither. The
    frame is the plain mean of its thirds, and NaN where one of them has no figure; so are its sagittal and its
    tangential figure. The interval of 95 % is this photograph's own: from the spread between edges, or from their
    stated standard deviations where these are larger; it says nothing about focusing anew.
    """
    sound = [edge for edge in edges if is_usable(edge)]
    thirds = {
        zone: _zone([edge for edge in sound if zone_of(edge.image_height, size_px) == zone])
        for zone in _THIRDS
    }
    figures, means = zip(*thirds.values(), strict=True)
    frame = _figure(
        _weighted(means),
        edges=sum(figure.edges for figure in figures) if all(figure.edges for figure in figures) else 0,
        sagittal=fmean(figure.sagittal_cypx for figure in figures),
        tangential=fmean(figure.tangential_cypx for figure in figures),
    )
    return {**dict(zip(thirds, figures, strict=True)), "frame": frame}


def _zone(edges: list[ChartEdge]) -> tuple[ZoneFigure, _Mean]:
    sagittal, tangential, oblique = (
        [edge for edge in edges if edge.direction is direction]
        for direction in (Direction.SAGITTAL, Direction.TANGENTIAL, Direction.OBLIQUE)
    )
    used = [group for group in (sagittal, tangential) if group] or [oblique]
    whole = _weighted([_mean(group) for group in used])
    figure = _figure(
        whole, edges=sum(map(len, used)), sagittal=_mean(sagittal).value, tangential=_mean(tangential).value
    )
    return figure, whole


def _mean(group: list[ChartEdge]) -> _Mean:
    if not group:
        return _Mean(nan, nan)
    values = np.array([edge.edge.mtf50_cypx for edge in group])
    own = np.nan_to_num(np.array([edge.edge.mtf50_sd_cypx for edge in group]))
    own_variance = float((own**2).sum()) / len(group) ** 2
    spread_variance = float(values.var(ddof=1)) / len(group) if len(group) > 1 else 0.0
    if own_variance >= spread_variance:
        return _Mean(float(values.mean()), own_variance)
    return _Mean(float(values.mean()), spread_variance, len(group) - 1.0)


def _weighted(means: Sequence[_Mean]) -> _Mean:
    """Give the plain mean of means; degrees of freedom after Welch 1947, Biometrika 34:28, eq. 28."""
    weight = 1.0 / len(means)
    variances = [weight**2 * mean.variance for mean in means]
    doubt = sum(v**2 / mean.degrees for v, mean in zip(variances, means, strict=True))
    return _Mean(
        value=sum(weight * mean.value for mean in means),
        variance=sum(variances),
        degrees=sum(variances) ** 2 / doubt if doubt > 0.0 else inf,
    )


def _figure(mean: _Mean, *, edges: int, sagittal: float, tangential: float) -> ZoneFigure:
    half = float(stdtrit(min(mean.degrees, _ENDLESS), _COVERAGE)) * sqrt(mean.variance)
    return ZoneFigure(
        mtf50_cypx=mean.value,
        ci95_cypx=(mean.value - half, mean.value + half),
        edges=edges,
        sagittal_cypx=sagittal,
        tangential_cypx=tangential,
    )


def mean_by_zone(
    edges: Sequence[ChartEdge], size_px: tuple[int, int], *, figure: Callable[[Edge], float | None]
) -> dict[str, float]:
    """Mean of any figure of the edges for every zone and the frame, weighted as in `summarise`.

    `figure` reads it off an edge; None or NaN leaves the edge out. NaN where no edge has the figure.
    """
    usable = [edge for edge in edges if is_usable(edge)]
    figures = np.array([figure(edge.edge) for edge in usable], np.float64)
    return {zone: float(mean) for zone, mean in means_by_zone(usable, size_px, figures).items()}


def means_by_zone(
    usable: Sequence[ChartEdge], size_px: tuple[int, int], figures: FloatArray
) -> dict[str, FloatArray]:
    """The same for figures at hand, of shape (edges, ...); what is not finite is left out."""
    zones = np.array([zone_of(edge.image_height, size_px) for edge in usable])
    directions = np.array([edge.direction for edge in usable])
    means = {}
    for zone in _THIRDS:
        sagittal, tangential, oblique = (
            _known_mean(figures[(zones == zone) & (directions == direction)])
            for direction in (Direction.SAGITTAL, Direction.TANGENTIAL, Direction.OBLIQUE)
        )
        both = _known_mean(np.stack([sagittal, tangential]))
        means[zone] = np.where(np.isfinite(both), both, oblique)
    return means | {"frame": np.mean(list(means.values()), axis=0)}


def _known_mean(figures: FloatArray) -> FloatArray:
    """Mean over the first axis of what is finite; NaN where nothing is."""
    known = np.isfinite(figures)
    total = np.where(known, figures, 0.0).sum(axis=0)
    return np.asarray(np.where(known.any(axis=0), total / np.maximum(known.sum(axis=0), 1), nan))
