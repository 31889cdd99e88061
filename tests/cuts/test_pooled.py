"""A still's own number from many runs: its interval covers, its spread is found, a run off it is named."""

import numpy as np
import pytest

from pipeline.cuts.pooled import pool


def test_the_interval_of_the_mean_covers_and_the_spread_between_runs_is_found():
    rng = np.random.default_rng(1)
    covered, spreads = [], []
    for _ in range(400):
        u = rng.uniform(0.005, 0.02, 25)
        values = 0.45 + 0.015 * rng.standard_normal(25) + u * rng.standard_normal(25)
        found = pool(values, u)
        covered.append(found.low < 0.45 < found.high)
        spreads.append(found.between_sd)
    assert 0.91 < np.mean(covered) < 0.98
    assert np.median(spreads) == pytest.approx(0.015, rel=0.15)


def test_a_run_that_is_off_is_named_and_pulls_neither_mean_nor_spread():
    rng = np.random.default_rng(2)
    values = 0.45 + 0.015 * rng.standard_normal(30)
    values[7] = 0.75
    found = pool(values, np.full(30, 0.006))
    assert np.flatnonzero(found.is_off).tolist() == [7]
    assert found.mean == pytest.approx(0.45, abs=0.01)
    assert found.between_sd < 0.025


def test_runs_alike_are_rarely_called_off():
    rng = np.random.default_rng(3)
    off = sum(int(pool(rng.standard_normal(30), np.full(30, 0.3)).is_off.sum()) for _ in range(200))
    assert off / 6000 < 0.01


def test_one_run_is_no_pool():
    assert pool(np.array([0.4]), np.array([0.01])) is None
    assert pool(np.array([0.4, 0.4]), np.array([0.01, 0.01])).mean == pytest.approx(0.4)
