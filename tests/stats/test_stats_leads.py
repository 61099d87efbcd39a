import math

import numpy as np
import pytest

from lensbench.stats import Leads, Uncertainty, surely_ahead

STOP = np.repeat(np.arange(5), 4)
SCATTER = np.array([0.022, 0.015, 0.01, 0.007, 0.007])[STOP]
EVEN = np.full(20, 0.01)


def drawn(truth, random, *, set_up_sd, scatter=SCATTER):
    """Leads as a shoot gives them: one error of the set-ups, half of the scatter common to the zones of a stop."""
    of_stop, own = random.normal(size=5)[STOP], random.normal(size=20)
    error = math.sqrt(2.0) * set_up_sd * random.normal() + scatter * math.sqrt(0.5) * (of_stop + own)
    return Leads(log_ratio=truth + error, scatter_sd=scatter, shared_sd=np.zeros(20), stop=STOP, dof=math.inf)


def named(truth, *, set_up_sd, seed, shoots=200, believed_sd=0.03):
    """Share of shoots with a setting falsely named, and of settings rightly named."""
    random, common = np.random.default_rng(seed), Uncertainty(variance=2.0 * believed_sd**2, dof=math.inf)
    found = np.array(
        [surely_ahead(drawn(truth, random, set_up_sd=set_up_sd), common, rivals=2) for _ in range(shoots)]
    )
    false = (found != 0) & (found != np.sign(truth))
    return np.mean(false.any(axis=1)), np.mean((found != 0) & ~false)


@pytest.mark.parametrize("level", [0.0, 0.12])
def test_no_setting_is_falsely_named_in_nineteen_shoots_of_twenty(level):
    """All equal, or equal at two stops and 12 % apart at the others; set-ups stray as far as they are believed to."""
    false, _ = named(np.where(STOP < 2, 0.0, level), set_up_sd=0.03, seed=4)
    # By definition at most 5 %; 200 shoots scatter by 1.5 %.
    assert false <= 0.085


def test_a_lead_of_all_settings_is_told_as_one():
    """8 % everywhere, found with set-ups that stray by 1.5 %."""
    false, told = named(np.full(20, math.log(1.08)), set_up_sd=0.015, seed=5)
    # No test that fears 3 % can tell more than P(normal > (1.96 x 4.24 - 7.7) / 2.12) = 39 %; Dunnett's limit of 20
    # settings, all by themselves, tells 10 % (drawn outside this program with these numbers).
    assert false == 0.0
    assert 0.14 <= told <= 0.39


def test_one_lead_far_out_needs_no_others_and_one_trailing_does_not_hide_them():
    common = Uncertainty(variance=2.0 * 0.03**2, dof=math.inf)

    def leads(values):
        return surely_ahead(
            Leads(log_ratio=values, scatter_sd=EVEN, shared_sd=np.zeros(20), stop=STOP, dof=math.inf),
            common,
            rivals=2,
        )

    assert leads(np.where(np.arange(20) == 3, 0.2, 0.0)).tolist() == [0, 0, 0, 1, *[0] * 16]
    assert leads(np.where(np.arange(20) == 3, -0.05, 0.1)).tolist() == [1, 1, 1, 0, *[1] * 16]
    assert leads(np.where(np.arange(20) == 3, -0.2, 0.0))[3] == -1


@pytest.mark.parametrize(("rivals", "limit"), [(2, 1.95996), (3, 3.314493 / 2.0**0.5)])
def test_a_lone_setting_is_held_against_the_plain_limit(rivals, limit):
    # 1.96 of the normal distribution; the studentised range of three with endless freedom is 3.314 (any table), for
    # which that of 120 degrees of freedom, 1.3 % more, stands in.
    common = Uncertainty(variance=4e-4, dof=math.inf)
    sd = math.hypot(0.02, 0.01)
    for share, ahead in ((0.999, 0), (1.001 if rivals == 2 else 1.015, 1)):
        lead = Leads(
            log_ratio=np.array([share * limit * sd]),
            scatter_sd=np.array([0.01]),
            shared_sd=np.zeros(1),
            stop=np.zeros(1, int),
            dof=math.inf,
        )
        assert surely_ahead(lead, common, rivals=rivals).tolist() == [ahead]
