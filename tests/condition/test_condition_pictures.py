"""Four described lenses, photographed and swept: each verdict on their state is right.

The truth is the description; pictures are small, of a wall of nine pages, and stand for full frames (the table of
those is in docs/measured/condition.md).
"""

import pytest
from condition_shoots import SUBJECTS, Shoot, take

from lensbench.simulate import ByHand, Camera, Pose, hung_wall
from lensbench.sweep.decide import sweep
from lensbench.sweep.run import Running

STEPS_UM = (-60.0, -28.0, 0.0, 28.0, 60.0)
SHOOTS = {
    "sound": Shoot(repeats=0, steps_um=STEPS_UM),
    "decentred": Shoot(stops=(2.8,), repeats=3),
    "field-curved": Shoot(stops=(2.8,), repeats=0, steps_um=STEPS_UM),
    "focus-shifting": Shoot(repeats=0, steps_um=STEPS_UM),
}


@pytest.fixture(scope="module")
def swept(tmp_path_factory):
    """Findings by lens."""
    layout = hung_wall(9, by_hand=ByHand(seed=4))
    camera = Camera(rows=440, cols=660, cfa="mono")
    pose = Pose(yaw_deg=0.2, pitch_deg=-0.1)
    found = {}
    for kind, what in SHOOTS.items():
        folder = tmp_path_factory.mktemp("state") / kind
        folders = take(kind, folder, what, layout=layout, camera=camera, pose=pose)
        table = folder / "bracket" / "shots.csv"
        done = sweep(
            folders, shots_csv=table if table.exists() else None, running=Running(workers=1, in_process=True)
        )
        assert done.rejected == ()
        found[kind] = done.findings.lenses[0]
    return found


def verdicts(lens):
    return {one.subject: one.verdict for one in lens.condition}


@pytest.mark.parametrize("kind", SHOOTS)
def test_what_is_there_matters_and_nothing_else(swept, kind):
    told = verdicts(swept[kind])
    seen = {subject for subject, verdict in told.items() if verdict == "matters"}
    assert seen == ({SUBJECTS[kind]} if kind in SUBJECTS else set())


def test_the_sound_lens_is_told_sound_where_the_shots_can_tell(swept):
    told = verdicts(swept["sound"])
    for subject in ("decentring", "field curvature", "focus shift", "astigmatism"):
        assert told[subject] == "within_limits"


def test_the_decentred_lens_is_softer_on_the_described_side(swept):
    found = next(one for one in swept["decentred"].condition if one.subject == "decentring")
    # Described: all blur grows to the right.
    assert found.side == "right"
    assert found.ci95[0] > 5.0
    assert found.details.turned.outcome == "not_done"
    assert [one.cause for one in found.details.other_causes] == ["tilt", "focus", "shake", "chart and wall"]


def test_lengths_are_those_described(swept):
    """Curvature and shift in micrometres on the sensor, from blur discs against steps: within a sixth.

    32 um of curvature in the corner go with the square of the image height (derived).
    """
    details = {
        kind: {one.subject.value: one.details for one in lens.condition} for kind, lens in swept.items()
    }
    curved = details["field-curved"]["field curvature"].distance
    assert 0.8 < curved.image_height < 1.0
    assert abs(curved.um) == pytest.approx(32.0 * curved.image_height**2, rel=1.0 / 6.0)
    # From the widest stop to f/5.6 the shift loses three quarters: 36 (1 - 1/4), derived.
    assert 22.5 <= abs(details["focus-shifting"]["focus shift"].um) <= 31.5
