"""Whether the focus crept through a session: each stop's shots against the order in which they were taken.

Out of focus by z, log MTF50 falls by L z^2 / 2 with the load L = (MTF50 / N)^2, by the blur disc z / N. A focus that
moves evenly, z = z0 + v x, leaves L (b x + c x^2) in every third of the picture: c is common to all, b is a third's
own, for a curved field sets its z0 apart. Both are fitted within the stops, whose levels are free, so that no model of
the lens over the stops enters. Where the stops were gone through in turn, each spans the session, and its own z0
counts: spherical aberration moves the best focus with 1/N^2 (primary, derived). x is the order, the time, and where
they tell it the scale and the place of the chart in the picture: a focus that moves breathes.

Chance is exact, whatever the scatter: shots of one stop that were focused anew, or not moved at all, could as well have
come in any other order.

References
----------
T. Sellke, M. J. Bayarri, J. O. Berger, Am. Stat. 55, 62 (2001): the Bayes factor's bound -1 / (e p ln p) (from memory).
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from lensbench.model.shot import BoolArray, IntArray
from lensbench.model.units import FloatArray

CHANCE: Final = 0.035
"""Probability of a creep by chance alone. Common practice, no source."""
_ODDS_BEFORE: Final = 0.2
"""Of a session whose focus creeps. Common practice, no source; nor has the next one."""
_USUAL_LOSS: Final = 0.03
"""Share of MTF50 that a creep costs the stop that suffers most."""
LEAST_LOSS: Final = 0.015
"""Share of MTF50 that a creep must cost some stop to be told. Common practice, no source."""
_FEWEST_SPARE: Final = 4  # shots beyond the first of each stop
_ORDERS: Final = 799
_LEAST_SD: Final = 1e-4
_IN_TURN: Final = 0.5  # share of the way from which the middle stop's shots span the session


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Creep:
    """A focus that crept."""

    chance: float
    loss: FloatArray
    """Share of MTF50 by which each setting's shots are softer than at the session's best focus: (settings, thirds)."""
    signal: float
    """What the creep explains beyond chance, over the variance of what is left."""

    @property
    def believed(self) -> float:
        """Share of the losses to be believed, averaged over creep and none: root of the mean square.

        The probability of a creep is by the most that its chance can speak for it (Sellke et al.). Losses that the
        shots' scatter could make by itself are drawn towards none, by a normal prior.
        """
        odds = _ODDS_BEFORE / (-math.e * self.chance * math.log(self.chance))
        drawn = 1.0 / (1.0 + (self.largest / _USUAL_LOSS) ** 2 / self.signal)
        return math.sqrt(odds / (1.0 + odds)) * drawn

    @property
    def largest(self) -> float:
        """Loss of the setting that lost most, mean of the thirds."""
        return float(self.loss.mean(axis=1).max())


def crept(
    f_number: FloatArray, log_thirds: FloatArray, *, setting: IntArray, ways: FloatArray
) -> Creep | None:
    """The creep of a session's focus; None where there is none beyond chance, or none that matters.

    Log MTF50 has shape (shots, thirds); a third that some shot did not see is left out. `setting` numbers each shot's
    setting from 0; `ways`, shape (ways, shots), go each from 0 to 1 through the session: order, time, scale, place.
    """
    count = int(setting.max()) + 1
    seen: BoolArray = np.all(np.isfinite(log_thirds), axis=0)
    figures = log_thirds[:, seen]
    spare = len(f_number) - count
    if spare < _FEWEST_SPARE or not seen.any():
        return None
    same = setting[:, None] == setting
    mean = same / same.sum(axis=1)
    load = (np.exp(mean @ figures) / f_number[:, None]) ** 2
    load /= load.max()
    off = figures - mean @ figures
    whitening = _whitening(off, spare)
    orders = _other_orders(setting)
    shift = (f_number.min() / f_number) ** 2
    designs = [_design(way, load, mean, whitening, shift * _in_turn(way, setting)) for way in ways]
    gains = np.array([_gain(design, (off @ whitening)[orders]) for design in designs])
    highest = gains.max(axis=0)
    chance = float(np.mean(highest >= highest[0] * (1.0 - 1e-9)))
    if chance > CHANCE:
        return None
    at = int(np.argmax(gains[:, 0]))
    terms = np.linalg.lstsq(designs[at], (off @ whitening).ravel(), rcond=None)[0]
    loss = np.full((count, len(seen)), np.nan)
    slopes = terms[: load.shape[1]] + np.outer(shift, terms[load.shape[1] : -1].sum())
    loss[:, seen] = _losses(slopes, float(terms[-1]), ways[at], load, setting)
    loss[:, ~seen] = np.nanmean(loss, axis=1, keepdims=True)
    signal = _signal(
        float(gains[at, 0]), float(np.sum((off @ whitening) ** 2)), len(terms), spare * int(seen.sum())
    )
    creep = Creep(chance=chance, loss=loss, signal=signal)
    return creep if creep.largest >= LEAST_LOSS else None


def _whitening(off: FloatArray, spare: int) -> FloatArray:
    """What makes the scatter of the thirds, which a shot's own focus ties together, even and independent."""
    covariance = off.T @ off / spare
    covariance += np.diag(0.1 * np.diag(covariance) + _LEAST_SD**2)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)).T, np.float64)


def _other_orders(setting: IntArray) -> IntArray:
    """Orders that shuffle the shots of each setting, the true one first: shape (orders, shots)."""
    random = np.random.default_rng(22)
    orders = np.tile(np.arange(len(setting)), (_ORDERS + 1, 1))
    for stop in np.unique(setting):
        own = np.flatnonzero(setting == stop)
        orders[1:, own] = own[np.argsort(random.random((_ORDERS, len(own))), axis=1)]
    return orders


def _in_turn(way: FloatArray, setting: IntArray) -> bool:
    """Whether the shots of most settings span the session, in whichever order those of a setting come."""
    spans = [float(np.ptp(way[setting == stop])) for stop in np.unique(setting)]
    return float(np.median(spans)) >= _IN_TURN


def _design(
    way: FloatArray, load: FloatArray, mean: FloatArray, whitening: FloatArray, shift: FloatArray
) -> FloatArray:
    """Columns of L x for each third, for a shift if any, and of L x^2, freed of the settings' levels.

    Shape (shots thirds, terms).
    """
    thirds = load.shape[1]
    columns = [way[:, None] * load * np.eye(thirds)[third] for third in range(thirds)]
    columns += [(way * shift)[:, None] * load] if shift.any() else []
    columns.append(way[:, None] ** 2 * load)
    return np.column_stack([((column - mean @ column) @ whitening).ravel() for column in columns])


def _gain(design: FloatArray, figures: FloatArray) -> FloatArray:
    """How much of the scatter a creep explains, for each of many orders of the figures (orders, shots, thirds).

    Focus only ever softens: where L x^2 comes out positive it is left out.
    """
    flat = figures.reshape(len(figures), -1)
    root, _ = np.linalg.qr(design[:, :-1])
    straight = np.sum((flat @ root) ** 2, axis=1)
    bent = design[:, -1] - root @ (root.T @ design[:, -1])
    along = flat @ bent / max(float(np.linalg.norm(bent)), 1e-12)
    explained = straight + np.minimum(along, 0.0) ** 2
    return np.asarray(explained, np.float64)


def _signal(explained: float, total: float, terms: int, freedom: int) -> float:
    """Square of the signal over the noise: no less than a half, for it was found beyond chance."""
    noise = max(total - explained, 1e-9 * total) / max(freedom - terms, 1)
    return max(explained / noise - terms, 0.5)


def _losses(
    slopes: FloatArray, bend: float, way: FloatArray, load: FloatArray, setting: IntArray
) -> FloatArray:
    """Loss of each setting's shots against the best focus of the session; slopes have the shape (shots, thirds)."""
    path, bend = np.linspace(0.0, 1.0, 41)[:, None, None], min(bend, 0.0)
    best = np.max(path * slopes + path**2 * bend, axis=0)
    softer = load * (best - (way[:, None] * slopes + way[:, None] ** 2 * bend))
    settings = np.unique(setting)
    means = np.array([softer[setting == stop].mean(axis=0) for stop in settings])
    return np.asarray(-np.expm1(-np.clip(means, 0.0, 2.0)), np.float64)
