"""Statistics of repeated shots: their spread, the curve over the stops, the set of the best, differences of levels."""

from lensbench.stats.best_set import (
    Candidates,
    Selection,
    Tie,
    ZoneCurve,
    best_setting,
    candidates,
    cannot_be_told_from_best,
    value_of_pick,
)
from lensbench.stats.difference import MeanUncertainty, exceeds, half_width, pooled_dof, quantile
from lensbench.stats.levels_fit import Difference, Fitted, Layout, fit_levels
from lensbench.stats.shrinkage import USUAL_SD, Moderated, Repeats, moderated
from lensbench.stats.spread import ASSUMED_SD, Spread, ZoneSeries, shot_spread
from lensbench.stats.stop_curve import PARAMETERS, Curve, fit_blur, fit_curve, scatter_spread, spread_of

__all__ = [
    "ASSUMED_SD",
    "PARAMETERS",
    "USUAL_SD",
    "Candidates",
    "Curve",
    "Difference",
    "Fitted",
    "Layout",
    "MeanUncertainty",
    "Moderated",
    "Repeats",
    "Selection",
    "Spread",
    "Tie",
    "ZoneCurve",
    "ZoneSeries",
    "best_setting",
    "candidates",
    "cannot_be_told_from_best",
    "exceeds",
    "fit_blur",
    "fit_curve",
    "fit_levels",
    "half_width",
    "moderated",
    "pooled_dof",
    "quantile",
    "scatter_spread",
    "shot_spread",
    "spread_of",
    "value_of_pick",
]
