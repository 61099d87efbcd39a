"""The curve of MTF50 over the f-stops of one zone at one focal length, with bands that are true.

All is computed on log MTF50, where noise is a share of the figure. The unit of replication is the refocused
shot: its sd is pooled over the settings, and grows towards wide stops where the repeats show that it does. The
optical model of `blur_model` smooths the means of the shots as far as it can be trusted: what it misses is a
second, independent variance, estimated from the lack of fit (universal kriging with a nugget). Where the model
does not fit, the means stand.

References
----------
R. DerSimonian and N. Laird, Controlled Clinical Trials 7, 177 (1986), the moment estimate of a variance.
N. Cressie, Statistics for Spatial Data, Wiley (1993), section 3.4, universal kriging.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import stats

from lensbench.study.blur_model import PARAMETERS, Fit, fit_blur
from lensbench.units import FloatArray

__all__ = ["ASSUMED_SD", "Curve", "Spread", "ZoneSeries", "fit_curve", "scatter_spread", "shot_spread"]

ASSUMED_SD: Final = 0.03
"""Spread between refocused shots, as a share of MTF50, where nothing tells it. Common practice, no source."""
LEAST_FREEDOM: Final = 5.0
"""Degrees of freedom below which the spread is not told apart by f-number."""
SIGNIFICANT_GAIN: Final = 2.71
SMALLEST_SD: Final = 0.002
MODEL_ERROR: Final = 0.004
"""The least error that the model is given credit for: its rms against exact pupils is 0.16 % in half of the
cases, and below 0.42 % in 80 %, by the check in the tests."""
DROPPED_ABOVE: Final = 0.05
"""A model that errs by more than this share is dropped for the measured means."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ZoneSeries:
    """The shots of one zone at one focal length, by f-number."""

    f_number: FloatArray
    """Exact, ascending, shape (stops,)."""
    log_shots: tuple[FloatArray, ...]
    """Natural logarithm of MTF50 in cycles per pixel, of each refocused shot at each stop; none is empty."""
    measurement_sd: float = 0.0
    """Of one shot's log MTF50, from the noise of its edges alone."""

    @property
    def shots(self) -> FloatArray:
        """Number of refocused shots at each stop, shape (stops,)."""
        return np.array([len(values) for values in self.log_shots], dtype=np.float64)

    @property
    def means(self) -> FloatArray:
        """Mean log MTF50 at each stop, shape (stops,)."""
        return np.array([np.mean(values) for values in self.log_shots])


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How much one refocused shot strays, as a share of MTF50."""

    sd: float
    freedom: float
    """Degrees of freedom; infinite for an assumed spread."""
    source: str
    """repeats, scatter about the curve, or assumed."""
    growth: float = 0.0
    """How much more a shot strays where focus is critical: variance = sd^2 (1 + growth g^2), see `_focus_load`."""
    load_scale: float = 1.0
    """The load at which g is 1."""

    @property
    def known(self) -> bool:
        """Whether the pictures told it."""
        return self.source != "assumed"

    def variance_of_means(self, series: ZoneSeries) -> FloatArray:
        """Give the variance of the mean log MTF50 at each stop of a series, shape (stops,)."""
        load = _focus_load(series) / self.load_scale
        variance: FloatArray = self.sd**2 * (1.0 + self.growth * load**2) / series.shots
        return variance

    @property
    def quantile(self) -> float:
        """Student's factor of a two-sided 95 % interval."""
        return float(stats.t.ppf(0.975, self.freedom)) if np.isfinite(self.freedom) else 1.96


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """What is believed of log MTF50 at each stop."""

    estimate: FloatArray
    """Shape (stops,)."""
    covariance: FloatArray
    """Of the estimate's error, shape (stops, stops)."""
    fit: Fit
    fits: bool
    note: str

    @property
    def sd(self) -> FloatArray:
        """Standard deviation at each stop."""
        return np.sqrt(np.diag(self.covariance))


def shot_spread(series: Sequence[ZoneSeries]) -> Spread | None:
    """Pool the spread between refocused shots over the settings of a zone; None without any repeat.

    Where it grows towards wide stops, few settings tell it, and the degrees of freedom are Satterthwaite's.
    """
    values = [values for one in series for values in one.log_shots]
    freedom = sum(len(v) - 1 for v in values)
    if freedom == 0:
        return None
    squares = np.array([np.sum((v - v.mean()) ** 2) for v in values])
    freedoms = np.array([len(v) - 1.0 for v in values])
    loads = np.concatenate([_focus_load(one) for one in series])
    scale = float(loads.max())
    growth = _growth(squares, freedoms, loads / scale)
    weights = 1.0 + growth * (loads / scale) ** 2
    variance = float(np.sum(squares / weights)) / freedom
    floor = max([SMALLEST_SD, *(one.measurement_sd for one in series)])
    return Spread(
        sd=max(float(np.sqrt(variance)), floor),
        freedom=float(np.sum(weights * freedoms) ** 2 / np.sum(weights**2 * freedoms)),
        source="repeats",
        growth=growth,
        load_scale=scale,
    )


def _focus_load(series: ZoneSeries) -> FloatArray:
    """Give how strongly a focus error acts: its blur disc goes with 1/N and weighs against MTF50, squared."""
    load: FloatArray = (np.exp(series.means) / series.f_number) ** 2
    return load


def _growth(squares: FloatArray, freedoms: FloatArray, loads: FloatArray) -> float:
    """Find the growth of the variance with the focus load by restricted likelihood; 0 unless it is significant.

    One-sided at 5 %: twice the gain in log likelihood must exceed 2.71.
    """
    if freedoms.sum() < LEAST_FREEDOM:
        return 0.0
    tried = np.concatenate([[0.0], np.geomspace(0.5, 2000.0, 25)])
    weights = 1.0 + tried[:, None] * loads**2
    pooled = np.maximum((squares / weights).sum(axis=1) / freedoms.sum(), SMALLEST_SD**2)
    twice_log = -freedoms.sum() * np.log(pooled) - np.log(weights) @ freedoms
    best = int(np.argmax(twice_log))
    return float(tried[best]) if twice_log[best] - twice_log[0] > SIGNIFICANT_GAIN else 0.0


def scatter_spread(series: Sequence[ZoneSeries], pixel_pitch_um: float | None) -> Spread:
    """Estimate the spread from the scatter about the model's curves: all there is with one shot a setting.

    Assumed where the stops are too few: two more than the model has parameters, over all focal lengths.
    """
    square, freedom = 0.0, 0
    for one in series:
        if (spare := len(one.f_number) - PARAMETERS) > 0:
            fit = _fit(one, ASSUMED_SD**2 / one.shots, 0.0, pixel_pitch_um)
            square += float(np.sum((one.means - fit.log_mtf50) ** 2))
            freedom += spare
    if freedom < 2:
        return Spread(sd=ASSUMED_SD, freedom=float("inf"), source="assumed")
    floor = max([SMALLEST_SD, *(one.measurement_sd for one in series)])
    sd = max(float(np.sqrt(square / freedom)), floor)
    return Spread(sd=sd, freedom=float(freedom), source="scatter about the curve")


def _fit(series: ZoneSeries, noise: FloatArray, model_error: float, pixel_pitch_um: float | None) -> Fit:
    point_sd = np.sqrt(noise + model_error**2)
    return fit_blur(series.f_number, series.means, sd=point_sd, pixel_pitch_um=pixel_pitch_um)


def fit_curve(series: ZoneSeries, spread: Spread, *, pixel_pitch_um: float | None = None) -> Curve:
    """Smooth the means of the shots by the optical model, as far as the model can be trusted.

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
    noise = spread.variance_of_means(series)
    fit = _fit(series, noise, MODEL_ERROR, pixel_pitch_um)
    error = _model_error(series, noise, fit)
    if error > 2.0 * MODEL_ERROR:
        fit = _fit(series, noise, error, pixel_pitch_um)
    means = Curve(estimate=series.means, covariance=np.diag(noise), fit=fit, fits=False, note="")
    if len(series.f_number) <= 2:
        return _with_note(means, "too few f-stops for a curve: the means of the shots stand")
    if error > DROPPED_ABOVE:
        return _with_note(
            means, f"the optical model errs by {100.0 * error:.0f} %: the means of the shots stand"
        )
    return _kriged(series, fit, noise=noise, model_variance=error**2)


def _with_note(curve: Curve, note: str) -> Curve:
    return Curve(
        estimate=curve.estimate, covariance=curve.covariance, fit=curve.fit, fits=curve.fits, note=note
    )


def _model_error(series: ZoneSeries, noise: FloatArray, fit: Fit) -> float:
    """Estimate the model's own error from the lack of fit, as a share of MTF50."""
    spare = len(series.f_number) - PARAMETERS
    if spare < 1:
        return 2.0 * MODEL_ERROR
    misfit = float(np.sum((series.means - fit.log_mtf50) ** 2 / noise))
    excess = (misfit / spare - 1.0) * len(series.f_number) / float(np.sum(1.0 / noise))
    return float(np.sqrt(max(excess, MODEL_ERROR**2)))


def _kriged(series: ZoneSeries, fit: Fit, *, noise: FloatArray, model_variance: float) -> Curve:
    total = noise + model_variance
    share = model_variance / total
    information = fit.jacobian.T @ (fit.jacobian / total[:, None]) + fit.prior_precision
    through_model = (1.0 - share)[:, None] * fit.jacobian
    covariance = through_model @ np.linalg.solve(information, through_model.T) + np.diag(share * noise)
    return Curve(
        estimate=fit.log_mtf50 + share * (series.means - fit.log_mtf50),
        covariance=covariance,
        fit=fit,
        fits=True,
        note=f"smoothed by the optical model, which errs by {100.0 * np.sqrt(model_variance):.1f} %",
    )
