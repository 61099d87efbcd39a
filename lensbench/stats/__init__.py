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
from lensbench.stats.scatter import (
    ASSUMED_SD,
    FRAME_FIELD_UM,
    THIRD_FIELD_UM,
    Spread,
    ZoneSeries,
    unseen_focus,
)
from lensbench.stats.spread import (
    USUAL_SD,
    Repeats,
    Uncertainty,
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
from lensbench.stats.stop_curve import PARAMETERS, Curve, fit_blur, fit_curve, spread_of
