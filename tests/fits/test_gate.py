"""The permutation gate: how often it opens by luck, when it must, when it cannot be asked."""

import numpy as np

from pipeline.fits.blocks import Block, BlockFit
from pipeline.fits.gate import gate_p_value, passed


def test_benjamini_and_hochbergs_own_example():
    """Fifteen p values of their 1995 paper (from memory): at 5 % their procedure keeps the first four."""
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344]
    p += [0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    assert passed(p, 0.05) == [True] * 4 + [False] * 11


def test_a_gate_that_cannot_be_asked_neither_passes_nor_counts():
    assert passed([None, 0.03, None]) == [False, True, False]
    assert passed([]) == []


def test_a_gate_opens_by_luck_about_as_often_as_it_says():
    rng = np.random.default_rng(4)
    opened = 0
    for _ in range(200):
        recipes = np.eye(4)[rng.integers(0, 4, 24)]
        yeast = np.eye(3)[rng.integers(0, 3, 24)]
        # The grain matters, the yeast does not: allowing for grain must not open the yeast's gate.
        y = recipes @ [2.0, 0.0, -2.0, 1.0] + rng.standard_normal(24)
        left_over = y - BlockFit(y, recipes, [Block("grain", 4, 8.0)]).fitted
        p = gate_p_value(left_over, yeast, 2.0)
        opened += p is not None and p <= 0.05
    # Binomial(200, 0.05) exceeds 20 once in a thousand.
    assert opened <= 20


def test_a_strong_effect_opens_the_gate():
    rng = np.random.default_rng(8)
    yeast = np.eye(3)[np.arange(24) % 3]
    y = yeast @ [0.0, 0.0, 3.0] + rng.standard_normal(24)
    assert gate_p_value(y, yeast, 2.0) == 1 / 2000


def test_what_did_not_vary_or_left_no_rows_over_cannot_be_asked():
    y = np.arange(10.0)
    assert gate_p_value(y, np.ones((10, 1)), 2.0) is None
    assert gate_p_value(y[:6], np.eye(6), 2.0) is None


def test_large_seasons_use_the_normal_theory_and_agree_with_permutations():
    rng = np.random.default_rng(6)
    yeast = np.eye(3)[rng.integers(0, 3, 2400)]
    y = yeast @ [0.0, 0.06, 0.12] + rng.standard_normal(2400)
    by_theory = gate_p_value(y, yeast, 2.0)
    by_permutation = gate_p_value(y[:2000], yeast[:2000], 2.0)
    assert by_theory is not None
    assert by_permutation is not None
    assert (by_theory < 0.05) == (by_permutation < 0.1)
