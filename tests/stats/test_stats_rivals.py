import numpy as np
import pytest
from pupil_shoots import FULL, THIRDS, sharp_lenses
from scipy import stats

from lensbench.model.setting import Setting
from lensbench.stats.best_set import Candidates, candidates, distances_from_best, value_of_pick
from lensbench.stats.spread import Spread, ZoneSeries, shot_spread
from lensbench.stats.stop_curve import fit_curve, scatter_spread

# J. Neter and others, Applied Linear Statistical Models: the Kenton Food example, sales of four package designs with
# 5, 5, 4 and 5 stores; MSE 10.55 with 15 degrees of freedom is the book's. From memory.
KENTON = (
    np.array([11.0, 17.0, 16.0, 14.0, 15.0]),
    np.array([12.0, 10.0, 15.0, 19.0, 11.0]),
    np.array([23.0, 20.0, 18.0, 17.0]),
    np.array([27.0, 33.0, 22.0, 26.0, 28.0]),
)


def of_means(groups):
    dof = sum(len(one) - 1 for one in groups)
    variance = sum(np.sum((one - one.mean()) ** 2) for one in groups) / dof
    return Candidates(
        settings=tuple(Setting(focal_length_mm=1.0, f_number=float(place)) for place in range(len(groups))),
        estimate=np.array([one.mean() for one in groups]),
        covariance=np.diag([variance / len(one) for one in groups]),
        dof=float(dof),
        at_border=np.zeros(len(groups), dtype=bool),
    )


def test_worked_example_has_the_books_error():
    these = of_means(KENTON)
    assert these.dof == 15.0
    assert these.covariance[0, 0] * 5 == pytest.approx(10.55, abs=0.005)
    assert these.best == 3


@pytest.mark.parametrize("place", range(4))
def test_distances_agree_with_scipys_dunnett(place):
    # Hsu's interval against the best of the others is Dunnett's one-sided one with that setting as control: the limit
    # is the smallest over the others of the confidence bounds of scipy.stats.dunnett.
    others = [one for number, one in enumerate(KENTON) if number != place]
    found = stats.dunnett(
        *others, control=KENTON[place], alternative="less", rng=np.random.default_rng(1)
    ).confidence_interval(0.95)
    high = float(-np.max([mean.mean() - KENTON[place].mean() for mean in others]))
    distances = of_means(KENTON).distances
    # Upper bounds of (other - own): their largest, turned round, is our lower limit.
    assert distances.low[place] == pytest.approx(-float(np.max(found.high)), abs=0.15)
    assert distances.low[place] < high < distances.high[place]


def test_the_set_is_narrower_than_tukeys_and_agrees_on_what_is_plain():
    # scipy.stats.tukey_hsd compares all pairs, so it can only be more careful than comparisons with the best alone.
    p_value = stats.tukey_hsd(*KENTON).pvalue
    distances = of_means(KENTON).distances
    for place in range(3):
        if p_value[place, 3] < 0.05:
            assert distances.high[place] < 0.0
    assert distances.low[3] > 0.0


def test_any_correlation_gives_hsus_set_where_there_is_none():
    random = np.random.default_rng(2)
    differing = 0
    for _ in range(20):
        mean, variance = 0.02 * random.normal(size=6), random.uniform(0.5, 2.0, 6) * 1e-4
        these = Candidates(
            settings=tuple(Setting(focal_length_mm=1.0, f_number=float(place)) for place in range(6)),
            estimate=mean,
            covariance=np.diag(variance),
            dof=12.0,
            at_border=np.zeros(6, dtype=bool),
        )
        exact = distances_from_best(mean, variance, 12.0).may_be_best
        differing += int(np.sum((these.distances.high >= 0.0) != exact))
    # 120 verdicts; the drawn critical value is good to 0.03 standard errors, so a verdict in a hundred may turn.
    assert differing <= 2


def test_value_of_the_pick_is_freed_of_most_of_the_curse():
    # Six equal settings with sd 1: the highest stands 1.267 too high (order statistics of six normal values,
    # facts of any table); taken off is half of what the bootstrap about the estimates shows.
    random = np.random.default_rng(3)
    plain, freed = [], []
    for _ in range(400):
        estimate = random.normal(size=6)
        these = Candidates(
            settings=tuple(Setting(focal_length_mm=1.0, f_number=float(place)) for place in range(6)),
            estimate=estimate,
            covariance=np.eye(6),
            dof=float("inf"),
            at_border=np.zeros(6, dtype=bool),
        )
        plain.append(estimate.max())
        freed.append(value_of_pick(these))
    assert np.mean(plain) == pytest.approx(1.267, abs=0.1)
    assert 0.4 < np.mean(freed) < 0.95


def test_curve_draws_the_error_of_a_mean_as_the_bootstrap_does():
    # scipy.stats.bootstrap of the mean of many shots at one stop, where nothing is smoothed.
    shots = 0.03 * np.random.default_rng(4).normal(size=60) - 1.2
    found = stats.bootstrap((shots,), np.mean, n_resamples=2000, rng=np.random.default_rng(5)).standard_error
    series = ZoneSeries(f_number=np.array([4.0]), log_shots=(shots,))
    curve = fit_curve(series, shot_spread([series]), pixel_pitch_um=4.0)
    assert curve.sd[0] == pytest.approx(found, rel=0.05)


def test_scatter_counts_the_freedom_it_is_worth():
    """With one shot a stop the spread comes from the scatter, and must not come out too large."""
    random = np.random.default_rng(6)
    squares = []
    for lens in sharp_lenses(random, FULL, 25):
        shots = tuple(value + 0.02 * random.normal(size=1) for value in lens.log_mtf50)
        spread = scatter_spread([ZoneSeries(f_number=lens.stops, log_shots=shots)], lens.pitch_um)
        if spread.known:
            squares.append((spread.sd / 0.02) ** 2)
    # Mean square 1 with about three degrees of freedom each: 25 scatter by 16 %; the model's error adds a little.
    assert 0.6 < np.mean(squares) < 1.5


def test_curve_tells_more_apart_than_the_means_alone():
    random = np.random.default_rng(7)
    ours = plain = 0
    for lens in sharp_lenses(random, THIRDS, 8):
        shots = tuple(value + 0.04 * random.normal(size=3) for value in lens.log_mtf50)
        series = ZoneSeries(f_number=lens.stops, log_shots=shots)
        spread = shot_spread([series])
        names = tuple(Setting(focal_length_mm=50.0, f_number=float(stop)) for stop in lens.stops)
        curve = fit_curve(series, spread, pixel_pitch_um=lens.pitch_um)
        these = candidates([(names, series, curve)], spread)
        ours += int(np.sum(these.distances.high >= 0.0))
        means = distances_from_best(series.means, spread.variance_of_means(series), spread.dof).may_be_best
        plain += int(np.sum(means))
    assert ours < 0.95 * plain


def test_median_where_focus_strays_and_mean_elsewhere():
    series = ZoneSeries(f_number=np.array([2.8, 8.0]), log_shots=(np.array([0.0, 0.3, 0.4]), np.array([0.1])))
    even = Spread(sd=0.02, dof=10.0, source="repeats")
    strays = Spread(sd=0.02, dof=10.0, source="repeats", growth=5.0)
    assert even.central_values(series) == pytest.approx([0.7 / 3.0, 0.1])
    assert strays.central_values(series) == pytest.approx([0.3, 0.1])
