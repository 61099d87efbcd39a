"""Statistics of repeated shots: their spread, the curve over the stops, the set of the best, differences of levels."""

from lensbench.stats.best_set import (
    Question,
    Rivals,
    Tie,
    ZoneCurve,
    best_setting,
    cannot_be_told_from_best,
    rivals,
    value_of_pick,
)
from lensbench.stats.levels_fit import Contrast, Fitted, Layout, fit_levels
from lensbench.stats.spread import (
    ASSUMED_SD,
    USUAL_SD,
    Moderated,
    Repeats,
    Spread,
    ZoneSeries,
    exceeds,
    moderated,
    quantile,
    scatter_spread,
    shot_spread,
    spread_of,
)
from lensbench.stats.stop_curve import Curve, fit_curve
from lensbench.stats.stop_model import PARAMETERS, fit_blur

__all__ = [
    "ASSUMED_SD",
    "PARAMETERS",
    "USUAL_SD",
    "Contrast",
    "Curve",
    "Fitted",
    "Layout",
    "Moderated",
    "Question",
    "Repeats",
    "Rivals",
    "Spread",
    "Tie",
    "ZoneCurve",
    "ZoneSeries",
    "best_setting",
    "cannot_be_told_from_best",
    "exceeds",
    "fit_blur",
    "fit_curve",
    "fit_levels",
    "moderated",
    "quantile",
    "rivals",
    "scatter_spread",
    "shot_spread",
    "spread_of",
    "value_of_pick",
]
