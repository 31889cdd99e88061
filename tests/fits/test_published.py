"""The fits against worked examples published elsewhere; tests/data/fits/answers.csv names each source."""

import csv
from collections.abc import Callable
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import t as student_t

from pipeline.fits import aliases, baselines, explained, gate
from pipeline.fits.blocks import Block, BlockFit, Contrasts
from pipeline.fits.effects import cox_direction
from pipeline.fits.next_batches import expected_improvement, information_gain

DATA = Path(__file__).parent.parent / "data" / "fits"


def read_rows(name: str) -> list[dict[str, str]]:
    """The rows of one data set."""
    with (DATA / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def one_hot(values: list[str]) -> tuple[list[str], np.ndarray]:
    """The sorted levels of a column of names, and a column of ones and noughts for each."""
    levels = sorted(set(values))
    return levels, np.array([[float(value == level) for level in levels] for value in values])


@pytest.fixture
def check_answer() -> Callable[[str, str, float], None]:
    """Hold a computed value to the published one, within its own tolerance."""
    answers = {(row["example"], row["statistic"]): row for row in read_rows("answers")}

    def check(example: str, statistic: str, computed: float) -> None:
        row = answers[example, statistic]
        gap = abs(float(computed) - float(row["value"]))
        assert gap <= float(row["tolerance"]), (
            f"{example} {statistic}: computed {computed}, published {row['value']} ({row['source']})"
        )

    return check


GRAINS = ["malt", "wheat", "rye", "oats", "maize", "spelt"]


def numbers(rows, names):
    return np.array([[float(row[name]) for name in names] for row in rows])


def known(ratio):
    """A grid of the one ratio that is given."""
    return np.array([ratio]), np.array([1.0])


def flat_fit(columns, y):
    """Least squares: every column flat, none shrunk."""
    return BlockFit(y, np.empty((len(y), 0)), [], flat=columns)


def flat_questions(rows):
    rows = np.atleast_2d(np.asarray(rows, dtype=float))
    return Contrasts(rows, np.empty((len(rows), 0)))


def test_a_season_of_24_batches_gives_the_known_effects(check_answer):
    rows = read_rows("season24")
    shares = numbers(rows, GRAINS)
    yeasts, chosen = one_hot([row["yeast"] for row in rows])
    y = numbers(rows, ["y"])[:, 0]
    columns = np.hstack([shares, chosen])
    fit = BlockFit(y, columns, [Block("grain", 6, 8.0), Block("yeast", 4, 2.0)])
    vectors = [np.concatenate([cox_direction(shares.mean(axis=0), k), np.zeros(4)]) for k in range(6)]
    vectors += [np.concatenate([np.zeros(6), np.eye(4)[k] - 0.25]) for k in range(4)]
    said = fit.ask(Contrasts(np.zeros((10, 1)), np.array(vectors)))
    low, high = said.interval(0.9)
    names = [f"plus10_{grain}" for grain in GRAINS] + [f"yeast_{yeast}_vs_mean" for yeast in yeasts]
    for k, name in enumerate(names):
        check_answer("season24", f"{name}_mean", said.mean[k])
        check_answer("season24", f"{name}_q05", low[k])
        check_answer("season24", f"{name}_q95", high[k])
    check_answer("season24", "gate_permutation_p", gate.gate_p_value(y, columns, 4.0))
    check_answer("season24", "design_rank", aliases.design_rank(columns))


def test_left_out_error_of_twelve_petrol_blends(check_answer):
    rows = read_rows("octane_mixture12")
    shares = numbers(rows, [f"x{k}" for k in range(1, 8)])
    y = numbers(rows, ["octane"])[:, 0]
    fit = BlockFit(y, shares, [Block("shares", 7, 8.0)])
    check_answer("octane_mixture12", "loo_rmse_hierarchical", baselines.rmse(fit.left_out().mean, y))
    check_answer("octane_mixture12", "loo_rmse_mean", baselines.rmse(baselines.left_out_mean(y), y))
    plain = baselines.left_out_least_squares(shares, y)
    check_answer("octane_mixture12", "loo_rmse_ols_scheffe", baselines.rmse(plain, y))
    scheffe = flat_fit(shares, y).ask(flat_questions(shares)).mean
    check_answer("octane_mixture12", "ols_scheffe_sse", ((y - scheffe) ** 2).sum())


def test_scheffe_quadratic_of_the_yarn_blends(check_answer):
    rows = read_rows("yarn")
    x = numbers(rows, ["x1", "x2", "x3"])
    y = numbers(rows, ["elongation"])[:, 0]

    def terms(x):
        return np.column_stack([x, x[:, 0] * x[:, 1], x[:, 0] * x[:, 2], x[:, 1] * x[:, 2]])

    fit = flat_fit(terms(x), y)
    said = fit.ask(flat_questions(np.eye(6)))
    fitted = fit.ask(flat_questions(terms(x))).mean
    mse = ((y - fitted) ** 2).sum() / (len(y) - 6)
    spread = said.scales[0] / sqrt(2.0 * fit._rest[0] / fit.freedom) / fit.unit
    for k, name in enumerate(["b1", "b2", "b3", "b12", "b13", "b23"]):
        check_answer("yarn", name, said.mean[k])
    check_answer("yarn", "mse", mse)
    check_answer("yarn", "se_b1", spread[0] * sqrt(mse))
    check_answer("yarn", "se_b12", spread[3] * sqrt(mse))
    check_answer("yarn", "r2", 1.0 - mse * 9 / ((y - y.mean()) ** 2).sum())
    check_answer("yarn", "press", ((fit.left_out().mean - y) ** 2).sum())
    there = terms(np.array([[0.4, 0.2, 0.4]]))
    check_answer("yarn", "pred_040_020_040", fit.ask(flat_questions(there)).mean[0])
    covariance = np.linalg.inv(terms(x).T @ terms(x))
    check_answer("yarn", "se_pred_040_020_040", sqrt(mse * (there @ covariance @ there.T)[0, 0]))
    grid = np.array([[i, j, 10 - i - j] for i in range(11) for j in range(11 - i)]) / 10.0
    gains = information_gain(terms(grid), covariance)
    check_answer("yarn", "next_dopt_leverage_vertex", gains.max())
    check_answer("yarn", "next_dopt_det_ratio", 1.0 + gains.max())
    assert grid[gains.argmax()].max() == 1.0, "the most informative next blend is a pure one"


def test_eight_schools_with_known_errors_and_a_flat_prior(check_answer):
    rows = read_rows("eight_schools")
    y, se = numbers(rows, ["y"])[:, 0], numbers(rows, ["se"])[:, 0]
    precision = 1.0 / se**2
    check_answer("eight_schools", "pooled_mean", precision @ y / precision.sum())
    check_answer("eight_schools", "pooled_se", 1.0 / sqrt(precision.sum()))
    # Errors are known: the residual variance is fixed at what the weights are relative to.
    residual = len(y) / precision.sum()
    # Cells grow with tau, which has a heavy tail; their mass is their width under the flat prior.
    ends = np.concatenate([[0.0], np.geomspace(0.05, 200.0, 4000)])
    tau = (ends[1:] + ends[:-1]) / 2.0
    block = Block("schools", 8, 1.0, (tau / sqrt(residual), np.diff(ends)))
    fit = BlockFit(y, np.eye(8), [block], weights=precision, residual_prior=(1e7, residual))
    said = fit.ask(Contrasts(np.ones((8, 1)), np.eye(8)))
    for k, school in enumerate("ABCDEFGH"):
        check_answer("eight_schools", f"post_mean_{school}", said.mean[k])
    check_answer("eight_schools", "post_sd_A", said.sd[0])
    check_answer("eight_schools", "post_sd_G", said.sd[6])


def test_dyestuff_batches_shrink_to_the_published_blups(check_answer):
    rows = read_rows("dyestuff")
    y = numbers(rows, ["Yield"])[:, 0]
    _, batches = one_hot([row["Batch"] for row in rows])
    fit = BlockFit(y, batches, [Block("batch", 6, 1.0, known(sqrt(1764.05 / 2451.25)))])
    check_answer("dyestuff", "blup_A", fit.coefficients[0])
    check_answer("dyestuff", "blup_E", fit.coefficients[4])
    check_answer("dyestuff", "blup_F", fit.coefficients[5])
    mean = fit.ask(Contrasts(np.ones((1, 1)), np.zeros((1, 6)))).mean[0]
    check_answer("dyestuff", "mean", mean)


def test_crossed_plates_and_samples_of_penicillin(check_answer):
    rows = read_rows("penicillin")
    y = numbers(rows, ["diameter"])[:, 0]
    _, plates = one_hot([row["plate"] for row in rows])
    _, samples = one_hot([row["sample"] for row in rows])
    blocks = [
        Block("plate", 24, 1.0, known(0.846703 / 0.549923)),
        Block("sample", 6, 1.0, known(1.931614 / 0.549923)),
    ]
    fit = BlockFit(y, np.hstack([plates, samples]), blocks, residual_prior=(1e9, 0.549923**2))
    said = fit.ask(Contrasts(np.ones((1, 1)), np.zeros((1, 30))))
    check_answer("penicillin", "intercept", said.mean[0])
    check_answer("penicillin", "se_intercept", said.sd[0])
    check_answer("penicillin", "blup_A", fit.coefficients[24])
    check_answer("penicillin", "blup_F", fit.coefficients[29])


def test_sleep_study_with_correlated_intercepts_and_slopes(check_answer):
    rows = read_rows("sleepstudy")
    y, days = numbers(rows, ["Reaction"])[:, 0], numbers(rows, ["Days"])[:, 0]
    _, subjects = one_hot([row["Subject"] for row in rows])
    # Published standard deviations 24.7407 and 5.92214, correlation 0.06555, residual 25.5918.
    covariance = np.diag([24.7407, 5.92214]) @ np.array([[1.0, 0.06555], [0.06555, 1.0]])
    covariance = covariance @ np.diag([24.7407, 5.92214]) / 25.5918**2
    root = np.linalg.cholesky(covariance)
    first = subjects * root[0, 0] + subjects * days[:, None] * root[1, 0]
    second = subjects * days[:, None] * root[1, 1]
    flat = np.column_stack([np.ones(len(y)), days])
    block = Block("subjects", 36, 1.0, known(1.0))
    fit = BlockFit(y, np.hstack([first, second]), [block], flat, residual_prior=(1e9, 25.5918**2))
    said = fit.ask(Contrasts(np.eye(2), np.zeros((2, 36))))
    check_answer("sleepstudy", "intercept", said.mean[0])
    check_answer("sleepstudy", "days", said.mean[1])
    check_answer("sleepstudy", "se_intercept", said.sd[0])
    check_answer("sleepstudy", "se_days", said.sd[1])


def test_longley_ridge_and_variance_inflation(check_answer):
    names = ["GNP.deflator", "GNP", "Unemployed", "Armed.Forces", "Population", "Year"]
    rows = read_rows("longley")
    x, y = numbers(rows, names), numbers(rows, ["Employed"])[:, 0]
    scaled = (x - x.mean(axis=0)) / x.std(axis=0)
    ridge = BlockFit(y, scaled, [Block("all", 6, 1.0, known(10.0))]).coefficients / x.std(axis=0)
    check_answer("longley", "ridge001_year", ridge[5])
    check_answer("longley", "ridge001_population", ridge[4])
    loose = BlockFit(y, scaled, [Block("all", 6, 1.0, known(1e5))])
    check_answer("longley", "ols_year", loose.coefficients[5] / x[:, 5].std())
    inflation = np.diag(loose.covariance) * len(y)
    for k, name in enumerate(["gnp_deflator", "gnp", "unemployed", "armed_forces", "population", "year"]):
        check_answer("longley", f"vif_{name}", inflation[k])


def test_shares_of_r2_in_the_swiss_districts(check_answer):
    names = ["Agriculture", "Examination", "Education", "Catholic", "Infant.Mortality"]
    rows = read_rows("swiss")
    x, y = numbers(rows, names), numbers(rows, ["Fertility"])[:, 0]
    parts = explained.shapley_r2(y, [x[:, [k]] for k in range(5)])
    for name, part in zip(names, parts, strict=True):
        check_answer("swiss", f"lmg_{name.lower().replace('.', '_')}", part)
    check_answer("swiss", "r2", sum(parts))


def test_darwins_maize_by_all_sign_changes(check_answer):
    rows = read_rows("darwin_maize")
    differences = numbers(rows, ["difference_eighth_inch"])[:, 0]
    check_answer("darwin_maize", "p_two_sided", gate.sign_flip_p_value(differences))


def test_the_made_up_season_with_a_tie(check_answer):
    rows = read_rows("aliased_season")
    shares = numbers(rows, ["malt", "wheat", "rye"])
    _, yeasts = one_hot([row["yeast"] for row in rows])
    check_answer("aliased_season", "rank", aliases.design_rank(np.hstack([shares, yeasts])))
    v = aliases.cramers_v([row["rye"] != "0" for row in rows], [row["yeast"] for row in rows])
    check_answer("aliased_season", "cramer_v_rye_present_vs_yeast", v)


def test_expected_improvement(check_answer):
    for k, row in enumerate(read_rows("ei_cases"), start=1):
        found = expected_improvement(float(row["mean"]), float(row["sd"]), float(row["best"]))
        check_answer("ei_cases", f"ei_{k}", found)


def test_the_six_point_mixture_design_is_d_optimal(check_answer):
    points = numbers(read_rows("dopt_quadratic3"), ["x1", "x2", "x3"])

    def terms(x):
        return np.column_stack([x, x[:, 0] * x[:, 1], x[:, 0] * x[:, 2], x[:, 1] * x[:, 2]])

    covariance = np.linalg.inv(terms(points).T @ terms(points) / 6.0)
    grid = np.array([[i, j, 20 - i - j] for i in range(21) for j in range(21 - i)]) / 20.0
    check_answer("dopt_quadratic3", "max_variance", information_gain(terms(grid), covariance).max())
    centre = information_gain(terms(np.array([[1.0, 1.0, 1.0]]) / 3.0), covariance)[0]
    check_answer("dopt_quadratic3", "variance_centroid", centre)


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
