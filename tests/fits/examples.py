"""Worked examples published elsewhere, worked out by the fits: one function a data set of tests/data/fits.

Each gives its statistics by the names that answers.csv knows them by; what is expected, how nearly and
whose it is stands there.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from functools import cache
from math import factorial, sqrt
from pathlib import Path

import numpy as np
from sklearn.cross_decomposition import PLSRegression
from sklearn.linear_model import BayesianRidge
from sklearn.model_selection import LeaveOneOut, cross_val_predict

from pipeline.fits import aliases, baselines, explained, gate
from pipeline.fits.blocks import Block, BlockFit, Contrasts
from pipeline.fits.effects import cox_direction
from pipeline.fits.mixture import Floats, TMixture
from pipeline.fits.next_batches import expected_improvement, information_gain

DATA = Path(__file__).parent.parent / "data" / "fits"
GRAINS = ("malt", "wheat", "rye", "oats", "maize", "spelt")
SWISS = ("Agriculture", "Examination", "Education", "Catholic", "Infant.Mortality")
LONGLEY = ("GNP.deflator", "GNP", "Unemployed", "Armed.Forces", "Population", "Year")

# Worth next to nothing: what the data say of the residual variance is then all that is said.
_NO_PRIOR = (1e-9, 1.0)

Row = dict[str, str]
Values = dict[str, float]


def read_rows(name: str) -> list[Row]:
    """The rows of one data set."""
    with (DATA / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def numbers(rows: Sequence[Row], names: Sequence[str]) -> Floats:
    """Columns of numbers."""
    return np.array([[float(row[name]) for name in names] for row in rows])


def one_hot(values: Sequence[str]) -> tuple[list[str], Floats]:
    """The sorted levels of a column of names, and a column of ones and noughts for each."""
    levels = sorted(set(values))
    return levels, np.array([[float(value == level) for level in levels] for value in values])


def chosen(rows: Sequence[Row], name: str) -> Floats:
    """The levels of a column of names as columns."""
    return one_hot([row[name] for row in rows])[1]


def known(ratio: float) -> tuple[Floats, Floats]:
    """A grid of the one ratio that is given."""
    return np.array([ratio]), np.array([1.0])


def flat_fit(columns: Floats, y: Floats) -> BlockFit:
    """Least squares: every column flat, none shrunk."""
    return BlockFit(y, np.empty((len(y), 0)), [], flat=columns)


def ask_flat(fit: BlockFit, rows: Floats) -> TMixture:
    """What a fit without blocks says of rows of its flat columns."""
    return fit.ask(Contrasts(rows, np.empty((len(rows), 0))))


def quadratic(x: Floats) -> Floats:
    """Scheffe's quadratic terms of three shares."""
    return np.column_stack([x, x[:, 0] * x[:, 1], x[:, 0] * x[:, 2], x[:, 1] * x[:, 2]])


def lattice(steps: int) -> Floats:
    """All shares of three parts in so many steps."""
    return np.array([[i, j, steps - i - j] for i in range(steps + 1) for j in range(steps + 1 - i)]) / steps


def likeliest(y: Floats, blocks: Sequence[Floats], flat: Floats | None = None) -> list[float]:
    """Standard deviation of each block's effects and of the rest where the fit's own weights are highest.

    Without a prior these weights are the restricted likelihood, so their peak is the REML estimate. Found
    by looking ever closer about the highest weight of a grid.
    """
    low, high = np.full(len(blocks), 0.05), np.full(len(blocks), 20.0)
    fit = None
    for _ in range(14):
        grids = [np.geomspace(*ends, 9) for ends in zip(low, high, strict=True)]
        named = [
            Block(f"block {k}", columns.shape[1], 1.0, (grid, np.ones(9)))
            for k, (columns, grid) in enumerate(zip(blocks, grids, strict=True))
        ]
        fit = BlockFit(y, np.hstack(list(blocks)), named, flat, residual_prior=_NO_PRIOR)
        starts = np.cumsum([0, *(columns.shape[1] for columns in blocks)])[:-1]
        best = fit.ratios[fit.cell_weights.argmax(), starts]
        step = (high / low) ** (1.0 / 8.0)
        low, high = best / step, best * step
    alone = [Block(f"block {k}", columns.shape[1], 1.0, known(best[k])) for k, columns in enumerate(blocks)]
    fit = BlockFit(y, np.hstack(list(blocks)), alone, flat, residual_prior=_NO_PRIOR)
    # The posterior mean of the variance divides by two degrees of freedom less.
    residual = fit.residual_sd * sqrt((fit.freedom - 2.0) / fit.freedom)
    return [*(float(ratio) * residual for ratio in best), residual]


def season24() -> Values:
    """Effects of a made-up season of 24 batches, its gate and its rank."""
    rows = read_rows("season24")
    shares, y = numbers(rows, GRAINS), numbers(rows, ["y"])[:, 0]
    yeasts, own = one_hot([row["yeast"] for row in rows])
    columns = np.hstack([shares, own])
    fit = BlockFit(y, columns, [Block("grain", 6, 8.0), Block("yeast", 4, 2.0)])
    vectors = [np.concatenate([cox_direction(shares.mean(axis=0), k), np.zeros(4)]) for k in range(6)]
    vectors += [np.concatenate([np.zeros(6), np.eye(4)[k] - 0.25]) for k in range(4)]
    said = fit.ask(Contrasts(np.zeros((10, 1)), np.array(vectors)))
    low, high = said.interval(0.9)
    names = [f"plus10_{grain}" for grain in GRAINS] + [f"yeast_{yeast}_vs_mean" for yeast in yeasts]
    values: Values = {}
    for k, name in enumerate(names):
        values |= {f"{name}_mean": said.mean[k], f"{name}_q05": low[k], f"{name}_q95": high[k]}
    p = gate.gate_p_value(y, columns, 4.0)
    assert p is not None
    return values | {"gate_permutation_p": p, "design_rank": aliases.design_rank(columns)}


def octane_mixture12() -> Values:
    """Left-out errors of twelve petrol blends."""
    rows = read_rows("octane_mixture12")
    shares, y = numbers(rows, [f"x{k}" for k in range(1, 8)]), numbers(rows, ["octane"])[:, 0]
    fit = BlockFit(y, shares, [Block("shares", 7, 8.0)])
    plain = baselines.left_out_least_squares(shares, y)
    values: Values = {
        "loo_rmse_hierarchical": baselines.rmse(fit.left_out().mean, y),
        "loo_rmse_mean": baselines.rmse(baselines.left_out_mean(y), y),
        "loo_rmse_ols_scheffe": baselines.rmse(plain, y),
        "ols_scheffe_sse": ((y - flat_fit(shares, y).fitted) ** 2).sum(),
        "corr_x6_y": np.corrcoef(shares[:, 5], y)[0, 1],
        "corr_x1_x3": np.corrcoef(shares[:, 0], shares[:, 2])[0, 1],
    }
    for parts in (1, 2, 3):
        values[f"pls{parts}_r2"] = PLSRegression(parts).fit(shares, y).score(shares, y)
    for name, model in (("pls3", PLSRegression(3)), ("bayesian_ridge", BayesianRidge())):
        foretold = cross_val_predict(model, shares, y, cv=LeaveOneOut()).ravel()
        values[f"loo_rmse_{name}"] = baselines.rmse(foretold, y)
    return values


def yarn_data() -> tuple[Floats, Floats]:
    """Shares and elongation of Cornell's yarn blends."""
    rows = read_rows("yarn")
    return numbers(rows, ["x1", "x2", "x3"]), numbers(rows, ["elongation"])[:, 0]


def yarn() -> Values:
    """Cornell's yarn blends: Scheffe's quadratic and linear models, the highest blend, the next to spin."""
    x, y = yarn_data()
    total = ((y - y.mean()) ** 2).sum()
    fit, straight = flat_fit(quadratic(x), y), flat_fit(x, y)
    b = ask_flat(fit, np.eye(6)).mean
    left = ((y - fit.fitted) ** 2).sum()
    mse = left / (len(y) - 6)
    covariance = np.linalg.inv(quadratic(x).T @ quadratic(x))
    there = quadratic(np.array([[0.4, 0.2, 0.4]]))
    press = ((fit.left_out().mean - y) ** 2).sum()
    # Along the edge of the first and third: b1 x + b3 (1 - x) + b13 x (1 - x).
    at = (b[0] - b[2] + b[4]) / (2.0 * b[4])
    spread = np.sqrt(np.diag(covariance) * mse)
    return {
        **dict(zip(("b1", "b2", "b3", "b12", "b13", "b23"), b, strict=True)),
        "se_b1": spread[0],
        "se_b12": spread[3],
        "mse": mse,
        "r2": 1.0 - left / total,
        "F": (total - left) / 5 / mse,
        "press": press,
        "r2_pred": 1.0 - press / total,
        **{f"linear_b{k + 1}": value for k, value in enumerate(ask_flat(straight, np.eye(3)).mean)},
        "linear_sse": ((y - straight.fitted) ** 2).sum(),
        "pred_040_020_040": ask_flat(fit, there).mean[0],
        "se_pred_040_020_040": sqrt(mse * information_gain(there, covariance)[0]),
        "best_edge_x1": at,
        "best_edge_value": ask_flat(fit, quadratic(np.array([[at, 0.0, 1.0 - at]]))).mean[0],
        **_next_yarn(x, covariance),
    }


def _next_yarn(x: Floats, covariance: Floats) -> Values:
    gains = information_gain(quadratic(lattice(10)), covariance)
    before, after = yarn_average_variances(x)
    return {
        "next_dopt_leverage_vertex": gains.max(),
        "next_dopt_det_ratio": 1.0 + gains.max(),
        "avg_var_before_x3_ge_05": before,
        "next_iopt_x3_ge_05_is_pure_x3_avg_var": after.min(),
    }


def yarn_corner() -> Floats:
    """Blends with at least half of the third yarn, in tenths."""
    blends = lattice(10)
    return np.asarray(blends[blends[:, 2] >= 0.5 - 1e-9])


def yarn_average_variances(x: Floats) -> tuple[float, Floats]:
    """Average variance of prediction in that corner, now and with each of its blends spun once more."""
    asked, information = quadratic(yarn_corner()), quadratic(x).T @ quadratic(x)
    after = [information_gain(asked, np.linalg.inv(information + np.outer(row, row))).mean() for row in asked]
    return float(information_gain(asked, np.linalg.inv(information)).mean()), np.array(after)


def eight_schools() -> Values:
    """Eight schools with known errors and a flat prior on the spread between schools."""
    rows = read_rows("eight_schools")
    y, se = numbers(rows, ["y"])[:, 0], numbers(rows, ["se"])[:, 0]
    precision = 1.0 / se**2
    # Errors are known: the residual variance is fixed at what the weights are relative to.
    residual = len(y) / precision.sum()
    # Cells grow with tau, which has a heavy tail; their mass is their width under the flat prior.
    ends = np.concatenate([[0.0], np.geomspace(0.05, 200.0, 4000)])
    tau = (ends[1:] + ends[:-1]) / 2.0
    block = Block("schools", 8, 1.0, (tau / sqrt(residual), np.diff(ends)))
    fit = BlockFit(y, np.eye(8), [block], weights=precision, residual_prior=(1e7, residual))
    said = fit.ask(Contrasts(np.ones((8, 1)), np.eye(8)))
    found, weight = fit.ratios[:, 0] * sqrt(residual), fit.cell_weights
    return {
        "pooled_mean": precision @ y / precision.sum(),
        "pooled_se": 1.0 / sqrt(precision.sum()),
        **{f"post_mean_{school}": said.mean[k] for k, school in enumerate("ABCDEFGH")},
        "post_mean_tau": weight @ found,
        "post_median_tau": float(np.interp(0.5, np.cumsum(weight), found)),
        "post_sd_A": said.sd[0],
        "post_sd_G": said.sd[6],
    }


def dyestuff() -> Values:
    """Six batches of an intermediate of a dyestuff: spreads, and means shrunk by them."""
    rows = read_rows("dyestuff")
    y, batches = numbers(rows, ["Yield"])[:, 0], chosen(rows, "Batch")
    between, within = likeliest(y, [batches])
    fit = BlockFit(y, batches, [Block("batch", 6, 1.0, known(between / within))])
    return {
        "var_batch": between**2,
        "var_residual": within**2,
        "mean": fit.ask(Contrasts(np.ones((1, 1)), np.zeros((1, 6)))).mean[0],
        **{f"blup_{name}": fit.coefficients[k] for k, name in enumerate("ABCDEF") if name in "AEF"},
    }


def penicillin() -> Values:
    """Crossed plates and samples."""
    rows = read_rows("penicillin")
    y, plates, samples = numbers(rows, ["diameter"])[:, 0], chosen(rows, "plate"), chosen(rows, "sample")
    sd_plate, sd_sample, sd_rest = likeliest(y, [plates, samples])
    blocks = [
        Block("plate", 24, 1.0, known(sd_plate / sd_rest)),
        Block("sample", 6, 1.0, known(sd_sample / sd_rest)),
    ]
    fit = BlockFit(y, np.hstack([plates, samples]), blocks, residual_prior=(1e9, sd_rest**2))
    said = fit.ask(Contrasts(np.ones((1, 1)), np.zeros((1, 30))))
    return {
        "sd_plate": sd_plate,
        "sd_sample": sd_sample,
        "sd_residual": sd_rest,
        "intercept": said.mean[0],
        "se_intercept": said.sd[0],
        "blup_A": fit.coefficients[24],
        "blup_F": fit.coefficients[29],
    }


def sleepstudy() -> Values:
    """Intercepts and slopes that correlate, their spreads given; and intercepts alone."""
    rows = read_rows("sleepstudy")
    y, days = numbers(rows, ["Reaction"])[:, 0], numbers(rows, ["Days"])[:, 0]
    subjects = chosen(rows, "Subject")
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
    sd_subject, sd_rest = likeliest(y, [subjects], flat)
    return {
        "intercept": said.mean[0],
        "days": said.mean[1],
        "se_intercept": said.sd[0],
        "se_days": said.sd[1],
        "ri_only_sd_subject": sd_subject,
        "ri_only_sd_residual": sd_rest,
    }


def longley() -> Values:
    """Longley's nearly tied columns: variance inflation, least squares, ridge."""
    rows = read_rows("longley")
    x, y = numbers(rows, LONGLEY), numbers(rows, ["Employed"])[:, 0]
    scaled = (x - x.mean(axis=0)) / x.std(axis=0)
    ridge = BlockFit(y, scaled, [Block("all", 6, 1.0, known(10.0))]).coefficients / x.std(axis=0)
    loose = BlockFit(y, scaled, [Block("all", 6, 1.0, known(1e5))])
    inflation = np.diag(loose.covariance) * len(y)
    names = (name.lower().replace(".", "_") for name in LONGLEY)
    return {
        **{f"vif_{name}": inflation[k] for k, name in enumerate(names)},
        "ols_year": loose.coefficients[5] / x[:, 5].std(),
        "ridge001_year": ridge[5],
        "ridge001_population": ridge[4],
    }


def swiss() -> Values:
    """Shares of R2 in the Swiss districts: over all orders, and each as the last to enter."""
    rows = read_rows("swiss")
    x, y = numbers(rows, SWISS), numbers(rows, ["Fertility"])[:, 0]
    parts = explained.shapley_r2(y, [x[:, [k]] for k in range(5)])
    last = explained.last_in_r2(y, [x[:, [k]] for k in range(5)])
    return {
        "r2": sum(parts),
        **{f"lmg_{name.lower().replace('.', '_')}": part for name, part in zip(SWISS, parts, strict=True)},
        "unique_education": last[SWISS.index("Education")],
        "unique_examination": last[SWISS.index("Examination")],
    }


def aliased_season() -> Values:
    """A made-up season in which a yeast came exactly with the rye."""
    rows = read_rows("aliased_season")
    columns = np.hstack([numbers(rows, ["malt", "wheat", "rye"]), chosen(rows, "yeast")])
    v = aliases.cramers_v([row["rye"] != "0" for row in rows], [row["yeast"] for row in rows])
    return {
        "columns": columns.shape[1],
        "rank": aliases.design_rank(columns),
        "cramer_v_rye_present_vs_yeast": v,
    }


def ei_cases() -> Values:
    """Expected improvements, and the knowledge gradient of two arms, which is one of them."""
    cases = numbers(read_rows("ei_cases"), ["mean", "sd", "best"])
    values = {f"ei_{k}": float(expected_improvement(*case)) for k, case in enumerate(cases, start=1)}
    gap = float(expected_improvement(0.0, 1.0, 0.5))
    return values | {"knowledge_gradient_two_arms_gap05_sigma1": gap}


def dopt_quadratic3() -> Values:
    """The six-point mixture design, and the weights of the D- and the I-optimal one."""
    points = quadratic(numbers(read_rows("dopt_quadratic3"), ["x1", "x2", "x3"]))
    covariance = np.linalg.inv(points.T @ points / 6.0)
    grid = lattice(6)
    names = {(1.0, 0.0): "vertex", (0.5, 0.5): "midpoint", (1 / 3, 1 / 3): "centroid"}
    kinds = [names.get((row.max(), row[row > 0].min() if row.max() < 1 else 0.0)) for row in grid]
    even, average = _optimal_weights(quadratic(grid), None)
    best, least = _optimal_weights(quadratic(grid), _moments())
    np.testing.assert_allclose(even[kinds.index("vertex")], even[kinds.index("midpoint")], atol=5e-4)
    return {
        "max_variance": information_gain(quadratic(lattice(20)), covariance).max(),
        "variance_centroid": information_gain(quadratic(np.full((1, 3), 1.0 / 3.0)), covariance)[0],
        "dopt_weight_each": even[kinds.index("vertex")],
        "dopt_average_variance": average,
        **{f"iopt_weight_{kind}": best[kinds.index(kind)] for kind in names.values()},
        "iopt_average_variance": least,
    }


def _moments() -> Floats:
    """Average of the products of the quadratic terms over the whole triangle (Dirichlet's integral)."""
    powers = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0], [1, 0, 1], [0, 1, 1]])

    def average(total: Floats) -> float:
        return float(2.0 * np.prod([factorial(int(k)) for k in total]) / factorial(int(sum(total)) + 2))

    return np.array([[average(one + other) for other in powers] for one in powers])


def _optimal_weights(points: Floats, region: Floats | None) -> tuple[Floats, float]:
    """Weights by the multiplicative algorithm: D-optimal, or least average variance over the `region`."""
    weights = np.full(len(points), 1.0 / len(points))
    for _ in range(2000):
        covariance = np.linalg.inv((points * weights[:, None]).T @ points)
        if region is None:
            weights = weights * information_gain(points, covariance) / points.shape[1]
        else:
            gain = information_gain(points, covariance @ region @ covariance)
            weights = weights * np.sqrt(gain / np.trace(covariance @ region))
    return weights / weights.sum(), float(np.trace(covariance @ _moments()))


EXAMPLES: dict[str, Callable[[], Values]] = {
    function.__name__: function
    for function in (
        season24, octane_mixture12, yarn, eight_schools, dyestuff, penicillin, sleepstudy, longley, swiss,
        aliased_season, ei_cases, dopt_quadratic3,
    )
}  # fmt: skip


@cache
def computed(example: str) -> Values:
    """Every statistic of an example, worked out once."""
    return EXAMPLES[example]()
