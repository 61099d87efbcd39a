"""The refined method: lines, noise, shapes, specks and figures of many regions together."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.edge.bins import Bins, Noise, pool
from lensbench.edge.family import HALF
from lensbench.edge.figures import crossings_cypx
from lensbench.edge.line import EdgeLine, fit_lines
from lensbench.edge.points import Points
from lensbench.edge.polish import polished
from lensbench.edge.posterior import Posterior, fit_shapes
from lensbench.edge.shapes import nearest_rung, rung_at
from lensbench.edge.specks import sound_samples
from lensbench.edge.transfer import transfer_of
from lensbench.errors import EdgeError
from lensbench.optics import gaussian_sigma_px
from lensbench.units import FloatArray

__all__ = ["RefinedFit", "fit_refined"]

_OTHER_RUNG: Final = 0.1
"""Change of the logarithm of MTF50 against the rung's beyond which a nearer rung is tried."""
_MOST_RUNGS: Final = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RefinedFit:
    """One region's edge as the refined method sees it, before figures are drawn from it."""

    line: EdgeLine
    noise: Noise
    light_along: tuple[float, float]
    """Slope of the dark and of the bright plateau along the edge, per pixel."""
    bins: Bins
    posterior: Posterior
    reach_px: float
    """Largest distance from the edge in the region."""
    outliers: int
    """Samples left out as specks or hot pixels."""


@dataclass(slots=True, kw_only=True, eq=False)
class _Open:
    """A region under way."""

    place: int
    points: Points
    line: EdgeLine
    distance_px: FloatArray
    along_px: FloatArray
    rung: int
    outliers: int = 0
    fit: RefinedFit | None = None


def fit_refined(regions: Sequence[Points]) -> list[RefinedFit | EdgeError]:
    """Fit the edge in each region; a region without one gives its error."""
    results: list[RefinedFit | EdgeError] = []
    started: list[_Open] = []
    for place, (points, line) in enumerate(zip(regions, fit_lines(regions), strict=True)):
        results.append(EdgeError("not fitted") if isinstance(line, EdgeLine) else line)
        if isinstance(line, EdgeLine):
            started.append(_opened(place, points, line, 0))
    _fit_well(started)
    speckled = [one for one in (_cleaned(open_one) for open_one in started) if one is not None]
    relined = fit_lines([one.points for one in speckled])
    again = [
        _opened(one.place, one.points, line, one.outliers)
        for one, line in zip(speckled, relined, strict=True)
        if isinstance(line, EdgeLine)
    ]
    _fit_well(again)
    for one in [*started, *again]:
        if one.fit is not None:
            results[one.place] = one.fit
    return results


def _opened(place: int, points: Points, line: EdgeLine, outliers: int) -> _Open:
    distance, along = line.distance_px(points)
    rung = nearest_rung(gaussian_sigma_px(1.0) / line.sigma_px)
    return _Open(
        place=place,
        points=points,
        line=line,
        distance_px=distance,
        along_px=along,
        rung=rung,
        outliers=outliers,
    )


def _fit_well(regions: Sequence[_Open]) -> None:
    """Fit all regions; where doubt is left, polish the line first, then try free-form shapes."""
    _fit(regions, free=False)
    doubtful = [one for one in regions if one.fit is not None and one.fit.posterior.doubtful]
    for one in doubtful:
        _polish(one)
    _fit(doubtful, free=True)


def _polish(one: _Open) -> None:
    if one.fit is None:
        return
    fit = (one.fit.posterior, one.fit.bins)
    one.line = polished(one.line, one.distance_px, one.along_px, one.points.value, fit=fit)
    one.distance_px, one.along_px = one.line.distance_px(one.points)


def _fit(regions: Sequence[_Open], *, free: bool) -> None:
    """Fit shapes to all regions, those on one rung together; a region moves to a nearer rung while it helps."""
    pending = list(regions)
    for _ in range(_MOST_RUNGS):
        moving: list[_Open] = []
        for index in sorted({one.rung for one in pending}):
            group = [one for one in pending if one.rung == index]
            _fit_group(group, index, free=free)
            own = rung_at(index).own_frequency_cypx
            fits = [one.fit.posterior for one in group if one.fit is not None]
            sfr = np.abs(np.stack([transfer_of(posterior)[: own.size] for posterior in fits]))
            for one, mtf50 in zip(group, crossings_cypx(own, sfr, 0.5), strict=True):
                better = nearest_rung(float(mtf50))
                far = not abs(np.log(mtf50 / rung_at(index).mtf50_cypx)) < _OTHER_RUNG
                if far and better != index:
                    one.rung = better
                    moving.append(one)
        pending = moving
        if not pending:
            return


def _fit_group(group: Sequence[_Open], index: int, *, free: bool) -> None:
    rung = rung_at(index)
    bins = [pool(one.distance_px, one.along_px, one.points.value, step_px=rung.step_px) for one in group]
    plateaus = [
        own.plateaus(step_px=rung.step_px, sigma_px=one.line.sigma_px, step=one.line.step)
        for own, one in zip(bins, group, strict=True)
    ]
    step = np.array([one.line.step for one in group])
    for one, own, sides, posterior in zip(
        group, bins, plateaus, fit_shapes(bins, rung, plateaus, step=step, free=free), strict=True
    ):
        one.fit = RefinedFit(
            line=one.line,
            noise=sides.noise,
            light_along=(sides.dark_slope_per_px, sides.bright_slope_per_px),
            bins=own,
            posterior=posterior,
            reach_px=min(float(np.abs(one.distance_px).max()), HALF * rung.step_px),
            outliers=one.outliers,
        )


def _cleaned(one: _Open) -> _Open | None:
    """Give the region again without its specks; None where it has none."""
    if one.fit is None:
        return None
    keep = sound_samples(one.points, one.distance_px, one.fit.posterior, one.fit.bins, one.fit.noise)
    if keep is None:
        return None
    one.points = one.points.kept(keep)
    one.outliers = int(np.count_nonzero(~keep))
    return one


def light_percent(fit: RefinedFit) -> float:
    """Give the light's largest change over the region, in percent of the step."""
    across = 2.0 * float(np.abs(fit.posterior.coefficient[[3, 5]]).max())
    along = max(abs(slope) for slope in fit.light_along) * 2.0 * float(np.abs(fit.bins.along_px).max())
    return 100.0 * max(across, along) / fit.posterior.step
