"""The best setting: the one of lowest expected loss, and all that can't be told from it.

The set is Hsu's: a setting leaves it only when another is better beyond the one-sided Dunnett limit for as
many comparisons as there are settings. It holds the true best with 95 % confidence, however many there are.
Settings within the indifference of the best belong to it whatever the statistics say.

References
----------
J. C. Hsu, Ann. Stat. 9, 1026 (1981); Multiple Comparisons: Theory and Methods, Chapman & Hall (1996).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lensbench.records import BoolArray
from lensbench.study.curves import Curve, Spread, ZoneSeries
from lensbench.study.dunnett import critical_value
from lensbench.study.findings import INDIFFERENCE, BestSetting, Setting
from lensbench.units import FloatArray

__all__ = ["Candidates", "best_setting", "candidates", "cannot_be_told_from_best"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidates:
    """Settings that compete, what was measured of each and what is believed; shape (settings,)."""

    settings: tuple[Setting, ...]
    mean: FloatArray
    """Mean log MTF50 of the shots."""
    variance: FloatArray
    """Of that mean."""
    estimate: FloatArray
    """Log MTF50 of the smoothed curve."""
    sd: FloatArray
    """Standard deviation of the estimate."""
    at_border: BoolArray
    """At the first or last f-number tested at this focal length."""


def candidates(curves: Sequence[tuple[tuple[Setting, ...], ZoneSeries, Curve]], spread: Spread) -> Candidates:
    """Put the curves of several focal lengths side by side as one list of competing settings."""
    border = [np.isin(np.arange(len(names)), (0, len(names) - 1)) for names, _, _ in curves]
    return Candidates(
        settings=tuple(setting for names, _, _ in curves for setting in names),
        mean=np.concatenate([series.means for _, series, _ in curves]),
        variance=np.concatenate([spread.variance_of_means(series) for _, series, _ in curves]),
        estimate=np.concatenate([curve.estimate for _, _, curve in curves]),
        sd=np.concatenate([curve.sd for _, _, curve in curves]),
        at_border=np.concatenate(border),
    )


def cannot_be_told_from_best(mean: FloatArray, variance: FloatArray, freedom: float) -> BoolArray:
    """Give the settings that may be the best, at 95 % confidence for all comparisons together.

    Parameters
    ----------
    mean : float array, shape (settings,)
        Mean log MTF50 of each setting's shots; independent of each other.
    variance : float array, shape (settings,)
        Of each mean, as estimated; their ratios are taken as known.
    freedom : float
        Degrees of freedom of the estimate.

    Returns
    -------
    bool array, shape (settings,)
        The setting with the highest mean always belongs to it.
    """
    kept = np.ones(len(mean), dtype=np.bool_)
    if len(mean) == 1:
        return kept
    for index, own in enumerate(variance):
        shared = np.sort(np.sqrt(own / (own + np.delete(variance, index)))).clip(0.0, 0.999).round(3)
        limit = critical_value(shared=tuple(shared.tolist()), freedom=freedom)
        kept[index] = bool(np.all(mean - mean[index] <= limit * np.sqrt(own + variance)))
    return kept


def best_setting(
    rivals: Candidates, spread: Spread, *, zone: str, provisional: bool = False, caution: str = ""
) -> BestSetting:
    """Decide which setting is best.

    The one of lowest expected loss is the one with the highest estimate; the estimate comes from the smoothed
    curve, which borrows from the neighbours and so is all but free of the winner's curse.

    Parameters
    ----------
    rivals : Candidates
        At least one.
    spread : Spread
        Of one refocused shot.
    zone : str
        For which zone they compete.
    provisional, caution : bool, str
        What the caller knows that keeps the winner from being claimed.
    """
    best = int(np.argmax(rivals.estimate))
    tied = cannot_be_told_from_best(rivals.mean, rivals.variance, spread.freedom)
    tied |= rivals.estimate >= rivals.estimate[best] + np.log1p(-INDIFFERENCE)
    half_width = spread.quantile * rivals.sd[best] if spread.known else float("nan")
    value = rivals.estimate[best]
    return BestSetting(
        focal_length_mm=rivals.settings[best].focal_length_mm,
        f_number=rivals.settings[best].f_number,
        zone=zone,
        mtf50_cypx=float(np.exp(value)),
        ci95_cypx=(float(np.exp(value - half_width)), float(np.exp(value + half_width))),
        tied=tuple(setting for setting, inside in zip(rivals.settings, tied, strict=True) if inside),
        at_border=bool(rivals.at_border[best]),
        provisional=provisional,
        caution=caution,
    )
