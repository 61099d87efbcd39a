"""Statistics of repeated shots: their spread, the curve over the stops, the set of the best, differences of levels."""

from lensbench.stats.best_set import (
    Candidates,
    Selection,
    Tie,
    ZoneCurve,
    best_setting,
    candidates,
    value_of_pick,
)
from lensbench.stats.leads import Leads, surely_ahead
from lensbench.stats.levels_fit import Difference, Fitted, Layout, fit_levels
from lensbench.stats.spread import (
    ASSUMED_SD,
    USUAL_SD,
    Repeats,
    Spread,
    Uncertainty,
    ZoneSeries,
    exceeds,
    f_chance,
    f_limit,
    half_width,
    judged,
    moderated,
    pooled_dof,
    quantile,
    range_quantile,
)
from lensbench.stats.stop_curve import (
    FRAME_FIELD_UM,
    PARAMETERS,
    THIRD_FIELD_UM,
    Curve,
    fit_blur,
    fit_curve,
    spread_of,
    unseen_focus,
)
