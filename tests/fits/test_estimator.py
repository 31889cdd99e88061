"""The scikit-learn regressor by scikit-learn's own checks, and the plain methods against scikit-learn."""

import warnings

import numpy as np
import pytest
from sklearn.compose import ColumnTransformer
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF
from sklearn.linear_model import LinearRegression, Ridge, RidgeCV
from sklearn.model_selection import LeaveOneGroupOut, LeaveOneOut, cross_val_predict
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import OneHotEncoder
from sklearn.utils.estimator_checks import check_estimator

from pipeline.fits import baselines, curvature
from pipeline.fits.estimator import HierarchicalBlocks

# Checks of scikit-learn that do not apply, each with the reason.
NOT_APPLYING = {
    "check_sample_weight_equivalence_on_dense_data": "weights are relative precisions, not numbers of "
    "repeats: a row of weight two is one better measured row, not two rows",
    "check_array_api_input": "numpy arrays only; the check is skipped unless array dispatch is switched on",
}


def test_scikit_learns_own_checks():
    expected = {name: why for name, why in NOT_APPLYING.items() if "weight" in name}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        results = check_estimator(HierarchicalBlocks(), expected_failed_checks=expected, on_fail=None)
    failed = [f"{each['check_name']}: {each['exception']}" for each in results if each["status"] == "failed"]
    assert failed == []
    assert {each["check_name"] for each in results if each["status"] != "passed"} <= set(NOT_APPLYING)
    assert sum(each["status"] == "passed" for each in results) > 50


@pytest.fixture
def season():
    rng = np.random.default_rng(9)
    shares = rng.dirichlet([3.0, 1.0, 1.0], 20)
    yeast = rng.integers(0, 3, 20).astype(float)
    y = shares @ [5.0, 1.0, 0.0] + 0.8 * (yeast == 1) + 0.3 * rng.standard_normal(20)
    return np.column_stack([shares, yeast]), y


def test_in_a_pipeline_and_in_cross_validation(season):
    x, y = season
    columns = ColumnTransformer([("yeast", OneHotEncoder(), [3])], remainder="passthrough")
    model = make_pipeline(columns, HierarchicalBlocks(blocks=[[3, 4, 5], [0, 1, 2]]))
    predicted = cross_val_predict(model, x, y, cv=LeaveOneOut())
    assert baselines.rmse(predicted, y) < 0.6 * baselines.rmse(baselines.left_out_mean(y), y)
    model.fit(x, y)
    mean, sd = model.predict(x, return_std=True)
    assert mean.shape == sd.shape == (20,)
    assert sd.min() > 0.2
    fitted = model[-1]
    design = columns.fit_transform(x)
    np.testing.assert_allclose(design @ fitted.coef_ + fitted.intercept_, mean, atol=1e-8)
    low, high = fitted.predict_interval(design)
    assert np.all((low < mean) & (mean < high))


def test_columns_in_no_block_are_not_shrunk():
    rng = np.random.default_rng(2)
    x = rng.standard_normal((30, 2))
    y = 5.0 * x[:, 0] + 0.1 * x[:, 1] + rng.standard_normal(30)
    model = HierarchicalBlocks(blocks=[[1]]).fit(x, y)
    plain = LinearRegression().fit(x[:, [0]], y - model.coef_[1] * x[:, 1])
    assert model.coef_[0] == pytest.approx(plain.coef_[0], abs=1e-6)


def test_blocks_must_name_columns_once():
    with pytest.raises(ValueError, match="at most once"):
        HierarchicalBlocks(blocks=[[0], [0]]).fit(np.eye(4), np.arange(4.0))


def test_left_out_least_squares_is_scikit_learns(season):
    x, y = season
    expected = cross_val_predict(LinearRegression(), x, y, cv=LeaveOneOut())
    # Shares sum to one: predictions, unlike coefficients, are the same whichever solution is taken.
    np.testing.assert_allclose(baselines.left_out_least_squares(x, y), expected, atol=1e-8)


def test_left_out_ridge_is_scikit_learns(season):
    x, y = season
    model = RidgeCV(alphas=baselines.RIDGE_STRENGTHS, store_cv_results=True).fit(x, y)
    best = list(baselines.RIDGE_STRENGTHS).index(model.alpha_)
    errors = np.sqrt(model.cv_results_[:, best].mean())
    assert baselines.rmse(baselines.left_out_ridge(x, y), y) == pytest.approx(errors, rel=1e-6)


@pytest.mark.parametrize("count", [2, 6], ids=["more rows than columns", "fewer"])
def test_recipes_left_out_are_scikit_learns(season, count):
    x, y = season
    recipes = np.arange(20) % count
    # One recipe alone has a yeast: without it, least squares has no unique answer and takes the smallest.
    x = np.column_stack([x[:, :3], recipes == count - 1])
    alike = {"groups": recipes, "cv": LeaveOneGroupOut()}
    expected = cross_val_predict(LinearRegression(), x, y, **alike)
    np.testing.assert_allclose(baselines.left_out_least_squares_by(recipes, x, y), expected, atol=1e-8)
    errors = {
        strength: baselines.rmse(cross_val_predict(Ridge(strength), x, y, **alike), y)
        for strength in baselines.RIDGE_STRENGTHS
    }
    found = baselines.left_out_ridge_by(recipes, x, y)
    np.testing.assert_allclose(found, cross_val_predict(Ridge(min(errors, key=errors.get)), x, y, **alike))
    plain = [y[recipes != recipe].mean() for recipe in recipes]
    np.testing.assert_allclose(baselines.left_out_mean_by(recipes, y), plain)
    assert np.isnan(baselines.left_out_mean_by(np.zeros(20, dtype=int), y)).all(), "one recipe is no other"


def test_the_curved_model_left_out_is_scikit_learns(season, monkeypatch):
    x, y = season
    monkeypatch.setattr(curvature, "LENGTHS", np.array([1.3]))
    monkeypatch.setattr(curvature, "NOISES", np.array([0.2]))
    found = curvature.left_out_curved(x, y)
    distance = ((x[:, None] - x[None]) ** 2).sum(axis=2)
    length = 1.3 * np.sqrt(np.median(distance[distance > 1e-12]))
    scaled = (y - y.mean()) / y.std()
    for row in range(len(y)):
        kept = np.arange(len(y)) != row
        model = GaussianProcessRegressor(RBF(length), alpha=0.2, optimizer=None).fit(x[kept], scaled[kept])
        expected = y.mean() + y.std() * model.predict(x[[row]])[0]
        assert found[row] == pytest.approx(expected, abs=1e-8), f"row {row}"


def test_a_curve_is_foretold_better_by_the_curved_model():
    rng = np.random.default_rng(1)
    x = rng.uniform(0.0, 1.0, (40, 1))
    y = np.sin(6.0 * x[:, 0]) + 0.1 * rng.standard_normal(40)
    curved = baselines.rmse(curvature.left_out_curved(x, y), y)
    straight = baselines.rmse(baselines.left_out_least_squares(x, y), y)
    assert curved < 0.5 * straight
