"""The curve of MTF50 over the f-stops of one zone at one focal length, with bands that are true.

All is computed on log MTF50, where noise is a share of the figure. The unit of replication is the refocused shot,
whose spread `spread` finds. The optical model of `blur_model` smooths the middles of the shots as far as it can be
trusted: what it misses is a second, independent variance, estimated from the lack of fit (universal kriging with a
nugget). Where the model does not fit, the middles stand.

References
----------
R. DerSimonian and N. Laird, Controlled Clinical Trials 7, 177 (1986), the moment estimate of a variance.
N. Cressie, Statistics for Spatial Data, Wiley (1993), section 3.4, universal kriging.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.model.units import FloatArray
from lensbench.stats.spread import ASSUMED_SD, Spread, ZoneSeries, bracket_spread, scatter_spread, shot_spread
from lensbench.stats.stop_model import PARAMETERS, Fit, fit_blur

__all__ = [
    "ASSUMED_SD",
    "Curve",
    "Spread",
    "ZoneSeries",
    "bracket_spread",
    "fit_curve",
    "scatter_spread",
    "shot_spread",
]


MODEL_ERROR: Final = 0.004
"""The least error that the model is given credit for: its rms against exact pupils is 0.16 % in half of the
cases, and below 0.42 % in 80 %, by the check in the tests."""
DROPPED_ABOVE: Final = 0.05
"""A model that errs by more than this share is dropped for the shots' own middles."""

_ONE_SIDED: Final = 0.5**0.5
"""A parameter that cannot fall below zero and was found there errs half the time only: half of the variance."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """What is believed of log MTF50 at each stop."""

    estimate: FloatArray
    """Shape (stops,)."""
    covariance: FloatArray
    """Of the estimate's error, shape (stops, stops)."""
    fit: Fit
    fits: bool
    """Whether the model smooths the estimate; else the shots stand by themselves."""
    model_error: float
    """By which the model errs, as a share of MTF50; NaN where the stops are too few for it."""

    @property
    def sd(self) -> FloatArray:
        """Standard deviation at each stop."""
        return np.sqrt(np.diag(self.covariance))


def _fit(
    series: ZoneSeries,
    middles: FloatArray,
    *,
    noise: FloatArray,
    model_error: float,
    pixel_pitch_um: float | None,
) -> Fit:
    point_sd = np.sqrt(noise + model_error**2)
    return fit_blur(series.f_number, middles, sd=point_sd, pixel_pitch_um=pixel_pitch_um)


def fit_curve(series: ZoneSeries, spread: Spread, *, pixel_pitch_um: float | None = None) -> Curve:
    """Smooth the middles of the shots by the optical model, as far as the model can be trusted.

    Parameters
    ----------
    series : ZoneSeries
        One zone at one focal length.
    spread : Spread
        Of one refocused shot.
    pixel_pitch_um : float, optional
        Fixes the diffraction.

    Returns
    -------
    Curve
        At the series' stops; without smoothing where the stops are fewer than the model's parameters.
    """
    noise, middles = spread.variance_of_means(series), spread.middles(series)
    fit = _fit(series, middles, noise=noise, model_error=MODEL_ERROR, pixel_pitch_um=pixel_pitch_um)
    error = _model_error(middles, noise, fit)
    if error > 2.0 * MODEL_ERROR:
        fit = _fit(series, middles, noise=noise, model_error=error, pixel_pitch_um=pixel_pitch_um)
    few = len(series.f_number) <= 2
    if few or error > DROPPED_ABOVE:
        told = float("nan") if few else error
        return Curve(estimate=middles, covariance=np.diag(noise), fit=fit, fits=False, model_error=told)
    return _kriged(middles, fit, noise=noise, model_variance=error**2)


def _model_error(middles: FloatArray, noise: FloatArray, fit: Fit) -> float:
    """Estimate the model's own error from the lack of fit, as a share of MTF50."""
    spare = len(middles) - PARAMETERS
    if spare < 1:
        return 2.0 * MODEL_ERROR
    misfit = float(np.sum((middles - fit.log_mtf50) ** 2 / noise))
    excess = (misfit / spare - 1.0) * len(middles) / float(np.sum(1.0 / noise))
    return float(np.sqrt(max(excess, MODEL_ERROR**2)))


def _kriged(middles: FloatArray, fit: Fit, *, noise: FloatArray, model_variance: float) -> Curve:
    total = noise + model_variance
    share = model_variance / total
    information = fit.jacobian.T @ (fit.jacobian / total[:, None]) + fit.prior_precision
    one_sided = np.where(fit.at_zero, _ONE_SIDED, 1.0)
    through_model = (1.0 - share)[:, None] * fit.jacobian * one_sided
    covariance = through_model @ np.linalg.solve(information, through_model.T) + np.diag(share * noise)
    return Curve(
        estimate=fit.log_mtf50 + share * (middles - fit.log_mtf50),
        covariance=covariance,
        fit=fit,
        fits=True,
        model_error=float(np.sqrt(model_variance)),
    )
