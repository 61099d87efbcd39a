"""How much one refocused shot strays at each stop: a law over the stops, learned from the repeats of all of them.

A shot's variance is even noise, what the scatter of the focus adds (its loss goes with the square of MTF50 / N), and
what shake adds where the shutter slows with the stop (the square of MTF50 x N). Few repeats tell each of these badly,
but all stops together tell three numbers well. So these are averaged over their likelihood, beforehand about as large
as is usual, and a stop's own repeats draw its variance away from the law as if that were a few repeats more (Smyth, by
a prior that is fixed, about a trend): no lens follows a law to the letter, and no hand. The mean of that variance takes
what is not known of it along, so the normal value's factors hold without Student's.

Without repeats the spread comes from the fitted peaks of focus brackets, or from the scatter about the optical model's
curve (see `stop_curve`); else it is assumed. All is computed on log MTF50: noise is a share of the figure.

References
----------
G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 3:3 (2004), the moderated variance; its trend: from memory.
N. J. Johnson, J. Am. Stat. Assoc. 73, 536 (1978); P. Hall, J. R. Stat. Soc. B 54, 221 (1992): the skewed mean (first
terms, from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import special

from lensbench.model.units import FloatArray
from lensbench.stats.spread import quantile

REPEATS: Final = "repeats"
BRACKETS: Final = "focus brackets"
ASSUMED_SD: Final = 0.03
"""Spread between refocused shots, as a share of MTF50, where nothing tells it. Common practice, no source."""
SMALLEST_SD: Final = 0.002
ASSUMED_FOCUS_SD_UM: Final = 4.0
"""Of the focus at the sensor, where shots were not repeated. Common practice, no source."""
FRAME_FIELD_UM: Final = 3.0
THIRD_FIELD_UM: Final = 6.0
"""By which a curved field leaves the whole picture, and a third of it, off the focus that was meant. Common practice,
no source."""
USUAL_PITCH_UM: Final = 4.3
_LOSS_SD: Final = 2.0**0.5 * np.log(2.0) ** -1 * np.pi**2 / 16.0
"""Standard deviation of a focus error's loss of log MTF50 over (MTF50 x error / (f-number x pitch))^2: a disc of
diameter D has a variance of D^2 / 16, a Gaussian an MTF50 of sqrt(ln 2 / 2) / (pi sigma), and a squared normal value
scatters by sqrt 2 of its mean (derived)."""
_SQUARE_SKEW: Final = 8.0**0.5
"""Skewness of a squared normal value, as a focus error's loss is one."""
_MOST_LEAN: Final = 0.6
_TAIL: Final = 0.2
"""Share of the mean loss that rare shots far out of focus, which a few shots do not show, may take beside it. Set by
simulated shoots; with Student's tails of 3 degrees of freedom the mean loss is three times a normal one's."""
CREEP_LEAN: Final = 0.4  # a creep only softens: intervals reach down by this share. Set by simulated shoots
_WORTH: Final = 6.0  # repeats of each stop that the law over the stops is worth

# What is thought of the three parts before the repeats are seen: usual size, and by which factor it varies (one sd).
# Common practice, no source; the shares by which focus and shake show at all, too.
_EVEN_SD: Final = (0.005, 3.0, np.geomspace(0.002, 0.15, 14))  # of MTF50
_FOCUS: Final = (1.0, 3.0, np.geomspace(0.1, 20.0, 13))  # times the usual
_SHAKE_SD: Final = (0.03, 3.0, np.geomspace(0.0075, 0.12, 5))  # of MTF50, where the shutter is slowest
_FOCUS_CHANCE: Final = 0.5
_SHAKE_CHANCE: Final = 0.2
_BELIEF: Final = 0.7
"""Share of their log likelihood that repeats are given: squares of normal values, as losses of focus errors are, tell
their own spread worse than normal values do. Set by simulated shoots."""
_HARDLY: Final = 1e-4  # less likely than the likeliest by this: left out


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
    crept: bool = False
    """The own sds are of what a creep of the focus may have taken: mostly the truth lies above, by what all share."""

    @property
    def shots(self) -> FloatArray:
        """Number of refocused shots at each stop, shape (stops,)."""
        return np.array([len(values) for values in self.log_shots], dtype=np.float64)

    @property
    def means(self) -> FloatArray:
        """Mean log MTF50 at each stop, shape (stops,)."""
        return np.array([np.mean(values) for values in self.log_shots])

    @property
    def squares(self) -> FloatArray:
        """Sum of the squares of each stop's shots about their mean, shape (stops,)."""
        return np.array([np.sum((values - np.mean(values)) ** 2) for values in self.log_shots])

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


def usual_focus_sd(
    series: ZoneSeries, pixel_pitch_um: float | None, *, field_um: float = FRAME_FIELD_UM
) -> FloatArray:
    """By how much one shot strays at each stop where the focus scatters as usual, in log MTF50; shape (stops,).

    L (z + e)^2 scatters more than L e^2, the field being off by z: its variance is L^2 (2 s^4 + 4 z^2 s^2) (derived).
    """
    error_px = ASSUMED_FOCUS_SD_UM / (pixel_pitch_um or USUAL_PITCH_UM)
    off_focus = math.sqrt(1.0 + 2.0 * (field_um / ASSUMED_FOCUS_SD_UM) ** 2)
    return np.asarray(_LOSS_SD * off_focus * error_px**2 * series.focus_load, np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread:
    """How much one refocused shot strays: what may be thought of it, each with its chance; shape (thoughts,)."""

    source: str
    """repeats, focus brackets, scatter about the curve, or assumed."""
    even_sd: FloatArray
    """As a share of MTF50, at every stop."""
    focus: FloatArray
    """By how much the focus makes shots stray, over the usual."""
    shake_sd: FloatArray
    """As a share of MTF50, at the stop where shake acts most."""
    chance: FloatArray
    dof: float = math.inf
    """Degrees of freedom of the even part; infinite where its doubt is in the chances, or it is assumed."""
    pixel_pitch_um: float | None = None
    most_time_load: float = 1.0

    @property
    def known(self) -> bool:
        """Whether the pictures told it."""
        return self.source != "assumed"

    @property
    def repeated(self) -> bool:
        """Whether shots that were repeated, or focus brackets, told it: else nothing is sure."""
        return self.source in {REPEATS, BRACKETS}

    @property
    def shared_focus(self) -> float:
        """Chance that frames of a stop did not get a focus each, as far as repeats tell it."""
        return float(self.chance[self.focus == 0.0].sum()) if self.source == REPEATS else 0.0

    @property
    def by_time(self) -> bool:
        """Whether it likely grows with the shutter time, as a shake's does."""
        return float(self.chance[self.shake_sd > 0.0].sum()) > 0.5

    def variance_of_means(self, series: ZoneSeries) -> FloatArray:
        """Variance of the mean log MTF50 at each stop of a series, shape (stops,)."""
        of_plain = self.chance @ self._of_shots(series)
        if not series.own_sd:
            return np.asarray(of_plain / series.shots)
        each = [
            np.where(np.isfinite(sd), sd**2, plain) for sd, plain in zip(series.own_sd, of_plain, strict=True)
        ]
        return np.array([np.mean(variances) for variances in each]) / series.shots

    def _law(self, series: ZoneSeries) -> FloatArray:
        """Variance of one shot by each thought, shape (thoughts, stops)."""
        focus_sd = self.focus[:, None] * usual_focus_sd(series, self.pixel_pitch_um)
        shake_sd = self.shake_sd[:, None] * series.time_load / self.most_time_load
        return np.asarray(self.even_sd[:, None] ** 2 + focus_sd**2 + shake_sd**2)

    def _of_shots(self, series: ZoneSeries) -> FloatArray:
        """The same, as the stop's own repeats have it beside the law."""
        law = self._law(series)
        if self.source != REPEATS:
            return law
        return np.asarray((_WORTH * law + series.squares) / (_WORTH + series.shots - 1.0))

    @property
    def quantile(self) -> float:
        """Factor of a two-sided 95 % interval."""
        return quantile(self.dof) if math.isfinite(self.dof) else 1.96

    def reach(self, series: ZoneSeries, *, chance: float = 0.975) -> tuple[FloatArray, FloatArray]:
        """How far each stop's mean may err down and up, each at a chance, in its standard deviations; shape (stops,).

        What a focus error or shake takes away goes one way: the mean of a few shots mostly lies above what endlessly
        many come to. So the interval reaches further down, as their skew asks (Johnson, Hall), and for what
        rare shots take.
        """
        share = self.chance @ (1.0 - self.even_sd[:, None] ** 2 / self._law(series))
        dof = self.dof / np.maximum((1.0 - share) ** 2, 1e-9)
        factor = np.asarray(special.stdtrit(np.minimum(dof, 1e9), chance), np.float64)
        lean = _SQUARE_SKEW / (6.0 * np.sqrt(series.shots)) * (factor**2 - 1.0)
        tail = _TAIL * np.sqrt(0.5 * series.shots)
        down = factor + share**1.5 * (np.minimum(lean, _MOST_LEAN * factor) + tail)
        return (CREEP_LEAN * down if series.crept else down), factor


def plain_spread(sd: float, source: str, *, dof: float = math.inf) -> Spread:
    """Spread that is the same at all stops."""
    none, sure = np.zeros(1), np.ones(1)
    return Spread(source=source, even_sd=np.full(1, sd), focus=none, shake_sd=none, chance=sure, dof=dof)


def shot_spread(series: Sequence[ZoneSeries], pixel_pitch_um: float | None = None) -> Spread | None:
    """What the repeats of a zone, at all focal lengths, leave likely; None without any repeat."""
    dofs = np.array([len(values) - 1.0 for zone in series for values in zone.log_shots])
    if not dofs.any():
        return None
    floor = max(SMALLEST_SD, *(zone.measurement_sd for zone in series))
    parts = _prior(*_EVEN_SD), _prior(*_FOCUS, chance=_FOCUS_CHANCE), _prior(*_SHAKE_SD, chance=_SHAKE_CHANCE)
    even, focus, shake = (
        column.ravel() for column in np.meshgrid(*(size for size, _ in parts), indexing="ij")
    )
    before = np.einsum("i,j,k", *(chance for _, chance in parts)).ravel()
    spread = Spread(
        source=REPEATS,
        even_sd=np.maximum(even, floor),
        focus=focus,
        shake_sd=shake,
        chance=before,
        pixel_pitch_um=pixel_pitch_um,
        most_time_load=max(float(zone.time_load.max()) for zone in series),
    )
    law = np.concatenate([spread._law(zone) for zone in series], axis=1)  # noqa: SLF001 - its own class
    squares = np.concatenate([zone.squares for zone in series])
    # Of variances that stray from the law as those of so many repeats do (Smyth's marginal likelihood).
    fit = -0.5 * dofs * np.log(law) - 0.5 * (_WORTH + 2.0 + dofs) * np.log1p(squares / (_WORTH * law))
    log_likelihood = _BELIEF * fit.sum(axis=1)
    after = before * np.exp(log_likelihood - log_likelihood.max())
    kept = after > _HARDLY * after.max()
    return replace(
        spread,
        even_sd=spread.even_sd[kept],
        focus=focus[kept],
        shake_sd=shake[kept],
        chance=after[kept] / after[kept].sum(),
    )


def _prior(
    usual: float, factor: float, sizes: FloatArray, *, chance: float = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Sizes that a part may have and their chances, a log-normal's; that there is none of it among them."""
    likely = np.exp(-0.5 * (np.log(sizes / usual) / np.log(factor)) ** 2)
    chances = chance * likely / likely.sum()
    return (sizes, chances) if chance == 1.0 else (np.append(0.0, sizes), np.append(1.0 - chance, chances))


def bracket_spread(series: Sequence[ZoneSeries]) -> Spread | None:
    """Take the spread from the fitted peaks of focus brackets; None unless every shot is one."""
    sds = np.array([float(sd) for zone in series for own in zone.own_sd for sd in own])
    shots = int(sum(np.sum(zone.shots) for zone in series))
    if not sds.size or len(sds) < shots or not np.all(np.isfinite(sds)):
        return None
    sd = max(float(np.sqrt(np.mean(np.square(sds)))), SMALLEST_SD)
    return plain_spread(sd, BRACKETS, dof=sum(zone.own_dof for zone in series))


def unseen_focus(
    series: ZoneSeries, spread: Spread, pixel_pitch_um: float | None, *, field_um: float = FRAME_FIELD_UM
) -> FloatArray:
    """Variance that one focus for all shots of a stop would add to each mean, unseen; shape (stops,).

    Repeats that scatter more as focus counts more were focused anew. Else little tells a steady hand from frames that
    share their focus: a usual error of it is taken, by the chance that they do.
    """
    sd = usual_focus_sd(series, pixel_pitch_um, field_um=field_um)
    return np.asarray(spread.shared_focus * np.square(sd), np.float64)
