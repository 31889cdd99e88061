"""The fits against worked examples published elsewhere; tests/data/fits/answers.csv names each source."""

from math import sqrt

import numpy as np
import pytest
from scipy.stats import t as student_t

from pipeline.fits.blocks import Block, BlockFit, Contrasts
from pipeline.fits.next_batches import information_gain

from .examples import (
    EXAMPLES,
    computed,
    known,
    lattice,
    numbers,
    one_hot,
    quadratic,
    read_rows,
    yarn_average_variances,
    yarn_corner,
    yarn_data,
)

TRUTHS = [row for row in read_rows("answers") if row["statistic"].startswith("truth_")]
ANSWERS = [row for row in read_rows("answers") if row not in TRUTHS]
LEFT_OUT = read_rows("left_out")
READ = 163
"""Rows of the examples on fits as they were read: a row lost between the two lists changes their sum."""


@pytest.mark.parametrize("row", ANSWERS, ids=lambda row: f"{row['example']} {row['statistic']}")
def test_a_published_value_is_met(row):
    found = computed(row["example"])[row["statistic"]]
    assert found == pytest.approx(float(row["value"]), abs=float(row["tolerance"]), rel=0.0), row["source"]


def test_every_row_is_worked_out_or_left_out_with_a_reason_and_none_is_lost():
    asked = {(row["example"], row["statistic"]) for row in ANSWERS}
    left_out = {(row["example"], row["statistic"]) for row in LEFT_OUT}
    assert asked == {(example, statistic) for example in EXAMPLES for statistic in computed(example)}
    assert not asked & left_out
    assert len(asked) + len(left_out) + len(TRUTHS) == len(ANSWERS + LEFT_OUT + TRUTHS) == READ
    assert all(len(row["why"]) > 20 for row in LEFT_OUT)
    assert all(row["source"].strip() for row in ANSWERS)


def test_the_known_truth_of_the_made_up_season_lies_in_its_intervals():
    """Ten truths, each in its 90 % interval nine times in ten: fewer than seven come up once in eighty."""
    values = computed("season24")
    truths = {row["statistic"].removeprefix("truth_"): float(row["value"]) for row in TRUTHS}
    held = [values[f"{name}_q05"] <= truth <= values[f"{name}_q95"] for name, truth in truths.items()]
    assert len(held) == 10
    assert sum(held) >= 7


def test_the_yarn_blends_that_teach_most_are_pure_ones():
    x, _ = yarn_data()
    grid, corner = lattice(10), yarn_corner()
    gains = information_gain(quadratic(grid), np.linalg.inv(quadratic(x).T @ quadratic(x)))
    assert grid[gains.argmax()].max() == 1.0
    np.testing.assert_array_equal(corner[yarn_average_variances(x)[1].argmin()], [0.0, 0.0, 1.0])


def test_line_means_of_malt_extract_with_environments_allowed_for():
    """Balanced part of the malt table: shrunk line means are the classical BLUPs of its components."""
    rows = read_rows("malt_extract_lines")
    full = {line for line in {row["line"] for row in rows} if sum(r["line"] == line for r in rows) == 9}
    rows = [row for row in rows if row["line"] in full]
    y = numbers(rows, ["malt_extract_pct"])[:, 0]
    lines, chosen = one_hot([row["line"] for row in rows])
    places, grown = one_hot([row["environment"] for row in rows])
    assert len(lines) == 149
    assert len(places) == 9
    # Variance components recorded with the table: line 1.182, environment 2.184, residual 1.345.
    blocks = [
        Block("line", 149, 1.0, known(sqrt(1.182 / 1.345))),
        Block("environment", 9, 1.0, known(sqrt(2.184 / 1.345))),
    ]
    fit = BlockFit(y, np.hstack([chosen, grown]), blocks)
    means = np.array([y[chosen[:, k] > 0].mean() for k in range(149)])
    shrinkage = 1.182 / (1.182 + 1.345 / 9)
    np.testing.assert_allclose(fit.coefficients[:149], shrinkage * (means - y.mean()), atol=1e-6)
    # Left to find the ratios itself, the fit comes to the same components.
    own = BlockFit(
        y, np.hstack([chosen, grown]), [Block("line", 149, 2.0), Block("environment", 9, 2.0)], steps=7
    )
    assert abs(own.residual_sd**2 - 1.345) < 0.08
    assert abs(own.typical_ratios["line"] - sqrt(1.182 / 1.345)) < 0.12


def test_student_quantiles_of_a_single_cell():
    """With one known ratio the mixture is one t: its interval is the textbook one."""
    rng = np.random.default_rng(3)
    x, y = rng.standard_normal((15, 2)), rng.standard_normal(15)
    fit = BlockFit(y, x, [Block("all", 2, 1.0, known(0.7))])
    said = fit.ask(Contrasts(np.zeros((2, 1)), np.eye(2)))
    low, high = said.interval(0.95)
    reach = student_t.ppf(0.975, fit.freedom) * said.scales[0]
    np.testing.assert_allclose(low, said.centres[0] - reach, rtol=1e-4)
    np.testing.assert_allclose(high, said.centres[0] + reach, rtol=1e-4)
