import numpy as np
import pytest
from pupil_shoots import pupil_lenses, shoot

from lensbench.model.setting import Setting
from lensbench.stats.best_set import Selection, best_setting, candidates, least_ahead, most_ahead
from lensbench.stats.scatter import ZoneSeries, plain_spread, shot_spread
from lensbench.stats.stop_curve import fit_curve

INFINITE = float("inf")


@pytest.mark.parametrize(("sd", "shots"), [(0.01, 3), (0.02, 3), (0.02, 2), (0.04, 3)])
def test_true_best_lies_in_the_set(sd, shots):
    random = np.random.default_rng(21)
    inside, size, exact_size = [], 0, 0
    for _ in range(6):
        for lens in pupil_lenses():
            one = ZoneSeries(f_number=lens.stops, log_shots=shoot(lens, random, sd=sd, shots=shots))
            spread = shot_spread([one])
            kept = most_ahead(one.means, spread.variance_of_means(one), spread.dof) >= 0.0
            exact = most_ahead(one.means, sd**2 / one.shots, INFINITE) >= 0.0
            inside.append(kept[int(np.argmax(lens.log_mtf50))])
            size, exact_size = size + kept.sum(), exact_size + exact.sum()
    assert np.mean(inside) >= 0.95
    assert size <= 1.3 * exact_size


def test_least_favourable_case_holds_its_level():
    """All settings equal: each must stay in the set in 95 % of the shoots."""
    random = np.random.default_rng(22)
    shots, stops = 3, 6
    spread_of = [random.normal(size=(stops, shots)) * 0.02 for _ in range(1500)]
    missed = 0
    for values in spread_of:
        variance = values.var(axis=1, ddof=1).mean()
        ahead = most_ahead(values.mean(axis=1), np.full(stops, variance / shots), stops * (shots - 1.0))
        missed += ahead[0] < 0.0
    # J. C. Hsu: exactly 95 % in this case; 1500 shoots scatter by 0.56 %.
    assert missed / 1500 == pytest.approx(0.05, abs=0.017)


def test_set_by_hand():
    # Known sd 0.01, four shots each: limit 1.916 (Dunnett, two comparisons) x 0.01 x sqrt(1/2) = 0.01355.
    mean = np.array([0.0, -0.0130, -0.0140])
    ahead = most_ahead(mean, np.full(3, 0.01**2 / 4), INFINITE)
    assert (ahead >= 0.0).tolist() == [True, True, False]


def test_as_good_by_hand():
    # derived: of two settings 1 % apart, the softer may lie 2 % lower than it seems, the sharper 1.5 % higher than it
    # does: together hypot(2, 1.5) = 2.5 %, as independent errors add. What errs the other way does not count.
    low = least_ahead(np.array([0.0, 0.01]), np.array([0.02, 0.5]), np.array([0.7, 0.015]))
    assert low[0] == pytest.approx(-0.035)
    assert low[1] == pytest.approx(0.01 - np.hypot(0.5, 0.7))


def test_as_good_holds_where_the_frames_of_a_stop_share_their_focus():
    """Two stops that truly differ by just more than hardly shows: the worst case."""
    random = np.random.default_rng(23)
    stops = np.array([2.8, 4.0, 5.6, 8.0, 11.0, 16.0])
    # Log MTF50 that endlessly many shots average to: 3.05 % between f/2.8 and f/4 (1 / 0.9695), the rest far behind.
    truth = np.log([0.3, 0.3 / 0.9695, 0.28, 0.24, 0.19, 0.14])
    # derived: 4 um off, at f/2.8, pixels of 4 um and 0.3 cycles a pixel, costs pi^2 / 16 / ln 2 (0.3 / 2.8)^2 = 1.02 %
    load = (np.exp(truth) / stops) ** 2 * 0.0102 * (2.8 / 0.3) ** 2
    names = tuple(Setting(focal_length_mm=50.0, f_number=float(stop)) for stop in stops)
    false = 0
    for _ in range(40):
        focus = random.normal(size=(6, 1)) ** 2 - 1.0
        values = truth[:, None] - load[:, None] * focus + 0.004 * random.normal(size=(6, 3))
        series = ZoneSeries(f_number=stops, log_shots=tuple(values))
        spread = shot_spread([series])
        curve = names, series, fit_curve(series, spread, pixel_pitch_um=4.0)
        best = best_setting(candidates([curve], spread), spread, Selection(place="frame"))
        false += best.f_number == 4.0 and 2.8 in {setting.f_number for setting in best.as_good}
    assert false <= 4  # 5 % of 40 and one and a half standard deviations of a binomial count


def one_curve(values, *, focal_mm=50.0, stops=(2.8, 4.0, 5.6, 8.0, 11.0), sd=0.003):
    wiggle = sd * np.array([-1.0, 1.0]) / np.sqrt(2.0)
    series = ZoneSeries(f_number=np.array(stops), log_shots=tuple(np.log(value) + wiggle for value in values))
    names = tuple(Setting(focal_length_mm=focal_mm, f_number=stop) for stop in stops)
    return names, series, fit_curve(series, shot_spread([series]), pixel_pitch_um=4.0)


def decided(curves, **asked):
    spread = shot_spread([series for _, series, _ in curves])
    return best_setting(candidates(curves, spread), spread, Selection(place="frame", **asked))


def test_indifferent_settings_are_tied_however_exact_the_figures():
    curve = one_curve((0.20, 0.294, 0.30, 0.27, 0.22), stops=(5.6, 8.0, 11.0, 16.0, 22.0), sd=0.0005)
    best = decided([curve])
    assert best.f_number == 11.0
    assert [setting.f_number for setting in best.tied] == [8.0, 11.0]
    assert [setting.f_number for setting in best.as_good] == [8.0, 11.0]
    assert not best.at_border
    # At wide stops one focus for all shots of a stop would show in no scatter, and may have made the difference.
    wide = decided([one_curve((0.20, 0.294, 0.30, 0.27, 0.22), sd=0.0005)])
    assert [setting.f_number for setting in wide.tied] == [4.0, 5.6]
    assert [setting.f_number for setting in wide.as_good] == [5.6]


def test_as_good_is_only_what_surely_lies_within_three_percent():
    best = decided([one_curve((0.20, 0.294, 0.30, 0.27, 0.22), sd=0.02)])
    assert [setting.f_number for setting in best.tied] == [4.0, 5.6]
    assert [setting.f_number for setting in best.as_good] == [5.6]
    softer = {item.f_number: (item.percent, *item.ci95_percent) for item in best.behind}
    assert softer[4.0][0] == pytest.approx(2.0, abs=1.0)
    assert softer[4.0][1] < 0.0  # it may be ahead
    assert softer[4.0][2] > 3.0  # and it may be more than 3 % behind
    assert softer[8.0][1] > 0.0
    assert softer[5.6][0] < 0.0


def test_winner_at_the_border_is_said_to_be_the_best_tested():
    curve = one_curve((0.34, 0.32, 0.28, 0.22, 0.17))
    best = decided([curve])
    assert best.f_number == 2.8
    assert best.at_border


def test_focal_lengths_compete_together():
    wide, long = (
        one_curve((0.20, 0.28, 0.30, 0.27, 0.22), focal_mm=24.0),
        one_curve((0.15, 0.20, 0.22, 0.21, 0.18), focal_mm=70.0),
    )
    best = decided([wide, long])
    assert best.focal_length_mm == 24.0
    assert {setting.focal_length_mm for setting in best.tied} == {24.0}


def test_assumed_spread_gives_no_interval():
    curve = one_curve((0.20, 0.28, 0.30, 0.27, 0.22))
    assumed = plain_spread(0.03, "assumed")
    best = best_setting(candidates([curve], assumed), assumed, Selection(place="frame"))
    assert np.isnan(best.ci95_cypx).all()
    assert all(not one.surely and one.probably for one in best.sharp_enough)
