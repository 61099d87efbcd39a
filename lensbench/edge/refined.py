"""The refined method: lines, noise, shapes, specks and figures of many regions together.

Edges whose line and profile cannot be told apart sample by sample: both are fitted together.

Where an edge passes few rows of sites (a small region, an angle close to an axis or a diagonal, sparse colours), every
distance from it is sampled at one place along it. A turn of the line then looks like another profile: a line fitted
first, with any profile but the true one, comes to rest off the mark whatever the noise, and figures that take it as
known claim too much. So turn and bend join the columns of the linear fit, and the line moves until it rests.

A last touch to the edge line, with the edge's own profile in place of the first Gaussian idea.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from lensbench.edge.bins import Bins, Noise, Plateaus, pool
from lensbench.edge.curves import crossings_cypx, transfer_of
from lensbench.edge.family import HALF
from lensbench.edge.fit import LineColumns, Posterior, fit_shapes, fit_with_line
from lensbench.edge.line import EdgeLine, fit_lines, span_px
from lensbench.edge.outliers import sound_samples
from lensbench.edge.samples import Points
from lensbench.edge.shapes import nearest_rung, rung_at
from lensbench.model.errors import EdgeError
from lensbench.model.shot import BoolArray, Box
from lensbench.model.units import FloatArray
from lensbench.optics import RISE_10_90_SIGMAS, gaussian_sigma_px

__all__ = ["RefinedFit", "fit_refined"]


LEAST_SHARE: Final = 0.7
"""Line and profile are fitted together where the share that the profile cannot take falls below (`Posterior`)."""
_TURN_SD_PX: Final = 1.0
"""Prior sd of what is left of the turn, at the region's ends: wide enough to say nothing."""
_BEND_SD_PER_PX: Final = 1e-4
"""Prior sd of the bend: five times that of 5 % distortion in the corner of a picture with 2500 px half-diagonal."""
_LEAST_SLOPE: Final = 0.02
"""Samples tell of the line where the profile is at least this steep, as a part of its steepest."""


def line_columns(
    line: EdgeLine,
    place: tuple[FloatArray, FloatArray],
    value: FloatArray,
    *,
    fit: tuple[Posterior, Bins, Plateaus],
) -> LineColumns:
    """Give the columns by which turn and bend of the line enter the fit of the profile.

    Parameters
    ----------
    line : EdgeLine
        As it lies now.
    place : two arrays
        Distance from the edge and place along it, for every sample. [px]
    value : array
        The samples.
    fit : Posterior, Bins, Plateaus
        What was fitted with the line as it lies.
    """
    posterior, bins, plateaus = fit
    level, slope, curve = posterior.profile()
    steep = np.abs(slope) > _LEAST_SLOPE * float(np.abs(slope).max())
    near = np.flatnonzero(steep[bins.place])
    at = bins.place[near]
    apart = place[0][near] - posterior.rung.fine.position_px[at]
    scale = max(float(np.abs(place[1][near]).max(initial=0.0)), 1.0)
    s = place[1][near] / scale
    effect = np.stack([s, s * s]) * (slope[at] + apart * curve[at])
    residual = value[near] - level[at] - apart * (slope[at] + 0.5 * apart * curve[at])
    count = np.maximum(np.bincount(at, minlength=bins.count.size), 1.0)
    mean = np.stack([np.bincount(at, one, bins.count.size) for one in effect]) / count
    rest = np.bincount(at, residual, bins.count.size) / count
    profile = np.clip((level[at] - posterior.dark) / posterior.step, 0.0, 1.0)
    within = effect - mean[:, at]
    weighted = within / plateaus.noise.variance_at(profile)
    gram = weighted @ within.T
    # The distances already hold the bend as it is; the prior is about the whole of it.
    centre = np.array([0.0, -line.bright_side * line.bend_per_px * scale * scale])
    return LineColumns(
        columns=mean,
        gram=gram,
        moment=weighted @ (residual - rest[at]) + gram @ centre,
        centre=centre,
        prior_sd=np.array([_TURN_SD_PX, _BEND_SD_PER_PX * scale * scale]),
        scale_px=scale,
    )


def moved(line: EdgeLine, move: FloatArray, scale_px: float) -> EdgeLine:
    """Turn and bend the line by what the fit says: move in px at `scale_px` along the edge, at most half a blur."""
    turn, bend = np.clip(move, -0.5 * line.sigma_px - 0.1, 0.5 * line.sigma_px + 0.1)
    return line.moved(0.0, float(turn), float(bend), scale_px=scale_px)


def polished(
    line: EdgeLine,
    distance_px: FloatArray,
    along_px: FloatArray,
    value: FloatArray,
    *,
    fit: tuple[Posterior, Bins],
) -> EdgeLine:
    """Shift, turn and bend the line by what the residuals beside it still show: one Gauss-Newton step."""
    posterior, bins = fit
    level, slope, bend = posterior.profile()
    steep = np.abs(slope) > _LEAST_SLOPE * float(np.abs(slope).max())
    near = np.flatnonzero(steep[bins.place])
    at = bins.place[near]
    apart = distance_px[near] - posterior.rung.fine.position_px[at]
    residual = value[near] - (level[at] + apart * (slope[at] + 0.5 * apart * bend[at]))
    gradient = slope[at] + apart * bend[at]
    scale = max(float(np.abs(along_px[near]).max(initial=0.0)), 1.0)
    s = along_px[near] / scale
    columns = np.stack([gradient, gradient * s, gradient * s * s])
    gram = columns @ columns.T
    gram[range(3), range(3)] *= 1.0 + 1e-9
    if not np.all(np.diagonal(gram) > 0):
        return line
    shift, turn, curve = (float(delta) for delta in np.linalg.solve(gram, columns @ residual))
    if not max(abs(shift), abs(turn), abs(curve)) < 0.5 * line.sigma_px:
        return line
    return line.moved(shift, turn, curve, scale_px=scale)


_OTHER_RUNG: Final = 0.1
"""Change of the logarithm of MTF50 against the rung's beyond which a nearer rung is tried."""
_MOST_RUNGS: Final = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RefinedFit:
    """One region's edge as the refined method sees it, before figures are drawn from it."""

    points: Points
    """The samples fitted, without specks."""
    line: EdgeLine
    plateaus: Plateaus
    bins: Bins
    posterior: Posterior
    reach_px: float
    """Largest distance from the edge in the region."""
    outliers: int
    """Samples left out as specks or hot pixels."""

    @property
    def noise(self) -> Noise:
        """Noise of the two plateaus."""
        return self.plateaus.noise


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
        results.append(EdgeError("no edge stands out of the noise") if isinstance(line, EdgeLine) else line)
        if isinstance(line, EdgeLine):
            one = _opened(place, points, line, 0)
            refused = _refused(one)
            if refused is None:
                started.append(one)
            else:
                results[place] = refused
    _fit(started, _fit_plainly)
    speckled = [(one, keep) for one in started if (keep := _sound(one)) is not None]
    relined = fit_lines([one.points.kept(keep) for one, keep in speckled])
    again = [
        cleaned
        for (one, keep), line in zip(speckled, relined, strict=True)
        if isinstance(line, EdgeLine) and _refused(cleaned := _without(one, keep, line)) is None
    ]
    _fit(again, _fit_plainly)
    replaced = {one.place for one in again}
    final = [one for one in started if one.place not in replaced] + again
    _settle_doubts(final)
    for one in final:
        if one.fit is not None:
            results[one.place] = _unless_weak(one.fit)
    return results


_MOST_TURNS: Final = 24
_AT_REST_PX: Final = 1e-3
_LEAST_SIDE: Final = 0.03
"""Either side of the edge holds at least this part of the region's samples."""
_LOWEST_SNR: Final = 1.5
_LOWEST_SNR_SOFT: Final = 5.0
_SOFT_SIGMAS: Final = 4.0
_LARGEST_BULGE_PX: Final = 12.0
_SOFTEST_RISES: Final = 0.5
"""The region reaches at least this many 10-90 % rises to each side: else it holds a slope, not an edge."""


def _refused(one: "_Open") -> EdgeError | None:
    """Say why what was fitted is no edge; None where it is one."""
    bright = np.count_nonzero(one.distance_px > 0)
    if not _LEAST_SIDE < bright / one.distance_px.size < 1.0 - _LEAST_SIDE:
        return EdgeError("the edge runs outside this region")
    bulge = abs(one.line.bend_per_px) * (0.5 * float(np.ptp(one.along_px))) ** 2
    if bulge > _LARGEST_BULGE_PX:
        return EdgeError(f"what is there turns by {bulge:.0f} px, no straight edge")
    height, width = one.points.shape
    _, reach = span_px(Box(top=0, left=0, height=height, width=width), one.line.angle_deg)
    rise = RISE_10_90_SIGMAS * one.line.sigma_px
    if reach < _SOFTEST_RISES * rise:
        return EdgeError(
            f"a slope over {rise:.0f} px, not an edge, in a region of {reach:.0f} px to each side"
        )
    return None


def _unless_weak(fit: RefinedFit) -> RefinedFit | EdgeError:
    """Give the fit, or say that no edge stands out of the noise: a soft one must stand out further."""
    snr = fit.noise.snr(fit.posterior.step)
    soft = fit.reach_px < _SOFT_SIGMAS * fit.line.sigma_px
    least = _LOWEST_SNR_SOFT if soft else _LOWEST_SNR
    if snr < least:
        return EdgeError(f"no edge stands out of the noise: SNR {snr:.1f}, at least {least} needed")
    return fit


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


def _settle_doubts(regions: Sequence[_Open]) -> None:
    """Where line and profile are entwined, fit both together; where residuals are large, polish, then fit freely."""
    entwined = [one for one in regions if one.fit is not None and one.fit.posterior.turn_share < LEAST_SHARE]
    _fit(entwined, _fit_entwined)
    doubtful = [one for one in regions if one.fit is not None and one.fit.posterior.doubtful]
    for one in doubtful:
        if one not in entwined:
            _polish(one)
    before = {one.place: one.fit for one in doubtful if one in entwined}
    _fit(doubtful, _fit_freely)
    for one in doubtful:
        if one.place in before and one.fit is not None and not one.fit.posterior.free_size:
            one.fit = before[one.place]


def _polish(one: _Open) -> None:
    if one.fit is None:
        return
    fit = (one.fit.posterior, one.fit.bins)
    one.line = polished(one.line, one.distance_px, one.along_px, one.points.value, fit=fit)
    one.distance_px, one.along_px = one.line.distance_px(one.points)


def _fit(regions: Sequence[_Open], fit_group: Callable[[Sequence[_Open], int], None]) -> None:
    """Fit shapes to all regions, those on one rung together; a region moves to a nearer rung while it helps."""
    pending = list(regions)
    for _ in range(_MOST_RUNGS):
        moving: list[_Open] = []
        for index in sorted({one.rung for one in pending}):
            group = [one for one in pending if one.rung == index]
            fit_group(group, index)
            group = [one for one in group if one.fit is not None]
            if not group:
                continue
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


def _fit_plainly(group: Sequence[_Open], index: int) -> None:
    _fit_group(group, index, free=False)


def _fit_freely(group: Sequence[_Open], index: int) -> None:
    _fit_group(group, index, free=True)


def _fit_entwined(group: Sequence[_Open], index: int) -> None:
    """Fit line and profile together, and move the line, until it rests."""
    _fit_plainly(group, index)
    for one in group:
        for _ in range(_MOST_TURNS):
            if one.fit is None or _turned(one) < _AT_REST_PX:
                break


def _turned(one: _Open) -> float:
    """Fit line and profile of one region together and move the line; give how far its ends moved. [px]."""
    fit = one.fit
    if fit is None:
        return 0.0
    rung, place = fit.posterior.rung, (one.distance_px, one.along_px)
    columns = line_columns(one.line, place, one.points.value, fit=(fit.posterior, fit.bins, fit.plateaus))
    posterior, move = fit_with_line(fit.bins, rung, fit.plateaus, step=one.line.step, line=columns)
    one.line = moved(one.line, move, columns.scale_px)
    one.distance_px, one.along_px = one.line.distance_px(one.points)
    bins = pool(one.distance_px, one.along_px, one.points.value, step_px=rung.step_px)
    sides = bins.plateaus(step_px=rung.step_px, sigma_px=one.line.sigma_px, step=one.line.step)
    one.fit = replace(fit, line=one.line, plateaus=sides, bins=bins, posterior=posterior)
    return float(np.abs(move).max())


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
        # Noise alone may come out with no step at all: then there is no edge.
        one.fit = (
            None
            if not posterior.step > 0
            else RefinedFit(
                points=one.points,
                line=one.line,
                plateaus=sides,
                bins=own,
                posterior=posterior,
                reach_px=min(float(np.abs(one.distance_px).max()), HALF * rung.step_px),
                outliers=one.outliers,
            )
        )


def _sound(one: _Open) -> BoolArray | None:
    """Mark the samples that are no specks; None where all are sound."""
    if one.fit is None:
        return None
    place = (one.distance_px, one.along_px)
    return sound_samples(one.points, place, one.fit.posterior, one.fit.bins, one.fit.plateaus)


def _without(one: _Open, keep: BoolArray, line: EdgeLine) -> _Open:
    """Open the region again without its specks."""
    return _opened(one.place, one.points.kept(keep), line, int(np.count_nonzero(~keep)))


def light_percent(fit: RefinedFit) -> float:
    """Give the light's largest change over the region, in percent of the step."""
    across = 2.0 * float(np.abs(fit.posterior.coefficient[[3, 5]]).max())
    steepest = max(abs(fit.plateaus.dark_slope_per_px), abs(fit.plateaus.bright_slope_per_px))
    along = 2.0 * steepest * float(np.abs(fit.bins.along_px).max())
    return 100.0 * max(across, along) / fit.posterior.step
