"""Columns that know their readings: algebra by hand, and a season's uncertainties against Monte Carlo."""

import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy import sparse

from pipeline import science
from pipeline.account.book import Tables, make_book
from pipeline.account.casks import CaskBook, cask_sums
from pipeline.account.figures import batch_figures, cut_figures, jar_figures, run_figures, sums_of
from pipeline.account.flow import flow_figures, season_figures, season_sums
from pipeline.account.step import READS_OF_TABLES
from pipeline.account.uncertain import Shares, Uncertain, apply, choose
from pipeline.logs import read_logs
from pipeline.settings import Settings
from pipeline.simulate import simulate_season, write_season

sys.path.insert(0, str(Path(__file__).parent))
import monte_carlo

U = np.array([0.1, 0.2, 0.3])

DRAWS = 200


def leaf(values: list[float], numbers: list[int]) -> Uncertain:
    """A column whose rows are readings themselves."""
    return Uncertain.from_parts(values, [(range(len(values)), numbers, np.ones(len(values)))], U.size)


def test_errors_of_different_readings_add_as_squares_and_of_one_reading_as_they_are():
    two = leaf([4.0, 4.0], [0, 0]) + leaf([6.0, 6.0], [1, 0])
    assert two.values.tolist() == [10.0, 10.0]
    assert two.u(U) == pytest.approx([np.hypot(0.1, 0.2), 0.2])


def test_a_ratio_of_one_reading_with_itself_has_no_error():
    one = leaf([4.0], [0])
    assert (one / one).u(U) == pytest.approx([0.0])
    assert (one - one).u(U) == pytest.approx([0.0])


def test_products_and_ratios_keep_relative_errors():
    volume, strength = leaf([10.0], [0]), leaf([40.0], [1])
    lpa = volume * strength / 100.0
    assert lpa.u(U) == pytest.approx([4.0 * np.hypot(0.1 / 10.0, 0.2 / 40.0)])
    assert (lpa / volume).u(U) == pytest.approx([0.2 / 100.0])


def test_a_sum_is_not_known_when_a_part_is_not_and_zero_when_it_has_none():
    column = leaf([1.0, np.nan, 3.0], [0, 1, 2])
    sums = column.sum_by([0, 1, 0], 3)
    assert sums.values[0] == 4.0
    assert np.isnan(sums.values[1])
    assert sums.values[2] == 0.0
    assert np.isnan(column.sum_by([0, 1, 0], 3, must_have=True).values[2])
    assert sums.u(U)[0] == pytest.approx(np.hypot(0.1, 0.3))


def test_a_function_has_its_derivative_by_each_argument():
    original, final = leaf([1.060], [0]), leaf([1.000], [1])
    strength = apply(science.wash_abv, original, final)
    step = 1e-4
    by_original = (science.wash_abv(1.060 + step, 1.0) - science.wash_abv(1.060 - step, 1.0)) / (2 * step)
    by_final = (science.wash_abv(1.060, 1.0 + step) - science.wash_abv(1.060, 1.0 - step)) / (2 * step)
    assert strength.u(U) == pytest.approx([np.hypot(by_original * 0.1, by_final * 0.2)], rel=1e-5)
    chosen = choose(np.array([False]), original, final)
    assert chosen.u(U) == pytest.approx([0.2])


@pytest.fixture(scope="module")
def small_season(tmp_path_factory):
    """Six invented batches on two receivers, with jars whose strength was not read."""
    folder = tmp_path_factory.mktemp("season")
    write_season(simulate_season(6, 31), folder)
    settings = monte_carlo.without_model_error(Settings.find(folder))
    frames = read_logs(folder, settings)
    return frames, settings, monte_carlo.build(frames, settings)


def test_every_figure_is_the_same_from_sql_and_from_the_columns(small_season):
    _, _, con = small_season
    book = make_book(Tables(*(pl.DataFrame(con.sql(query)) for query in READS_OF_TABLES)))
    sums = sums_of(book)
    tables = {
        "metric.batch": (book.tables.batches.select("batch"), batch_figures(book, sums)),
        "metric.run": (book.tables.runs.select("batch", "run"), run_figures(book, sums)),
        "metric.cut": cut_figures(book, sums),
        "metric.jar": jar_figures(book, sums),
    }
    seasons = book.tables.batches["season"].unique(maintain_order=True)
    of_batches = batch_figures(book, sums)
    keys = pl.DataFrame({"season": seasons})
    casks = cask_sums(CaskBook.of(book))
    of_season = season_sums(book, of_batches, casks, seasons.to_list())
    tables["metric.season"] = (keys, season_figures(of_season))
    for node, column in flow_figures(book, sums, of_batches, casks, seasons.to_list()).items():
        tables[f"metric.flow where node = '{node}'"] = (keys, {"lpa": column})
    names = pl.DataFrame({"key": [cask.lot for cask in casks.casks]})
    tables["(select *, 'cask ' || lower(cask) as key from metric.cask)"] = (names, casks.of)
    for table, (keys, figures) in tables.items():
        shown = keys.join(
            pl.DataFrame(con.sql(f"select * from {table}")),
            on=keys.columns,
            how="left",
            nulls_equal=True,
            maintain_order="left",
        )
        for name, column in figures.items():
            expected = shown[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
            if table.startswith("metric.flow") and np.isnan(expected).all():
                # A step that nothing was added in is left off the flow.
                expected = np.zeros(expected.size)
            np.testing.assert_allclose(column.values, expected, rtol=1e-9, atol=1e-9, err_msg=name)


def test_uncertainties_are_the_spread_of_the_figures_when_readings_are_drawn_anew(small_season):
    """Within 5 %, or as far as the spread of so many draws is itself known."""
    frames, settings, con = small_season
    drawn = [
        monte_carlo.build(
            monte_carlo.replicated(frames, DRAWS // 2, settings.uncertainty, seed=seed), settings
        )
        for seed in (1, 2)
    ]
    found = monte_carlo.ratios(con, drawn)
    print(found)
    assert found.height > 50
    allowed = pl.max_horizontal(pl.lit(0.05), 3.5 / (2.0 * DRAWS * pl.col("rows")).sqrt())
    outside = found.filter((pl.col("spread_over_u") - 1.0).abs() > allowed)
    assert outside.is_empty(), outside


def test_the_wash_models_own_error_is_in_the_wash_and_not_in_the_hearts(small_season):
    frames, _, without = small_season
    with_model = monte_carlo.build(frames, Settings())
    query = "select batch, wash_abv_pct_vol_u, hearts_lpa_u from metric.batch order by batch"
    more, less = pl.DataFrame(with_model.sql(query)), pl.DataFrame(without.sql(query))
    variance = less["wash_abv_pct_vol_u"] ** 2 + Settings().uncertainty.wash_model_pct_vol ** 2
    np.testing.assert_allclose(more["wash_abv_pct_vol_u"] ** 2, variance, rtol=1e-9)
    assert more["hearts_lpa_u"].to_list() == less["hearts_lpa_u"].to_list()


def test_a_share_that_is_never_written_out_is_the_quotient():
    """Two parts share a reading with their whole, one has none, one whole is nothing."""
    parts = Uncertain(np.array([2.0, 3.0, 4.0, 5.0]), sparse.csr_matrix(np.eye(4, 5) + np.eye(4, 5, 1)))
    wholes = Uncertain(np.array([10.0, 0.0]), sparse.csr_matrix(np.array([[1.0, 0.5, 2.0, 0, 0], [0] * 5])))
    of = np.array([0, 0, -1, 1])
    u = np.array([0.1, 0.2, 0.3, 0.4, 0.5])
    plain, shares = parts / wholes.take(of), Shares(parts, wholes, of)
    assert shares.values == pytest.approx(plain.values, nan_ok=True)
    assert shares.u(u) == pytest.approx(plain.u(u), nan_ok=True)
    assert np.isnan(shares.u(u)).tolist() == [False, False, True, True]
