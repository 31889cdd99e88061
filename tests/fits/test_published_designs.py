"""Mixture designs, plain mixture models, small tests: worked examples; answers.csv names each source."""

import csv
from math import factorial
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import ttest_1samp
from sklearn.cross_decomposition import PLSRegression
from sklearn.linear_model import BayesianRidge
from sklearn.model_selection import LeaveOneOut, cross_val_predict

from pipeline.fits import baselines
from pipeline.fits.blocks import BlockFit, Contrasts
from pipeline.fits.next_batches import expected_improvement, information_gain

DATA = Path(__file__).parent.parent / "data" / "fits"


def read_rows(name):
    """The rows of one data set."""
    with (DATA / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def numbers(rows, names):
    return np.array([[float(row[name]) for name in names] for row in rows])


@pytest.fixture
def check_answer():
    """Hold a computed value to the published one, within its own tolerance."""
    answers = {(row["example"], row["statistic"]): row for row in read_rows("answers")}

    def check(example, statistic, computed):
        row = answers[example, statistic]
        gap = abs(float(computed) - float(row["value"]))
        assert gap <= float(row["tolerance"]), f"{example} {statistic}: {computed}, published {row['value']}"

    return check


def quadratic(x):
    """Scheffe's quadratic terms of three shares."""
    return np.column_stack([x, x[:, 0] * x[:, 1], x[:, 0] * x[:, 2], x[:, 1] * x[:, 2]])


def least_squares(columns, y):
    """The project's own fit with nothing shrunk, and its coefficients."""
    fit = BlockFit(y, np.empty((len(y), 0)), [], flat=columns)
    count = columns.shape[1]
    return fit, fit.ask(Contrasts(np.eye(count), np.empty((count, 0)))).mean


def lattice(steps):
    """All shares of three parts in so many steps."""
    return np.array([[i, j, steps - i - j] for i in range(steps + 1) for j in range(steps + 1 - i)]) / steps


@pytest.fixture
def yarn():
    rows = read_rows("yarn")
    return numbers(rows, ["x1", "x2", "x3"]), numbers(rows, ["elongation"])[:, 0]


def test_how_well_the_yarn_blends_are_told(check_answer, yarn):
    x, y = yarn
    total = ((y - y.mean()) ** 2).sum()
    fit, _ = least_squares(quadratic(x), y)
    left = ((y - fit.fitted) ** 2).sum()
    check_answer("yarn", "F", (total - left) / 5 / (left / (len(y) - 6)))
    check_answer("yarn", "r2_pred", 1.0 - ((fit.left_out().mean - y) ** 2).sum() / total)
    straight, coefficients = least_squares(x, y)
    for k in range(3):
        check_answer("yarn", f"linear_b{k + 1}", coefficients[k])
    check_answer("yarn", "linear_sse", ((y - straight.fitted) ** 2).sum())


def test_the_highest_yarn_blend_and_what_to_spin_next(check_answer, yarn):
    x, y = yarn
    b = least_squares(quadratic(x), y)[1]
    # Along the edge of the first and third: b1 x + b3 (1 - x) + b13 x (1 - x).
    at = (b[0] - b[2] + b[4]) / (2.0 * b[4])
    check_answer("yarn", "best_edge_x1", at)
    check_answer("yarn", "best_edge_value", (quadratic(np.array([[at, 0.0, 1.0 - at]])) @ b)[0])
    asked = lattice(10)
    asked = quadratic(asked[asked[:, 2] >= 0.5 - 1e-9])
    information = quadratic(x).T @ quadratic(x)
    before = information_gain(asked, np.linalg.inv(information)).mean()
    check_answer("yarn", "avg_var_before_x3_ge_05", before)
    after = [information_gain(asked, np.linalg.inv(information + np.outer(row, row))).mean() for row in asked]
    check_answer("yarn", "next_iopt_x3_ge_05_is_pure_x3_avg_var", min(after))
    np.testing.assert_array_equal(asked[int(np.argmin(after))][:3], [0.0, 0.0, 1.0])


def test_the_plain_models_of_the_petrol_blends(check_answer):
    rows = read_rows("octane_mixture12")
    shares, y = numbers(rows, [f"x{k}" for k in range(1, 8)]), numbers(rows, ["octane"])[:, 0]
    for parts in (1, 2, 3):
        model = PLSRegression(parts).fit(shares, y)
        check_answer("octane_mixture12", f"pls{parts}_r2", model.score(shares, y))
    for name, model in (("pls3", PLSRegression(3)), ("bayesian_ridge", BayesianRidge())):
        foretold = cross_val_predict(model, shares, y, cv=LeaveOneOut()).ravel()
        check_answer("octane_mixture12", f"loo_rmse_{name}", baselines.rmse(foretold, y))
    check_answer("octane_mixture12", "corr_x6_y", np.corrcoef(shares[:, 5], y)[0, 1])
    check_answer("octane_mixture12", "corr_x1_x3", np.corrcoef(shares[:, 0], shares[:, 2])[0, 1])


def test_darwins_maize_by_students_test(check_answer):
    differences = numbers(read_rows("darwin_maize"), ["difference_eighth_inch"])[:, 0]
    check_answer("darwin_maize", "sum", differences.sum())
    found = ttest_1samp(differences, 0.0)
    check_answer("darwin_maize", "t", found.statistic)
    check_answer("darwin_maize", "p_t", found.pvalue)


def test_the_knowledge_gradient_of_two_arms_is_an_expected_improvement(check_answer):
    gap = expected_improvement(0.0, 1.0, 0.5)
    check_answer("ei_cases", "knowledge_gradient_two_arms_gap05_sigma1", gap)


def moments():
    """Average of the products of the quadratic terms over the whole triangle (Dirichlet's integral)."""
    powers = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0], [1, 0, 1], [0, 1, 1]])

    def average(total):
        return 2.0 * np.prod([factorial(k) for k in total]) / factorial(int(sum(total)) + 2)

    return np.array([[average(one + other) for other in powers] for one in powers])


def optimal_weights(points, region):
    """Weights by the multiplicative algorithm: D-optimal, or least average variance over the `region`."""
    weights = np.full(len(points), 1.0 / len(points))
    for _ in range(2000):
        covariance = np.linalg.inv((points * weights[:, None]).T @ points)
        if region is None:
            weights = weights * information_gain(points, covariance) / points.shape[1]
        else:
            gain = information_gain(points, covariance @ region @ covariance)
            weights = weights * np.sqrt(gain / np.trace(covariance @ region))
    return weights / weights.sum(), np.trace(covariance @ moments())


def test_weights_of_the_optimal_mixture_designs(check_answer):
    grid = lattice(6)
    names = {(1.0, 0.0): "vertex", (0.5, 0.5): "midpoint", (1 / 3, 1 / 3): "centroid"}
    kinds = [names.get((row.max(), row[row > 0].min() if row.max() < 1 else 0.0)) for row in grid]
    weights, average = optimal_weights(quadratic(grid), None)
    check_answer("dopt_quadratic3", "dopt_weight_each", weights[kinds.index("vertex")])
    check_answer("dopt_quadratic3", "dopt_weight_each", weights[kinds.index("midpoint")])
    check_answer("dopt_quadratic3", "dopt_average_variance", average)
    weights, average = optimal_weights(quadratic(grid), moments())
    for kind in ("vertex", "midpoint", "centroid"):
        check_answer("dopt_quadratic3", f"iopt_weight_{kind}", weights[kinds.index(kind)])
    check_answer("dopt_quadratic3", "iopt_average_variance", average)
