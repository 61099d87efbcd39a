import dataclasses
import json

import numpy as np
import pytest
from invented_shots import shoot
from measured_lenses import log_shots, sweep_lens
from scipy import stats

from lensbench.compare.compare import compare, compare_lenses
from lensbench.model.compare import Caution, Verdict
from lensbench.model.errors import Note, SweepError
from lensbench.model.measured import BestOfSweep
from lensbench.model.setting import Setting
from lensbench.report.out.write import write_sweep
from lensbench.stats import Uncertainty, half_width
from lensbench.storage.store import read_sweep
from lensbench.sweep.decide import find
from lensbench.sweep.reject import reject

CURVE = {2.8: 0.22, 4.0: 0.28, 5.6: 0.30, 8.0: 0.275}


def sharper(share):
    return {stop: (1.0 + share) * value for stop, value in CURVE.items()}


def test_a_sweep_comes_back_from_its_folder(tmp_path):
    shots = reject(shoot(CURVE, seed=1))
    findings = find(shots)
    write_sweep(findings, shots, tmp_path / "report")
    (lens,) = read_sweep(tmp_path / "report")
    assert (lens.lens, lens.camera, lens.photographs, lens.size_px) == ("Fennel", "Box One", 12, (4000, 6000))
    assert lens.pixel_pitch_um == pytest.approx(4.0)
    point = next(one for one in findings.lenses[0].by_focal_length[0].curve if one.zone == "frame")
    values = log_shots(lens, "frame", point.f_number)
    assert sorted(np.exp(values)) == pytest.approx(sorted(point.shot_mtf50_cypx), rel=1e-6)
    best = findings.lenses[0].best
    assert lens.best.setting == Setting(focal_length_mm=best.focal_length_mm, f_number=best.f_number)
    assert lens.best.mtf50_cypx == pytest.approx(best.mtf50_cypx)


def test_two_folders_are_compared(tmp_path):
    for name, curve, seed in (("Fennel", CURVE, 2), ("Sorrel", sharper(0.20), 3)):
        shots = reject(shoot(curve, seed=seed, lens=name))
        write_sweep(find(shots), shots, tmp_path / name)
    found = compare([tmp_path / "Fennel", tmp_path / "Sorrel"]).findings
    (pair,) = found.pairs
    assert (pair.first, pair.second, pair.unit) == ("Fennel", "Sorrel", "cypx")
    assert {row.sharper for row in pair.rows} == {"second"}
    assert len(pair.rows) == 16
    assert pair.best_row.difference_percent == pytest.approx(20.0, abs=2.5)
    lead, (low, high) = pair.best_row.lead_percent, pair.best_row.lead_ci95_percent
    assert lead == pair.best_row.difference_percent
    assert low < 20.0 < high


def test_intervals_hold_set_up_errors_and_unequal_scatter():
    """Each lens is set up once, with an error of 1.5 % (sd); one scatters four times as much as the other."""
    inside, random = [], np.random.default_rng(0)
    for seed in range(150):
        errors = np.exp(0.015 * random.normal(size=2))
        curves = [{stop: error * value for stop, value in CURVE.items()} for error in errors]
        first = sweep_lens("Fennel", curves[0], seed=2 * seed, sd=0.02)
        second = sweep_lens(
            "Sorrel", {stop: 1.05 * value for stop, value in curves[1].items()}, seed=2 * seed + 1, sd=0.005
        )
        rows = compare_lenses([first, second]).pairs[0].rows
        inside += [row.ci95_percent[0] <= 5.0 <= row.ci95_percent[1] for row in rows if row.zone == "frame"]
    # 95 % by definition. 600 intervals in 150 shoots that share a set-up: the share scatters by 1.8 %.
    assert 0.92 <= np.mean(inside) <= 0.985


def test_a_lens_that_was_set_up_twice_tells_how_well_set_ups_repeat():
    def of_first(errors):
        lenses = [
            sweep_lens("Fennel", sharper(error), seed=number, sd=1e-4) for number, error in enumerate(errors)
        ]
        found = compare_lenses([*lenses, sweep_lens("Sorrel", CURVE, seed=9)])
        return next(note for note in found.pairs[0].cautions if note.kind in SET_UPS)

    assert of_first([0.0]) == Note(Caution.SET_UP_ASSUMED, (1.5,))
    # Derived: variance (2 x 1.5^2 + (k - 1) s^2) / (2 + k - 1), s^2 that of k logarithms; scatter is nothing.
    steady, stray = of_first([0.0, 0.0]), of_first([0.0, 0.04, 0.02])
    assert (steady.kind, stray.kind) == (Caution.SET_UP_FOUND, Caution.SET_UP_FOUND)
    assert steady.values[0] == pytest.approx(1.5 * (2.0 / 3.0) ** 0.5, rel=1e-3)
    logs = 100.0 * np.log([1.0, 1.04, 1.02])
    # 3e-3: the scatter of shots is taken for 0.2 % at least.
    assert stray.values[0] == pytest.approx(((2 * 1.5**2 + 2 * logs.var(ddof=1)) / 4) ** 0.5, rel=3e-3)


SET_UPS = (Caution.SET_UP_ASSUMED, Caution.SET_UP_FOUND)


def test_two_sweeps_of_one_name_may_be_two_copies():
    found = compare_lenses([sweep_lens("Fennel", sharper(share), seed=1) for share in (0.0, 0.2)])
    assert Note(Caution.SET_UP_ASSUMED, (1.5,)) in found.pairs[0].cautions
    assert {(row.sharper, row.verdict) for row in found.pairs[0].rows} == {("second", "visible")}


def test_a_lens_without_a_third_does_not_compete_for_the_whole_frame():
    whole, lacking = sweep_lens("Fennel", CURVE, seed=1), sweep_lens("Sorrel", sharper(0.3), seed=2)
    shots = tuple(
        dataclasses.replace(
            shot, zones={zone: value for zone, value in shot.zones.items() if zone != "outer"}
        )
        for shot in lacking.shots
    )
    best = BestOfSweep(setting=shots[0].setting, mtf50_cypx=0.4, ci95_cypx=(0.39, 0.41))
    found = compare_lenses(
        [dataclasses.replace(whole, best=best), dataclasses.replace(lacking, shots=shots, best=best)]
    )
    assert {row.zone for row in found.pairs[0].rows} == {"inner", "middle"}
    assert found.pairs[0].best_row is None
    assert all(len(one.photographed) == 1 for one in found.choices if one.zone in {"outer", "frame"})


def test_welch_interval_is_scipys():
    # scipy.stats.ttest_ind(equal_var=False) is the reference.
    one, other = np.array([0.1, 0.3, 0.25, 0.2]), np.array([0.5, 0.45, 0.48])
    interval = stats.ttest_ind(other, one, equal_var=False).confidence_interval(0.95)
    doubts = [
        Uncertainty(variance=values.var(ddof=1) / len(values), dof=len(values) - 1.0)
        for values in (one, other)
    ]
    assert half_width(*doubts) == pytest.approx(0.5 * (interval.high - interval.low))


def test_equal_lenses_are_called_equal_or_open():
    pair = compare_lenses(
        [sweep_lens("Fennel", CURVE, seed=5, sd=0.005), sweep_lens("Sorrel", CURVE, seed=6, sd=0.005)]
    ).pairs[0]
    assert {row.verdict for row in pair.rows} <= {"equal", "cannot_tell"}


def test_other_sensor_is_compared_in_pictures_with_lpmm_beside():
    # By hand: 0.25 cy/px at 4 um is 62.5 lp/mm and, on 4000 rows, 2000 LW/PH; at 5 um and 3000 rows 50 and 1500.
    first = sweep_lens("Fennel", {4.0: 0.25}, seed=7, sd=0.0)
    second = sweep_lens("Sorrel", {4.0: 0.25}, seed=8, sd=0.0, pixel_pitch_um=5.0, size_px=(3000, 4500))
    pair = compare_lenses([first, second]).pairs[0]
    row = next(one for one in pair.rows if one.zone == "frame")
    beside = next(one for one in pair.rows_lpmm if one.zone == "frame")
    assert pair.unit == "lwph"
    assert (row.first, row.second) == pytest.approx((2000.0, 1500.0))
    assert (beside.first, beside.second) == pytest.approx((62.5, 50.0))
    assert (row.sharper, row.verdict, row.seen) == ("first", "visible", "first")
    # A third sharper of the softer's 1500, though a quarter softer of the sharper's 2000.
    assert (row.lead_percent, row.difference_percent) == pytest.approx((100.0 / 3.0, -25.0))
    assert row.lead_ci95_percent[0] < 100.0 / 3.0 < row.lead_ci95_percent[1]
    assert (beside.seen, np.isnan(beside.difference_jnd)) == ("", True)


def test_without_a_pitch_other_sensors_meet_in_lwph():
    first = sweep_lens("Fennel", CURVE, seed=9)
    second = sweep_lens("Sorrel", CURVE, seed=10, camera="Box Two", pixel_pitch_um=None)
    pair = compare_lenses([first, second]).pairs[0]
    assert (pair.unit, pair.rows_lpmm) == ("lwph", ())


def test_one_shot_a_setting_calls_nobody_better():
    pair = compare_lenses(
        [
            sweep_lens("Fennel", CURVE, seed=11, repeats=1),
            sweep_lens("Sorrel", sharper(0.5), seed=12, repeats=1),
        ]
    ).pairs[0]
    assert {row.verdict for row in pair.rows} == {Verdict.CANNOT_TELL}
    assert Caution.NO_REPEATS in {one.kind for one in pair.cautions}


def test_focal_lengths_pair_within_three_percent_only():
    near = sweep_lens("Sorrel", CURVE, seed=14, focal_mm=35.8)
    far = sweep_lens("Tansy", CURVE, seed=15, focal_mm=40.0)
    first = sweep_lens("Fennel", CURVE, seed=13)
    pairs = compare_lenses([first, near, far]).pairs
    assert [len(pair.rows) for pair in pairs] == [16, 0, 0]


def test_labels_are_unique():
    lenses = [sweep_lens("Fennel", CURVE, seed=16), sweep_lens("Fennel", CURVE, seed=17, camera="Box Two")]
    assert [lens.label for lens in compare_lenses(lenses).lenses] == [
        "Fennel on Box One",
        "Fennel on Box Two",
    ]


def test_a_folder_whose_name_is_mistyped_is_offered_the_nearest_that_holds_a_sweep(tmp_path):
    for name in ("plum-report", "plum-shots"):
        (tmp_path / name).mkdir()
    (tmp_path / "plum-report" / "sweep.json").write_text("{}")
    with pytest.raises(SweepError, match=r"there is no such folder; did you mean .*plum-report"):
        compare([tmp_path / "plum-repor"])
    with pytest.raises(SweepError, match="there is no such folder; give one that `lensbench sweep` wrote"):
        compare([tmp_path / "elsewhere"])


def test_folders_that_no_sweep_wrote(tmp_path):
    with pytest.raises(
        SweepError, match="give a folder that `lensbench sweep` wrote; of photographs: lensbench sweep"
    ):
        compare([tmp_path])
    for text, says in (
        ("[]", "no document of the kind"),
        ('{"format": {"name": "cake", "version": 1}}', "a document of the kind «cake»"),
        ('{"format": {"name": "lensbench sweep", "version": 7}}', "of version 7"),
        ('{"format": {"name": "lensbench sweep", "version": 1}}', "damaged"),
        ('{"format": {"name": "lensbench sweep", "version": 1}, "lenses": []}', "no shot that counts"),
    ):
        (tmp_path / "sweep.json").write_text(text)
        with pytest.raises(SweepError, match=says):
            compare([tmp_path])


def test_a_folder_of_an_older_version_is_refused_in_one_sentence(tmp_path):
    (tmp_path / "findings.json").write_text(json.dumps({"lenses": []}))
    (tmp_path / "shots.csv").write_text("file\n")
    with pytest.raises(SweepError, match="older lensbench; run the sweep again") as caught:
        compare([tmp_path])
    assert "\n" not in str(caught.value)


def test_one_lens_is_no_comparison():
    with pytest.raises(SweepError, match="a comparison needs two"):
        compare_lenses([sweep_lens("Fennel", CURVE, seed=20)])
