from pathlib import Path

import numpy as np
from invented_shots import planned, result

from lensbench.focus.bracket import brackets_among, in_bracket
from lensbench.model.sweep import SweepShot
from lensbench.sweep.countable import bracket_peak
from lensbench.sweep.reject import reject

STEPS = (-2.0, -1.0, 0.0, 1.0, 2.0)
FALL = {-2.0: 0.55, -1.0: 0.85, 0.0: 1.0, 1.0: 0.85, 2.0: 0.55}


def bracket(f_number, *, group="a", steps=STEPS, level=0.3):
    return [
        SweepShot(
            planned=planned(
                path := Path(f"{group}_{f_number:g}_{step:g}.dng"),
                f_number,
                focus_group=group,
                focus_step=step,
            ),
            result=result(path, level * FALL[step]),
        )
        for step in steps
    ]


def test_brackets_are_told_by_group_and_stop():
    shots = [*bracket(2.8), *bracket(5.6), *bracket(2.8, group="b"), *bracket(8.0, steps=(0.0, 1.0))]
    found = brackets_among(shots)
    assert [(one.plan.focus_group, one.plan.setting.f_number) for one in found] == [
        ("a", 2.8),
        ("a", 5.6),
        ("b", 2.8),
    ]
    assert list(found[0].steps) == list(STEPS)
    assert len(in_bracket(shots)) == 15


def test_a_zone_peaks_where_it_is_sharpest():
    peak = bracket_peak(brackets_among(bracket(4.0))[0], "outer")
    assert peak.verdict == "peak"
    assert abs(peak.best_step) < 0.1
    # ZONE_LEVEL of the outer zone: 0.9; 3 %: the invented fall is no lens's.
    assert np.isclose(np.exp(peak.log_mtf50), 0.27, rtol=0.03)


def test_the_ends_of_a_bracket_are_not_called_out_of_focus():
    assert all(shot.used for shot in reject(bracket(2.8) + bracket(5.6)))
    alone = [
        SweepShot(planned=planned(Path(f"{n}.dng"), 4.0), result=result(Path(f"{n}.dng"), level))
        for n, level in enumerate((0.3, 0.3, 0.15))
    ]
    assert [shot.used for shot in reject(alone)] == [True, True, False]
