"""The binomial by the incomplete beta function, and mean ranks, against scipy.stats."""

import numpy as np
import pytest
from scipy.stats import binom, rankdata

from pipeline.panel.agreement import concordance
from pipeline.panel.binomial import chance_of_at_least, chance_of_at_most, fewest_beyond

FRACS = [1.0 / 3.0, 0.5, 8.0 / 15.0, 2.0 / 3.0, 0.9]


@pytest.mark.parametrize("frac", FRACS)
@pytest.mark.parametrize("trials", [1, 2, 5, 24, 200])
def test_chances_are_scipys_also_past_the_ends(trials, frac):
    correct = np.arange(-1, trials + 3)
    np.testing.assert_allclose(
        chance_of_at_least(correct, trials, frac), binom.sf(correct - 1, trials, frac), rtol=1e-11
    )
    np.testing.assert_allclose(
        chance_of_at_most(correct, trials, frac), binom.cdf(correct, trials, frac), rtol=1e-11
    )


@pytest.mark.parametrize("frac", FRACS)
@pytest.mark.parametrize("level", [0.05, 0.001])
def test_critical_numbers_are_scipys_for_every_number_of_trials(level, frac):
    trials = np.arange(1, 2001)
    expected = binom.isf(level, trials, frac).astype(np.int64) + 1
    np.testing.assert_array_equal(fewest_beyond(level, trials, frac), expected)


def test_samples_marked_alike_share_their_mean_rank():
    table = np.random.default_rng(1).integers(0, 4, (9, 5)).astype(float)
    ranks = rankdata(table, axis=0)
    spread = ((ranks.sum(axis=1) - 25.0) ** 2).sum()
    found = concordance(table)
    assert found is not None
    assert found.friedman == pytest.approx(8 * spread / ((ranks - 5.0) ** 2).sum(), rel=1e-12)
