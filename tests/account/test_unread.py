"""Jars that nobody measured: what they are taken for by hand, and what that does to other batches."""

import sys
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.account import walk_entries
from pipeline.account.ancestry import credits, walk_ancestry
from pipeline.account.book import Book, Tables, make_book
from pipeline.account.step import READS_OF_TABLES
from pipeline.account.unread import unread_jars
from pipeline.logs import LogFrames, read_logs
from pipeline.settings import Settings
from pipeline.simulate import PERFECT, season_truth, simulate_season, write_season
from pipeline.warehouse import make_tables

sys.path.insert(0, str(Path(__file__).parent))
import monte_carlo
from account_entries import entries


def run_of(*jars: tuple[str, float | None, float | None], charged_l: float | None = 40.0) -> pl.DataFrame:
    """Moves of a run charged with 28 %vol, and its jars: cut, volume [L] and strength [%vol]."""
    of = {"batch": "9", "run": "spirit"}
    charge = {**of, "kind": "charge", "cut": "low wines", "from_lot": "9 low wines"}
    return walk_entries(
        entries(
            {**charge, "volume_20c_l": charged_l, "abv_20c_pct_vol": 28.0},
            *(
                {
                    **of,
                    "kind": "collect",
                    "cut": cut,
                    "to_lot": f"9 {cut}",
                    "volume_20c_l": volume,
                    "abv_20c_pct_vol": abv,
                }
                for cut, volume, abv in jars
            ),
        )
    )[0]


def test_a_small_jar_is_like_the_others_of_its_cut_and_as_strong_as_those_beside_it():
    moves = run_of(
        ("heads", 0.6, 80.0),
        ("hearts", 0.8, 78.0),
        ("hearts", None, None),
        ("hearts", 0.8, 76.0),
        charged_l=80.0,
    )
    (found,) = unread_jars(moves).items()
    assert found[0] == 3
    assert found[1].lpa == pytest.approx(0.8 * 77.0 / 100.0)
    assert found[1].guessed == pytest.approx(found[1].lpa)
    assert not found[1].added


def test_a_vessel_without_its_like_is_what_the_charge_leaves():
    """40 L at 28 %vol are 11.2 LPA; 0.48 and 2.0 were collected, and 1 % of 11.2 is taken to stay behind."""
    moves = run_of(("heads", 0.6, 80.0), ("hearts", None, 68.0), ("tails", 5.0, 40.0))
    (found,) = unread_jars(moves).values()
    assert found.lpa == pytest.approx(11.2 * 0.99 - 0.48 - 2.0)
    assert (found.added, found.taken_off) == ((0,), (1, 3))
    assert found.guessed == pytest.approx(2.0 * 0.112)


def test_where_the_charge_was_not_measured_either_the_vessel_is_hardly_known():
    moves = run_of(("heads", 0.6, 80.0), ("hearts", None, 68.0), ("tails", 5.0, 40.0), charged_l=None)
    (found,) = unread_jars(moves).values()
    assert found.lpa == pytest.approx(2.8 * 0.68)
    assert found.guessed > 2.0 * found.lpa


def test_a_season_read_to_the_last_litre_needs_nothing():
    assert unread_jars(run_of(("heads", 0.6, 80.0), ("hearts", 7.0, 68.0))) == {}


def book_of(frames: LogFrames, settings: Settings) -> Book:
    with duckdb.connect(":memory:") as con:
        make_tables(con, frames, settings, ["account.credit"])
        return make_book(Tables(*(pl.DataFrame(con.sql(query)) for query in READS_OF_TABLES)))


# In these a vessel of hearts went unread in a batch that had other batches' feints in it.
SEEDS = (50_002, 50_070)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_yield_of_a_batch_whose_feints_went_into_an_unread_jar_is_within_its_uncertainty(seed, tmp_path):
    """With perfect instruments all that is wrong with a yield is what an unread jar was taken for."""
    season = simulate_season(8, seed, instruments=PERFECT)
    write_season(season, tmp_path)
    settings = Settings.find(tmp_path)
    book = book_of(read_logs(tmp_path, settings), settings)
    truth = season_truth(season)["batches"]
    batches = book.tables.batches["batch"].to_list()
    off = book.net_spirit_lpa.values - np.array([truth[batch]["net_spirit_lpa"] for batch in batches])
    is_guess = (book.readings.frame["quantity"] == "not measured").to_numpy()
    guess_u = book.net_spirit_lpa.u(np.where(is_guess, book.readings.u, 0.0))
    others = np.array([not truth[batch]["has_unmeasured_jars"] for batch in batches])
    assert np.max(np.abs(off[others])) > 5e-3
    assert np.all(np.abs(off[others]) < 2.5 * guess_u[others] + 1e-6)


# Of the readings that move some batch's net spirit most, so many are moved, each by so much of its u.
MOVED, MOVED_U = 60, 0.2


def one_moved(frames: LogFrames, readings: pl.DataFrame) -> LogFrames:
    """Copies of a season side by side, in each of them one reading a little larger; no casks."""
    step = int(frames.files["file_id"].max()) + 1
    table = frames.values["batch_value"]
    tables, files = [], []
    for number, reading in enumerate(readings.iter_rows(named=True)):
        column = {"volume": "volume_l", "strength": "strength_reading"}[reading["quantity"]]
        is_it = (pl.col("file_id") == reading["file_id"]) & (pl.col("line") == reading["line"])
        moved = pl.col(column) + pl.when(is_it).then(MOVED_U * reading["reading_u"]).otherwise(0.0)
        tables.append(monte_carlo.named_apart(table.with_columns(moved), number, step))
        own = (pl.col("file_id") + number * step).cast(pl.Int32)
        batch_logs = frames.files.filter(pl.col("kind") == "batch_log")
        files.append(batch_logs.with_columns(own, pl.col("path") + f"~{number}"))
    values = {
        name: each if name == "ingredient_value" else each.clear() for name, each in frames.values.items()
    }
    numbers = range(len(tables))
    values["batch_value"] = pl.concat(tables)
    values["batch_text"] = pl.concat(
        [monte_carlo.named_apart(frames.values["batch_text"], number, step) for number in numbers]
    )
    cells = monte_carlo.cells_apart(frames, numbers, step)
    return LogFrames(pl.concat(files), cells, values, frames.problems.clear())


@pytest.mark.parametrize(
    "seed", [9, 80], ids=["a small jar of heads", "a vessel of hearts and a jar of tails"]
)
def test_net_spirit_moves_with_each_reading_as_its_derivative_says(seed, tmp_path):
    """Also where a receiver's content is not known any more, because a jar in it was not read."""
    write_season(simulate_season(4, seed, careless_frac=0.3), tmp_path)
    settings = Settings.find(tmp_path)
    frames = read_logs(tmp_path, settings)
    book = book_of(frames, settings)
    assert book.ancestry.unread
    net, readings = book.net_spirit_lpa, book.readings
    by_u = net.jacobian.toarray() * readings.u
    is_moved = readings.frame["quantity"].is_in(["volume", "strength"]).to_numpy()
    largest = np.argsort(-np.abs(by_u * is_moved).max(axis=0))[:MOVED]
    with duckdb.connect(":memory:") as con:
        make_tables(con, one_moved(frames, readings.frame[largest]), settings, ["account.move"])
        moves = pl.DataFrame(con.sql("select * from account.move order by move_id"))
    found = credits(walk_ancestry(moves))
    batches = book.tables.batches["batch"].to_list()
    for number, reading in enumerate(largest):
        change = [found[f"{batch}~{number}"] for batch in batches] - net.values
        expected = MOVED_U * by_u[:, reading]
        # What stays in the pot is a share of the charge: 1 % of the charge's own derivative is left out.
        np.testing.assert_allclose(change, expected, atol=0.02 * np.abs(expected).max())
