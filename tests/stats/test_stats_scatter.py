import numpy as np
import pytest
from scipy import stats

from lensbench.stats.scatter import Spread, ZoneSeries, shot_spread, unseen_focus, usual_focus_sd

STOPS = np.array([2.8, 4.0, 5.6, 8.0, 11.0, 16.0])
TRUTH = np.log([0.26, 0.29, 0.30, 0.27, 0.22, 0.16])
PITCH_UM = 4.0


def shoot(random, *, shots, even_sd=0.005, focus_um=0.0, field_um=3.0, uneven=0.0):
    """Shots at each stop less what they average to, in log MTF50.

    derived: a disc of diameter D has a variance of D^2 / 16, so a focus error e costs pi^2 / 16 / ln 2 (e MTF50 / N
    pitch)^2; the noise of each stop strays by a log-normal factor.
    """
    load = np.pi**2 / 16.0 / np.log(2.0) * (np.exp(TRUTH) / STOPS / PITCH_UM) ** 2
    noise_sd = even_sd * np.exp(uneven * random.normal(size=(len(STOPS), 1)))
    errors_um = focus_um * random.normal(size=(len(STOPS), shots))
    focus = load[:, None] * (2.0 * field_um * errors_um + errors_um**2 - focus_um**2)
    return noise_sd * random.normal(size=(len(STOPS), shots)) - focus


def series_of(errors):
    return ZoneSeries(f_number=STOPS, log_shots=tuple(TRUTH[:, None] + errors))


def test_variance_is_the_mean_over_all_that_the_repeats_leave_likely():
    """Brute force: parts drawn from what is thought beforehand, weighed by scipy's F; variances by its inverse gamma.

    A stop's variance strays from the law as though seen in 8 repeats before (mean: the law), and the likelihood counts
    by 0.7, both as `scatter` states.
    """
    one = series_of(shoot(np.random.default_rng(31), shots=3, even_sd=0.006, focus_um=5.0))
    random = np.random.default_rng(32)
    draws = 400_000
    even = np.exp(np.log(0.005) + np.log(3.0) * random.normal(size=draws)).clip(0.002, 0.15)
    focus = np.exp(np.log(3.0) * random.normal(size=draws)) * (random.random(draws) < 0.5)
    shake = 0.03 * np.exp(np.log(3.0) * random.normal(size=draws)) * (random.random(draws) < 0.2)
    law = (
        even[:, None] ** 2
        + (focus[:, None] * usual_focus_sd(one, PITCH_UM)) ** 2
        + (shake[:, None] * one.time_load / one.time_load.max()) ** 2
    )
    scale, square = 6.0 / 8.0 * law, one.squares / 2.0
    log_likelihood = stats.f.logpdf(square / scale, 2.0, 8.0) - np.log(scale)
    weight = np.exp(0.7 * (log_likelihood.sum(axis=1) - log_likelihood.sum(axis=1).max()))
    expected = stats.invgamma.mean(5.0, scale=0.5 * (8.0 * scale + one.squares))
    mean = np.average(expected, axis=0, weights=weight)
    spread = shot_spread([one], PITCH_UM)
    found = spread.variance_of_means(one) * one.shots
    assert spread.shared_focus == pytest.approx(np.average(focus == 0.0, weights=weight), abs=0.03)
    assert np.sqrt(found) == pytest.approx(np.sqrt(mean), rel=0.06)  # sizes in steps of a factor 1.4 to 2


@pytest.mark.parametrize(("shots", "uneven", "focus_um"), [(2, 0.0, 0.0), (2, 0.3, 4.0), (3, 0.3, 8.0)])
def test_few_repeats_of_many_stops_tell_the_scatter_without_students_factor(shots, uneven, focus_um):
    random = np.random.default_rng(33)
    inside, width, students = [], [], []
    for _ in range(150):
        one = series_of(shoot(random, shots=shots, focus_um=focus_um, uneven=uneven))
        spread = shot_spread([one], PITCH_UM)
        sd = np.sqrt(spread.variance_of_means(one))
        below, above = spread.reach(one)
        off = one.means - TRUTH
        inside += list((off <= below * sd) & (-off <= above * sd))
        width += list(0.5 * (below + above) * sd)
        students += list(stats.t.ppf(0.975, shots - 1.0) * np.sqrt(one.squares / (shots - 1.0) / shots))
    # 900 stops scatter by 0.7 %.
    assert 0.93 <= np.mean(inside) <= 0.99
    assert np.mean(width) < 0.7 * np.mean(students)  # of each stop by itself: 12.7 and 4.3 sds


def test_repeats_tell_whether_they_were_refocused():
    random = np.random.default_rng(34)
    refocused, not_so = (
        [
            shot_spread([series_of(shoot(random, shots=5, focus_um=focus_um))], PITCH_UM).shared_focus
            for _ in range(40)
        ]
        for focus_um in (6.0, 0.0)
    )
    assert np.median(refocused) < 0.1
    assert np.median(not_so) > 0.7
    one = series_of(shoot(random, shots=3))
    surely = Spread(
        source="repeats",
        even_sd=np.full(1, 0.005),
        focus=np.zeros(1),
        shake_sd=np.zeros(1),
        chance=np.ones(1),
    )
    # derived: z = 3 um, s = 4 um: the loss scatters by L sqrt(2 s^4 + 4 z^2 s^2), as in `shoot`.
    load = np.pi**2 / 16.0 / np.log(2.0) * (np.exp(one.means) / STOPS / PITCH_UM) ** 2
    assert np.sqrt(unseen_focus(one, surely, PITCH_UM)) == pytest.approx(
        load * np.sqrt(2.0 * 4.0**4 + 4.0 * 9.0 * 16.0)
    )
