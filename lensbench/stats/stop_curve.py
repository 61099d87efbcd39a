"""Curve of MTF50 over the f-stops of one zone at one focal length, with bands that are true.

The optical model of the transfer at f-number N, with N0 the widest one: diffraction at q = kappa N x a square pixel x a
uniform disc of diameter D N0/N (defocus and field curvature) x a Gaussian of variance c^2 + w (N0/N)^6 (constant blur,
and primary spherical aberration, whose transverse blur goes with the third power of the opening). Against exact overlap
integrals of aberrated pupils it errs by 0.3 % of MTF50 at most in half of the cases, by a few percent in strongly
aberrated ones.

The curve: all is computed on log MTF50, where noise is a share of the figure. The unit of replication is the refocused
shot. The model lends the means of the shots strength only where its misfit is tested, and not significant against the
scatter of repeats: then what it still may miss is a second, independent variance (universal kriging with a nugget).
With four stops, mostly with five, and without repeats there is nothing to test by, and the means stand.

References
----------
R. DerSimonian and N. Laird, Controlled Clinical Trials 7, 177 (1986), the moment estimate of a variance.
N. Cressie, Statistics for Spatial Data, Wiley (1993), section 3.4, universal kriging.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import optimize, special

from lensbench import optics
from lensbench.model.shot import BoolArray
from lensbench.model.units import FloatArray
from lensbench.stats.scatter import (
    ASSUMED_SD,
    SMALLEST_SD,
    USUAL_PITCH_UM,
    Spread,
    ZoneSeries,
    bracket_spread,
    plain_spread,
    shot_spread,
    unseen_focus,
)
from lensbench.stats.spread import f_limit

MODEL_ERROR: Final = 0.004
"""The least error that the model is given credit for: its rms against exact pupils is 0.16 % in half of the
cases, and below 0.42 % in 80 %, by the check in the tests."""
MISFIT_CHANCE: Final = 0.1
"""A model whose misfit chance explains in a smaller share of shoots gives way to the shots' own values."""
LEAST_SPARE: Final = 1.5
"""Degrees of freedom that a test of the misfit takes: six stops, or five where a kind of blur is not seen."""
_MANY: Final = 1e6

_ONE_SIDED: Final = 0.5**0.5  # a parameter found at its bound of zero errs half the time only
PARAMETERS: Final = 4
"""log kappa, c^2 [px^2], D^2 [px^2], w [px^2]."""

_KNOWN_PITCH_SD: Final = 0.05
_UNKNOWN_PITCH_SD: Final = 0.4
"""Log-spread of kappa: band width of the channel with a known pitch; pitches of 2 to 9 um without."""
_BLUR_PRIOR_SD_PX2: Final = 50.0
_LOWER: Final = (-4.0, 0.0, 0.0, 0.0)
_UPPER: Final = (2.0, 50.0, 2000.0, 500.0)
_GRID_CYPX: Final = np.geomspace(0.004, 1.0, 64)
_STEP: Final = 1e-4
_AT_ZERO: Final = 1e-5
LEAST_SCATTER_DOF: Final = 2.0
_TYPICAL_SD: Final = 0.02  # weighs points against what the pitch tells, before their spread is known


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """What is believed of log MTF50 at each stop."""

    estimate: FloatArray
    """Shape (stops,); so are the next three."""
    sd: FloatArray
    """Of the estimate's error at each stop."""
    low: FloatArray
    """Ends of the 95 % intervals, log MTF50, shape (stops,); NaN where nothing told the spread."""
    high: FloatArray
    errs_down: FloatArray
    """How far the estimate may lie above the truth, and below it, at 5 % to that side; shape (stops,)."""
    errs_up: FloatArray
    fit: "Fit"
    fits: bool
    """Whether the model lends the estimate strength; else the shots stand by themselves."""
    model_error: float
    """By which the model errs, as a share of MTF50; NaN where the stops are too few to tell."""


def fit_curve(series: ZoneSeries, spread: Spread, *, pixel_pitch_um: float | None = None) -> Curve:
    """Central values of the shots smoothed by the optical model, as far as the model can be trusted.

    The pixel pitch fixes the diffraction. At the series' stops; without smoothing where these are fewer than the
    model's parameters.
    """
    noise, central_values = spread.variance_of_means(series), series.means

    def fitted(model_error: float) -> Fit:
        sd = np.sqrt(noise + model_error**2)
        return fit_blur(series.f_number, central_values, sd=sd, pixel_pitch_um=pixel_pitch_um)

    fit = fitted(MODEL_ERROR)
    error, fits = _misfit(central_values, noise, fit, spread)
    if error > 2.0 * MODEL_ERROR:
        fit = fitted(error)
    estimate, sd = central_values, np.sqrt(noise)
    fits = fits and not series.crept  # what a creep took, the stops share: none can lend strength
    if fits:
        share = error**2 / (noise + error**2)
        estimate = fit.log_mtf50 + share * (central_values - fit.log_mtf50)
        sd = _kriged_sd(fit, noise, error**2)
    unseen_sd = np.sqrt(unseen_focus(series, spread, pixel_pitch_um))
    below, above, errs_down, errs_up = (
        np.hypot(reach * sd, special.ndtri(chance) * unseen_sd) if spread.known else np.full(len(sd), np.nan)
        for chance in (0.975, 0.95)
        for reach in spread.reach(series, chance=chance)
    )
    return Curve(
        estimate=estimate,
        sd=sd,
        low=estimate - below,
        high=estimate + above,
        errs_down=errs_down,
        errs_up=errs_up,
        fit=fit,
        fits=fits,
        model_error=error,
    )


def _misfit(central_values: FloatArray, noise: FloatArray, fit: "Fit", spread: Spread) -> tuple[float, bool]:
    """Model's own error from the lack of fit, as a share of MTF50, and whether chance explains all of it.

    NaN where the stops leave too few degrees of freedom to tell: then, and without repeats, nothing is lent.
    """
    spare = fit.spare(np.sqrt(noise + MODEL_ERROR**2))
    if spare < LEAST_SPARE:
        return float("nan"), False
    squares = (central_values - fit.log_mtf50) ** 2
    excess = (float(np.sum(squares / noise)) / spare - 1.0) * len(noise) / float(np.sum(1.0 / noise))
    error = float(np.sqrt(max(excess, MODEL_ERROR**2)))
    ratio = float(np.sum(squares / (noise + MODEL_ERROR**2))) / spare
    limit = float(f_limit(MISFIT_CHANCE, spare, min(spread.dof, _MANY)))
    # The model knows no shake: where the shots scatter more the longer the shutter, it would lend what that took.
    return error, spread.repeated and not spread.by_time and ratio <= limit


def _kriged_sd(fit: "Fit", noise: FloatArray, model_variance: float) -> FloatArray:
    """Sds of an estimate that leans on the model as far as the shots are noisier than the model errs."""
    total = noise + model_variance
    share = model_variance / total
    information = fit.jacobian.T @ (fit.jacobian / total[:, None]) + fit.prior_precision
    through_model = (1.0 - share)[:, None] * fit.jacobian * np.where(fit.at_zero, _ONE_SIDED, 1.0)
    variance = np.sum(through_model * np.linalg.solve(information, through_model.T).T, axis=1) + share * noise
    return np.asarray(np.sqrt(variance), np.float64)


def spread_of(series: Sequence[ZoneSeries], pixel_pitch_um: float | None) -> Spread:
    """Spread by the best that the shots of one zone, at all focal lengths, can tell."""
    return (
        shot_spread(series, pixel_pitch_um)
        or bracket_spread(series)
        or scatter_spread(series, pixel_pitch_um)
    )


def scatter_spread(series: Sequence[ZoneSeries], pixel_pitch_um: float | None) -> Spread:
    """Estimate the spread from the scatter about the model's curves: all there is with one shot a setting.

    Assumed where the stops are too few: the scatter must be worth two degrees of freedom, over all focal lengths. A
    parameter that the fit left at zero took none. The curve bends to a focus error at the widest stops, so that these
    do not scatter about it: there, a usual error of focus is added.
    """
    square, dof = 0.0, 0.0
    for zone in series:
        if len(zone.f_number) > PARAMETERS:
            typical_sd = _TYPICAL_SD / np.sqrt(zone.shots)
            fit = fit_blur(zone.f_number, zone.means, sd=typical_sd, pixel_pitch_um=pixel_pitch_um)
            square += float(np.sum((zone.means - fit.log_mtf50) ** 2 * zone.shots))
            dof += fit.spare(typical_sd)
    if dof < LEAST_SCATTER_DOF:
        return plain_spread(ASSUMED_SD, "assumed")
    sd = max(float(np.sqrt(square / dof)), SMALLEST_SD, *(zone.measurement_sd for zone in series))
    told = plain_spread(sd, "scatter about the curve", dof=dof)
    return replace(told, focus=np.ones(1), pixel_pitch_um=pixel_pitch_um)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """The model laid through points."""

    parameters: FloatArray  # shape (4,)
    widest_f_number: float
    log_mtf50: FloatArray  # at the points, shape (points,)
    jacobian: FloatArray  # of log_mtf50 by the parameters, shape (points, 4)
    prior_precision: FloatArray  # what was known of the parameters beforehand, shape (4, 4)

    @property
    def at_zero(self) -> BoolArray:
        """Which parameters stand at their bound of zero, shape (4,)."""
        return np.array([False, *(self.parameters[1:] <= _AT_ZERO)])

    def spare(self, sd: FloatArray) -> float:
        """Degrees of freedom that the fit left over, with points of these standard deviations.

        Points less the trace of the hat matrix: a parameter that stands at its bound of zero took none, and one that
        was known beforehand only a part.
        """
        free = ~self.at_zero
        slope = self.jacobian[:, free] / sd[:, None]
        information = slope.T @ slope + self.prior_precision[np.ix_(free, free)]
        return float(len(sd) - np.trace(slope @ np.linalg.solve(information, slope.T)))

    def at(self, f_number: FloatArray) -> FloatArray:
        """Log MTF50 at other f-numbers."""
        return log_mtf50(f_number, self.parameters, widest_f_number=self.widest_f_number)


def log_mtf50(f_number: FloatArray, parameters: FloatArray, *, widest_f_number: float) -> FloatArray:
    """Natural logarithm of MTF50 in cycles per pixel, shape (..., points), for parameters of shape (..., 4)."""
    transfer = _transfer(_GRID_CYPX, f_number, parameters, widest_f_number)
    above = np.clip(np.argmax(transfer < 0.5, axis=-1), 1, None)[..., None]
    low, high = _GRID_CYPX[above - 1], _GRID_CYPX[above]
    start, end = (np.take_along_axis(transfer, index, axis=-1) for index in (above - 1, above))
    frequency = low + (start - 0.5) / (start - end) * (high - low)
    for _ in range(3):  # Newton's steps inside the cell
        here = _transfer(frequency, f_number, parameters, widest_f_number)
        ahead = _transfer(frequency * 1.001, f_number, parameters, widest_f_number)
        frequency = np.clip(frequency + (0.5 - here) / ((ahead - here) / (frequency * 0.001)), low, high)
    return np.asarray(np.log(frequency[..., 0]), np.float64)


def _transfer(
    frequency_cypx: FloatArray, f_number: FloatArray, parameters: FloatArray, widest_f_number: float
) -> FloatArray:
    log_kappa, constant_px2, disc_px2, aberration_px2 = np.moveaxis(parameters[..., None, None, :], -1, 0)
    opening = (widest_f_number / f_number)[:, None]
    sigma_px = np.sqrt(constant_px2 + aberration_px2 * opening**6)
    return np.asarray(
        optics.circular_mtf(frequency_cypx * np.exp(log_kappa) * f_number[:, None])
        * optics.pixel_mtf(frequency_cypx)
        * optics.defocus_mtf(frequency_cypx * np.sqrt(disc_px2) * opening, 1.0)
        * np.exp(-2.0 * (np.pi * sigma_px * frequency_cypx) ** 2)
    )


def fit_blur(
    f_number: FloatArray, log_values: FloatArray, *, sd: FloatArray, pixel_pitch_um: float | None
) -> Fit:
    """Model laid through points by least squares, with what is known of the diffraction beforehand.

    Of shape (points,): exact f-numbers, log MTF50 and its sd. The pixel pitch fixes the diffraction within 5 %;
    unknown, it is left wide.
    """
    widest = float(f_number.min())
    log_kappa = float(np.log(optics.GREEN_UM / (pixel_pitch_um or USUAL_PITCH_UM)))
    log_kappa_sd = _KNOWN_PITCH_SD if pixel_pitch_um else _UNKNOWN_PITCH_SD
    prior = np.array([log_kappa, 0.0, 0.0, 0.0])
    prior_sd = np.array([log_kappa_sd, *[_BLUR_PRIOR_SD_PX2] * 3])

    def residual(parameters: FloatArray) -> FloatArray:
        misfit = (log_mtf50(f_number, parameters, widest_f_number=widest) - log_values) / sd
        return np.concatenate([misfit, (parameters - prior) / prior_sd])

    def slope(parameters: FloatArray) -> FloatArray:
        return np.vstack([_jacobian(f_number, parameters, widest) / sd[:, None], np.diag(1.0 / prior_sd)])

    start, scale = np.array([log_kappa, 0.1, 0.3, 0.1]), (0.1, 0.2, 1.0, 1.0)
    solution = optimize.least_squares(
        residual, start, slope, bounds=(_LOWER, _UPPER), x_scale=scale, xtol=1e-6, ftol=1e-6
    )
    parameters = np.asarray(solution.x, dtype=np.float64)
    return Fit(
        parameters=parameters,
        widest_f_number=widest,
        log_mtf50=log_mtf50(f_number, parameters, widest_f_number=widest),
        jacobian=_jacobian(f_number, parameters, widest),
        prior_precision=np.diag(prior_sd**-2.0),
    )


def _jacobian(f_number: FloatArray, parameters: FloatArray, widest: float) -> FloatArray:
    moved = parameters + np.vstack([np.zeros(PARAMETERS), np.eye(PARAMETERS) * _STEP])
    values = log_mtf50(f_number, moved, widest_f_number=widest)
    return np.asarray((values[1:] - values[0]).T / _STEP, np.float64)
