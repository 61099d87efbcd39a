import json

import numpy as np
import pytest
from invented_shots import shoot
from measured_lenses import log_shots, sweep_lens
from scipy import stats

from lensbench.compare.compare import compare, compare_lenses
from lensbench.model.compare import Caution, Verdict
from lensbench.model.errors import SweepError
from lensbench.model.setting import Setting
from lensbench.report.write import write_sweep
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
    for name, curve, seed in (("Fennel", CURVE, 2), ("Sorrel", sharper(0.10), 3)):
        shots = reject(shoot(curve, seed=seed, lens=name))
        write_sweep(find(shots), shots, tmp_path / name)
    found = compare([tmp_path / "Fennel", tmp_path / "Sorrel"])
    (pair,) = found.pairs
    assert (pair.first, pair.second, pair.unit) == ("Fennel", "Sorrel", "cypx")
    assert {row.verdict for row in pair.rows} == {"second"}
    assert len(pair.rows) == 16
    assert pair.best_row.difference_percent == pytest.approx(10.0, abs=2.5)


def test_intervals_cover_the_true_difference():
    inside = []
    for seed in range(150):
        first = sweep_lens("Fennel", CURVE, seed=2 * seed, sd=0.02)
        second = sweep_lens("Sorrel", sharper(0.05), seed=2 * seed + 1, sd=0.01)
        rows = compare_lenses([first, second]).pairs[0].rows
        inside += [row.ci95_percent[0] <= 5.0 <= row.ci95_percent[1] for row in rows if row.zone == "frame"]
    # 600 intervals in 150 shoots: the share scatters by about 1 %.
    assert 0.92 <= np.mean(inside) <= 0.98


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
    assert {row.verdict for row in pair.rows} <= {"equal", "can't tell"}


def test_other_sensor_is_compared_in_lpmm_and_lwph():
    # By hand: 0.25 cy/px at 4 um is 62.5 lp/mm and, on 4000 rows, 2000 LW/PH; at 5 um and 3000 rows 50 and 1500.
    first = sweep_lens("Fennel", {4.0: 0.25}, seed=7, sd=0.0)
    second = sweep_lens("Sorrel", {4.0: 0.25}, seed=8, sd=0.0, pixel_pitch_um=5.0, size_px=(3000, 4500))
    pair = compare_lenses([first, second]).pairs[0]
    row = next(one for one in pair.rows if one.zone == "frame")
    beside = next(one for one in pair.rows_lwph if one.zone == "frame")
    assert pair.unit == "lpmm"
    assert (row.first, row.second) == pytest.approx((62.5, 50.0))
    assert (beside.first, beside.second) == pytest.approx((2000.0, 1500.0))
    assert row.verdict == "first"


def test_without_a_pitch_other_sensors_meet_in_lwph():
    first = sweep_lens("Fennel", CURVE, seed=9)
    second = sweep_lens("Sorrel", CURVE, seed=10, camera="Box Two", pixel_pitch_um=None)
    pair = compare_lenses([first, second]).pairs[0]
    assert (pair.unit, pair.rows_lwph) == ("lwph", ())


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


def test_raw_against_finished_pictures_is_warned_of():
    pair = compare_lenses(
        [sweep_lens("Fennel", CURVE, seed=18), sweep_lens("Sorrel", CURVE, seed=19, sensor_data=False)]
    ).pairs[0]
    assert Caution.RAW_AGAINST_FINISHED in {one.kind for one in pair.cautions}


def test_folders_that_no_sweep_wrote(tmp_path):
    with pytest.raises(SweepError, match="give a folder that `lensbench sweep` wrote"):
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
