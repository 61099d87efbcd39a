"""Flags of one edge: each with the figure seen and its limit."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from lensbench.edge.curves import Curves
from lensbench.edge.departures import Departure
from lensbench.edge.line import EdgeLine, span_px
from lensbench.edge.posterior import Posterior
from lensbench.edge.region import RefinedFit
from lensbench.edge.shapes import HALF
from lensbench.edge.system import LEVELS, SHIFT
from lensbench.model.errors import Remark, remark
from lensbench.model.shot import Samples
from lensbench.optics import RISE_10_90_SIGMAS

Slopes = tuple[tuple[float, float], tuple[float, float]]

LARGEST_VALUE: Final = 1e12
CLIPPED_SHARE: Final = 0.001
FEWEST_SAMPLES: Final = 60
SHORTEST_SIDE_PX: Final = 8
NEAREST_AXIS_DEG: Final = 1.9
SHORTEST_EDGE_PX: Final = 20.0
NARROWEST_RISES: Final = 2.2
ROUGHEST_DARK: Final = 1.7
"""Photon noise makes the bright side the rougher one; dots of a printed grey turn it round."""
DOTS_OF_STEP: Final = 0.015
LOWEST_SNR: Final = 10.0
LARGEST_OVERSHOOT_PERCENT: Final = 0.5
"""No lens overshoots: an LSF is never negative. Noise does, and its sd is counted beside this."""
OVERSHOOT_SDS: Final = 3.0
_FLARE: Final = 1.2
_MISFIT: Final = 7.0
"""Doubt over misfit: double images of 3 to 10 % moved MTF50 by 3 to 5 times theirs, in small regions by more."""
SURE_SDS: Final = 2.5
"""Misfit that noise alone may make."""
ODD_SDS: Final = 4.0
LEAST_ODD: Final = 0.01
SURELY_ODD: Final = 0.99
"""Misfit and doubt, or probability and doubt, from which an edge is called odd."""
PLATEAU_SIGMAS: Final = 3.0
PLATEAU_PX: Final = 2.0
"""From the edge to where its plateaus are looked at for climbing."""
FEWEST_ON_PLATEAU: Final = 4
"""Bins on either side."""
LARGEST_BEND_PX: Final = 2.5
LARGEST_LIGHT_PERCENT: Final = 10.0
WIDEST_MISFIT: Final = 1.5
WIDEST_RAGGED_MISFIT: Final = 3.0
LEAST_MISFIT: Final = 0.005
"""A second edge leaves at least this part of the step over, rms; an interpolation's ringing less."""
FREE_ENOUGH: Final = 0.1
BESIDE_SIGMAS: Final = 2.5
BESIDE_PX: Final = 1.0
WIDEST_GAP_PX: Final = 0.4
WIDE_GAP_PX: Final = 0.5
ALIASED_RESPONSES: Final = (0.04, 0.004, 0.0125)
WIDE_GAP_RESPONSES: Final = (0.02, 0.004, 0.0125)
"""Most response that may be left at the gap's Nyquist frequency, and where it falls on MTF50 and on MTF10."""


def blocking_remarks(region: Samples) -> tuple[Remark, ...]:
    """Say why a region cannot be measured at all: clipped, or too small to hold an edge."""
    remarks = []
    present = int(np.count_nonzero(region.present))
    if region.values.size == 0:
        return (remark("no_edge", "the region reaches outside the picture"),)
    height, width = region.values.shape
    if min(height, width) < SHORTEST_SIDE_PX:
        least = f"at least {SHORTEST_SIDE_PX} x {SHORTEST_SIDE_PX} needed"
        remarks.append(remark("no_edge", f"{height} x {width} px, {least}"))
    elif present < FEWEST_SAMPLES:
        held = (
            f"{height} x {width} px hold {present} samples of this channel, at least {FEWEST_SAMPLES} needed"
        )
        remarks.append(remark("no_edge", held))
    else:
        clipped = np.count_nonzero(region.clipped & region.present) / present if region.clipped.any() else 0.0
        if clipped > CLIPPED_SHARE:
            remarks.append(
                remark("clipped", f"{100 * clipped:.1f} % of it, limit {100 * CLIPPED_SHARE:.1f} %")
            )
        values = region.values
        # False for NaN, too; what stands between the sites need not be a number.
        if (
            not -LARGEST_VALUE < values.min() <= values.max() < LARGEST_VALUE
            and not (np.abs(values[region.present]) < LARGEST_VALUE).all()
        ):
            remarks.append(remark("no_edge", "the region holds values that are no numbers"))
    return tuple(remarks)


def remarks_on(
    region: Samples, fit: RefinedFit, curves: Curves, slopes: Slopes, departure: Departure
) -> tuple[Remark, ...]:
    """Raise every flag that this edge deserves; `slopes` as of `plateau_slopes`."""
    remarks = [
        *_geometry(region, fit.line),
        *_sampling(fit, curves),
        *_signal(fit, curves, slopes, departure),
    ]
    if not region.tone_known:
        remarks.append(remark("tone_unknown"))
    return tuple(remarks)


def _geometry(region: Samples, line: EdgeLine) -> list[Remark]:
    remarks = []
    off_axis = abs((line.angle_deg + 45.0) % 90.0 - 45.0)
    if off_axis < NEAREST_AXIS_DEG:
        remarks.append(remark("angle_near_axis", f"{off_axis:.1f} degrees off, {NEAREST_AXIS_DEG} needed"))
    length, half_width = span_px(region.box, line.angle_deg)
    if length < SHORTEST_EDGE_PX:
        remarks.append(remark("region_short", f"{length:.0f} px of edge, {SHORTEST_EDGE_PX:.0f} needed"))
    rise = RISE_10_90_SIGMAS * line.sigma_px
    if half_width < NARROWEST_RISES * rise:
        needed = f"{NARROWEST_RISES * rise:.1f} needed for this edge"
        remarks.append(remark("region_narrow", f"{half_width:.1f} px to each side, {needed}"))
    sagitta = abs(line.bend_per_px) * (0.5 * length) ** 2
    if sagitta > LARGEST_BEND_PX:
        remarks.append(remark("curved", f"by {sagitta:.1f} px, limit {LARGEST_BEND_PX} px"))
    return remarks


def _sampling(fit: RefinedFit, curves: Curves) -> list[Remark]:
    """Find the widest gap between sampled distances near the edge: it sets a Nyquist limit of its own."""
    step_px = fit.posterior.shape.step_px
    filled = np.flatnonzero(fit.bins.count)
    distance = (filled - HALF) * step_px + fit.bins.offset_px[filled]
    near = distance[np.abs(distance) < 2.0 + 2.0 * fit.line.sigma_px]
    if near.size < 2:
        return [remark("phase_gap", "fewer than two distances sampled near the edge")]
    gap = float(np.diff(near).max())
    if gap <= WIDEST_GAP_PX:
        return []
    frequency, sfr = curves.fine_frequency_cypx, curves.fine_sfr
    # The sampled distances repeat the spectrum at 1 / gap: what is left at Nyquist folds over, and what is left at
    # 1 / gap - MTF50 falls on MTF50 itself (MTF10 likewise).
    places = (0.5 / gap, 1.0 / gap - curves.mtf_cypx[0], 1.0 / gap - curves.mtf_cypx[3])
    limits = ALIASED_RESPONSES if gap < WIDE_GAP_PX else WIDE_GAP_RESPONSES
    for place, limit in zip(places, limits, strict=True):
        response = float(np.interp(place, frequency, sfr, right=0.0))
        if response > limit:
            left = f"{100 * response:.1f} % response at {place:.2f} cy/px"
            return [remark("phase_gap", f"{gap:.2f} px apart; {left}, limit {100 * limit:.1f} %")]
    return []


def _signal(fit: RefinedFit, curves: Curves, slopes: Slopes, departure: Departure) -> list[Remark]:
    posterior = fit.posterior
    remarks = []
    snr = fit.noise.snr(posterior.step)
    if snr < LOWEST_SNR:
        remarks.append(remark("low_snr", f"SNR {snr:.0f}, limit {LOWEST_SNR:.0f}"))
    climb_percent, unlit_percent = _plateaus_percent(fit, slopes)
    over_percent = max(_overshoot_percent(posterior, curves, unlit_percent), climb_percent)
    if over_percent > 0.0:
        limit = f"limit {LARGEST_OVERSHOOT_PERCENT:g} % and {OVERSHOOT_SDS:g} sd"
        remarks.append(remark("sharpened", f"by {over_percent:.1f} %, {limit}"))
    beside = _misfit_beside(fit) if posterior.free_size >= FREE_ENOUGH and snr < 2000.0 else 0.0
    widest = WIDEST_MISFIT if fit.ragged is None else WIDEST_RAGGED_MISFIT
    if beside > widest:
        remarks.append(remark("second_edge", f"misfit {beside:.1f} times the noise, limit {widest}"))
    noise = fit.noise
    dots = math.sqrt(noise.dark_variance / noise.bright_variance)
    if dots > ROUGHEST_DARK and math.sqrt(noise.dark_variance) > DOTS_OF_STEP * posterior.step:
        rough = f"dark side {dots:.1f} times as rough as the bright, limit {ROUGHEST_DARK}"
        remarks.append(remark("screened_print", rough))
    if fit.ragged is not None:
        strays = f"{fit.ragged.rms_px:.2f} px rms, alike over {fit.ragged.length_px:.0f} px"
        remarks.append(remark("ragged_print", strays))
    doubt, misfit_sds = misfit_doubt(fit, curves)
    if misfit_sds > ODD_SDS and doubt > LEAST_ODD:
        left = f"what no kind of blur explains stands {misfit_sds:.0f} sd out, limit {ODD_SDS:g}"
        remarks.append(remark("odd_shape", f"{left}; MTF50 may be {100 * doubt:.1f} % off for it"))
    elif departure.probability > SURELY_ODD and departure.doubt > LEAST_ODD:
        chance = f"a second image with a probability of {100 * departure.probability:.1f} %"
        limit = f"limit {100 * SURELY_ODD:g} %; MTF50 may be {100 * departure.doubt:.1f} % off for it"
        remarks.append(remark("odd_shape", f"{chance}, {limit}"))
    if fit.outliers:
        remarks.append(remark("outliers", f"{fit.outliers} samples"))
    light = fit.light_percent
    # Wide sharpening bends both plateaus, and would pass for light.
    if posterior.light_size > 0.01 and light > LARGEST_LIGHT_PERCENT and climb_percent == 0.0:
        limit = f"limit {LARGEST_LIGHT_PERCENT:.0f} %"
        remarks.append(remark("uneven_light", f"{light:.0f} % of the step, {limit}"))
    return remarks


def _overshoot_percent(posterior: Posterior, curves: Curves, unlit_percent: float) -> float:
    """Largest of the ESF's departures beyond its plateaus that are no noise, nor light left in it; 0 without one."""
    table = posterior.shape.fine
    first = (table.position_px.size - curves.position_px.size) // 2
    found = [0.0]
    places = (int(np.argmax(curves.esf)), int(np.argmin(curves.esf)))
    for at, percent in zip(places, (curves.overshoot_percent, curves.undershoot_percent), strict=True):
        if percent <= LARGEST_OVERSHOOT_PERCENT + unlit_percent:
            continue
        gradient = np.zeros(posterior.coefficient.size)
        gradient[1] = table.mean[0, first + at] - curves.esf[at]
        gradient[SHIFT] = table.mean[1, first + at]
        gradient[LEVELS:] = table.modes[0][:, first + at]
        sd_percent = 100.0 * float(np.linalg.norm(gradient @ posterior.spread)) / posterior.step
        if percent - LARGEST_OVERSHOOT_PERCENT - unlit_percent > OVERSHOOT_SDS * sd_percent:
            found.append(percent)
    return max(found)


def _plateaus_percent(fit: RefinedFit, slopes: Slopes) -> tuple[float, float]:
    """How far both plateaus part towards the edge, as wide sharpening makes them; and how much light the fit left in.

    Both in percent of the step, at the edge, and 0 where noise could make them. Uneven light changes dark and bright
    alike, in parts of their levels, sharpening both by as much; blur bends plateaus towards each other. So where the
    bright one climbs towards the edge, the dark one falls by its part of that at most, unless it was sharpened.
    """
    posterior = fit.posterior
    (dark, dark_sd), (bright, bright_sd) = slopes
    part = min(max(posterior.dark / (posterior.dark + posterior.step), 0.0), 0.9)
    scale = 100.0 * fit.reach_px / posterior.step
    beyond, beyond_sd = scale * (part * bright - dark), scale * math.hypot(dark_sd, part * bright_sd)
    climbs = scale * bright < -LARGEST_OVERSHOOT_PERCENT - OVERSHOOT_SDS * scale * bright_sd
    falls = beyond > LARGEST_OVERSHOOT_PERCENT + OVERSHOOT_SDS * beyond_sd
    light, light_sd = (bright - dark) / (1.0 - part), math.hypot(dark_sd, bright_sd) / (1.0 - part)
    left = abs(light - float(posterior.coefficient[5]) / posterior.across_unit_px)
    return (
        beyond / (1.0 - part) if climbs and falls else 0.0,
        scale * left if left > OVERSHOOT_SDS * light_sd else 0.0,
    )


def flare_doubt(fit: RefinedFit, slopes: Slopes) -> float:
    """Sd, relative to each figure, of light that may fall further than the region reaches.

    A plateau that still climbs at the region's end by a part u of the step over its reach goes on climbing beyond it by
    about as much. Flares of simulated lenses (coma at f/2, haloes) moved MTF50 by some 1.2 u^2 then.
    """
    scale = fit.reach_px / fit.posterior.step
    squares = [max(slope**2 - (OVERSHOOT_SDS * sd) ** 2, 0.0) for slope, sd in slopes if np.isfinite(sd)]
    return _FLARE * scale**2 * max(squares, default=0.0)


def misfit_doubt(fit: RefinedFit, curves: Curves) -> tuple[float, float]:
    """Sd, relative to each figure, for what no kind of blur explains; and how far that stands out, in sd of noise.

    What is left over shows that something is there that the shapes can't make, and how much of it they took in is not
    known. Left over a length, r in parts of the step, it moves a response at MTF50 by the root of MTF50 times the
    integral of r^2, in scale; shapes took in some times as much.
    """
    posterior = fit.posterior
    sds = posterior.misfit_sds
    if sds <= SURE_SDS or fit.ragged is not None or not fit.points.is_sensor:
        return 0.0, 0.0
    told = fit.bins.count / fit.noise.variance_at(posterior.shape.fine.mean[0])
    beyond = (sds - SURE_SDS) * float(np.sqrt(2.0 * posterior.degrees)) * fit.noise_factor
    square_px = beyond * 2.0 * fit.reach_px / float(told.sum())
    mtf50 = curves.mtf_cypx[0] if np.isfinite(curves.mtf_cypx[0]) else posterior.shape.mtf50_cypx
    return _MISFIT * float(np.sqrt(mtf50 * square_px)) / posterior.step, sds


def plateau_slopes(fits: Sequence[RefinedFit]) -> list[Slopes]:
    """Slope of the dark and of the bright plateau with the distance towards the bright side, and its sd. [1/px].

    Of fits of one prior shape; the sd is infinite where a plateau holds too little.
    """
    table, mean = fits[0].posterior.shape.fine, fits[0].posterior.shape.fine.mean[0]
    count, value, offset, along = (
        np.stack([getattr(fit.bins, name) for fit in fits])
        for name in ("count", "value", "offset_px", "along_px")
    )
    sides = [(fit.plateaus, fit.plateaus.noise) for fit in fits]
    dark, bright, variance, brighter = np.array(
        [
            (own.dark_slope_per_px, own.bright_slope_per_px, noise.dark_variance, noise.bright_variance)
            for own, noise in sides
        ]
    ).T[..., None]
    value -= (dark + (bright - dark) * mean) * along
    weight = count / (variance + (brighter - variance) * np.clip(mean, 0.0, 1.0))
    distance = table.position_px + offset
    start = np.array([[PLATEAU_SIGMAS * fit.line.sigma_px + PLATEAU_PX] for fit in fits])
    found = []
    for own in (distance < -start, distance > start):
        told = np.where(own, weight, 0.0)
        few = np.count_nonzero(told, axis=1) < FEWEST_ON_PLATEAU
        total = np.maximum(told.sum(axis=1), 1e-300)
        told *= distance - (np.einsum("rb,rb->r", told, distance) / total)[:, None]
        square = np.where(few, 1.0, np.einsum("rb,rb->r", told, distance))
        slope = np.where(few, 0.0, np.einsum("rb,rb->r", told, value) / square)
        found.append(np.stack([slope, np.where(few, np.inf, square**-0.5)], axis=1).tolist())
    return [((dark[0], dark[1]), (bright[0], bright[1])) for dark, bright in zip(*found, strict=True)]


def _misfit_beside(fit: RefinedFit) -> float:
    """Mean weighted square of what the fit leaves over, away from the edge: a blur's own misfit stands at the edge."""
    bins, posterior = fit.bins, fit.posterior
    distance = np.abs(posterior.shape.fine.position_px)
    far = (bins.count > 0.0) & (distance > BESIDE_SIGMAS * fit.line.sigma_px + BESIDE_PX)
    if not far.any():
        return 0.0
    level, slope, bend = posterior.profile()
    mean = posterior.shape.fine.mean[0]
    known = fit.plateaus.dark_slope_per_px * (1.0 - mean) + fit.plateaus.bright_slope_per_px * mean
    rest = bins.value - level - bins.offset_px * slope - bins.half_square_px2 * bend - known * bins.along_px
    if (
        float(np.average(np.square(rest[far]), weights=bins.count[far]))
        < (LEAST_MISFIT * posterior.step) ** 2
    ):
        return 0.0
    variance = fit.plateaus.variance_of(mean, distance) / np.maximum(bins.count, 1.0)
    return float(np.mean(np.square(rest[far]) / variance[far]))
