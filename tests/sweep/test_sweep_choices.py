"""What to set for which picture, over which stops it is sharp enough, and which of the equally good stops to take."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from invented_shots import ZONE_LEVEL, result, shoot, shoot_brackets

from lensbench.model.errors import remark
from lensbench.model.setting import Setting, f_stop
from lensbench.model.sweep import Observed, Purpose, Unclaimed
from lensbench.report.draw.strips import scales_of
from lensbench.report.out.json_form import findings_as_json
from lensbench.report.page.figures import kept_grid, purpose_figures, zoom_stops_grid
from lensbench.report.text.answer import lens_sentences
from lensbench.stats.best_set import Tie, taken
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject

CURVE = {2.8: 0.22, 4.0: 0.28, 5.6: 0.30, 8.0: 0.275, 11.0: 0.225, 16.0: 0.165}
FLAT = {2.8: 0.25, 4.0: 0.297, 5.6: 0.30, 8.0: 0.298, 11.0: 0.26, 16.0: 0.2}


def lens_of(shots, **asked):
    (lens,) = find(reject(shots), **asked).lenses
    return lens


def with_soft_edges(shots):
    """The centre is at its best at f/4, the outer zone at f/11."""
    outer = {2.8: 0.5, 4.0: 0.55, 5.6: 0.7, 8.0: 0.9, 11.0: 1.2, 16.0: 1.2}
    inner = {2.8: 1.3, 4.0: 1.25, 5.6: 1.05, 8.0: 1.0, 11.0: 1.0, 16.0: 1.0}
    changed = []
    for shot in shots:
        stop, summary = shot.planned.setting.f_number, dict(shot.result.summary)
        for zone, factor in (("outer", outer[stop]), ("inner", inner[stop])):
            level = summary[zone].mtf50_cypx * factor
            summary[zone] = dataclasses.replace(summary[zone], mtf50_cypx=level)
        changed.append(dataclasses.replace(shot, result=dataclasses.replace(shot.result, summary=summary)))
    return changed


def test_a_purpose_is_served_by_a_third():
    lens = lens_of(with_soft_edges(shoot(CURVE, seed=1, sd=0.005)))
    for purpose, zone in ((Purpose.CENTRE, "inner"), (Purpose.FRAME, "frame"), (Purpose.EDGES, "outer")):
        best, of_zone = lens.best_by_purpose[purpose], lens.best_by_zone[zone]
        assert (best.f_number, best.mtf50_cypx) == (of_zone.f_number, of_zone.mtf50_cypx)
    shot = dataclasses.replace(shoot(CURVE, seed=1)[0], result=result(Path("a.dng"), 0.3))
    assert np.exp(shot.log_mtf50("middle")) == pytest.approx(0.3 * ZONE_LEVEL["middle"])
    frame = {"frame": shot.result.summary["frame"]}
    alone = dataclasses.replace(shot, result=dataclasses.replace(shot.result, summary=frame))
    assert np.isnan(alone.log_mtf50("middle"))


def test_each_picture_gets_its_own_stop():
    lens = lens_of(with_soft_edges(shoot(CURVE, seed=1, sd=0.005)))
    assert lens.best_by_purpose[Purpose.CENTRE].f_number == 4.0
    assert lens.best_by_purpose[Purpose.FRAME].f_number == lens.best.f_number == 5.6
    # 0.9 x 0.275 at f/8, 1.2 x 0.225 at f/11: f/11 by hand.
    assert lens.best_by_purpose[Purpose.EDGES].f_number == 11.0


def test_sharp_enough_by_hand():
    # Shares of the best at f/5.6: 0.73, 0.93, 1, 0.92, 0.75, 0.55; repeats so alike that each stop is sure.
    frame = lens_of(shoot(CURVE, seed=2, sd=0.0005)).by_focal_length[0].best_by_purpose[Purpose.FRAME]
    runs = {one.level_percent: one.surely for one in frame.sharp_enough}
    assert runs == {95.0: (5.6,), 90.0: (4.0, 5.6, 8.0), 80.0: (4.0, 5.6, 8.0)}


def test_sure_is_narrower_than_probable_and_nothing_is_sure_with_one_shot():
    noisy = lens_of(shoot(CURVE, seed=3, sd=0.05)).by_focal_length[0].best_by_purpose[Purpose.FRAME]
    assert all(set(one.surely) <= set(one.probably) for one in noisy.sharp_enough)
    assert len(noisy.sharp_enough[1].surely) < len(noisy.sharp_enough[2].probably)
    lens = lens_of(shoot(CURVE, seed=3, repeats=1))
    assert not any(one.surely for one in lens.by_focal_length[0].best_by_purpose[Purpose.FRAME].sharp_enough)
    assert [one.kind for one in lens.best.reservations] == [Unclaimed.FEW_SHOTS]


@pytest.mark.parametrize(
    ("tie", "stop"), [(Tie.BEST, None), (Tie.WIDEST, 4.0), (Tie.MIDDLE, 5.6), (Tie.DEEPEST, 8.0)]
)
def test_tie_rule_names_one_of_the_set_and_changes_nothing_else(tie, stop):
    shots = shoot(FLAT, seed=4, sd=0.002)
    lens, plain = lens_of(shots, tie=tie), lens_of(shots)
    assert [setting.f_number for setting in lens.best.tied] == [4.0, 5.6, 8.0]
    assert lens.best.f_number == plain.best.f_number
    assert lens.best.take.f_number == (stop or lens.best.f_number)
    assert lens.best.take_rule == tie.value


def test_a_tie_over_focal_lengths_is_taken_at_the_best_one():
    settings = [Setting(focal_length_mm=mm, f_number=stop) for mm in (24.0, 70.0) for stop in (4.0, 5.6)]
    assert taken(settings[1], settings, Tie.WIDEST) == settings[0]
    assert taken(settings[2], settings, Tie.DEEPEST) == settings[3]


def test_zoom_positions_at_equal_stops_where_the_widest_opening_floats():
    wide = shoot({3.5: 0.24, 5.6: 0.30, 8.0: 0.27}, seed=5, focal_mm=24.0)
    long = shoot({5.6: 0.21, 8.0: 0.265, 11.0: 0.22}, seed=6, focal_mm=70.0)
    lens = lens_of(wide + long)
    assert [best.f_number for best in lens.zoom_at_equal_stop] == [5.6, 8.0]
    at_56, at_8 = lens.zoom_at_equal_stop
    assert at_56.focal_length_mm == 24.0
    assert {one.focal_length_mm for one in at_56.tied} == {24.0}
    assert {one.focal_length_mm for one in at_8.tied} == {24.0, 70.0}
    own = lens.zoom_at_own_best
    assert (own.focal_length_mm, own.f_number) == (24.0, 5.6)
    grid = zoom_stops_grid(lens)
    assert [row[:3] for row in grid.rows] == [
        ("each at its own best", "24 mm", "–"),
        ("f/5.6", "24 mm", "–"),
        ("f/8", "24 mm", "70 mm"),
    ]
    assert [focal.tied_f_numbers for focal in lens.by_focal_length] == [(5.6,), (8.0,)]


def test_with_the_print_divided_out_unequal_magnification_is_no_matter():
    shots = shoot(CURVE, seed=9, focal_mm=24.0) + shoot(CURVE, seed=10, focal_mm=70.0, magnification=0.03)
    divided = (remark("print_divided", "0.03 mm"),)
    freed = [
        dataclasses.replace(shot, result=dataclasses.replace(shot.result, quality=divided)) for shot in shots
    ]
    assert lens_of(shots).best.provisional
    assert not lens_of(freed).best.provisional


def test_tables_and_reading_back():
    lens = lens_of(shoot(FLAT, seed=4, sd=0.002), tie=Tie.DEEPEST)
    grid = purpose_figures(lens, lens.best.mtf50_cypx, scales_of(lens.best.mtf50_cypx, lens, "frame")).grid
    assert grid.header[1:] == ("subject at the centre", "whole frame", "edges and corners")
    assert "edges and corners: outer third of the picture" in grid.caption
    (row,) = grid.rows
    assert row[2].startswith(f"{f_stop(lens.best.f_number)}: 100 % ")
    assert row[2].endswith("take f/8")
    (told,) = findings_as_json(find(reject(shoot(FLAT, seed=4, sd=0.002))))["lenses"]
    best = told["by_focal_length"][0]["best_by_purpose"][Purpose.FRAME]
    assert [setting["f_number"] for setting in best["tied"]] == [4.0, 5.6, 8.0]
    assert {one["level_percent"]: one["surely"] for one in best["sharp_enough"]}[90.0] == [4.0, 5.6, 8.0]
    assert best["f_number"] == told["best"]["f_number"]


def test_a_focus_bracket_counts_as_one_shot_at_its_peak():
    curve = {2.8: 0.25, 4.0: 0.28, 5.6: 0.27}
    lens = lens_of(shoot_brackets(curve, seed=11))
    points = [point for point in lens.by_focal_length[0].curve if point.zone == "frame"]
    assert [point.shots for point in points] == [1, 1, 1]
    for point, sharp in zip(points, curve.values(), strict=True):
        # The peak, not the mean of the bracket, which is a fifth lower at f/2.8; 0.5 % noise, seven shots, and a law
        # of adding blurs that is not the fitted one.
        assert point.measured_cypx == pytest.approx(sharp * ZONE_LEVEL["frame"], rel=0.03)
    assert lens.rejected == ()
    assert lens.spread_from == "focus brackets"
    assert not lens.best.provisional
    assert (lens.basis.shots_a_setting, lens.basis.bracketed) == ((1, 1), True)


def test_a_bracket_that_does_not_enclose_its_peak_is_said_so():
    lens = lens_of(shoot_brackets({2.8: 0.25, 4.0: 0.28}, seed=12, shift=4.0))
    (told,) = [one for one in lens.remarks if one.flag == "bracket_open"]
    assert (Observed.BRACKET_END, 2.8) in {(one.kind, one.values[0]) for one in told.observations}


def test_repeated_brackets_tell_the_spread():
    lens = lens_of(shoot_brackets({2.8: 0.25, 4.0: 0.28, 5.6: 0.27}, seed=13, groups=3))
    assert lens.spread_from == "repeats"
    assert {point.shots for point in lens.by_focal_length[0].curve} == {3}


def without_outer(shot):
    summary = dict(shot.result.summary)
    for zone in ("outer", "frame"):
        summary[zone] = dataclasses.replace(summary[zone], mtf50_cypx=np.nan, ci95_cypx=(np.nan, np.nan))
    return dataclasses.replace(shot, result=dataclasses.replace(shot.result, summary=summary))


def test_a_shot_without_a_third_counts_in_a_bracket_only():
    alone, *others = shoot(CURVE, seed=13, sd=0.005)
    judged = reject([without_outer(alone), *others])
    assert [not shot.used for shot in judged] == [True] + [False] * len(others)
    assert "a third of the picture has none; fill it with the chart" in judged[0].reason
    softest, *sharper = shoot_brackets({2.8: 0.25}, seed=14)
    assert all(shot.used for shot in reject([without_outer(softest), *sharper]))
    assert not any(shot.used for shot in reject([without_outer(shot) for shot in (softest, *sharper)]))


def test_every_stop_that_keeps_enough_is_named_on_either_side_of_a_dip():
    """A lens whose focus shifts is sharp at two stops and soft between: shares 1, 0.83, 0.99, 0.8 as given."""
    dipped = {2.8: 0.30, 4.0: 0.249, 5.6: 0.297, 8.0: 0.24, 11.0: 0.2}
    lens = lens_of(shoot(dipped, seed=3, sd=0.002, repeats=5))
    frame = lens.by_focal_length[0].best_by_purpose[Purpose.FRAME]
    assert [enough.probably for enough in frame.sharp_enough[:2]] == [(2.8, 5.6)] * 2
    assert frame.sharp_enough[1].surely == (2.8, 5.6)
    (row,) = kept_grid(lens).rows
    assert row[2].startswith("f/2.8 and f/5.6")


def test_targets_that_leave_the_corners_out_are_told_in_the_answer():
    def covered(percent):
        shots = shoot({4.0: 0.28, 5.6: 0.3}, seed=1)
        charts = [dataclasses.replace(shot.result.chart, framing_percent=percent) for shot in shots]
        changed = [
            dataclasses.replace(shot, result=dataclasses.replace(shot.result, chart=chart))
            for shot, chart in zip(shots, charts, strict=True)
        ]
        return " ".join(lens_sentences(lens_of(changed)))

    assert "targets cover 72 % of the picture only: step nearer" in covered(72.0)
    assert "corners are not measured" not in covered(86.0)
