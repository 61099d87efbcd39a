import numpy as np
import pytest
from scipy import stats

from lensbench.stats.best_set import critical_value, probability_all_below

INFINITE = float("inf")
EQUAL = 0.5**0.5


@pytest.mark.parametrize(
    ("dof", "published"),
    [
        # C. W. Dunnett, J. Am. Stat. Assoc. 50, 1096 (1955), table 1a: one-sided, 95 %, for 1, 2, 3, 4, 5
        # and 9 treatments with equal numbers. From memory.
        (5.0, (2.02, 2.44, 2.68, 2.85, 2.98, 3.30)),
        (10.0, (1.81, 2.15, 2.34, 2.47, 2.56, 2.81)),
        (20.0, (1.72, 2.03, 2.19, 2.30, 2.39, 2.60)),
        (INFINITE, (1.64, 1.92, 2.06, 2.16, 2.23, 2.42)),
    ],
)
def test_critical_values_are_the_published_ones(dof, published):
    computed = [critical_value(shared=(EQUAL,) * count, dof=dof) for count in (1, 2, 3, 4, 5, 9)]
    assert computed == pytest.approx(published, abs=0.0065)  # the table's two decimals


def test_one_comparison_is_students_test():
    # With a single comparison the statistic is Student's t: scipy.stats.t.
    value = critical_value(shared=((5 / 8) ** 0.5,), dof=7.0)
    assert value == pytest.approx(stats.t.ppf(0.95, 7), abs=1e-4)


def test_unequal_numbers_agree_with_the_multivariate_t():
    # scipy.stats.multivariate_t, with the correlations written out, by its own lattice integration.
    control, others, dof, limit = 2, (3, 5, 4), 9, 2.2
    share = np.sqrt([n / (control + n) for n in others])
    correlation = np.outer(share, share)
    np.fill_diagonal(correlation, 1.0)
    reference = stats.multivariate_t(shape=correlation, df=dof, seed=3).cdf(np.full(3, limit))
    ours = probability_all_below(limit, shared=tuple(share), dof=dof)
    assert ours == pytest.approx(reference, abs=2e-4)


def test_blood_counts_worked_example():
    # C. W. Dunnett, J. Am. Stat. Assoc. 50, 1096 (1955), the blood-count example, as scipy.stats.dunnett
    # documents it; scipy's p-values are the reference.
    control = np.array([7.40, 8.50, 7.20, 8.24, 9.84, 8.32])
    drug_a = np.array([9.76, 8.80, 7.68, 9.36])
    drug_b = np.array([12.80, 9.68, 12.16, 9.20, 10.55])
    reference = stats.dunnett(
        drug_a, drug_b, control=control, alternative="greater", rng=np.random.default_rng(1)
    )
    for statistic, p_value in zip(reference.statistic, reference.pvalue, strict=True):
        ours = probability_all_below(statistic, shared=(0.4**0.5, (5 / 11) ** 0.5), dof=12.0)
        assert 1.0 - ours == pytest.approx(p_value, abs=1e-3)
