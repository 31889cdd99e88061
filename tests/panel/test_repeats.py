"""Difference tests with several answers of one person: probabilities, limits, and that they hold."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from pipeline.panel.discrimination import CHANCE, judge_difference
from pipeline.panel.repeats import log_probability, repeated_trials


@pytest.mark.parametrize(("won", "of"), [(0, 3), (2, 5), (6, 6)])
@pytest.mark.parametrize(("mean", "tie"), [(0.3, 0.2), (0.7, 0.6)])
def test_probabilities_agree_with_scipy_without_chance(won, of, mean, tie):
    """Without luck it is the beta-binomial distribution as scipy has it."""
    size = 1.0 / tie - 1.0
    expected = stats.betabinom.logpmf(won, of, mean * size, (1.0 - mean) * size)
    found = log_probability(won, of, 1e-300, np.array([mean]), tie)[0]
    assert found == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("won", "of", "tie"), [(0, 4, 0.3), (2, 4, 0.3), (4, 4, 0.1)])
@pytest.mark.parametrize("test", ["triangle", "duo-trio"])
def test_probabilities_with_chance_agree_with_integration(won, of, tie, test):
    """scipy's binomial probability under scipy's beta distribution, integrated numerically."""
    chance, mean, size = CHANCE[test], 0.4, 1.0 / tie - 1.0
    beta = stats.beta(mean * size, (1.0 - mean) * size)
    expected, _ = quad(
        lambda tells: stats.binom.pmf(won, of, chance + (1.0 - chance) * tells) * beta.pdf(tells), 0.0, 1.0
    )
    found = np.exp(log_probability(won, of, chance, np.array([mean]), tie)[0])
    assert found == pytest.approx(expected, rel=1e-6)


def test_without_correlation_it_is_the_binomial():
    found = log_probability(3, 5, 1.0 / 3.0, np.array([0.4]), 0.0)[0]
    assert found == pytest.approx(stats.binom.logpmf(3, 5, 1.0 / 3.0 + 0.4 * 2.0 / 3.0))


def test_different_people_give_the_exact_binomial():
    plain = judge_difference(10, 15, "triangle")
    assert judge_difference(10, 15, "triangle", [(1, 1)] * 10 + [(0, 1)] * 5) == plain


def test_people_who_differ_are_found_and_widen_the_limits():
    """Three of six always right, three never: to be had by dealing 12 of 24 in fewer than one in twenty."""
    split = repeated_trials([4, 4, 4, 0, 0, 0], [4] * 6, 1.0 / 3.0)
    even = repeated_trials([2] * 6, [4] * 6, 1.0 / 3.0)
    assert split.p_value < 0.01
    assert even.p_value > 0.9
    assert split.gamma > 0.5
    assert even.gamma == 0.0
    assert split.high - split.low > even.high - even.low
    # Luck alone explains the total as well or as badly in either case.
    one = judge_difference(12, 24, "triangle", [(4, 4)] * 3 + [(0, 4)] * 3)
    assert one.p_value == judge_difference(12, 24, "triangle").p_value


def test_two_people_cannot_show_how_people_differ():
    assert repeated_trials([5, 1], [6, 6], 0.5) is None


def test_limits_hold_the_share_that_can_tell_where_binomial_ones_do_not():
    """Four of ten people can tell, always: eight people, four triangles each."""
    rng = np.random.default_rng(3)
    covered, plain = [], []
    for _ in range(150):
        tells = rng.random(8) < 0.4
        right = rng.binomial(4, np.where(tells, 1.0, 1.0 / 3.0))
        found = judge_difference(int(right.sum()), 32, "triangle", [(int(won), 4) for won in right])
        covered.append(found.pd_low <= 0.4 <= found.pd_high)
        alone = judge_difference(int(right.sum()), 32, "triangle")
        plain.append(alone.pd_low <= 0.4 <= alone.pd_high)
    assert np.mean(covered) > 0.95 - 4.0 * sqrt(0.95 * 0.05 / 150)
    assert np.mean(plain) < 0.9
