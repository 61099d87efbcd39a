"""How much one refocused shot strays: the unit of replication, and what every interval of a sweep rests on.

The spread is pooled over the settings, and grows towards wide stops where the repeats show that it does. Without
repeats it comes from the fitted peaks of focus brackets, or from the scatter about the optical model's curve (see
`stop_curve`); where even that is missing, it is assumed. All is computed on log MTF50, where noise is a share of the
figure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import stats

from lensbench.model.units import FloatArray

REPEATS: Final = "repeats"
BRACKETS: Final = "focus brackets"
ASSUMED_SD: Final = 0.03
"""Spread between refocused shots, as a share of MTF50, where nothing tells it. Common practice, no source."""
LEAST_DOF: Final = 5.0
"""Degrees of freedom below which the spread is not told apart by f-number."""
SIGNIFICANT_GAIN: Final = 2.71
SMALLEST_SD: Final = 0.002


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
    own_dof: float = 0.0
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
    dof: float
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

    def central_values(self, series: ZoneSeries) -> FloatArray:
        """Central value of the shots at each stop, log MTF50, shape (stops,).

        The mean; but the median where the spread grows towards wide stops, for then the focus is what strays, and
        its errors only ever soften. Under even noise the mean of three is the surer one, by a sixth.
        """
        if self.growth > 0.0:
            return np.array([np.median(values) for values in series.log_shots])
        return series.means

    def variance_of_means(self, series: ZoneSeries) -> FloatArray:
        """Variance of the mean log MTF50 at each stop of a series, shape (stops,)."""
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
        return float(stats.t.ppf(0.975, self.dof)) if np.isfinite(self.dof) else 1.96


def shot_spread(series: Sequence[ZoneSeries]) -> Spread | None:
    """Pool the spread between refocused shots over the settings of a zone; None without any repeat.

    Where it grows towards wide stops, few settings tell it, and the degrees of freedom are Satterthwaite's.
    """
    values = [values for zone in series for values in zone.log_shots]
    dof = sum(len(v) - 1 for v in values)
    if dof == 0:
        return None
    squares = np.array([np.sum((v - v.mean()) ** 2) for v in values])
    dofs = np.array([len(v) - 1.0 for v in values])
    loads = np.concatenate([_focus_load(zone) for zone in series])
    scale = float(loads.max())
    growth = _growth(squares, dofs, loads / scale)
    weights = 1.0 + growth * (loads / scale) ** 2
    variance = float(np.sum(squares / weights)) / dof
    floor = max([SMALLEST_SD, *(zone.measurement_sd for zone in series)])
    return Spread(
        sd=max(float(np.sqrt(variance)), floor),
        dof=float(np.sum(weights * dofs) ** 2 / np.sum(weights**2 * dofs)),
        source=REPEATS,
        growth=growth,
        load_scale=scale,
    )


def _focus_load(series: ZoneSeries) -> FloatArray:
    """How strongly a focus error acts: its blur disc goes with 1/N and weighs against MTF50, squared."""
    load: FloatArray = (np.exp(series.means) / series.f_number) ** 2
    return load


def _growth(squares: FloatArray, dofs: FloatArray, loads: FloatArray) -> float:
    """Find the growth of the variance with the focus load by restricted likelihood; 0 unless it is significant.

    One-sided at 5 %: twice the gain in log likelihood must exceed 2.71.
    """
    if dofs.sum() < LEAST_DOF:
        return 0.0
    tried = np.concatenate([[0.0], np.geomspace(0.5, 2000.0, 25)])
    weights = 1.0 + tried[:, None] * loads**2
    pooled = np.maximum((squares / weights).sum(axis=1) / dofs.sum(), SMALLEST_SD**2)
    twice_log = -dofs.sum() * np.log(pooled) - np.log(weights) @ dofs
    best = int(np.argmax(twice_log))
    return float(tried[best]) if twice_log[best] - twice_log[0] > SIGNIFICANT_GAIN else 0.0


def bracket_spread(series: Sequence[ZoneSeries]) -> Spread | None:
    """Take the spread from the fitted peaks of focus brackets; None unless every shot is one."""
    sds = np.array([float(sd) for zone in series for own in zone.own_sd for sd in own])
    shots = int(sum(np.sum(zone.shots) for zone in series))
    if not sds.size or len(sds) < shots or not np.all(np.isfinite(sds)):
        return None
    return Spread(
        sd=max(float(np.sqrt(np.mean(np.square(sds)))), SMALLEST_SD),
        dof=sum(zone.own_dof for zone in series),
        source=BRACKETS,
    )
