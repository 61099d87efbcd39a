"""How much one refocused shot strays, how well a mean is known by that, and whether two means differ.

The unit of replication is the refocused shot. A sweep pools the spread over its settings, and lets it grow towards wide
stops where the repeats show that it does. Without repeats it comes from the fitted peaks of focus brackets, or from the
scatter about the optical model's curve (see `stop_curve`); else it is assumed. All is computed on log MTF50: noise is a
share of the figure.

Three shots tell their own spread badly, so where each setting keeps a variance of its own (`moderated`), it is drawn
towards that of the others. Welch's interval allows two means their own variances. With more than two rivals all pairs
hold together: the studentised range in place of Student's t.

References
----------
G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 3:3 (2004), the moderated variance, with a prior that is fixed.
B. L. Welch, Biometrika 34, 28 (1947), eq. 28.
F. E. Satterthwaite, Biometrics Bulletin 2, 110 (1946), the degrees of freedom.
P. A. Games, J. F. Howell, J. Educ. Stat. 1, 113 (1976): all pairs, unequal variances.
N. J. Johnson, J. Am. Stat. Assoc. 73, 536 (1978); P. Hall, J. R. Stat. Soc. B 54, 221 (1992): the skewed mean (first
terms, from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from scipy import special

from lensbench.model.compare import Seen, Verdict
from lensbench.model.units import FloatArray

REPEATS: Final = "repeats"
BRACKETS: Final = "focus brackets"
ASSUMED_SD: Final = 0.03
"""Spread between refocused shots, as a share of MTF50, where nothing tells it. Common practice, no source."""
LEAST_DOF: Final = 5.0  # degrees of freedom below which the spread is not told apart by f-number
_SQUARE_SKEW: Final = 8.0**0.5
"""Skewness of a squared normal value, as a focus error's loss is one."""
_MOST_LEAN: Final = 0.6
_SURELY_TIME: Final = 1.5
"""Log likelihood by which the shutter time must tell more of the spread than focus: most shots stand on a tripod."""
_TAIL: Final = 0.2
"""Share of the mean loss that rare shots far out of focus, which a few shots do not show, may take beside it. Set by
simulated shoots; with Student's tails of 3 degrees of freedom the mean loss is three times a normal one's."""
_FEWEST_DOF: Final = 2.0  # fewer, of focus errors alone, would give intervals without end
_KURTOSIS_COST: Final = 2.0
"""By which squared normal values tell their own spread worse than normal ones. Set by simulated shoots."""
SMALLEST_SD: Final = 0.002
USUAL_SD: Final = 0.028
"""Spread of the difference between two sides in one refocused shot, as a share of MTF50: 2 % for each side. Common
practice, no source."""
_USUAL_DOF: Final = 2.0
_ENDLESS_DOF: Final = 1e9
_TABLED_DOF: Final = (10.0, 11.0, 12.0, 13.0, 14.0, 16.0, 18.0, 20.0, 24.0, 30.0, 40.0, 60.0, 120.0)
_MOST_SHARED: Final = 6.0  # degrees of freedom that the other settings' spread is worth at most


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

    @property
    def focus_load(self) -> FloatArray:
        """How strongly a focus error acts: its blur disc goes with 1/N and weighs against MTF50, squared."""
        load: FloatArray = (np.exp(self.means) / self.f_number) ** 2
        return load

    @property
    def time_load(self) -> FloatArray:
        """How strongly a shake acts: its blur goes with the root of the shutter time, N, and weighs against MTF50."""
        load: FloatArray = (np.exp(self.means) * self.f_number) ** 2
        return load


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How much one refocused shot strays, as a share of MTF50."""

    sd: float
    dof: float
    """Degrees of freedom; infinite for an assumed spread."""
    source: str
    """repeats, focus brackets, scatter about the curve, or assumed."""
    growth: float = 0.0
    """How much more a shot strays where focus is critical: variance = sd^2 (1 + growth g^2), g of `focus_load`."""
    load_scale: float = 1.0
    """The load at which g is 1."""
    focus_dof: float = math.inf
    """Degrees of freedom of what grows."""
    by_time: bool = False
    """It grows with the shutter time, as a shake's does, and not with the focus's load."""

    @property
    def known(self) -> bool:
        """Whether the pictures told it."""
        return self.source != "assumed"

    @property
    def repeated(self) -> bool:
        """Whether shots that were repeated, or focus brackets, told it: else nothing is sure."""
        return self.source in {REPEATS, BRACKETS}

    def central_values(self, series: ZoneSeries) -> FloatArray:
        """Mean of the shots at each stop, log MTF50: what refocused shots average to, whatever their focus lost."""
        return series.means

    def variance_of_means(self, series: ZoneSeries) -> FloatArray:
        """Variance of the mean log MTF50 at each stop of a series, shape (stops,)."""
        of_plain = self.sd**2 * (1.0 + self._grown(series))
        if not series.own_sd:
            return np.asarray(of_plain / series.shots)
        each = [
            np.where(np.isfinite(sd), sd**2, plain) for sd, plain in zip(series.own_sd, of_plain, strict=True)
        ]
        return np.array([np.mean(variances) for variances in each]) / series.shots

    def _grown(self, series: ZoneSeries) -> FloatArray:
        """What grows, of a shot's variance, over what does not; shape (stops,)."""
        load = series.time_load if self.by_time else series.focus_load
        return self.growth * (load / self.load_scale) ** 2

    @property
    def quantile(self) -> float:
        """Student's factor of a two-sided 95 % interval."""
        return quantile(self.dof) if math.isfinite(self.dof) else 1.96

    def reach(self, series: ZoneSeries, *, chance: float = 0.975) -> tuple[FloatArray, FloatArray]:
        """How far each stop's mean may err down and up, each at a chance, in its standard deviations; shape (stops,).

        Student's factor. Where focus errors make the spread, few stops tell it, and squares of normal values tell it
        badly, so its degrees of freedom are fewer there. And what a focus error takes away goes one way: the mean of a
        few shots mostly lies above what endlessly many come to. So the interval reaches further down, as its skew asks
        (Johnson, Hall), for the spread as well as for the mean where both come from the same shots.
        """
        focus = self._grown(series)
        share = focus / (1.0 + focus)
        dof = 1.0 / np.maximum(share**2 / self.focus_dof + (1.0 - share) ** 2 / self.dof, 1e-9)
        factor = np.asarray(special.stdtrit(np.maximum(dof, min(_FEWEST_DOF, self.dof)), chance), np.float64)
        own = np.clip((series.shots - 1.0) / dof, 0.0, 1.0)
        skew = _SQUARE_SKEW * share**1.5 / (6.0 * np.sqrt(series.shots))
        lean = skew * ((factor**2 - 1.0) + own * (factor**2 + 2.0))
        tail = _TAIL * share * np.sqrt(0.5 * series.shots)
        return factor + np.minimum(lean, _MOST_LEAN * factor) + tail, factor


def shot_spread(series: Sequence[ZoneSeries]) -> Spread | None:
    """Pool the spread between refocused shots over the settings of a zone; None without any repeat."""
    shots = [values for zone in series for values in zone.log_shots]
    dofs = np.array([len(values) - 1.0 for values in shots])
    if not dofs.any():
        return None
    squares = np.array([np.sum((values - values.mean()) ** 2) for values in shots])
    both = [np.concatenate([getattr(zone, of) for zone in series]) for of in ("focus_load", "time_load")]
    tried = [(_growth(squares, dofs, load / load.max()), load) for load in both]
    by_time = tried[1][0][1] > tried[0][0][1] + _SURELY_TIME
    (growth, _), loads = tried[by_time]
    scale = float(loads.max())
    weights = 1.0 + growth * (loads / scale) ** 2
    variance = float(np.sum(squares / weights)) / float(dofs.sum())
    share = (weights - 1.0) / weights
    return Spread(
        sd=max(math.sqrt(variance), SMALLEST_SD, *(zone.measurement_sd for zone in series)),
        dof=float(np.sum(weights * dofs) ** 2 / np.sum(weights**2 * dofs)),
        source=REPEATS,
        growth=growth,
        load_scale=scale,
        focus_dof=float(np.sum(share**2 * dofs)) / _KURTOSIS_COST if growth else math.inf,
        by_time=by_time,
    )


def _growth(squares: FloatArray, dofs: FloatArray, loads: FloatArray) -> tuple[float, float]:
    """Growth of the variance with a load, the middle of what the repeats leave likely, and how likely they are by it.

    By restricted likelihood, with even chances beforehand that there is none, and that it has any size.
    """
    if dofs.sum() < LEAST_DOF:
        return 0.0, 0.0
    tried = np.concatenate([[0.0], np.geomspace(0.5, 2000.0, 25)])
    weights = 1.0 + tried[:, None] * loads**2
    pooled = np.maximum((squares / weights).sum(axis=1) / dofs.sum(), SMALLEST_SD**2)
    log_likelihood = -0.5 * (dofs.sum() * np.log(pooled) + np.log(weights) @ dofs)
    chance = np.exp(log_likelihood - log_likelihood.max())
    chance[1:] /= len(tried) - 1.0
    growth = float(tried[np.searchsorted(np.cumsum(chance), 0.5 * chance.sum())])
    return growth, float(np.log(chance.sum()) + log_likelihood.max())


def bracket_spread(series: Sequence[ZoneSeries]) -> Spread | None:
    """Take the spread from the fitted peaks of focus brackets; None unless every shot is one."""
    sds = np.array([float(sd) for zone in series for own in zone.own_sd for sd in own])
    shots = int(sum(np.sum(zone.shots) for zone in series))
    if not sds.size or len(sds) < shots or not np.all(np.isfinite(sds)):
        return None
    sd = max(float(np.sqrt(np.mean(np.square(sds)))), SMALLEST_SD)
    return Spread(sd=sd, dof=sum(zone.own_dof for zone in series), source=BRACKETS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertainty:
    """How well a mean log MTF50, or one shot's figure, is known."""

    variance: float
    dof: float
    """Degrees of freedom of the variance."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Repeats:
    """One setting's figures, shape (shots, components), and which belong together."""

    values: FloatArray
    alike: tuple[int, ...]
    """One number a shot: spread is taken within shots of one number (the turned camera is another)."""

    @property
    def groups(self) -> list[FloatArray]:
        """The figures of those alike, by their number."""
        return [self.values[np.array(self.alike) == number] for number in sorted(set(self.alike))]


def moderated(settings: Sequence[Repeats], *, usual_sd: float = USUAL_SD) -> list[Uncertainty]:
    """Variance of one shot's component at every setting, drawn towards that of the others."""
    squares = np.array(
        [float(sum(np.sum((part - part.mean(axis=0)) ** 2) for part in own.groups)) for own in settings]
    )
    dofs = np.array([float(sum((len(part) - 1) * part.shape[1] for part in own.groups)) for own in settings])
    uncertainties = []
    for own in range(len(settings)):
        others = np.arange(len(settings)) != own
        shared = float(dofs[others].sum())
        rest = float(squares[others].sum()) * min(1.0, _MOST_SHARED / shared) if shared else 0.0
        dof = float(dofs[own]) + (min(shared, _MOST_SHARED) + _USUAL_DOF)
        variance = (float(squares[own]) + (rest + _USUAL_DOF * usual_sd**2)) / dof
        uncertainties.append(Uncertainty(variance=variance, dof=dof))
    return uncertainties


def half_width(
    first: Uncertainty | None, second: Uncertainty | None, *, rivals: int = 2, risk: float = 0.05
) -> float:
    """Half of the interval of two means' difference, log MTF50, at 95 %; NaN where a spread is unknown.

    Of several `rivals` all pairs hold together. The `risk` is that the interval misses, to both sides together: 0.1 for
    a difference that is below a limit at 5 %.
    """
    if first is None or second is None:
        return math.nan
    total = first.variance + second.variance
    dof = pooled_dof((first.variance, second.variance), (first.dof, second.dof))
    return range_quantile(dof, rivals=rivals, risk=risk) * math.sqrt(total)


def judged(ends: tuple[float, float], seen: Seen, *, equal_within: float, differs: bool) -> Verdict:
    """Verdict on a difference, by the band that counts as equal, by what an eye sees of it, and whether it is one.

    `ends` are those between which it lies, at 5 % to each side.

    >>> judged((0.5, 2.0), Seen.NONE, equal_within=3.0, differs=True)
    <Verdict.EQUAL: 'equal'>
    """
    low, high = ends
    if seen in {Seen.FIRST, Seen.SECOND, Seen.VISIBLE}:
        return Verdict.VISIBLE
    if low >= -equal_within and high <= equal_within:
        return Verdict.EQUAL
    return Verdict.NOT_VISIBLE if seen is Seen.NONE and differs else Verdict.CANNOT_TELL


def range_quantile(dof: float, *, rivals: int, risk: float = 0.05) -> float:
    """Factor of intervals that hold together for the differences of all pairs of rivals (studentised range)."""
    if rivals <= 2:
        return float(special.stdtrit(min(dof, _ENDLESS_DOF), 1.0 - 0.5 * risk))
    # Rounded down, so that limits need not be computed anew for every row; the interval grows by 2 % at most.
    dof = (
        max(math.floor(10.0 * dof) / 10.0, 1.0)
        if dof < _TABLED_DOF[0]
        else max(n for n in _TABLED_DOF if n <= dof)
    )
    return _range_limit(rivals, dof, risk) / math.sqrt(2.0)


@lru_cache(maxsize=256)
def _range_limit(rivals: int, dof: float, risk: float) -> float:
    from scipy import stats  # noqa: PLC0415  heavy, and asked for by rivals alone

    return float(stats.studentized_range.ppf(1.0 - risk, rivals, dof))


def pooled_dof(variances: Sequence[float] | FloatArray, dofs: Sequence[float]) -> float:
    """Degrees of freedom of a sum of independent variances (Satterthwaite); infinite where each is known."""
    shares = sum(variance**2 / dof for variance, dof in zip(variances, dofs, strict=True))
    return float(sum(variances) ** 2 / shares) if shares > 0.0 else math.inf


def rounded_dof(dof: float) -> float:
    """Two digits of degrees of freedom, so that limits need not be computed anew; intervals grow a little.

    >>> rounded_dof(17.96)
    17.0
    """
    if not math.isfinite(dof):
        return dof
    step = 10.0 ** (math.floor(math.log10(dof)) - 1.0)
    return max(float(math.floor(dof / step) * step), 0.5)


def quantile(dof: float, *, tests: int = 1) -> float:
    """Student's factor of a two-sided 95 % interval, or of as many at once (Bonferroni)."""
    return float(special.stdtrit(dof, 1.0 - 0.025 / tests))


def exceeds(mean: FloatArray, covariance: FloatArray, *, dof: float) -> bool:
    """Whether a mean, shape (k,), differs from zero at 5 % (Hotelling's T^2)."""
    size = len(mean)
    squared = float(mean @ np.linalg.solve(covariance, mean)) / size
    return squared > f_limit(0.05, size, dof)


def f_limit(chance: float, above: float, below: float) -> float:
    """Ratio of two variances that chance exceeds so often; either may have endless degrees of freedom."""
    return float(special.fdtri(min(above, _ENDLESS_DOF), min(below, _ENDLESS_DOF), 1.0 - chance))


def f_chance(ratio: float, above: float, below: float) -> float:
    """How often chance exceeds a ratio of two variances of so many degrees of freedom."""
    return float(special.fdtrc(min(above, _ENDLESS_DOF), min(below, _ENDLESS_DOF), ratio))
