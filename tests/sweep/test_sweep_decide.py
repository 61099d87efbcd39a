import dataclasses
from pathlib import Path

import numpy as np
import pytest
from invented_shots import planned, result, shoot

from lensbench.model.flags import remark
from lensbench.model.shot import RejectedShot
from lensbench.model.sweep import SweepShot
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject
from lensbench.sweep.text import stop_range

CURVE = {2.8: 0.22, 4.0: 0.28, 5.6: 0.30, 8.0: 0.275, 11.0: 0.225, 16.0: 0.165}


def lens_of(shots):
    (lens,) = find(reject(shots)).lenses
    return lens


def test_best_stop_with_its_set_and_its_words():
    lens = lens_of(shoot(CURVE, seed=1))
    assert lens.best.f_number == 5.6
    assert not lens.best.provisional
    assert lens.by_focal_length[0].tied_f_numbers == tuple(setting.f_number for setting in lens.best.tied)
    assert lens.answer.startswith("Fennel: set f/5.6 for the sharpest whole frame.")
    assert (
        "this copy on this body; raw, green; at 1.8 m (51 focal lengths); 3 refocused shots a setting"
        in lens.holds_for
    )
    assert lens.shot_sd_percent == pytest.approx(1.0, abs=0.5)


def test_curve_carries_points_and_shots():
    focal = lens_of(shoot(CURVE, seed=2)).by_focal_length[0]
    assert {point.zone for point in focal.curve} == {"inner", "halfway", "outer", "frame"}
    frame = [point for point in focal.curve if point.zone == "frame"]
    assert [point.f_number for point in frame] == list(CURVE)
    for point in frame:
        assert point.shots == len(point.shot_mtf50_cypx) == 3
        assert point.ci95_cypx[0] < point.mtf50_cypx < point.ci95_cypx[1]
        mean = np.exp(np.mean(np.log(point.shot_mtf50_cypx)))
        # The mean, or the median where the spread is taken to grow towards wide stops.
        assert (
            min(abs(point.measured_cypx - middle) for middle in (mean, np.median(point.shot_mtf50_cypx)))
            < 1e-9
        )


def test_misfocused_shot_is_rejected_by_name():
    shots = shoot(CURVE, seed=3)
    bad = shots[7]
    shots[7] = dataclasses.replace(bad, result=result(bad.planned.path, 0.16, metadata=bad.result.metadata))
    lens = lens_of(shots)
    assert [one.path for one in lens.rejected] == [bad.planned.path]
    assert "softer than its repeats" in lens.rejected[0].reason
    assert lens.shots == 18
    assert lens.best.f_number == 5.6


def test_a_flag_that_rejects_keeps_the_shot_out():
    shots = shoot(CURVE, seed=4)
    clipped = dataclasses.replace(shots[0].result, quality=(remark("white_clipped", "3 % of the paper"),))
    shots[0] = dataclasses.replace(shots[0], result=clipped)
    assert "paper white is clipped" in lens_of(shots).rejected[0].reason


def test_one_shot_a_setting_claims_no_winner():
    lens = lens_of(shoot(CURVE, seed=5, repeats=1))
    assert lens.best.provisional
    assert "no winner is claimed" in lens.answer
    assert [one.flag for one in lens.remarks] == ["few_shots"]


def test_one_shot_and_few_stops_give_no_interval():
    lens = lens_of(shoot({4.0: 0.28, 8.0: 0.27}, seed=6, repeats=1))
    assert lens.spread_from == "assumed"
    assert np.isnan(lens.best.ci95_cypx).all()
    assert len(lens.best.tied) == 2


def test_zoom_settings_compete_and_the_soft_end_is_named():
    weak = {stop: 0.75 * value for stop, value in CURVE.items()}
    lens = lens_of(shoot(CURVE, seed=7, focal_mm=24.0) + shoot(weak, seed=8, focal_mm=70.0))
    assert (lens.best.focal_length_mm, lens.best.f_number) == (24.0, 5.6)
    assert [focal.focal_length_mm for focal in lens.by_focal_length] == [24.0, 70.0]
    assert "70 mm is 25 % softer than 24 mm" in lens.answer
    assert not lens.best.provisional


def test_unequal_magnification_makes_focal_lengths_provisional():
    lens = lens_of(
        shoot(CURVE, seed=9, focal_mm=24.0) + shoot(CURVE, seed=10, focal_mm=70.0, magnification=0.03)
    )
    assert lens.best.provisional
    assert "from 1:33 to 1:50" in lens.best.caution


def test_untouched_repeats_count_as_one_shot():
    shots = [
        dataclasses.replace(
            shot, planned=dataclasses.replace(shot.planned, focus_group=f"{shot.planned.setting.f_number:g}")
        )
        for shot in shoot(CURVE, seed=11)
    ]
    lens = lens_of(shots)
    assert {point.shots for point in lens.by_focal_length[0].curve} == {1}
    assert lens.best.provisional


def test_border_winner_is_the_best_tested():
    lens = lens_of(shoot({2.8: 0.34, 4.0: 0.32, 5.6: 0.27, 8.0: 0.21}, seed=12))
    assert lens.best.at_border
    assert "best tested" in lens.answer


def test_files_without_a_lens_stand_apart_and_left_out_ones_are_not_counted():
    path = Path("shots/unknown.dng")
    odd = SweepShot(
        planned=planned(path, 4.0, lens="unknown lens", left_out="unreadable"),
        result=RejectedShot(path=path, reason="unreadable"),
    )
    chosen_path = Path("shots/chosen.jpg")
    chosen = SweepShot(
        planned=planned(chosen_path, 4.0, left_out="the raw file is measured", by_choice=True),
        result=RejectedShot(path=chosen_path, reason="the raw file is measured"),
    )
    findings = find(reject([*shoot(CURVE, seed=13), odd, chosen]))
    assert findings.unplaced == (RejectedShot(path=path, reason="unreadable"),)
    assert findings.lenses[0].rejected == ()
    assert findings.lenses[0].shots == 18


def test_order_of_the_files_does_not_matter():
    shots = shoot(CURVE, seed=14)
    first, second = lens_of(shots), lens_of(shots[::-1])
    assert first.best == second.best
    assert first.answer == second.answer


def test_stops_are_named_as_a_range_only_without_gaps():
    tested = (2.8, 4.0, 5.6, 8.0, 11.0)
    assert stop_range((4.0, 5.6, 8.0), tested) == "f/4 to f/8"
    assert stop_range((2.8, 5.6, 8.0), tested) == "f/2.8, f/5.6 and f/8"


@pytest.mark.parametrize(
    ("curve", "told"),
    [
        ({4.0: 0.3}, "Fennel: f/4 is the only stop tested, so no best one can be named."),
        ({2.8: 0.2, 4.0: 0.3, 5.6: 0.22}, "No other f-stop comes up to it."),
        ({2.8: 0.2, 4.0: 0.3, 5.6: 0.298}, "f/4 and f/5.6 can't be told apart."),
    ],
)
def test_other_stops_are_spoken_of(curve, told):
    assert told in lens_of(shoot(curve, seed=15, sd=0.003)).answer
