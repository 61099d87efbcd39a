import numpy as np
import pytest
from pupil_shoots import FULL, sharp_lenses
from scipy import stats

from lensbench.model.setting import Setting
from lensbench.stats.best_set import Candidates, value_of_pick
from lensbench.stats.scatter import ZoneSeries, shot_spread
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
    means = np.array([one.mean() for one in groups])
    return rivals(means, np.array([variance / len(one) for one in groups]), float(dof))


def rivals(means, variance, dof):
    return Candidates(
        settings=tuple(Setting(focal_length_mm=1.0, f_number=float(place)) for place in range(len(means))),
        mean=means,
        variance=variance,
        dof=dof,
        value=means,
        value_sd=np.sqrt(variance),
        value_low=means,
        value_high=means,
        errs_down=stats.t.ppf(0.95, dof) * np.sqrt(variance),
        errs_up=stats.t.ppf(0.95, dof) * np.sqrt(variance),
        at_border=np.zeros(len(means), dtype=bool),
    )


def test_worked_example_has_the_books_error():
    these = of_means(KENTON)
    assert these.dof == 15.0
    assert these.variance[0] * 5 == pytest.approx(10.55, abs=0.005)
    assert these.best == 3


@pytest.mark.parametrize("place", range(4))
def test_upper_limits_agree_with_scipys_dunnett(place):
    # Hsu's limit against the best of the others is Dunnett's one-sided one with that setting as control: the smallest
    # over the others of the confidence bounds of scipy.stats.dunnett.
    others = [one for number, one in enumerate(KENTON) if number != place]
    found = stats.dunnett(
        *others, control=KENTON[place], alternative="greater", rng=np.random.default_rng(1)
    ).confidence_interval(0.95)
    # Lower bounds of (other - own): their largest, turned round, is our upper limit.
    assert of_means(KENTON).distances.high[place] == pytest.approx(-float(np.max(found.low)), abs=0.15)


@pytest.mark.parametrize("place", range(4))
def test_lower_limits_are_students_pair_by_pair(place):
    # Closed form: the smallest of the one-sided limits of Student's test of each pair, MSE and dof pooled; 15 dof's
    # factor is 1.753 in any table.
    own, low = KENTON[place], of_means(KENTON).distances.low[place]
    limits = [
        own.mean() - other.mean() - 1.753 * np.sqrt(10.547 * (1 / len(own) + 1 / len(other)))
        for number, other in enumerate(KENTON)
        if number != place
    ]
    assert low == pytest.approx(min(limits), abs=0.01)


def test_the_set_is_narrower_than_tukeys_and_agrees_on_what_is_plain():
    # scipy.stats.tukey_hsd compares all pairs, so it can only be more careful than comparisons with the best alone.
    p_value = stats.tukey_hsd(*KENTON).pvalue
    distances = of_means(KENTON).distances
    for place in range(3):
        if p_value[place, 3] < 0.05:
            assert distances.high[place] < 0.0
    assert distances.low[3] > 0.0  # it is surely the best


def test_value_of_the_pick_is_freed_of_most_of_the_curse():
    # Six equal settings with sd 1: the highest stands 1.267 too high (order statistics of six normal values,
    # facts of any table); taken off is half of what the bootstrap about the estimates shows.
    random = np.random.default_rng(3)
    plain, freed = [], []
    for _ in range(400):
        estimate = random.normal(size=6)
        plain.append(estimate.max())
        freed.append(value_of_pick(rivals(estimate, np.ones(6), float("inf"))))
    assert np.mean(plain) == pytest.approx(1.267, abs=0.1)
    assert 0.4 < np.mean(freed) < 0.95


def test_curse_agrees_with_drawing():
    # Brute force: errors drawn about unequal estimates, the highest taken each time.
    estimate, sd = np.array([0.0, 0.3, -0.2]), np.array([0.4, 0.2, 0.6])
    errors = sd * np.random.default_rng(8).normal(size=(200_000, 3))
    picked = np.argmax(estimate + errors, axis=1)
    curse = errors[np.arange(len(picked)), picked].mean()
    freed = value_of_pick(rivals(estimate, sd**2, float("inf")))
    assert freed == pytest.approx(0.3 - 0.5 * curse, abs=0.002)


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
            squares.append((spread.even_sd[0] / 0.02) ** 2)
    # Mean square 1 with about three degrees of freedom each: 25 scatter by 16 %; the model's error adds a little.
    assert 0.6 < np.mean(squares) < 1.5
