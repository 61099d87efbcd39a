"""The fit of an edge: from the samples of many regions to each one's line, noise and profile.

In order: a line with a Gaussian idea of the blur (`line`); samples pooled by their distance from it, and the noise of
both plateaus (`samples`); all kinds of edges laid through them (`posterior`), at nearer shapes where sharpness asks for
them; the same again without outliers (dust, hot pixels). Then, where line and profile can't be told apart sample by
sample, both together; and where residuals are larger than noise allows, a last touch to the line. At last, where all
regions belong to one photograph, how common each kind of edge is among them.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.edge.clusters import PIECE_PX, Raggedness, noise_factor, pieces_of, raggedness
from lensbench.edge.curves import crossings_cypx, transfer_of
from lensbench.edge.line import EdgeLine, fit_lines, span_px
from lensbench.edge.posterior import (
    LineColumns,
    Posterior,
    Weighed,
    average_shapes,
    fit_with_line,
    learned_shares,
    weigh_shapes,
)
from lensbench.edge.samples import Bins, Noise, Plateaus, Points, pool
from lensbench.edge.shapes import HALF, SIZE, nearest_shape, prior_shape
from lensbench.model.errors import EdgeError
from lensbench.model.shot import BoolArray, Box
from lensbench.model.units import FloatArray
from lensbench.optics import RISE_10_90_SIGMAS, gaussian_sigma_px

_OTHER_SHAPE: Final = 0.1
"""Change of the logarithm of MTF50 against the prior shape's beyond which a nearer one is tried."""
_MOST_SHAPES: Final = 4
_LEAST_SIDE: Final = 0.03
"""Either side of the edge holds at least this part of the region's samples."""
_LOWEST_SNR: Final = 1.5
_LOWEST_SNR_SOFT: Final = 5.0
_SOFT_SIGMAS: Final = 4.0
_LARGEST_BULGE_PX: Final = 12.0
_ROUGH: Final = 1.1
"""Scatter beside the edge over that of noise beyond which errors are looked at for hanging together."""
_SOFTEST_RISES: Final = 0.5
"""The region reaches at least this many 10-90 % rises to each side: else it holds a slope, not an edge."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RefinedFit:
    """One region's edge as the refined method sees it, before figures are drawn from it."""

    points: Points
    """The samples fitted, without outliers."""
    line: EdgeLine
    plateaus: Plateaus
    bins: Bins
    weighed: Weighed
    posterior: Posterior
    reach_px: float
    """Largest distance from the edge in the region."""
    outliers: int
    """Samples left out as dust or hot pixels."""
    noise_factor: float = 1.0
    """Variance that the fit assumed, over that of the plateaus' noise: errors may hang together along the edge."""
    ragged: Raggedness | None = None
    """How the edge itself strays, where it strays by more than noise explains."""

    @property
    def noise(self) -> Noise:
        """Noise of the two plateaus."""
        return self.plateaus.noise.enlarged(1.0 / self.noise_factor)

    @property
    def light_percent(self) -> float:
        """The light's largest change over the region, in percent of the step."""
        across = 2.0 * float(np.abs(self.posterior.coefficient[[3, 5]]).max())
        steepest = max(abs(self.plateaus.dark_slope_per_px), abs(self.plateaus.bright_slope_per_px))
        along = 2.0 * steepest * float(np.abs(self.bins.along_px).max())
        return 100.0 * max(across, along) / self.posterior.step


@dataclass(slots=True, kw_only=True, eq=False)
class _Region:
    """A region under way."""

    index: int
    points: Points
    line: EdgeLine
    distance_px: FloatArray
    along_px: FloatArray
    shape: int
    outliers: int = 0
    noise_factor: float = 1.0
    fit: RefinedFit | None = None

    @classmethod
    def opened(cls, index: int, points: Points, line: EdgeLine, *, outliers: int = 0) -> "_Region":
        distance_px, along_px = line.distance_px(points)
        return cls(
            index=index,
            points=points,
            line=line,
            distance_px=distance_px,
            along_px=along_px,
            shape=nearest_shape(gaussian_sigma_px(1.0) / line.sigma_px),
            outliers=outliers,
        )

    def move(self, line: EdgeLine) -> None:
        self.line = line
        self.distance_px, self.along_px = line.distance_px(self.points)

    def pooled(self, step_px: float) -> tuple[Bins, Plateaus]:
        bins = pool(self.distance_px, self.along_px, self.points.value, step_px=step_px)
        plateaus = bins.plateaus(
            step_px=step_px,
            sigma_px=self.line.sigma_px,
            step=self.line.step,
            least_sd=self.points.rounding_sd,
        )
        return bins, replace(plateaus, noise=plateaus.noise.enlarged(self.noise_factor))

    def refused(self) -> EdgeError | None:
        """Why what the line was laid through is no edge; None where it is one."""
        bright = np.count_nonzero(self.distance_px > 0)
        if not _LEAST_SIDE < bright / self.distance_px.size < 1.0 - _LEAST_SIDE:
            return EdgeError("the edge runs outside this region")
        bulge = abs(self.line.bend_per_px) * (0.5 * float(np.ptp(self.along_px))) ** 2
        if bulge > _LARGEST_BULGE_PX:
            return EdgeError(f"what is there turns by {bulge:.0f} px, no straight edge")
        height, width = self.points.shape
        _, reach = span_px(Box(top=0, left=0, height=height, width=width), self.line.angle_deg)
        rise = RISE_10_90_SIGMAS * self.line.sigma_px
        if reach < _SOFTEST_RISES * rise:
            return EdgeError(
                f"a slope over {rise:.0f} px, not an edge, in a region of {reach:.0f} px to each side"
            )
        return None


def fit_refined(regions: Sequence[Points], *, one_photograph: bool = False) -> list[RefinedFit | EdgeError]:
    """Fit the edge in each region; a region without one gives its error.

    With `one_photograph`, the edges tell together how common each kind of edge is among them.
    """
    results: list[RefinedFit | EdgeError] = []
    started: list[_Region] = []
    for index, (points, line) in enumerate(zip(regions, fit_lines(regions), strict=True)):
        if isinstance(line, EdgeLine):
            region = _Region.opened(index, points, line)
            refused = region.refused()
            results.append(refused or EdgeError("no edge stands out of the noise"))
            if refused is None:
                started.append(region)
        else:
            results.append(line)
    _fit_once(started, _fit_group)
    cleaned = _without_outliers(started)
    replaced = {region.index for region in cleaned}
    kept = [region for region in started if region.index not in replaced]
    _fit(_with_nearer_shape(kept) + cleaned, _fit_group)
    final = kept + cleaned
    _settle_doubts(final)
    _hang_together(final, one_photograph=one_photograph)
    if one_photograph:
        _share([region.fit for region in final if region.fit is not None], final)
    for region in final:
        if region.fit is not None:
            results[region.index] = _unless_weak(region.fit)
    return results


def _without_outliers(regions: Sequence[_Region]) -> list[_Region]:
    """Open the regions that hold outliers anew without them; where no edge is left then, they stay out."""
    kept = [(region, keep) for region in regions if (keep := sound_samples(region)) is not None]
    lines = fit_lines([region.points.kept(keep) for region, keep in kept])
    opened = [
        _Region.opened(region.index, region.points.kept(keep), line, outliers=int(np.count_nonzero(~keep)))
        for (region, keep), line in zip(kept, lines, strict=True)
        if isinstance(line, EdgeLine)
    ]
    return [region for region in opened if region.refused() is None]


def _unless_weak(fit: RefinedFit) -> RefinedFit | EdgeError:
    """Fit, unless no edge stands out of the noise: a soft one must stand out further."""
    snr = fit.noise.snr(fit.posterior.step)
    soft = fit.reach_px < _SOFT_SIGMAS * fit.line.sigma_px
    least = _LOWEST_SNR_SOFT if soft else _LOWEST_SNR
    if snr < least:
        return EdgeError(f"no edge stands out of the noise: SNR {snr:.1f}, at least {least} needed")
    return fit


def _settle_doubts(regions: Sequence[_Region]) -> None:
    """Fit line and profile jointly where need be; elsewhere, where residuals are large, refine the line."""
    joint = [region for region in regions if region.fit and region.fit.posterior.turn_share < LEAST_SHARE]
    _fit(joint, _fit_jointly)
    doubtful = [
        region for region in regions if region not in joint and region.fit and region.fit.posterior.doubtful
    ]
    for region in doubtful:
        if region.fit is not None:
            region.move(refine_line(region, region.fit))
    _fit(doubtful, _fit_group)


def _hang_together(regions: Sequence[_Region], *, one_photograph: bool) -> None:
    """Fit again with larger noise where errors hang together along the edge; note where the edge is ragged."""
    fits = [(region, region.fit) for region in regions if region.fit is not None]
    suspects = [
        (region, fit) for region, fit in fits if not fit.points.is_sensor or steep_scatter(fit) > _ROUGH
    ]
    told = [(region, fit, pieces_of(fit)) for region, fit in suspects]
    pictures = [pieces for _, fit, pieces in told if pieces and not fit.points.is_sensor]
    ragged: dict[int, Raggedness] = {}
    for region, fit, pieces in told:
        own = pictures if one_photograph and not fit.points.is_sensor else [pieces] if pieces else []
        region.noise_factor = noise_factor(own)
        strays = raggedness(fit) if fit.points.is_sensor else None
        if strays is not None:
            ragged[region.index] = strays
    moved = [region for region, _, _ in told if region.noise_factor > 1.0]
    _fit(
        [region for region in moved if region.fit and region.fit.posterior.turn_share >= LEAST_SHARE],
        _fit_group,
    )
    _fit(
        [region for region in moved if region.fit and region.fit.posterior.turn_share < LEAST_SHARE],
        _fit_jointly,
    )
    for region, _, _ in told:
        if region.fit is not None and region.index in ragged:
            region.fit = replace(region.fit, ragged=ragged[region.index])


def _share(fits: Sequence[RefinedFit], regions: Sequence[_Region]) -> None:
    """Average each fit again with the shares of kinds that all the photograph's edges tell together."""
    if len(fits) > 1:
        posteriors = iter(
            average_shapes([fit.weighed for fit in fits], learned_shares([f.weighed for f in fits]))
        )
        for region in regions:
            if region.fit is not None:
                region.fit = replace(region.fit, posterior=next(posteriors))


def _fit(regions: Sequence[_Region], fit_group: Callable[[Sequence[_Region], int], None]) -> None:
    """Fit shapes to all regions, those near one together; a region moves to a nearer shape while it helps."""
    pending = list(regions)
    for _ in range(_MOST_SHAPES):
        _fit_once(pending, fit_group)
        pending = _with_nearer_shape(pending)
        if not pending:
            return


def _fit_once(regions: Sequence[_Region], fit_group: Callable[[Sequence[_Region], int], None]) -> None:
    for index in sorted({region.shape for region in regions}):
        fit_group([region for region in regions if region.shape == index], index)


def _with_nearer_shape(regions: Sequence[_Region]) -> list[_Region]:
    """Those whose fit came out nearer to another shape, which they are given."""
    moving: list[_Region] = []
    for index in sorted({region.shape for region in regions}):
        fits = [(region, region.fit.posterior) for region in regions if region.shape == index and region.fit]
        if not fits:
            continue
        own = prior_shape(index).own_frequency_cypx
        sfr = np.abs(np.stack([transfer_of(posterior)[: own.size] for _, posterior in fits]))
        for (region, _), mtf50 in zip(fits, crossings_cypx(own, sfr, 0.5), strict=True):
            better = nearest_shape(float(mtf50))
            far = not abs(np.log(mtf50 / prior_shape(index).mtf50_cypx)) < _OTHER_SHAPE
            if far and better != index:
                region.shape = better
                moving.append(region)
    return moving


def _fit_group(group: Sequence[_Region], index: int) -> None:
    shape = prior_shape(index)
    pooled = [region.pooled(shape.step_px) for region in group]
    weighed = weigh_shapes(
        [bins for bins, _ in pooled],
        shape,
        [plateaus for _, plateaus in pooled],
        levels=np.array([(region.line.dark, region.line.bright) for region in group]),
    )
    posteriors = average_shapes(weighed)
    for region, (bins, plateaus), edge, posterior in zip(group, pooled, weighed, posteriors, strict=True):
        region.fit = RefinedFit(
            points=region.points,
            line=region.line,
            plateaus=plateaus,
            bins=bins,
            weighed=edge,
            posterior=posterior,
            reach_px=min(float(np.abs(region.distance_px).max()), HALF * shape.step_px),
            outliers=region.outliers,
            noise_factor=region.noise_factor,
        )
        if not posterior.step > 0:  # noise alone may come out with no step at all: then there is no edge
            region.fit = None


# Line and profile jointly. Where an edge passes few rows of sites (a small region, an angle close to an axis or a
# diagonal, sparse colours), every distance from it is sampled at one place along it. A turn of the line then looks like
# another profile: a line fitted first, with any profile but the true one, comes to rest off the mark whatever the
# noise, and figures that take it as known claim too much. So turn and bend join the columns of the linear fit.

LEAST_SHARE: Final = 0.7
"""Line and profile are fitted together where the share that the profile cannot take falls below (`Posterior`)."""
_TURN_SD_PX: Final = 1.0
"""Prior sd of what is left of the turn, at the region's ends: wide enough to say nothing."""
_BEND_SD_PER_PX: Final = 1e-4
"""Prior sd of the bend: five times that of 5 % distortion in the corner of a picture with 2500 px half-diagonal."""
_LEAST_SLOPE: Final = 0.02
"""Samples tell of the line where the profile is at least this steep, as a part of its steepest."""
_MOST_TURNS: Final = 24
_AT_REST_PX: Final = 1e-3


def _fit_jointly(group: Sequence[_Region], index: int) -> None:
    """Fit line and profile together, and move the line, until it rests."""
    _fit_group(group, index)
    for region in group:
        for _ in range(_MOST_TURNS):
            if region.fit is None or joint_line_profile(region, region.fit) < _AT_REST_PX:
                break


def joint_line_profile(region: _Region, fit: RefinedFit) -> float:
    """Fit line and profile of one region together and move the line; how far its ends moved. [px]."""
    shape, line = fit.posterior.shape, region.line
    columns = _line_columns(region, fit)
    levels = np.array([line.dark, line.bright])
    weighed, posterior, move = fit_with_line(fit.bins, shape, fit.plateaus, levels=levels, line=columns)
    # At most half a blur at a time.
    turn, bend = np.clip(move, -0.5 * line.sigma_px - 0.1, 0.5 * line.sigma_px + 0.1)
    region.move(line.moved(0.0, float(turn), float(bend), scale_px=columns.scale_px))
    bins, plateaus = region.pooled(shape.step_px)
    region.fit = replace(
        fit, line=region.line, plateaus=plateaus, bins=bins, weighed=weighed, posterior=posterior
    )
    return float(np.abs(move).max())


@dataclass(frozen=True, slots=True, eq=False)
class _NearLine:
    """The samples of a region where the fitted profile is steep."""

    bin: npt.NDArray[np.intp]
    residual: FloatArray
    rate: FloatArray
    """Change of the level per px of distance."""
    s: FloatArray
    """Place along the edge over the largest."""
    scale_px: float
    level: FloatArray

    @classmethod
    def of(cls, region: _Region, fit: RefinedFit) -> "_NearLine":
        level, slope, bend = fit.posterior.profile()
        steep = np.abs(slope) > _LEAST_SLOPE * float(np.abs(slope).max())
        near = np.flatnonzero(steep[fit.bins.place])
        at = fit.bins.place[near]
        apart = region.distance_px[near] - fit.posterior.shape.fine.position_px[at]
        residual = region.points.value[near] - level[at] - apart * (slope[at] + 0.5 * apart * bend[at])
        scale = max(float(np.abs(region.along_px[near]).max(initial=0.0)), 1.0)
        return cls(
            at, residual, slope[at] + apart * bend[at], region.along_px[near] / scale, scale, level[at]
        )


def _line_columns(region: _Region, fit: RefinedFit) -> LineColumns:
    """Columns by which turn and bend of the line enter the fit of the profile."""
    near, posterior = _NearLine.of(region, fit), fit.posterior
    size, scale = fit.bins.count.size, near.scale_px
    effect = np.stack([near.s, near.s * near.s]) * near.rate
    count = np.maximum(np.bincount(near.bin, minlength=size), 1.0)
    mean = np.stack([np.bincount(near.bin, row, size) for row in effect]) / count
    rest = np.bincount(near.bin, near.residual, size) / count
    profile = np.clip((near.level - posterior.dark) / posterior.step, 0.0, 1.0)
    within = effect - mean[:, near.bin]
    weighted = within / fit.noise.variance_at(profile)
    gram = weighted @ within.T
    # The distances already hold the bend as it is; the prior is about the whole of it.
    centre = np.array([0.0, -region.line.bright_side * region.line.bend_per_px * scale * scale])
    return LineColumns(
        columns=mean,
        gram=gram,
        moment=weighted @ (near.residual - rest[near.bin]) + gram @ centre,
        centre=centre,
        prior_sd=np.array([_TURN_SD_PX, _BEND_SD_PER_PX * scale * scale]),
        scale_px=scale,
    )


def refine_line(region: _Region, fit: RefinedFit) -> EdgeLine:
    """Line shifted, turned and bent by what the residuals beside it still show: one Gauss-Newton step.

    The edge's own profile stands in place of the first Gaussian idea.
    """
    near, line = _NearLine.of(region, fit), region.line
    columns = np.stack([near.rate, near.rate * near.s, near.rate * near.s * near.s])
    gram = columns @ columns.T
    gram[range(3), range(3)] *= 1.0 + 1e-9
    if not np.all(np.diagonal(gram) > 0):
        return line
    shift, turn, curve = (float(delta) for delta in np.linalg.solve(gram, columns @ near.residual))
    if not max(abs(shift), abs(turn), abs(curve)) < 0.5 * line.sigma_px:
        return line
    return line.moved(shift, turn, curve, scale_px=near.scale_px)


# Outliers: dust and hot pixels. No model of the edge is asked, for they would bend the model: samples in one narrow bin
# of distance should agree with each other within the noise, so a bin with too much scatter holds strangers, and its
# median tells which they are.

_OUTLIER_SD: Final = 5.0
_MOST_OUTLIERS: Final = 0.03
_MOST_WILD_BINS: Final = 0.4
_WILD_SD: Final = 6.0
_LEAST_OUTLIER: Final = 0.006
"""An outlier differs from its neighbours by at least this part of the step."""
_LEAST_SCATTER: Final = 1e-3
"""Scatter in a bin, as a part of the step, that the line's own error may make."""
_ENOUGH_FOR_MEDIAN: Final = 4
_STEEP: Final = 0.3
_NEAR_SIGMAS: Final = 4.0
_FEWEST_RECURRING: Final = 4
_LINE_PX: Final = 2.0
_RECURRING_SHARE: Final = 0.4
"""Strangers near the edge in more than this share of its pieces are a pattern."""
_FEWEST_STEEP: Final = 5
_ZONES_SIGMA: Final = (0.0, 0.8, 2.0, 4.0, 1e9)
"""Zones of distance from the edge whose scatter is judged together."""


def sound_samples(region: _Region) -> BoolArray | None:
    """Mark the samples that are no outliers, and not beside one.

    None where all are sound, or where so many are not that the edge itself must be strange.
    """
    fit = region.fit
    if fit is None:
        return None
    strangers = _strangers(region, fit, np.ones(SIZE))
    if strangers.size == 0 or _recur(region, fit, strangers):
        strangers = _strangers(region, fit, _zone_scatter(fit))
    if strangers.size == 0 or strangers.size > _MOST_OUTLIERS * region.points.value.size:
        return None
    height, width = region.points.shape
    row = np.rint(region.points.row_px + 0.5 * (height - 1)).astype(np.intp)
    col = np.rint(region.points.col_px + 0.5 * (width - 1)).astype(np.intp)
    mask = np.zeros((height + 2, width + 2), bool)
    for d_row in (0, 1, 2):
        for d_col in (0, 1, 2):
            mask[row[strangers] + d_row, col[strangers] + d_col] = True
    return ~mask[row + 1, col + 1]


def _recur(region: _Region, fit: RefinedFit, strangers: npt.NDArray[np.intp]) -> bool:
    """Whether strangers recur along the edge: blocks, interpolation or a ragged print, and no specks.

    A hot column or row crosses the edge's surroundings at length too, but stands on one line of sites.
    """
    near = np.abs(region.distance_px[strangers]) < _NEAR_SIGMAS * fit.line.sigma_px + 2.0
    recurring = strangers[near]
    if recurring.size < _FEWEST_RECURRING:
        return False
    rows, cols = region.points.row_px[recurring], region.points.col_px[recurring]
    if region.points.is_sensor and min(np.ptp(rows), np.ptp(cols)) <= _LINE_PX:
        return False
    low, high = float(region.along_px.min()), float(region.along_px.max())
    pieces = max(int((high - low) / PIECE_PX), 1)
    held = np.unique(((region.along_px[recurring] - low) / (high - low) * pieces).astype(np.intp))
    return bool(held.size > _RECURRING_SHARE * pieces)


def _expected_scatter(fit: RefinedFit) -> FloatArray:
    """Variance within each bin that noise, the slope within the bin and the line's error explain."""
    bins, step = fit.bins, fit.posterior.step
    mean = fit.posterior.shape.fine.mean
    inside = np.maximum(2.0 * bins.half_square_px2 - np.square(bins.offset_px), 0.0)
    return np.asarray(
        fit.noise.variance_at(mean[0]) + np.square(mean[1] * step) * inside + (_LEAST_SCATTER * step) ** 2
    )


def _excess_scatter(fit: RefinedFit) -> FloatArray:
    """Summed squares within each bin, without what the light along the edge makes of them."""
    light = max(abs(fit.plateaus.dark_slope_per_px), abs(fit.plateaus.bright_slope_per_px))
    return np.asarray(fit.bins.scatter - light * light * fit.bins.along_scatter_px2, np.float64)


def steep_scatter(fit: RefinedFit) -> float:
    """Typical scatter within the bins where the edge is steep, over what noise explains; 1 where bins are empty."""
    steep = np.flatnonzero((fit.posterior.shape.fine.mean[1] > _STEEP * _peak(fit)) & (fit.bins.count > 1.5))
    if steep.size < _FEWEST_STEEP:
        return 1.0
    dof = fit.bins.count[steep] - 1.0
    expected = fit.noise.variance_at(fit.posterior.shape.fine.mean[0][steep]) * dof
    return float(np.sum(_excess_scatter(fit)[steep]) / np.sum(expected))


def _peak(fit: RefinedFit) -> float:
    return float(fit.posterior.shape.fine.mean[1].max())


def _zone_scatter(fit: RefinedFit) -> FloatArray:
    """Typical scatter around each bin over what is expected there, at least 1: what most bins show is no stranger."""
    expected = _expected_scatter(fit)
    own = fit.bins.count > 1.5
    ratio = np.ones(SIZE)
    distance = np.abs(fit.posterior.shape.fine.position_px) / fit.line.sigma_px
    each = _excess_scatter(fit) / np.maximum(fit.bins.count - 1.0, 1.0) / expected
    for low, high in pairwise(_ZONES_SIGMA):
        zone = (distance >= low) & (distance < high)
        filled = zone & own
        if np.count_nonzero(filled) >= _FEWEST_STEEP:
            ratio[zone] = max(1.0, float(np.median(each[filled])))
    return ratio


def _wild_bins(fit: RefinedFit, usual: FloatArray) -> npt.NDArray[np.intp]:
    """List the bins whose samples scatter more than noise, enlarged by what is usual there, explains."""
    expected = _expected_scatter(fit)
    dof = np.maximum(fit.bins.count - 1.0, 1.0)
    limit = expected * usual * (dof + _WILD_SD * np.sqrt(2.0 * dof))
    return np.flatnonzero((_excess_scatter(fit) > limit) & (fit.bins.count > 1.5))


def _strangers(region: _Region, fit: RefinedFit, usual: FloatArray) -> npt.NDArray[np.intp]:
    """List the samples of wild bins that stand apart from their bin's median (from the fit where a bin holds few)."""
    wild = _wild_bins(fit, usual)
    if wild.size > _MOST_WILD_BINS * int(np.count_nonzero(fit.bins.count)):
        return np.empty(0, np.intp)
    posterior, plateaus = fit.posterior, fit.plateaus
    level, slope, bend = posterior.profile()
    chosen = np.zeros(level.size, bool)
    chosen[wild] = True
    among = np.flatnonzero(chosen[fit.bins.place])
    at = fit.bins.place[among]
    apart = region.distance_px[among] - posterior.shape.fine.position_px[at]
    profile = np.clip((level[at] - posterior.dark) / posterior.step, 0.0, 1.0)
    light = plateaus.dark_slope_per_px + (plateaus.bright_slope_per_px - plateaus.dark_slope_per_px) * profile
    rest = region.points.value[among] - level[at] - apart * (slope[at] + 0.5 * apart * bend[at])
    rest -= light * region.along_px[among]
    for index in wild:
        own = at == index
        if np.count_nonzero(own) >= _ENOUGH_FOR_MEDIAN:
            rest[own] -= np.median(rest[own])
    limit = np.maximum(
        _OUTLIER_SD * np.sqrt(usual[at] * fit.noise.variance_at(profile)), _LEAST_OUTLIER * posterior.step
    )
    return among[np.abs(rest) > limit]
