"""How sharp each zone of the picture is, with an interval for this one photograph."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import inf, isfinite, nan, sqrt
from statistics import fmean
from typing import Final

import numpy as np
from scipy.special import stdtrit

from lensbench.model.flags import Severity, worst
from lensbench.model.shot import ZONES, ChartEdge, Direction, Edge, ZoneFigure
from lensbench.shot.geometry import zone_of

_THIRDS: Final = tuple(zone for zone in ZONES if zone != "frame")
_COVERAGE: Final = 0.975
_ENDLESS: Final = 1e6
"""Degrees of freedom that stand for infinitely many."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mean:
    """A mean, its variance and how well that is known."""

    value: float
    variance: float
    degrees: float = inf


def is_usable(chart_edge: ChartEdge) -> bool:
    """Tell whether an edge goes into the summary: measured, and without a flag that rejects it."""
    return chart_edge.edge.measured and worst(chart_edge.edge.flags) is not Severity.REJECT


def summarise(edges: Sequence[ChartEdge], size_px: tuple[int, int]) -> dict[str, ZoneFigure]:
    """Give the figure of every zone, and of the frame.

    In a third the sagittal and the tangential mean count equally; oblique edges stand in only where it has
    neither. The frame is the plain mean of its thirds, and NaN where one of them has no figure; so are its sagittal
    and its tangential figure. The interval of 95 % is this photograph's own: from the spread between edges, or from
    their stated standard deviations where these are larger; it says nothing about focusing anew.

    Parameters
    ----------
    edges : sequence of ChartEdge
        All edges of one photograph.
    size_px : (rows, columns)
        Of the picture.

    Returns
    -------
    dict
        inner, middle, outer and frame; NaN figures where there is nothing to go by.
    """
    sound = [edge for edge in edges if is_usable(edge)]
    thirds = {
        zone: _zone([edge for edge in sound if zone_of(edge.image_height, size_px) == zone])
        for zone in _THIRDS
    }
    return {zone: figure for zone, (figure, _) in thirds.items()} | {"frame": _frame(list(thirds.values()))}


def _zone(edges: list[ChartEdge]) -> tuple[ZoneFigure, _Mean | None]:
    groups = {direction: [edge for edge in edges if edge.direction is direction] for direction in Direction}
    means = {direction: _mean(group) for direction, group in groups.items()}
    sagittal, tangential = means[Direction.SAGITTAL], means[Direction.TANGENTIAL]
    used = [mean for mean in (sagittal, tangential) if mean is not None]
    counted = len(groups[Direction.SAGITTAL]) + len(groups[Direction.TANGENTIAL])
    if not used:
        used = [mean for mean in (means[Direction.OBLIQUE],) if mean is not None]
        counted = len(groups[Direction.OBLIQUE])
    whole = _weighted([(1.0 / len(used), mean) for mean in used]) if used else None
    figure = _figure(
        whole,
        edges=counted,
        sagittal=nan if sagittal is None else sagittal.value,
        tangential=nan if tangential is None else tangential.value,
    )
    return figure, whole


def _mean(group: list[ChartEdge]) -> _Mean | None:
    if not group:
        return None
    values = np.array([edge.edge.mtf50_cypx for edge in group])
    own = np.nan_to_num(np.array([edge.edge.mtf50_sd_cypx for edge in group]))
    own_variance = float((own**2).sum()) / len(group) ** 2
    if len(group) == 1:
        return _Mean(value=float(values[0]), variance=own_variance)
    spread_variance = float(values.var(ddof=1)) / len(group)
    if own_variance >= spread_variance:
        return _Mean(value=float(values.mean()), variance=own_variance)
    return _Mean(value=float(values.mean()), variance=spread_variance, degrees=len(group) - 1.0)


def _weighted(parts: Iterable[tuple[float, _Mean]]) -> _Mean:
    """Add weighted means; degrees of freedom after Welch 1947, Biometrika 34:28, eq. 28."""
    parts = list(parts)
    variances = [weight**2 * mean.variance for weight, mean in parts]
    doubt = sum(v**2 / mean.degrees for v, (_, mean) in zip(variances, parts, strict=True))
    return _Mean(
        value=sum(weight * mean.value for weight, mean in parts),
        variance=sum(variances),
        degrees=sum(variances) ** 2 / doubt if doubt > 0.0 else inf,
    )


def _frame(thirds: Sequence[tuple[ZoneFigure, _Mean | None]]) -> ZoneFigure:
    figures, means = [figure for figure, _ in thirds], [mean for _, mean in thirds if mean is not None]
    whole = _weighted([(1.0 / len(thirds), mean) for mean in means]) if len(means) == len(thirds) else None
    return _figure(
        whole,
        edges=sum(figure.edges for figure in figures),
        sagittal=fmean(figure.sagittal_cypx for figure in figures),
        tangential=fmean(figure.tangential_cypx for figure in figures),
    )


def _figure(mean: _Mean | None, *, edges: int, sagittal: float, tangential: float) -> ZoneFigure:
    if mean is None:
        return ZoneFigure(
            mtf50_cypx=nan, ci95_cypx=(nan, nan), edges=0, sagittal_cypx=nan, tangential_cypx=nan
        )
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
    """Give the mean of any figure of the edges for every zone and the frame, weighted as in `summarise`.

    Parameters
    ----------
    figure : callable
        Reads it off an edge; None or NaN leaves the edge out.

    Returns
    -------
    dict
        inner, middle, outer and frame; NaN where no edge has the figure.
    """
    thirds: dict[str, dict[Direction, list[float]]] = {zone: {} for zone in _THIRDS}
    for edge in edges:
        value = figure(edge.edge) if is_usable(edge) else None
        if value is not None and isfinite(value):
            thirds[zone_of(edge.image_height, size_px)].setdefault(edge.direction, []).append(value)
    means = {zone: _mean_of_directions(groups) for zone, groups in thirds.items()}
    return means | {"frame": fmean(means.values())}


def _mean_of_directions(groups: dict[Direction, list[float]]) -> float:
    means = {direction: sum(values) / len(values) for direction, values in groups.items()}
    oblique = means.pop(Direction.OBLIQUE, nan)
    return sum(means.values()) / len(means) if means else oblique
