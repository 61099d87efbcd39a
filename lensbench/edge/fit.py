"""The fit of an edge: from the samples of many regions to each one's line, noise and profile.

In order: a line with a Gaussian idea of the blur (`line`); samples pooled by their distance from it, and the noise of
both plateaus (`samples`); in a finished picture what coding took (`coding`); all kinds of edges laid through them
(`posterior`), at nearer shapes where sharpness asks for them; the same again without outliers (dust, hot pixels). Then,
where line and profile can't be told apart sample by sample, both together; and where residuals are larger than noise
allows, a last touch to the line. At last, where all regions belong to one photograph, how common each kind of edge is
among them.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Final

import numpy as np
import numpy.typing as npt

from lensbench.edge.clusters import (
    BEND_SD_PER_PX,
    bands_of,
    course_of,
    noise_factor,
    pieces_of,
    raggedness,
    straightened,
)
from lensbench.edge.coding import Habits, allow_for_coding
from lensbench.edge.curves import crossings_cypx, moduli_of
from lensbench.edge.line import EdgeLine, fit_lines
from lensbench.edge.outliers import sound_samples
from lensbench.edge.posterior import SHARES, average_shapes, fit_with_line, learned_shares, weigh_shapes
from lensbench.edge.region import RefinedFit, Region, pool_regions
from lensbench.edge.samples import Points
from lensbench.edge.shapes import HALF, nearest_shape, prior_shape
from lensbench.edge.system import LineColumns
from lensbench.model.errors import EdgeError
from lensbench.model.units import FloatArray

_OTHER_SHAPE: Final = 0.1
"""Change of the logarithm of MTF50 against the prior shape's beyond which a nearer one is tried."""
_MOST_SHAPES: Final = 4
_LOWEST_SNR: Final = 1.5
_LOWEST_SNR_SOFT: Final = 5.0
_SOFT_SIGMAS: Final = 4.0
_FACTOR_THAT_MATTERS: Final = 1.02
_AT_A_TIME: Final = 44
"""Regions of a photograph whose samples are held at once."""
_OF_A_LIST: Final = 128
"""Of regions that belong to none, blurred each in its way: more of one shape then come together."""
_TELLING: Final = 22
"""Of a photograph's first regions, so many, or up to twice as many, tell whether its file was coded in blocks, and how
its errors hang together."""
_ROUGH_SD: Final = 2.5
"""Scatter beside the edge, in sd beyond that of noise, from which on errors are looked at for hanging together."""


def fit_refined(
    regions: Iterable[Points], *, one_photograph: bool = False, keep_samples: bool = True
) -> list[RefinedFit | EdgeError]:
    """Fit the edge in each region; a region without one gives its error.

    Regions are taken some at a time, and their samples let go once they are fitted (but for ragged edges', and where
    they are to be kept): an iterator that makes them as they are asked for holds few at once. With `one_photograph`,
    the edges tell together how common each kind of edge is among them, and the first ones how their file was coded: so
    these should lie all over the picture.
    """
    results: list[RefinedFit | EdgeError] = []
    fitted: list[Region] = []
    waiting, habits = iter(regions), Habits() if one_photograph else None
    while batch := list(islice(waiting, _AT_A_TIME if one_photograph else _OF_A_LIST)):
        found, errors = _fit_some(batch, len(results), habits)
        results += errors
        for region in found:
            if region.fit is not None and not keep_samples:
                _let_go(region, region.fit, averaged_again=one_photograph)
        fitted += found
    if one_photograph:
        _share(fitted)
    for region in fitted:
        if region.fit is not None:
            results[region.index] = _unless_weak(region.fit)
    return results


def _fit_some(batch: list[Points], first: int, habits: Habits | None) -> tuple[list[Region], list[EdgeError]]:
    """Fit some regions, numbered from `first`: those with an edge, and the errors that stand for all till then.

    The batch is emptied: of its samples those near the edges are enough.
    """
    errors: list[EdgeError] = []
    started: list[Region] = []
    for index, (points, line) in enumerate(zip(batch, fit_lines(batch), strict=True), start=first):
        if isinstance(line, EdgeLine):
            region = Region.opened(index, points, line)
            refused = region.refused()
            errors.append(refused or EdgeError("no edge stands out of the noise"))
            if refused is None:
                region.narrow()
                started.append(region)
        else:
            errors.append(line)
    batch.clear()
    final: list[Region] = []
    if habits and habits.noise_factor is None:
        pictures = [region for region in started if not region.points.is_sensor]
        telling = pictures[:: max(len(pictures) // _TELLING, 1)]
        started = [region for region in started if region not in telling]
        final = _cleaned(telling, habits)
        _learn_noise(final, habits)
    final += _cleaned(started, habits)
    _straighten(final)
    doubtful = _settle_doubts(final)
    allow_for_coding(doubtful, habits)
    _fit(doubtful, _fit_group)
    if habits is None or habits.noise_factor is None:
        _hang_together(final)
    return final, errors


def _cleaned(started: list[Region], habits: Habits | None) -> list[Region]:
    """Fit regions, and again without outliers and at nearer shapes."""
    allow_for_coding(started, habits)
    _fit_once(started, _fit_group)
    cleaned = _without_outliers(started)
    allow_for_coding(cleaned, habits)
    replaced = {region.index for region in cleaned}
    kept = [region for region in started if region.index not in replaced]
    _fit(_with_nearer_shape(kept) + cleaned, _fit_group)
    return kept + cleaned


def _learn_noise(regions: Sequence[Region], habits: Habits) -> None:
    """Note how the noise of a picture's file goes together, and fit the edges that told it accordingly."""
    fits = [region.fit for region in regions if region.fit is not None]
    if fits:
        habits.noise_factor = noise_factor(pieces_of(fits))
        for region in regions:
            region.noise_factor = habits.noise_factor
        if habits.noise_factor > _FACTOR_THAT_MATTERS:
            _fit([region for region in regions if region.fit], _fit_group)


_NONE: Final = np.empty(0)
_NOWHERE: Final = np.empty(0, np.intp)


def _let_go(region: Region, fit: RefinedFit, *, averaged_again: bool) -> None:
    """Let go of a fitted region's samples, and of what the last average makes anew."""
    region.distance_px = region.along_px = _NONE
    region.pools.clear()
    fit.bins.place = _NOWHERE
    if averaged_again:
        fit.posterior.let_go()
    if not fit.ragged:
        fit.distance_px = fit.along_px = _NONE
        fit.points.row_px = fit.points.col_px = fit.points.value = _NONE


def _without_outliers(regions: Sequence[Region]) -> list[Region]:
    """Open the regions that hold outliers anew without them; where no edge is left then, they stay out."""
    sounds = zip(regions, sound_samples(regions), strict=True)
    marked = [(region, sound) for region, sound in sounds if sound is not None]
    left = [region.points.kept(np.flatnonzero(sound)) for region, sound in marked]
    opened = [
        Region.opened(
            region.index, points, line, outliers=int(np.count_nonzero(~sound)), rough_sd=region.rough_sd
        )
        for (region, sound), points, line in zip(marked, left, fit_lines(left), strict=True)
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


def _settle_doubts(regions: Sequence[Region]) -> list[Region]:
    """Fit line and profile jointly where need be; elsewhere, where residuals are large, refine the line.

    The latter are given back: their profiles are still to be fitted to it.
    """
    joint = [region for region in regions if _needs_joint(region)]
    _fit(joint, _fit_jointly)
    doubtful = []
    for region in regions:
        settled = (
            region in joint or region.ragged or region.coding
        )  # what coding left hangs together, see below
        if not settled and region.fit and region.fit.posterior.doubtful:
            region.move(refine_line(region, region.fit))
            doubtful.append(region)
    return doubtful


def _straighten(regions: Sequence[Region]) -> None:
    """Lay straight lines through ragged edges, and fit them again."""
    for region in regions:
        rough = region.points.is_sensor and region.rough_sd > _ROUGH_SD
        course = course_of(region.fit) if region.fit and rough else None
        region.ragged = raggedness(course) if course else None
        if region.fit and course and region.ragged:
            region.move(straightened(region.fit, course, region.ragged))
    _fit([region for region in regions if region.ragged], _fit_group)


def _hang_together(regions: Sequence[Region]) -> None:
    """Fit again with larger noise where errors hang together along the edge."""
    fits = [(region, region.fit) for region in regions if region.fit is not None]
    pictures = [(region, fit) for region, fit in fits if not fit.points.is_sensor]
    pieces = pieces_of([fit for _, fit in pictures])
    for (region, _), own in zip(pictures, pieces, strict=True):
        region.noise_factor = noise_factor([own])
    for region, fit in fits:
        if fit.points.is_sensor and region.rough_sd > _ROUGH_SD:
            region.noise_factor = noise_factor(pieces_of([fit]))
        if (bands := bands_of(fit)) is not None:
            region.noise_factor = max(region.noise_factor, noise_factor([bands]))
    _fit_again([region for region, _ in fits if region.noise_factor > _FACTOR_THAT_MATTERS])


def _fit_again(regions: Sequence[Region]) -> None:
    """Fit profiles anew, and the line with them where it was."""
    joint = [region for region in regions if _needs_joint(region)]
    _fit([region for region in regions if region.fit and region not in joint], _fit_group)
    _fit(joint, _fit_jointly)


def _needs_joint(region: Region) -> bool:
    """Whether line and profile can't be told apart; the strays of a ragged edge would turn the line at will."""
    return region.fit is not None and not region.ragged and region.fit.posterior.turn_share < LEAST_SHARE


def _share(regions: Sequence[Region]) -> None:
    """Average each fit again with the shares of kinds that all the photograph's edges tell together."""
    weighed = [region.fit.weighed for region in regions if region.fit is not None]
    posteriors = iter(average_shapes(weighed, learned_shares(weighed) if len(weighed) > 1 else SHARES))
    for region in regions:
        if region.fit is not None:
            region.fit.posterior = next(posteriors)


def _fit(regions: Sequence[Region], fit_group: Callable[[Sequence[Region], int], None]) -> None:
    """Fit shapes to all regions, those near one together; a region moves to a nearer shape while it helps."""
    pending = list(regions)
    for _ in range(_MOST_SHAPES):
        _fit_once(pending, fit_group)
        pending = _with_nearer_shape(pending)
        if not pending:
            return


def _fit_once(regions: Sequence[Region], fit_group: Callable[[Sequence[Region], int], None]) -> None:
    for index in sorted({region.shape for region in regions}):
        fit_group([region for region in regions if region.shape == index], index)


def _with_nearer_shape(regions: Sequence[Region]) -> list[Region]:
    """Those whose fit came out nearer to another shape, which they are given."""
    moving: list[Region] = []
    for index in sorted({region.shape for region in regions}):
        fits = [(region, region.fit.posterior) for region in regions if region.shape == index and region.fit]
        if not fits:
            continue
        prior = prior_shape(index)
        sfr = moduli_of([posterior for _, posterior in fits])
        mtf50 = crossings_cypx(prior.own_frequency_cypx, sfr, 0.5)
        for place in np.flatnonzero(~(np.abs(np.log(mtf50 / prior.mtf50_cypx)) < _OTHER_SHAPE)):
            better = nearest_shape(float(mtf50[place]))
            if better != index:
                fits[place][0].shape = better
                moving.append(fits[place][0])
    return moving


def _fit_group(group: Sequence[Region], index: int) -> None:
    shape = prior_shape(index)
    pool_regions(group, shape.step_px)
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
            distance_px=region.distance_px,
            along_px=region.along_px,
            line=region.line,
            plateaus=plateaus,
            bins=bins,
            weighed=edge,
            posterior=posterior,
            reach_px=min(
                float(max(region.distance_px.max(), -region.distance_px.min())), HALF * shape.step_px
            ),
            outliers=region.outliers,
            noise_factor=region.noise_factor,
            ragged=region.ragged,
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
_LEAST_SLOPE: Final = 0.02
"""Samples tell of the line where the profile is at least this steep, as a part of its steepest."""
_MOST_TURNS: Final = 24
_AT_REST_PX: Final = 1e-3
_ASTRAY: Final = 1.25
"""Steps that come to rest raise the misfit beside the edge by 3 % at most (seen); such as raise it so lead astray."""


def _fit_jointly(group: Sequence[Region], index: int) -> None:
    """Fit line and profile together, and move the line, until it rests; one that strays is put back where it fitted."""
    _fit_group(group, index)
    for region in group:
        best, least = region.line, np.inf
        for _ in range(_MOST_TURNS):
            if region.fit is None:
                break
            columns, misfit = _line_columns(region, region.fit)
            if misfit > _ASTRAY * least:
                region.move(best)
                _fit_group([region], index)
                break
            if misfit < least:
                best, least = region.line, misfit
            if joint_line_profile(region, region.fit, columns) < _AT_REST_PX:
                break


def joint_line_profile(region: Region, fit: RefinedFit, columns: LineColumns) -> float:
    """Fit line and profile of one region together and move the line; how far its ends moved. [px]."""
    shape, line = fit.posterior.shape, region.line
    levels = np.array([line.dark, line.bright])
    weighed, posterior, move = fit_with_line(fit.bins, shape, fit.plateaus, levels=levels, line=columns)
    # At most half a blur at a time.
    turn, bend = np.clip(move, -0.5 * line.sigma_px - 0.1, 0.5 * line.sigma_px + 0.1)
    region.move(line.moved(0.0, float(turn), float(bend), scale_px=columns.scale_px))
    bins, plateaus = region.pooled(shape.step_px)
    region.fit = replace(
        fit,
        distance_px=region.distance_px,
        along_px=region.along_px,
        line=region.line,
        plateaus=plateaus,
        bins=bins,
        weighed=weighed,
        posterior=posterior,
    )
    return float(np.abs(move).max())


@dataclass(frozen=True, slots=True, eq=False)
class _NearLine:
    """The samples of a region where the fitted profile is steep."""

    bin: npt.NDArray[np.intp]
    residual: FloatArray
    rate: FloatArray  # change of the level per px of distance
    s: FloatArray  # place along the edge over the largest
    scale_px: float
    level: FloatArray

    @classmethod
    def of(cls, region: Region, fit: RefinedFit) -> "_NearLine":
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


def _line_columns(region: Region, fit: RefinedFit) -> tuple[LineColumns, float]:
    """Columns by which turn and bend of the line enter the fit of the profile, and the misfit beside the edge."""
    near, posterior = _NearLine.of(region, fit), fit.posterior
    size, scale = fit.bins.count.size, near.scale_px
    effect = np.stack([near.s, near.s * near.s]) * near.rate
    count = np.maximum(np.bincount(near.bin, minlength=size), 1.0)
    mean = np.stack([np.bincount(near.bin, row, size) for row in effect]) / count
    rest = np.bincount(near.bin, near.residual, size) / count
    profile = np.clip((near.level - posterior.dark) / posterior.step, 0.0, 1.0)
    within = effect - mean[:, near.bin]
    variance = fit.noise.variance_at(profile)
    weighted = within / variance
    gram = weighted @ within.T
    # The distances already hold the bend as it is; the prior is about the whole of it.
    centre = np.array([0.0, -region.line.bright_side * region.line.bend_per_px * scale * scale])
    columns = LineColumns(
        columns=mean,
        gram=gram,
        moment=weighted @ (near.residual - rest[near.bin]) + gram @ centre,
        centre=centre,
        prior_sd=np.array([_TURN_SD_PX, BEND_SD_PER_PX * scale * scale]),
        scale_px=scale,
    )
    return columns, float(np.square(near.residual) @ (1.0 / variance)) / max(near.residual.size, 1)


def refine_line(region: Region, fit: RefinedFit) -> EdgeLine:
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
