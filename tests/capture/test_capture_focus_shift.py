"""A planned shoot answers whether the focus shifts: its rows, shot through exact pupils, judged as by `sweep`."""

from dataclasses import replace

import numpy as np
import pytest
from pupil_fields import COLS, PITCH_UM, ROWS, FieldLens, Shooting, shot

from lensbench.capture.plan import Exposure, Place, make_plan, table_shots
from lensbench.capture.standing import CameraGear, LensGear
from lensbench.condition.judge import lens_condition
from lensbench.model.condition import Subject, Verdict
from lensbench.sweep.reject import reject

LENS = LensGear(focal_range_mm=(50.0, 50.0), widest_f_number=2.8)
CAMERA = CameraGear(pitch_um=PITCH_UM, size_px=(ROWS, COLS))
STEADY = Shooting(level_sd=0.01, side_sd=0.005)


@pytest.fixture(scope="module")
def plan():
    place = Place(room_mm=3000.0, paper="A3", exposure=Exposure.parse("1/30@5.6"), chart="sheet")
    return make_plan(LENS, CAMERA, place=place, stops=[2.8, 4.0])


def shot_as_planned(plan, lens):
    """Every row of the plan taken: repeats refocused at their own stop, the bracket's steps as wide as it says."""
    random, (here,) = np.random.default_rng(11), plan.standings
    step_um = 1000.0 * plan.bracket_step_mm(here) * here.magnification**2
    for number, row in enumerate(table_shots(plan)):
        # A step holds the focus at the widest stop's zero, from where this stop's best focus has shifted.
        shift_um = lens.best_z_um(lens.widest) - lens.best_z_um(row.f_number)
        z_um = None if row.focus_step is None else row.focus_step * step_um + shift_um
        taken = shot(lens, row.f_number, random, how=STEADY, z_um=z_um, number=number)
        told = {"focus_group": row.focus_group, "focus_step": row.focus_step}
        yield replace(taken, planned=replace(taken.planned, **told))


# Spherical aberration at the widest stop, waves rms; the shift that it makes from f/2.8 to f/4 is that of least
# wavefront error (textbook, in `best_z_um`).
@pytest.mark.parametrize(("spherical", "verdict"), [(0.1, Verdict.MATTERS), (0.004, Verdict.WITHIN_LIMITS)])
def test_focus_shift_is_answered_after_a_planned_shoot(plan, spherical, verdict):
    lens = FieldLens(spherical=spherical, coma_corner=0.05, astigmatism_corner=0.02)
    shots = reject(list(shot_as_planned(plan, lens)))
    assert all(one.used for one in shots)
    found = next(one for one in lens_condition(shots) if one.subject is Subject.FOCUS_SHIFT)
    assert found.verdict is verdict
    shift_um = abs(lens.best_z_um(4.0) - lens.best_z_um(2.8))
    # 3 sd of the finding's own; the peak of MTF50, which it goes by, lies a little beside the least wavefront error.
    assert abs(found.details.um) == pytest.approx(shift_um, abs=3.0 * found.details.sd_um)
