"""The positions of a zoom against each other: each at its own best stop, and all at an equal stop.

At its own best stop a position shows what it can do; at an equal stop, what it does when light or depth of field ask
for that stop. Stops are equal by name: where the widest opening floats (f/3.5 at 24 mm, f/5.6 at 70 mm), only those
that both positions have are compared.
"""

from collections.abc import Sequence

import numpy as np

from lensbench.study.best import Question, best_setting
from lensbench.study.curves import Spread
from lensbench.study.findings import BestSetting
from lensbench.study.rivals import Rivals, ZoneCurve, rivals, value_of_pick

__all__ = ["at_equal_stop", "at_own_best"]


def at_own_best(curves: Sequence[ZoneCurve], spread: Spread, question: Question) -> BestSetting | None:
    """Hold the focal lengths against each other, each at its own best stop; None with fewer than two."""
    if len(curves) < 2:
        return None
    own = [rivals([curve], spread) for curve in curves]
    return best_setting(
        Rivals(
            settings=tuple(one.settings[one.best] for one in own),
            estimate=np.array([value_of_pick(one) for one in own]),
            covariance=np.diag([one.sd[one.best] ** 2 for one in own]),
            freedom=spread.freedom,
            at_border=np.array([one.at_border[one.best] for one in own]),
        ),
        spread,
        question,
    )


def at_equal_stop(curves: Sequence[ZoneCurve], spread: Spread, question: Question) -> tuple[BestSetting, ...]:
    """Hold the focal lengths against each other at every stop that two or more of them were tested at."""
    these = rivals(curves, spread)
    stops = [setting.f_number for setting in these.settings]
    shared = sorted({stop for stop in stops if stops.count(stop) > 1})
    return tuple(best_setting(_only(these, stop), spread, question) for stop in shared)


def _only(these: Rivals, f_number: float) -> Rivals:
    places = np.array([place for place, one in enumerate(these.settings) if one.f_number == f_number])
    return Rivals(
        settings=tuple(these.settings[place] for place in places),
        estimate=these.estimate[places],
        covariance=these.covariance[np.ix_(places, places)],
        freedom=these.freedom,
        at_border=these.at_border[places],
    )
