"""What a comparison claims: what one could see, and who is best where."""

import math

import numpy as np
import pytest
from effect_shots import shot
from measured_lenses import sweep_lens
from scipy import integrate, optimize, stats
from test_compare_compare import CURVE, sharper

from lensbench.compare.compare import compare_lenses
from lensbench.edge.perception import RESPONSE_CYPX, gaussian_response, ruler_reading, viewing_of
from lensbench.model.compare import Caution, Seen, Sharper, Verdict
from lensbench.model.errors import Note
from lensbench.report.text.compare import choice_grid, choice_lines, comparison_sentences, pair_sentences
from lensbench.stats import Uncertainty, half_width, judged
from lensbench.storage.store import read_sweep, sweep_document
from lensbench.sweep.countable import measured_lenses, zone_responses
from lensbench.sweep.decide import find


def frame_rows(found):
    return [row for row in found.pairs[0].rows if row.zone == "frame"]


def ruler_by_hand(mtf50_cpd, nyquist_cpd):
    """JND of a Gaussian's acutance, all by quadrature from the published formulas (IEEE 1858, ISO 20462-3)."""

    def acutance(mtf):
        weight = lambda v: 75.0 * v**0.8 * math.exp(-0.2 * v) / 34.05  # noqa: E731
        above, _ = integrate.quad(lambda v: mtf(v) * weight(v), 0.0, nyquist_cpd, limit=200)
        below, _ = integrate.quad(weight, 0.0, nyquist_cpd, limit=200)
        return above / below

    def ruler(k):
        def mtf(v):
            x = min(k * v, 1.0)
            return 2.0 / math.pi * (math.acos(x) - x * math.sqrt(1.0 - x * x))

        return acutance(mtf)

    own = acutance(lambda v: math.exp(-math.log(2.0) * (v / mtf50_cpd) ** 2))
    k = optimize.brentq(lambda one: ruler(one) - own, 0.01, 0.26)
    return (17249 + 203792 * k - 114950 * k**2 - 3571075 * k**3) / (578 - 1304 * k + 357372 * k**2)


@pytest.mark.parametrize("mtf50_cypx", [0.15, 0.28])
def test_what_one_could_see_is_one_jnd_of_the_ruler(mtf50_cypx):
    # 0.25 mm pixels from 600 mm: pi/180 x 600 / 0.25 = 41.89 cycles a degree for one a pixel.
    look = viewing_of(4000)
    scale = math.pi / 180.0 * 600.0 / 0.25
    sight = ruler_reading(gaussian_response(mtf50_cypx), viewing=look)
    readings = [
        ruler_by_hand(mtf50_cypx * math.exp(0.5 * sign * 0.2) * scale, 0.5 * scale) for sign in (1, -1)
    ]
    # 0.05 JND: the SFR is kept at 41 frequencies, and the ruler is read at 60 pictures.
    assert sight.between(0.2) == pytest.approx(readings[0] - readings[1], abs=0.05)
    just = sight.just_seen()
    assert sight.between(math.log1p(just)) == pytest.approx(1.0, abs=0.02)
    assert math.isnan(sight.between(math.nan))


@pytest.mark.parametrize(
    ("ends", "seen", "differs", "verdict"),
    [
        ((8.0, 14.0), Seen.SECOND, True, Verdict.VISIBLE),
        ((-14.0, -8.0), Seen.VISIBLE, True, Verdict.VISIBLE),
        ((0.5, 6.0), Seen.NONE, True, Verdict.NOT_VISIBLE),
        ((-6.0, -3.5), Seen.NONE, True, Verdict.NOT_VISIBLE),
        ((0.5, 6.0), Seen.NONE, False, Verdict.CANNOT_TELL),
        ((-2.9, 2.9), Seen.NONE, False, Verdict.EQUAL),
        ((0.5, 2.0), Seen.NONE, True, Verdict.EQUAL),
        ((-1.0, 4.0), Seen.NONE, False, Verdict.CANNOT_TELL),
        ((1.0, 9.0), Seen.CANNOT_TELL, True, Verdict.CANNOT_TELL),
        ((4.0, 5.0), Seen.UNKNOWN, True, Verdict.CANNOT_TELL),
        ((math.nan, math.nan), Seen.CANNOT_TELL, False, Verdict.CANNOT_TELL),
    ],
)
def test_verdicts_need_the_whole_interval(ends, seen, differs, verdict):
    """By definition: equal lies within the band, the others differ and lie wholly beyond, or within, sight."""
    assert judged(ends, seen, equal_within=3.0, differs=differs) is verdict


def test_words_are_false_in_at_most_one_of_twenty_uses():
    """Truths spread over the whole range, seen with errors of 1 % (sd); visible from 7 %, equal within 3 %."""
    random = np.random.default_rng(2)
    true = random.uniform(-12.0, 12.0, 20000)
    found = true + random.normal(size=true.size)
    false = dict.fromkeys(Verdict, 0)
    said = dict.fromkeys(Verdict, 0)
    for truth, middle in zip(true.tolist(), found.tolist(), strict=True):
        low, high = middle - 1.96, middle + 1.96
        seen = Seen.VISIBLE if min(abs(low), abs(high)) > 7.0 and low * high > 0.0 else Seen.CANNOT_TELL
        seen = Seen.NONE if max(abs(low), abs(high)) < 7.0 else seen
        verdict = judged((low, high), seen, equal_within=3.0, differs=low * high > 0.0)
        holds = {
            Verdict.VISIBLE: abs(truth) > 7.0 and truth * middle > 0.0,
            Verdict.NOT_VISIBLE: abs(truth) < 7.0 and truth * middle > 0.0,
            Verdict.EQUAL: abs(truth) < 3.0,
            Verdict.CANNOT_TELL: True,
        }
        said[verdict] += 1
        false[verdict] += not holds[verdict]
    assert all(count >= 50 for count in said.values())
    assert all(false[verdict] <= 0.05 * said[verdict] for verdict in Verdict)


def test_a_small_print_hides_what_a_screen_shows():
    # Common practice, no source. Lines finer than 40 cycles a degree lie beyond the ruler's crispest picture.
    curve = {4.0: 0.30}
    lenses = [
        sweep_lens("Fennel", curve, seed=1, sd=0.004),
        sweep_lens("Sorrel", {4.0: 0.36}, seed=2, sd=0.004),
    ]
    (screen,) = frame_rows(compare_lenses(lenses))
    small = compare_lenses(lenses, print_and_eye_mm=(100.0, 400.0))
    (printed,) = frame_rows(small)
    assert (screen.sharper, screen.verdict) == ("second", "visible")
    assert (printed.sharper, printed.verdict) == ("second", "not_visible")
    assert math.isnan(printed.visible_from_percent)
    assert (small.looking.print_height_mm, small.looking.distance_mm) == (100.0, 400.0)
    assert not small.looking.pixel_for_pixel
    assert choice_lines(small)[-1].endswith("Sorrel, not visibly")


def test_nobody_is_ahead_by_nothing_on_the_sensor():
    """One lens on sensors of 4000 and 3000 rows of one pitch: the picture differs by a third, the lens does not."""
    first = sweep_lens("Fennel", {4.0: 0.25}, seed=3, sd=0.0)
    second = sweep_lens("Sorrel", {4.0: 0.25}, seed=4, sd=0.0, size_px=(3000, 4500))
    lines = pair_sentences(compare_lenses([first, second]).pairs[0])
    assert "On the sensor (lp/mm) both came out alike, within 1 %." in lines
    assert not any("ahead by 0" in line for line in lines)


def test_other_sensors_are_seen_in_pictures_of_one_height():
    # 0.25 cycles a pixel on 4000 rows and 0.2 on 5000 are both 1000 cycles a picture height: nothing to be seen,
    # though on the sensor (4 and 5 um) it is 62.5 against 40 lp/mm.
    first = sweep_lens("Fennel", {4.0: 0.25}, seed=3, sd=0.003)
    second = sweep_lens("Sorrel", {4.0: 0.20}, seed=4, sd=0.003, pixel_pitch_um=5.0, size_px=(5000, 7500))
    found = compare_lenses([first, second])
    (row,) = frame_rows(found)
    assert (found.pairs[0].unit, row.seen) == ("lwph", "none")
    assert row.sharper is Sharper.NEITHER
    assert row.lead_percent == pytest.approx(0.0, abs=0.6)
    assert row.difference_jnd == pytest.approx(0.0, abs=0.2)
    assert all(len(one.lenses) == 2 for one in found.choices if one.zone == "frame")
    assert [row.sharper for row in found.pairs[0].rows_lpmm if row.zone == "frame"] == [Sharper.FIRST]


def test_all_pairs_of_three_lenses_hold_together():
    # Games and Howell; scipy.stats.tukey_hsd(equal_var=False) is the reference.
    random = np.random.default_rng(5)
    groups = [random.normal(0.0, sd, size) for sd, size in ((0.01, 5), (0.02, 4), (0.03, 7))]
    interval = stats.tukey_hsd(*groups, equal_var=False).confidence_interval(0.95)
    doubts = [Uncertainty(variance=one.var(ddof=1) / len(one), dof=len(one) - 1.0) for one in groups]
    half = half_width(doubts[0], doubts[2], rivals=3)
    # Degrees of freedom are rounded down to two digits, which widens the interval a little.
    exact = 0.5 * (interval.high[0, 2] - interval.low[0, 2])
    assert exact <= half <= 1.02 * exact


def test_lenses_are_called_sharper_beyond_what_bad_set_ups_do():
    """Set up once each, the figures of one lens off by as much as set-ups that repeat half as well make in 2.5 %."""
    # 1.96 x sqrt(2) x 3 %, by definition; scatter is nothing, so 0.5 % to each side.
    limit = 1.96 * math.sqrt(2.0) * 0.03
    said = []
    for off in (limit - 0.005, limit + 0.005):
        lenses = [
            sweep_lens(name, {16.0: 0.1 * math.exp(share)}, seed=3, sd=1e-5)
            for name, share in (("Fennel", 0.0), ("Sorrel", off))
        ]
        (row,) = frame_rows(compare_lenses(lenses))
        said.append((str(row.sharper), row.ci95_percent[0] > 0.0))
    assert said == [("", True), ("second", True)]


def test_setting_lenses_up_twice_tells_smaller_differences():
    """Set up twice each, exactly alike: the mean of two set-ups is known better, and so is how well they repeat.

    Derived: variance (2 x 3^2 + 2 x 0^2) / (2 + 2) of one set-up, half of that for each lens, (2 + 2)^2 / 2 degrees of
    freedom; 0.5 % to each side as above.
    """
    limit = float(stats.t.ppf(0.975, 8)) * math.sqrt(0.5 * 0.03**2)
    said = []
    for off in (limit - 0.005, limit + 0.005):
        lenses = [
            sweep_lens(name, {16.0: 0.1 * math.exp(share)}, seed=3, sd=1e-5)
            for name, share in (("Fennel", 0.0), ("Sorrel", off)) * 2
        ]
        said += [str(row.sharper) for row in frame_rows(compare_lenses(lenses))]
    assert said == ["", "second"]


def test_equal_lenses_are_told_apart_in_five_of_a_hundred_shoots_however_many_there_are():
    false, random = [], np.random.default_rng(1)
    for seed in range(60):
        # Each set-up errs by 1.5 %.
        levels = 0.3 * np.exp(0.015 * random.normal(size=4))
        lenses = [
            sweep_lens(f"L{n}", {5.6: level}, seed=4 * seed + n, sd=0.02, repeats=4)
            for n, level in enumerate(levels)
        ]
        found = compare_lenses(lenses)
        rows = [row for pair in found.pairs for row in pair.rows if row.zone == "frame"]
        false.append(any(not row.ci95_percent[0] <= 0.0 <= row.ci95_percent[1] for row in rows))
    # 5 % wanted; 60 shoots scatter by 2.8 %: above 8 of 60 in 0.6 % of such runs (binomial).
    # docs/measured/compare.md has more.
    assert np.sum(false) <= 8


def test_which_lens_at_which_stop():
    wide = {2.0: 0.25, **CURVE}
    crossing = {2.8: 0.30, 4.0: 0.281, 5.6: 0.26, 8.0: 0.276}
    found = compare_lenses(
        [sweep_lens("Fennel", wide, seed=6, sd=0.004), sweep_lens("Sorrel", crossing, seed=7, sd=0.004)]
    )
    frame = {one.f_number: one for one in found.choices if one.zone == "frame"}
    assert frame[2.0].lenses == frame[2.0].photographed == ("Fennel",)
    assert frame[2.8].lenses == ("Sorrel",)
    assert frame[5.6].lenses == ("Fennel",)
    assert set(frame[4.0].lenses) == set(frame[8.0].lenses) == {"Fennel", "Sorrel"}
    assert (frame[2.8].seen, frame[4.0].seen) == ("visible", "none")
    lines = choice_lines(found)
    assert lines[1].split() == ["35", "mm,", "f/2", "Fennel,", "the", "only", "one"]
    assert lines[2].endswith("Sorrel, visibly")
    grid = choice_grid(found)
    assert grid.header == ("setting", "inner", "middle", "outer", "whole frame")
    assert len(grid.rows) == 5


def test_the_sharpest_of_three_lenses_is_found_at_every_stop():
    lenses = [sweep_lens(name, sharper(share), seed=8 + n, sd=0.005) for n, (name, share) in enumerate(THREE)]
    found = compare_lenses(lenses)
    frame = [one for one in found.choices if one.zone == "frame"]
    assert [one.lenses for one in frame] == [("Tansy",)] * 4
    assert len(found.pairs) == 3


THREE = (("Fennel", 0.0), ("Sorrel", 0.001), ("Tansy", 0.2))


def test_a_comparison_says_what_it_holds_for():
    # 2 + m + 1/m at m = 0.02 is 52 focal lengths.
    lenses = [sweep_lens("Fennel", CURVE, seed=15), sweep_lens("Sorrel", CURVE, seed=16, repeats=5)]
    first, second = compare_lenses(lenses).lenses
    assert (first.camera, first.sensor_data, first.distance_focal_lengths) == ("Box One", True, (52, 52))
    assert (first.shots_a_setting, second.shots_a_setting) == ((3, 3), (5, 5))


def test_raw_against_finished_pictures_gets_no_verdict_and_no_table():
    raw, finished = (
        sweep_lens("Sorrel", CURVE, seed=11),
        sweep_lens("Fennel", CURVE, seed=12, sensor_data=False),
    )
    found = compare_lenses([finished, raw])
    (pair,) = found.pairs
    assert (pair.rows, pair.best_row, found.choices, choice_lines(found)) == ((), None, (), [])
    assert pair.cautions == (Note(Caution.RAW_AGAINST_FINISHED, names=("Sorrel", "Fennel")),)
    assert "No verdict" in comparison_sentences(found)[0]
    # With another raw lens beside, the choice is among the raw ones.
    three = compare_lenses([finished, raw, sweep_lens("Tansy", sharper(0.2), seed=13)])
    assert {one.photographed for one in three.choices} == {("Sorrel", "Tansy")}
    assert [len(pair.rows) for pair in three.pairs] == [0, 0, 16]


def test_sharpened_pictures_are_not_taken_at_face_value():
    # Common practice, no source: over-sharpening is no resolution.
    sharpened = sweep_lens("Sorrel", sharper(0.3), seed=14, flags=("low_snr", "sharpened"))
    found = compare_lenses([sweep_lens("Fennel", CURVE, seed=13), sharpened])
    assert {one.kind: one.names for one in found.pairs[0].cautions}[Caution.SHARPENED] == ("Sorrel",)


def test_the_sfr_of_each_zone_is_kept(tmp_path):
    one = shot(1, 0.25)
    findings = find([one])
    (tmp_path / "sweep.json").write_bytes(sweep_document(measured_lenses(findings, [one])))
    (lens,) = read_sweep(tmp_path)
    # A Gaussian of MTF50 0.25 everywhere: 2^-(f/0.25)^2.
    for zone in ("inner", "middle", "outer", "frame"):
        sfr = lens.shots[0].zones[zone].sfr
        assert sfr == pytest.approx(2.0 ** -((RESPONSE_CYPX / 0.25) ** 2), abs=1e-3)
    assert set(zone_responses(one.result)) == {"inner", "middle", "outer", "frame"}
