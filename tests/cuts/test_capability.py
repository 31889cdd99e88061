"""Capability against textbook exercises.

Data read: three exercises in the style of Montgomery's quality control; answers computed with scipy. One
on-line solution of the first takes the 5 % for the 2.5 % point of chi-square and is wrong.
"""

import pytest

from pipeline.cuts.capability import cp, ppk


def test_cp_of_twenty_with_its_chi_square_interval():
    index = cp(38, 62, 1.75, 20)
    assert (index.value, index.low, index.high) == pytest.approx((2.28571, 1.56495, 3.00558), abs=1e-5)


@pytest.mark.parametrize(
    ("bounds", "mean", "sd", "runs", "expected"),
    [
        ((90, 100), 97, 1.6, 30, (0.625, 0.42475, 0.82525)),
        ((10, 20), 16, 1.2, 50, (1.11111, 0.87251, 1.34972)),
    ],
)
def test_ppk_with_bissells_interval(bounds, mean, sd, runs, expected):
    index = ppk(*bounds, mean, sd, runs)
    assert (index.value, index.low, index.high) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize(("runs", "low", "high"), [(8, 0.60, 2.06), (20, 0.88, 1.78), (50, 1.05, 1.61)])
def test_how_little_few_runs_say(runs, low, high):
    """Bissell's interval of 1.33 (closed form, computed by hand from the formula)."""
    index = ppk(-3.99, 3.99, 0.0, 1.0, runs)
    assert (index.low, index.high) == pytest.approx((low, high), abs=6e-3)


def test_a_mean_on_the_bound_has_an_index_of_nought_and_still_an_interval():
    index = ppk(60.0, 63.0, 63.0, 1.0, 20)
    assert index.value == 0.0
    assert index.low < 0.0 < index.high


def test_a_mean_outside_the_bounds_has_an_index_below_nought():
    index = ppk(60.0, 63.0, 64.0, 1.0, 20)
    assert index.low < index.value < 0.0
