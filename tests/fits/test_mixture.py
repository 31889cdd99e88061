"""Mixtures of Student's t against scipy's t and its root finder."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import t as student_t

from pipeline.fits.mixture import TMixture


def test_one_t_is_scipys():
    single = TMixture(np.ones(1), np.array([[1.0, -2.0]]), np.array([[0.5, 3.0]]), 7.0)
    plain = student_t(7.0, loc=[1.0, -2.0], scale=[0.5, 3.0])
    np.testing.assert_allclose(single.cdf(np.array([0.7, 4.0])), plain.cdf([0.7, 4.0]), atol=1e-6)
    np.testing.assert_allclose(single.interval(0.95), plain.interval(0.95), rtol=1e-5)
    np.testing.assert_allclose(single.sd, plain.std(), rtol=1e-12)
    np.testing.assert_allclose(single.chance_positive(), plain.sf(0.0), atol=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_quantiles_are_where_the_chance_is_reached(seed):
    """Also where narrow spikes stand on wide hills, as ratios near nought make them."""
    rng = np.random.default_rng(seed)
    cells = 30
    weights = rng.dirichlet(np.full(cells, 0.3))
    centres = rng.standard_normal((cells, 8)) * rng.choice([0.0, 0.1, 10.0], (cells, 1))
    mixture = TMixture(weights, centres, 10.0 ** rng.uniform(-5.0, 1.0, (cells, 8)), 9.0)
    for level in (0.025, 0.5, 0.975):
        found = mixture.quantile(level)
        for k in range(8):
            alone = TMixture(weights, centres[:, [k]], mixture.scales[:, [k]], 9.0)
            root = brentq(_gap, -400.0, 400.0, (alone, level), xtol=1e-13)
            assert found[k] == pytest.approx(root, abs=1e-9 * mixture.sd[k]), (level, k)


def _gap(value, mixture, level):
    return mixture.cdf(np.array([value]))[0] - level


def test_a_hardly_possible_sign_keeps_its_chance():
    far = TMixture(np.ones(1), np.array([[-20.0, 20.0]]), np.ones((1, 2)), 40.0)
    chance = far.chance_positive()
    assert chance[0] == pytest.approx(student_t.sf(20.0, 40.0), rel=1e-3)
    assert chance[1] == 1.0
