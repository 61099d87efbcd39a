import dataclasses
from pathlib import Path

import numpy as np
import pytest
from invented_shots import planned, result, shoot

from lensbench.model.errors import remark
from lensbench.model.shot import RejectedShot
from lensbench.model.sweep import SweepShot, Unclaimed
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject

CURVE = {2.8: 0.22, 4.0: 0.28, 5.6: 0.30, 8.0: 0.275, 11.0: 0.225, 16.0: 0.165}


def lens_of(shots):
    (lens,) = find(reject(shots)).lenses
    return lens


def test_best_stop_with_its_set_and_what_it_holds_for():
    lens = lens_of(shoot(CURVE, seed=1))
    assert lens.best.f_number == 5.6
    assert not lens.best.provisional
    assert lens.by_focal_length[0].tied_f_numbers == tuple(setting.f_number for setting in lens.best.tied)
    basis = lens.basis
    assert (basis.sensor_data, basis.channels, basis.shots_a_setting) == (True, ("green",), (3, 3))
    assert basis.distance_focal_lengths[0] == pytest.approx(basis.distance_mm[0] / 35.0)
    assert lens.shot_sd_percent == pytest.approx(1.0, abs=0.5)


def test_curve_carries_points_and_shots():
    focal = lens_of(shoot(CURVE, seed=2)).by_focal_length[0]
    assert {point.zone for point in focal.curve} == {"inner", "middle", "outer", "frame"}
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
    (reservation,) = lens.best.reservations
    assert (reservation.kind, reservation.names) == (Unclaimed.FEW_SHOTS, ("scatter about the curve",))
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
    wide, long = (focal.best_by_zone["frame"].mtf50_cypx for focal in lens.by_focal_length)
    assert long / wide == pytest.approx(0.75, abs=0.01)
    assert not lens.best.provisional


def test_unequal_magnification_makes_focal_lengths_provisional():
    lens = lens_of(
        shoot(CURVE, seed=9, focal_mm=24.0) + shoot(CURVE, seed=10, focal_mm=70.0, magnification=0.03)
    )
    assert lens.best.provisional
    (reservation,) = lens.best.reservations
    assert reservation.kind == Unclaimed.MAGNIFICATION_DIFFERS
    assert reservation.values == pytest.approx((0.02, 0.03))


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


def test_files_without_a_lens_are_the_only_ones_or_stand_apart_and_left_out_ones_are_not_counted():
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
    own = shoot(CURVE, seed=13)
    (lens,) = find(reject([*own, odd, chosen])).lenses
    assert lens.rejected == (odd.result,)
    assert lens.shots == 19
    others = [
        dataclasses.replace(shot, planned=dataclasses.replace(shot.planned, lens="another")) for shot in own
    ]
    findings = find(reject([*own, *others, odd, chosen]))
    assert findings.unplaced == (odd.result,)
    assert [(lens.rejected, lens.shots) for lens in findings.lenses] == [((), 18), ((), 18)]


def test_order_of_the_files_does_not_matter():
    shots = shoot(CURVE, seed=14)
    first, second = lens_of(shots), lens_of(shots[::-1])
    assert first.best == second.best
    assert first.basis == second.basis
