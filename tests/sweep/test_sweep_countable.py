"""The table of shots that count: what is one shot, what is left out, and that nothing of it is lost on disk."""

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
from invented_shots import ZONE_LEVEL, planned, result, shoot, shoot_brackets
from measured_lenses import CURVE, sweep_lens

from lensbench import optics
from lensbench.compare.compare import compare_lenses
from lensbench.model.compare import Caution
from lensbench.model.setting import Setting
from lensbench.model.shot import Metadata, RejectedShot
from lensbench.model.sweep import SweepShot
from lensbench.storage.store import read_sweep, sweep_document
from lensbench.sweep.countable import countable_shots, measured_lenses, zone_series
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject


def exact_mtf50(focus_um, *, f_number=4.0, pitch_um=4.0):
    """Hopkins (1955): a circular pupil out of focus, with a square pixel."""
    q = 0.55 * f_number / pitch_um
    waves = abs(focus_um) / (8.0 * 0.55 * f_number**2)
    frequency = np.linspace(0.0, 1.0, 2001)
    sfr = np.abs(optics.defocused_diffraction_otf(np.minimum(frequency * q, 1.0), waves)) * np.sinc(frequency)
    after = int(np.argmax(sfr < 0.5))
    return float(np.interp(0.5, sfr[[after, after - 1]], frequency[[after, after - 1]]))


def frame(step, f_number=4.0, *, group="first", number=0, **fields):
    """One photograph of a bracket whose focus is best at 7, between the steps."""
    path = Path(f"shots/{f_number:g}_{group}_{number}_{step}.dng")
    plan = planned(path, f_number, focus_group=group, focus_step=step)
    plan = dataclasses.replace(plan, **fields)
    metadata = Metadata(f_number=f_number)
    return SweepShot(planned=plan, result=result(path, exact_mtf50((step or 0.0) - 7.0), metadata=metadata))


def test_a_bracket_is_one_shot_with_its_peak_and_that_peaks_own_sd():
    bracket = [frame(step) for step in (-30.0, -15.0, 0.0, 15.0, 30.0, 45.0)]
    row, alone = sorted(countable_shots([*bracket, frame(None, group="")]), key=lambda row: -len(row.files))
    assert (len(row.files), row.bracket, alone.bracket) == (6, True, False)
    for zone, level in ZONE_LEVEL.items():
        # Truth by the exact integral; 1.5 %: the peak lies up to half a step beside every frame.
        assert row.zones[zone].mtf50_cypx == pytest.approx(level * exact_mtf50(0.0), rel=0.015)
        assert 0.0 < row.zones[zone].sd < 0.05
        assert alone.zones[zone].sd is None


def test_two_brackets_and_two_stops_stay_apart():
    shots = [frame(step, group=group) for group in ("a", "b") for step in (-20.0, 0.0, 20.0)]
    shots += [frame(step, 8.0, group="a") for step in (-20.0, 0.0, 20.0)]
    assert [len(row.files) for row in countable_shots(shots)] == [3, 3, 3]


def test_shots_of_one_group_without_steps_are_one_by_their_mean():
    shots = [frame(None, group=group, number=number) for number, group in enumerate(("a", "a", ""))]
    both = next(row for row in countable_shots(shots) if len(row.files) == 2)
    assert not both.bracket
    # All three saw one and the same: their geometric mean is that figure.
    assert both.zones["outer"].mtf50_cypx == pytest.approx(ZONE_LEVEL["outer"] * exact_mtf50(-7.0))


def test_what_is_left_out_stands_in_the_table_with_its_reason_and_counts_nowhere():
    shots = shoot({4.0: 0.28, 5.6: 0.3}, seed=1)
    blurred = dataclasses.replace(shots[0], reason="out of focus")
    unread = dataclasses.replace(shots[1], result=RejectedShot(path=Path("b.dng"), reason="no chart"))
    table = countable_shots([blurred, unread, *shots[2:]])
    assert sorted(row.reason for row in table if row.reason) == ["no chart", "out of focus"]
    ((settings, series),) = zone_series(table, "frame").values()
    assert [setting.f_number for setting in settings] == [4.0, 5.6]
    assert series.shots.tolist() == [1.0, 3.0]


def test_an_unknown_focal_length_is_a_key_like_any_other():
    shots = [shot for focal in (None, 35.0) for shot in shoot({4.0: 0.28}, seed=1, focal_mm=focal)]
    by_focal = zone_series(countable_shots(shots), "frame")
    assert list(by_focal) == [None, 35.0]
    assert [series.shots.tolist() for _, series in by_focal.values()] == [[3.0], [3.0]]
    with pytest.raises(ValueError, match="never NaN"):
        Setting(focal_length_mm=math.nan, f_number=4.0)


@pytest.mark.parametrize("make", [shoot, shoot_brackets])
def test_a_sweep_comes_back_from_its_document_without_loss(tmp_path, make):
    shots = reject(make({2.8: 0.22, 4.0: 0.28, 5.6: 0.30}, seed=3))
    lenses = measured_lenses(find(shots), shots)
    (tmp_path / "sweep.json").write_bytes(sweep_document(lenses))
    (back,) = read_sweep(tmp_path)
    assert (back.shots, back.best) == (lenses[0].shots, lenses[0].best)


def test_a_bracketed_lens_against_an_unbracketed_one_is_warned_of():
    first = sweep_lens("Fennel", CURVE, seed=1, bracket=True)
    pair = compare_lenses([first, sweep_lens("Sorrel", CURVE, seed=2)]).pairs[0]
    assert Caution.ONE_BRACKETED in {caution.kind for caution in pair.cautions}


def thirds_apart(step, f_number=4.0, *, group="b", number=0, noise=0.0):
    """One photograph by a lens whose outer third is in focus at 30 um, the others at 0; the frame is their mean."""
    shot = frame(step, f_number, group=group, number=number)
    focus_um = step or 0.0
    values = {
        "inner": exact_mtf50(focus_um),
        "middle": exact_mtf50(focus_um),
        "outer": exact_mtf50(focus_um - 30.0),
    }
    values["frame"] = float(np.mean(list(values.values())))
    figures = {
        zone: dataclasses.replace(figure, mtf50_cypx=values[zone] * math.exp(noise))
        for zone, figure in shot.result.summary.items()
    }
    return dataclasses.replace(shot, result=dataclasses.replace(shot.result, summary=figures))


STEPS = (-45.0, -30.0, -15.0, 0.0, 15.0, 30.0, 45.0, 60.0)


def test_a_bracket_is_one_focus_for_all_thirds():
    (row,) = countable_shots([thirds_apart(step) for step in STEPS])
    places = np.linspace(-10.0, 40.0, 101)
    means = [(2.0 * exact_mtf50(um) + exact_mtf50(um - 30.0)) / 3.0 for um in places]
    best_um = float(places[int(np.argmax(means))])
    # By brute force: the outer third at the frame's focus, far below its own peak; 5 %: the frame has two humps.
    assert row.zones["outer"].mtf50_cypx == pytest.approx(exact_mtf50(best_um - 30.0), rel=0.05)
    assert row.zones["outer"].mtf50_cypx < 0.9 * exact_mtf50(0.0)


def test_a_bracket_beside_refocused_shots_is_a_series_of_its_own():
    random = np.random.default_rng(1)
    plain = [
        thirds_apart(None, stop, group=f"{stop}{number}", number=number, noise=0.005 * random.normal())
        for stop in (4.0, 5.6, 8.0)
        for number in range(3)
    ]
    bracket = [thirds_apart(step) for step in STEPS]
    table = countable_shots([*plain, *bracket])
    (own,) = [row for row in table if row.bracket]
    assert "focus bracket" in own.reason
    for zone in ZONE_LEVEL:
        alone, beside = (
            zone_series(countable_shots(shots), zone)[35.0] for shots in (plain, [*plain, *bracket])
        )
        assert [values.tolist() for values in alone[1].log_shots] == [
            values.tolist() for values in beside[1].log_shots
        ]
