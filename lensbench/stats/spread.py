"""How much one refocused shot strays: the unit of replication, and what every interval of a sweep rests on.

The spread is pooled over the settings, and grows towards wide stops where the repeats show that it does. Without
repeats it comes from the fitted peaks of focus brackets, or from the scatter about the optical model's curve; where
even that is missing, it is assumed. All is computed on log MTF50, where noise is a share of the figure.

Means of repeated figures, with a spread that few repeats share with the other settings.

The unit of replication is the refocused shot. Three shots tell their own spread badly, so each setting's variance is
drawn towards that of the other settings, or to a usual one, worth a few degrees of freedom (Smyth 2004, Statistical
Applications in Genetics and Molecular Biology 3:3, with a prior that is fixed).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import stats

from lensbench.model.units import FloatArray
from lensbench.stats.stop_model import PARAMETERS, fit_blur

__all__ = [
    "ASSUMED_SD",
    "USUAL_SD",
    "Moderated",
    "Repeats",
    "Spread",
    "ZoneSeries",
    "bracket_spread",
    "exceeds",
    "moderated",
    "quantile",
    "scatter_spread",
    "shot_spread",
    "spread_of",
]


REPEATS: Final = "repeats"
BRACKETS: Final = "focus brackets"
ASSUMED_SD: Final = 0.03
"""Spread between refocused shots, as a share of MTF50, where nothing tells it. Common practice, no source."""
LEAST_FREEDOM: Final = 5.0
"""Degrees of freedom below which the spread is not told apart by f-number."""
LEAST_SCATTER_FREEDOM: Final = 2.0
SIGNIFICANT_GAIN: Final = 2.71
SMALLEST_SD: Final = 0.002
_TYPICAL_SD: Final = 0.02
"""At which points are weighed against what is known of the pitch before their spread is known."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ZoneSeries:
    """The shots of one zone at one focal length, by f-number."""

    f_number: FloatArray
    """Exact, ascending, shape (stops,)."""
    log_shots: tuple[FloatArray, ...]
    """Natural logarithm of MTF50 in cycles per pixel, of each refocused shot at each stop; none is empty."""
    measurement_sd: float = 0.0
    """Of one shot's log MTF50, from the noise of its edges alone."""
    own_sd: tuple[FloatArray, ...] = ()
    """Of each shot that is the fitted peak of a focus bracket, from the fit; NaN for a plain one, empty without any."""
    own_freedom: float = 0.0
    """Degrees of freedom of those, all together."""

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
    """repeats, focus brackets, scatter about the curve, or assumed."""
    growth: float = 0.0
    """How much more a shot strays where focus is critical: variance = sd^2 (1 + growth g^2), see `_focus_load`."""
    load_scale: float = 1.0
    """The load at which g is 1."""

    @property
    def known(self) -> bool:
        """Whether the pictures told it."""
        return self.source != "assumed"

    @property
    def repeated(self) -> bool:
        """Whether shots that were repeated, or focus brackets, told it: else nothing is sure."""
        return self.source in {REPEATS, BRACKETS}

    def middles(self, series: ZoneSeries) -> FloatArray:
        """Give the middle of the shots at each stop, log MTF50, shape (stops,).

        The mean; but the median where the spread grows towards wide stops, for then the focus is what strays, and
        its errors only ever soften. Under even noise the mean of three is the surer one, by a sixth.
        """
        if self.growth > 0.0:
            return np.array([np.median(values) for values in series.log_shots])
        return series.means

    def variance_of_means(self, series: ZoneSeries) -> FloatArray:
        """Give the variance of the mean log MTF50 at each stop of a series, shape (stops,)."""
        load = _focus_load(series) / self.load_scale
        of_plain = self.sd**2 * (1.0 + self.growth * load**2)
        if not series.own_sd:
            return np.asarray(of_plain / series.shots)
        each = [
            np.where(np.isfinite(sd), sd**2, plain) for sd, plain in zip(series.own_sd, of_plain, strict=True)
        ]
        return np.array([np.mean(variances) for variances in each]) / series.shots

    @property
    def quantile(self) -> float:
        """Student's factor of a two-sided 95 % interval."""
        return float(stats.t.ppf(0.975, self.freedom)) if np.isfinite(self.freedom) else 1.96


def spread_of(series: Sequence[ZoneSeries], pixel_pitch_um: float | None) -> Spread:
    """Give the spread by the best that the shots of one zone, at all focal lengths, can tell."""
    return shot_spread(series) or bracket_spread(series) or scatter_spread(series, pixel_pitch_um)


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
        source=REPEATS,
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


def bracket_spread(series: Sequence[ZoneSeries]) -> Spread | None:
    """Take the spread from the fitted peaks of focus brackets; None unless every shot is one."""
    sds = np.array([float(sd) for one in series for own in one.own_sd for sd in own])
    shots = int(sum(np.sum(one.shots) for one in series))
    if not sds.size or len(sds) < shots or not np.all(np.isfinite(sds)):
        return None
    return Spread(
        sd=max(float(np.sqrt(np.mean(np.square(sds)))), SMALLEST_SD),
        freedom=sum(one.own_freedom for one in series),
        source=BRACKETS,
    )


def scatter_spread(series: Sequence[ZoneSeries], pixel_pitch_um: float | None) -> Spread:
    """Estimate the spread from the scatter about the model's curves: all there is with one shot a setting.

    Assumed where the stops are too few: the scatter must be worth two degrees of freedom, over all focal lengths. A
    parameter that the fit left at zero took none.
    """
    square, freedom = 0.0, 0.0
    for one in series:
        if len(one.f_number) > PARAMETERS:
            sd = _TYPICAL_SD / np.sqrt(one.shots)
            fit = fit_blur(one.f_number, one.means, sd=sd, pixel_pitch_um=pixel_pitch_um)
            square += float(np.sum((one.means - fit.log_mtf50) ** 2 * one.shots))
            freedom += fit.spare(sd)
    if freedom < LEAST_SCATTER_FREEDOM:
        return Spread(sd=ASSUMED_SD, freedom=float("inf"), source="assumed")
    floor = max([SMALLEST_SD, *(one.measurement_sd for one in series)])
    found = max(float(np.sqrt(square / freedom)), floor)
    return Spread(sd=found, freedom=freedom, source="scatter about the curve")


USUAL_SD: Final = 0.028
"""Spread of the difference between two sides in one refocused shot, as a share of MTF50: 2 % for each side. Common
practice, no source."""
_USUAL_FREEDOM: Final = 2.0
_MOST_SHARED: Final = 6.0
"""Degrees of freedom that the other settings' spread is worth at most."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Repeats:
    """One setting's figures, shape (shots, components), and which belong together."""

    values: FloatArray
    alike: tuple[int, ...]
    """One number a shot: spread is taken within shots of one number (the turned camera is another)."""

    @property
    def squares(self) -> float:
        """Sum of squares about the mean of those alike."""
        return float(sum(np.sum((part - part.mean(axis=0)) ** 2) for part in self._parts))

    @property
    def freedom(self) -> float:
        """Degrees of freedom of the squares."""
        return float(sum((len(part) - 1) * part.shape[1] for part in self._parts))

    @property
    def _parts(self) -> list[FloatArray]:
        groups = np.array(self.alike)
        return [self.values[groups == one] for one in sorted(set(self.alike))]


@dataclass(frozen=True, slots=True, kw_only=True)
class Moderated:
    """Variance of one shot's component, and its degrees of freedom."""

    variance: float
    freedom: float


def moderated(settings: Sequence[Repeats], *, usual_sd: float = USUAL_SD) -> list[Moderated]:
    """Give every setting's variance, drawn towards that of the others."""
    squares = np.array([one.squares for one in settings])
    freedoms = np.array([one.freedom for one in settings])
    found = []
    for own in range(len(settings)):
        others = np.arange(len(settings)) != own
        shared = float(freedoms[others].sum())
        prior_freedom = min(shared, _MOST_SHARED) + _USUAL_FREEDOM
        rest = (float(squares[others].sum()) * min(1.0, _MOST_SHARED / shared) if shared else 0.0) + (
            _USUAL_FREEDOM * usual_sd**2
        )
        freedom = float(freedoms[own]) + prior_freedom
        found.append(Moderated(variance=(float(squares[own]) + rest) / freedom, freedom=freedom))
    return found


def quantile(freedom: float, *, tests: int = 1) -> float:
    """Give Student's factor of a two-sided 95 % interval, or of as many at once (Bonferroni)."""
    return float(stats.t.ppf(1.0 - 0.025 / tests, freedom))


def exceeds(mean: FloatArray, covariance: FloatArray, *, freedom: float, tests: int = 1) -> bool:
    """Tell whether a mean, shape (k,), differs from zero at 5 %, divided among several tests (Hotelling's T^2)."""
    size = len(mean)
    squared = float(mean @ np.linalg.solve(covariance, mean)) / size
    return squared > float(stats.f.ppf(1.0 - 0.05 / tests, size, freedom))
