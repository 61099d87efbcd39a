"""The first screen says no more than the findings bear: what is as good, what is open, and what is not yet sure."""

import dataclasses
import re

import pytest
from invented_shoot import invented_lens
from invented_shots import shoot

from lensbench.model.condition import QuickFindings, Verdict
from lensbench.report.page.card import lens_pocket_card
from lensbench.report.page.opening import lens_opening
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject

CURVE = {2.8: 0.22, 4.0: 0.28, 5.6: 0.30, 8.0: 0.275, 11.0: 0.225, 16.0: 0.165}
FLAT = {2.8: 0.25, 4.0: 0.297, 5.6: 0.30, 8.0: 0.298, 11.0: 0.26, 16.0: 0.2}


def opened(shots):
    judged = reject(shots)
    (lens,) = find(judged).lenses
    return lens_opening(lens, judged, copy="Even on all sides.", key="lens-1")


def scaled(level, focal_mm, seed):
    return shoot(
        {stop: level * mtf50 for stop, mtf50 in CURVE.items()}, seed=seed, focal_mm=focal_mm, sd=0.004
    )


def test_one_focal_length_is_answered_by_a_stop():
    opening = opened(shoot(CURVE, seed=1, sd=0.005))
    assert opening.about == "Fennel on Box One · 18 photographs"
    assert (opening.label, opening.setting) == ("Sharpest whole frame", "f/5.6")
    assert opening.beside == "No other stop is as sharp."
    # 0.8 of 0.30 is 0.24: f/4 and f/8 lie above it, f/11 below.
    assert opening.purposes[2] == ("Keeps 80 % of its best", "f/4 to f/8", "")
    assert opening.sure.startswith("3 shots a setting, which scatter by 0.5 %.")


def test_raw_files_beside_finished_pictures_leave_no_setting_on_page_or_card():
    judged = [
        dataclasses.replace(shot, result=dataclasses.replace(shot.result, sensor_data=bool(index % 3)))
        for index, shot in enumerate(reject(shoot(CURVE, seed=1, sd=0.005)))
    ]
    (lens,) = find(judged).lenses
    opening = lens_opening(lens, judged, copy="Even on all sides.", key="lens-1")
    assert (opening.label, opening.setting) == ("Raw files beside finished pictures", "No setting")
    assert (opening.beside, opening.purposes, opening.strips) == ("", (), None)
    assert opening.sure.startswith(
        "Raw files and finished pictures do not compare: sweep each kind by itself."
    )
    assert lens_pocket_card(lens).rows == ()


def test_what_is_as_good_is_told_from_what_is_open():
    assert opened(shoot(FLAT, seed=4, sd=0.002)).beside == "f/4 and f/8 are as good."
    assert opened(shoot(FLAT, seed=4, sd=0.03)).beside == "f/4 and f/5.6 can't be told from it."


def test_one_shot_a_setting_is_not_yet_sure():
    opening = opened(shoot(CURVE, seed=1, sd=0.005, repeats=1))
    assert opening.label == "Sharpest in these shots, not yet sure"
    assert opening.sure.startswith("One shot a setting can't tell how well focus repeats")
    assert opening.purposes[2][2] == "more likely than not"
    (strip,) = opening.strips.strips
    assert strip.lines[0].as_good == ()


def test_the_end_of_the_series_and_a_single_stop_are_said_to_be_such():
    assert opened(shoot({4.0: 0.3, 5.6: 0.28}, seed=1, sd=0.005)).label.endswith("of the stops tested")
    opening = opened(shoot({4.0: 0.3}, seed=1, sd=0.005))
    assert (opening.label, opening.setting, opening.purposes) == ("The only stop tested", "f/4", ())
    # The invented shots' zones: 0.88 of the level in the outer third, 1.05 in the inner; 1 - 0.88 / 1.05 is 16 %.
    assert opening.beside == "The outer third is 16 % softer than the inner."
    (strip,) = opening.strips.strips
    assert strip.lines[0].as_good == strip.lines[0].untold == ()


def test_few_positions_are_named_one_by_one_and_many_in_groups():
    few = scaled(1.0, 24.0, 1) + scaled(0.75, 70.0, 2)
    assert opened(few).setting == "24 mm · f/5.6"
    beside = opened(few).beside
    assert beside.startswith("At 24 mm no other stop is as sharp. 70 mm is 25 % softer (2")
    levels = {35.0: 1.05, 50.0: 1.05, 70.0: 0.9, 85.0: 0.8, 105.0: 0.7}
    many = few[:18] + [
        shot for seed, (mm, level) in enumerate(levels.items(), 2) for shot in scaled(level, mm, seed)
    ]
    # 0.7 / 1.05 is a third softer.
    assert opened(many).beside.endswith("33 % softer, 105 mm the most.")


def test_open_stops_and_positions_are_told_without_saying_it_twice():
    few = [
        shot
        for seed, focal_mm in enumerate((24.0, 35.0), 3)
        for shot in shoot(FLAT, seed=seed, sd=0.03, focal_mm=focal_mm)
    ]
    beside = opened(few).beside
    assert beside.count("can't be told from it") == 1
    assert re.search(r"can't be told from it\. Nor can (24|35) mm\.$", beside)


def test_positions_at_unlike_magnification_are_provisional():
    unlike = scaled(1.0, 24.0, 1) + shoot(CURVE, seed=2, focal_mm=70.0, magnification=0.03)
    assert opened(unlike).sure.startswith("The chart was seen at different sizes")


@pytest.mark.parametrize(
    ("uneven", "said"),
    [(Verdict.MATTERS, "Something is wrong"), (Verdict.WITHIN_LIMITS, "Nothing grossly wrong")],
)
def test_a_ten_minute_test_names_no_stop(uneven, said):
    quick = QuickFindings(
        grossly_uneven=uneven,
        slightly_uneven=False,
        grossly_soft=Verdict.WITHIN_LIMITS,
        inner=(),
        turned_shots=0,
    )
    lens = invented_lens(quick=quick, best=None)
    opening = lens_opening(lens, [], copy="", key="lens-1")
    assert (opening.label, opening.setting, opening.purposes) == ("Ten-minute test", said, ())
    assert opening.setting == said


def test_nothing_measured_is_said_and_dates_are_told():
    lens = invented_lens(best=None, by_focal_length=())
    assert lens_opening(lens, [], copy="", key="k").label == "Nothing measured"
    days = ["2026-03-14T10:00:00", "0000-00-00", "2026-03-15T09:00:00.5"]
    shots = [
        dataclasses.replace(
            shot,
            result=dataclasses.replace(
                shot.result, metadata=dataclasses.replace(shot.result.metadata, taken_at=day)
            ),
        )
        for shot, day in zip(shoot(CURVE, seed=1), days, strict=False)
    ]
    assert lens_opening(lens, shots, copy="", key="k").about.endswith("· 14 March 2026 to 15 March 2026")
