"""The fit's closed forms against fits made anew, and its laws."""

import numpy as np
import pytest

from pipeline.fits import blocks
from pipeline.fits.blocks import Block, BlockFit, Contrasts
from pipeline.fits.grids import late_grid, ratio_grid

BLOCKS = [Block("grain", 3, 8.0), Block("yeast", 2, 2.0)]


@pytest.fixture
def season():
    rng = np.random.default_rng(5)
    shares = rng.dirichlet([2.0, 1.0, 1.0], 14)
    yeast = np.eye(2)[rng.integers(0, 2, 14)]
    columns = np.hstack([shares, yeast])
    y = columns @ [3.0, 0.0, -2.0, 1.0, 0.0] + 0.5 * rng.standard_normal(14)
    return columns, y


@pytest.fixture
def whole_grid(monkeypatch):
    """Every cell of the grid kept, so that closed forms are exact."""
    monkeypatch.setattr(blocks, "_NEGLIGIBLE", 1e-300)


@pytest.mark.usefixtures("whole_grid")
def test_left_out_predictions_equal_fits_without_the_row(season):
    columns, y = season
    prior = (2.0, 0.3)
    found = BlockFit(y, columns, BLOCKS, residual_prior=prior, steps=8).left_out()
    for row in range(len(y)):
        kept = np.arange(len(y)) != row
        # The same prior in the same unit: only the data differ.
        alone = BlockFit(y[kept], columns[kept], BLOCKS, residual_prior=prior, steps=8)
        said = alone.predict(columns[[row]], noise=1.0)
        assert found.mean[row] == pytest.approx(said.mean[0], abs=1e-9), f"row {row}"
        assert found.sd[row] == pytest.approx(said.sd[0], rel=1e-9), f"row {row}"


@pytest.mark.usefixtures("whole_grid")
def test_left_out_groups_equal_fits_without_the_group(season):
    columns, y = season
    prior = (2.0, 0.3)
    groups = np.arange(len(y)) // 5
    found = BlockFit(y, columns, BLOCKS, residual_prior=prior, steps=8).left_out_by(groups)
    for group in range(3):
        kept = groups != group
        alone = BlockFit(y[kept], columns[kept], BLOCKS, residual_prior=prior, steps=8)
        np.testing.assert_allclose(found[~kept], alone.predict(columns[~kept]).mean, atol=1e-9)


@pytest.mark.usefixtures("whole_grid")
@pytest.mark.parametrize("at_once", [1, 10**9], ids=["one by one", "together"])
def test_recipes_of_many_batches_left_out_equal_fits_without_them(monkeypatch, at_once):
    monkeypatch.setattr(blocks, "_AT_ONCE", at_once)
    rng = np.random.default_rng(7)
    groups = np.repeat([0, 1, 2, 3], [9, 4, 4, 3])
    # A recipe's batches lie in fewer directions than they are many; of the last, in one.
    columns = np.hstack([rng.dirichlet([2.0, 1.0, 1.0], 4)[groups], np.eye(2)[rng.integers(0, 2, 20)]])
    columns[groups == 3] = columns[-1]
    y, prior = columns @ [3.0, 0.0, -2.0, 1.0, 0.0] + 0.5 * rng.standard_normal(20), (2.0, 0.3)
    found = BlockFit(y, columns, BLOCKS, residual_prior=prior, steps=8).left_out_by(groups)
    for group in range(4):
        kept = groups != group
        alone = BlockFit(y[kept], columns[kept], BLOCKS, residual_prior=prior, steps=8)
        expected = alone.predict(columns[~kept]).mean
        np.testing.assert_allclose(found[~kept], expected, atol=1e-9, err_msg=f"recipe {group}")


@pytest.mark.parametrize("unused", [[], [1], [4], [0, 3]])
def test_known_ratios_give_the_normal_equations_also_of_choices_that_no_batch_has(season, unused):
    columns, y = season
    columns = columns.copy()
    columns[:, unused] = 0.0
    ratios = np.array([2.0, 2.0, 2.0, 0.5, 0.5])
    known = [
        Block("grain", 3, 1.0, (np.array([2.0]), np.array([1.0]))),
        Block("yeast", 2, 1.0, (np.array([0.5]), np.array([1.0]))),
    ]
    fit = BlockFit(y, columns, known)
    centred = columns - columns.mean(axis=0)
    covariance = np.linalg.inv(centred.T @ centred + np.diag(ratios**-2.0))
    coefficients = covariance @ centred.T @ (y - y.mean())
    np.testing.assert_allclose(fit.covariance, covariance, atol=1e-12)
    np.testing.assert_allclose(fit.coefficients, coefficients, atol=1e-12)
    hat = centred @ covariance @ centred.T + 1.0 / len(y)
    expected = y - (y - y.mean() - centred @ coefficients) / (1.0 - np.diag(hat))
    np.testing.assert_allclose(fit.left_out().mean, expected, atol=1e-12)
    said = fit.ask(Contrasts(np.zeros((5, 1)), np.eye(5)))
    np.testing.assert_allclose(fit.sd_of(said), np.sqrt(np.diag(covariance)), rtol=1e-12)
    drawn = fit.draw(40000).shrunk / np.sqrt(np.diag(covariance)) / fit.residual_sd
    np.testing.assert_allclose(drawn.std(axis=0), 1.0, atol=0.03)


def test_without_any_choice_a_group_is_foretold_by_the_mean_of_the_others():
    y, groups = np.array([1.0, 2.0, 4.0, 8.0, 9.0]), np.array([0, 0, 1, 1, 2])
    fit = BlockFit(y, np.zeros((5, 0)), [])
    np.testing.assert_allclose(fit.left_out_by(groups), [7.0, 7.0, 4.0, 4.0, 3.75])
    np.testing.assert_allclose(fit.left_out().mean, (y.sum() - y) / 4.0)


def test_leaving_out_the_grids_light_cells_changes_little(season, monkeypatch):
    columns, y = season
    pruned = BlockFit(y, columns, BLOCKS)
    monkeypatch.setattr(blocks, "_NEGLIGIBLE", 1e-300)
    full = BlockFit(y, columns, BLOCKS)
    assert len(pruned.cell_weights) < len(full.cell_weights)
    np.testing.assert_allclose(pruned.coefficients, full.coefficients, atol=2e-3 * y.std())
    np.testing.assert_allclose(pruned.left_out().mean, full.left_out().mean, atol=0.02 * y.std())


def test_answers_scale_with_the_response_and_ignore_its_origin(season):
    columns, y = season
    question = Contrasts(np.zeros((1, 1)), np.array([[0.1, -0.1, 0.0, 0.0, 0.0]]))
    one = BlockFit(y, columns, BLOCKS).ask(question)
    other = BlockFit(100.0 + 7.0 * y, columns, BLOCKS).ask(question)
    np.testing.assert_allclose(other.mean, 7.0 * one.mean, rtol=1e-8)
    np.testing.assert_allclose(other.interval(0.95), np.array(one.interval(0.95)) * 7.0, rtol=1e-6)


def test_a_weight_of_two_is_half_the_variance_and_all_alike_is_none(season):
    columns, y = season
    fit = BlockFit(y, columns, BLOCKS)
    alike = BlockFit(y, columns, BLOCKS, weights=np.full(len(y), 3.0))
    np.testing.assert_allclose(fit.coefficients, alike.coefficients)
    heavy = np.ones(len(y))
    heavy[0] = 1e6
    held = BlockFit(y, columns, BLOCKS, weights=heavy)
    assert abs(held.predict(columns[[0]]).mean[0] - y[0]) < 1e-2


def test_draws_agree_with_the_closed_form(season):
    columns, y = season
    fit = BlockFit(y, columns, BLOCKS)
    question = np.array([[0.1, -0.1, 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 1.0, -1.0]])
    said = fit.ask(Contrasts(np.zeros((2, 1)), question))
    drawn = fit.draw(20000).shrunk @ question.T
    np.testing.assert_allclose(drawn.mean(axis=0), said.mean, atol=4 * said.sd.max() / np.sqrt(20000))
    np.testing.assert_allclose(drawn.std(axis=0), said.sd, rtol=0.05)
    np.testing.assert_allclose(np.quantile(drawn, 0.975, axis=0), said.interval(0.95)[1], atol=0.05)


def test_the_same_season_gives_the_same_answer_to_the_last_bit(season):
    columns, y = season
    one, other = BlockFit(y, columns, BLOCKS), BlockFit(y.copy(), columns.copy(), BLOCKS)
    assert one.coefficients.tobytes() == other.coefficients.tobytes()
    assert one.draws.shrunk.tobytes() == other.draws.shrunk.tobytes()


def test_prior_masses_of_the_grid_sum_to_one():
    ratios, mass = ratio_grid(8.0, 12)
    assert mass.sum() == pytest.approx(1.0)
    assert np.all(np.diff(ratios) > 0)


def test_influence_is_the_change_that_leaving_a_row_out_makes(season):
    columns, y = season
    known = [Block("all", 5, 1.0, (np.array([2.0]), np.array([1.0])))]
    question = Contrasts(np.zeros((1, 1)), np.array([[0.1, -0.1, 0.0, 0.0, 0.0]]))
    shifts = BlockFit(y, columns, known).shifts_without_each(question)[:, 0]
    whole = BlockFit(y, columns, known).ask(question).mean[0]
    for row in range(len(y)):
        kept = np.arange(len(y)) != row
        alone = BlockFit(y[kept], columns[kept], known).ask(question).mean[0]
        assert shifts[row] == pytest.approx(alone - whole, abs=1e-9), f"row {row}"


@pytest.mark.usefixtures("whole_grid")
def test_a_late_block_is_summed_over_as_any_other(season, monkeypatch):
    columns, y = season
    products = (columns[:, :3, None] * columns[:, None, 3:]).reshape(len(y), -1)
    both = np.hstack([columns, products])
    late = Block("together", 6, 1.5, is_late=True)
    early = Block("together", 6, 1.5, late_grid(1.5))
    monkeypatch.setattr(blocks, "_NEGLIGIBLE_BEFORE", 1e-300)
    change = [0.1, -0.1, 0.0, 0.0, 0.0, 0.05, 0.05, -0.05, -0.05, 0.0, 0.0]
    question = Contrasts(np.zeros((1, 1)), np.array([change]))
    one = BlockFit(y, both, [*BLOCKS, late], steps=8).ask(question)
    other = BlockFit(y, both, [*BLOCKS, early], steps=8).ask(question)
    np.testing.assert_allclose(one.interval(0.95), other.interval(0.95), rtol=1e-9)


def test_late_blocks_stand_last(season):
    columns, y = season
    with pytest.raises(ValueError, match="after all others"):
        BlockFit(y, columns, [Block("grain", 3, 8.0, is_late=True), Block("yeast", 2, 2.0)])
