"""The fit of an effect against Welch's test of scipy, closed forms, and drawn figures whose truth is known."""

import numpy as np
import pytest
from scipy import stats

from lensbench.effect.levels import no_shake_speed
from lensbench.stats.levels_fit import Layout, fit_levels

TRIALS = 1000


def layout(levels, *, order=None):
    levels = np.asarray(levels)
    order = np.arange(len(levels)) if order is None else order
    return Layout(level=levels, setting=np.zeros(len(levels), int), order=np.asarray(order, float))


def test_two_levels_without_drift_are_welchs_test():
    # scipy.stats.ttest_ind(equal_var=False) is Welch (1947) with Satterthwaite's degrees of freedom. The order is
    # the same for all, so no drift is fitted.
    random = np.random.default_rng(1)
    first, second = random.normal(0.0, 1.0, 5), random.normal(0.5, 3.0, 7)
    found = fit_levels(np.concatenate([first, second]), layout([0] * 5 + [1] * 7, order=np.zeros(12)))
    low, high = stats.ttest_ind(second, first, equal_var=False).confidence_interval(0.95)
    assert found.drift is None
    assert found.levels[0].value - found.levels[0].half == pytest.approx(low, rel=1e-9)
    assert found.levels[0].value + found.levels[0].half == pytest.approx(high, rel=1e-9)


def test_drift_is_taken_out_exactly():
    levels = np.array([0, 1, 0, 1, 0, 1])
    found = fit_levels(0.3 * levels + 0.07 * np.arange(6), layout(levels))
    assert found.levels[0].value == pytest.approx(0.3, abs=1e-12)
    assert found.drift.value == pytest.approx(0.07, abs=1e-12)


def test_settings_are_taken_out_exactly():
    level, setting = np.array([0, 1, 0, 1, 0, 1]), np.array([0, 0, 0, 1, 1, 1])
    shots = Layout(level=level, setting=setting, order=np.zeros(6))
    assert fit_levels(0.3 * level + 5.0 * setting, shots).levels[0].value == pytest.approx(0.3)


def test_without_repeats_no_interval_is_given():
    assert np.isnan(fit_levels(np.array([1.0, 2.0]), layout([0, 1])).levels[0].half)
    assert np.isnan(fit_levels(np.array([1.0, 1.1, 1.2, 2.0]), layout([0, 0, 0, 1])).levels[0].half)


@pytest.mark.parametrize(
    ("levels", "sds"),
    [
        ([0, 1] * 3, (1.0, 1.0)),
        ([0, 1] * 5, (1.0, 1.0)),
        ([0, 1] * 5, (1.0, 4.0)),
        ([0] * 6 + [1] * 6, (1.0, 1.0)),
    ],
    ids=["ABABAB", "five pairs", "one kind scatters more", "one after the other"],
)
def test_intervals_cover(levels, sds):
    # 95 % stated; 1000 draws have a standard error of 0.7 %.
    random = np.random.default_rng(2)
    levels = np.array(levels)
    covered = 0
    for _ in range(TRIALS):
        values = 0.4 * levels + 0.1 * np.arange(len(levels)) + random.normal(0.0, np.take(sds, levels))
        found = fit_levels(values, layout(levels)).levels[0]
        covered += abs(found.value - 0.4) <= found.half
    assert 0.93 <= covered / TRIALS <= 0.975


def test_three_levels_cover_together():
    # Joint intervals by Bonferroni's inequality: at least 95 % (Bonferroni 1936), a little more as they share A.
    random = np.random.default_rng(3)
    levels = np.array([0, 1, 2] * 4)
    covered = 0
    for _ in range(TRIALS):
        found = fit_levels(random.normal(size=12), layout(levels)).levels
        covered += all(abs(one.value) <= one.half for one in found)
    assert 0.935 <= covered / TRIALS <= 0.98


TIMES_S = 2.0 ** -np.arange(2.0, 10.0)


def hands(random, *, tenth_s, repeats=5):
    """Shots by hand: the chance of shake is logistic in stops and one in ten at `tenth_s`; shake costs 30 %."""
    shots = []
    for time in np.repeat(TIMES_S, repeats):
        chance = 1.0 / (1.0 + np.exp(-(np.log2(time / tenth_s) / 0.5 - np.log(9.0))))
        loss = 0.3 if random.random() < chance else 0.0
        shots.append((time, np.log1p(-loss) + 0.01 * random.normal()))
    return np.transpose(shots)


def test_the_speed_from_which_shake_no_longer_shows():
    random = np.random.default_rng(4)
    inside, errors = 0, []
    for _ in range(120):
        tenth_s = 2.0 ** -random.uniform(3.5, 6.5)
        found = no_shake_speed(*hands(random, tenth_s=tenth_s), shows_from=0.08)
        inside += found.ci95_s[0] <= tenth_s <= found.ci95_s[1]
        errors.append(np.log2(found.exposure_s / tenth_s))
    # 120 draws of 95 % have a standard error of 2 %; a third of a stop is the step of a shutter dial.
    assert inside / 120 >= 0.9
    assert abs(np.median(errors)) < 1.0 / 3.0


def test_no_shake_at_any_speed_names_no_speed():
    times_s = np.repeat(TIMES_S, 2)
    found = no_shake_speed(times_s, np.zeros(len(times_s)), shows_from=0.08)
    assert np.isnan(found.exposure_s)
    assert not any(shaken for _, _, shaken in found.shares)
    assert no_shake_speed(times_s[:4], np.zeros(4), shows_from=0.08) is None


def test_the_longer_the_lens_the_shorter_the_time_that_hands_need():
    # Common practice, no source: hands turn the camera at an angular rate that does not know the lens, so blur in
    # pixels grows as focal length times time.
    found = {}
    for focal_mm in (50.0, 200.0):
        random = np.random.default_rng(5)
        shots = []
        for time in np.repeat(TIMES_S, 6):
            path_px = abs(random.normal()) * 2.0 * focal_mm * float(time)
            mtf50 = 1.0 / np.sqrt(1.0 + (path_px / 3.0) ** 2)
            shots.append((time, np.log(mtf50)))
        found[focal_mm] = no_shake_speed(*np.transpose(shots), shows_from=0.08).exposure_s
    assert np.log2(found[50.0] / found[200.0]) == pytest.approx(2.0, abs=0.7)


@pytest.mark.parametrize(
    ("levels", "alone", "least"),
    [
        ([0] * 3 + [1] * 3, True, 0.92),
        ([0, 0, 0, 1, 1, 1] * 2, False, 0.92),
        ([0, 0, 0, 1, 1, 1, 0, 0, 0], False, 0.85),
    ],
    ids=["once each", "twice each", "there and back"],
)
def test_a_focus_shared_by_a_row_of_shots_is_allowed_for(levels, alone, least):
    """Each row of shots has one focus (sd 2 %), shots within it stray by 0.3 %: the shots alone would hold 10 to 40 %.

    Where each kind stands in one row, nothing shows it, and the interval is the assumed one: 1.96 sqrt(2) 2 % = 5.5 %,
    as the scatter within is small (derived).
    """
    random, shots = np.random.default_rng(3), layout(levels)
    row = np.cumsum(np.concatenate([[0], np.diff(levels) != 0]))
    held, halves = [], []
    for _ in range(300):
        values = 0.02 * random.normal(size=row.max() + 1)[row] + 0.003 * random.normal(size=len(levels))
        found = fit_levels(values, shots, unseen_sd=0.02).levels[0]
        held.append(abs(found.value) <= found.half)
        halves.append(found.half)
    assert shots.in_a_row is alone
    # 300 draws scatter by 1.3 to 1.9 %. There and back, drift leaves next to nothing to tell the rows' spread by.
    assert np.mean(held) >= least
    assert not alone or np.mean(halves) == pytest.approx(0.055, rel=0.1)


def test_kinds_by_turns_are_no_rows():
    assert not layout([0, 1, 1, 0]).in_a_row
    assert not layout([0, 1]).in_a_row
    assert layout([0, 1, 0, 1], order=[0, 0, 0, 0]).in_a_row
