"""How long a season's reconciliation takes, and how it grows. Time is never asserted.

Run with `make bench`: a line by size is printed at the end. The seasons are one simulated season set end to
end again and again: every copy has its own batches, but draws on the same feints receivers, so that all of
them are linked.
"""

from collections.abc import Iterator
from functools import cache
from pathlib import Path

import duckdb
import polars as pl
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from pipeline.logs import read_logs
from pipeline.reconcile.calibrate import WANTED
from pipeline.reconcile.solve import Reconciled, reconcile
from pipeline.reconcile.step import READS, prepare
from pipeline.settings import Settings
from pipeline.warehouse import make_tables

SAMPLE = Path(__file__).parents[2] / "sample_logs"
SAMPLE_BATCHES = 48
SIZES = (1_000, 3_000, 10_000)
SMALL = 96


@cache
def sample_tables() -> tuple[pl.DataFrame, ...]:
    settings = Settings.find(SAMPLE)
    with duckdb.connect(":memory:") as con:
        make_tables(con, read_logs(SAMPLE, settings), settings, WANTED)
        return tuple(pl.DataFrame(con.sql(query)) for query in READS)


def linked_season(batches: int) -> tuple[pl.DataFrame, ...]:
    """The sample's tables, copied until there are so many batches; only shared receivers keep their name."""
    *tables, settings = sample_tables()
    rows = tables[0]
    files = rows["file_id"].max()
    return (
        *(
            pl.concat(_renamed(table, copy, files) for copy in range(-(-batches // SAMPLE_BATCHES)))
            for table in tables
        ),
        settings,
    )


def _renamed(table: pl.DataFrame, copy: int, files: int) -> pl.DataFrame:
    ending = f" of copy {copy}"
    own = [name for name in ("batch", "cask") if name in table.columns]
    changed = table.with_columns(pl.col(own) + ending)
    if "file_id" in table.columns:
        changed = changed.with_columns(pl.col("file_id") + copy * files)
    lots = [name for name in ("from_lot", "to_lot") if name in table.columns]
    return changed.with_columns(
        pl.when(pl.col(lots).str.starts_with("feints ")).then(pl.col(lots)).otherwise(pl.col(lots) + ending)
    )


@pytest.fixture(scope="module")
def seconds(request: pytest.FixtureRequest) -> Iterator[dict[int, tuple[float, int, int]]]:
    """Seconds, balances and quantities by size; told when the module is done, if anything was measured."""
    measured: dict[int, tuple[float, int, int]] = {}
    yield measured
    capture = request.config.pluginmanager.getplugin("capturemanager")
    if measured and capture:
        with capture.global_and_fixture_disabled():
            print("\n\n  batches    seconds   ms a batch   balances   quantities")
            for batches, (took, balances, quantities) in measured.items():
                print(
                    f"  {batches:7,} {took:10.2f} {1e3 * took / batches:11.3f} {balances:9,} {quantities:9,}"
                )


@pytest.mark.parametrize("batches", SIZES)
def test_linked_batches(
    benchmark: BenchmarkFixture, seconds: dict[int, tuple[float, int, int]], batches: int
) -> None:
    """Solved, tested and every uncertainty worked out; a small one in the ordinary test run."""
    size = batches if benchmark.enabled else SMALL
    book = prepare(*linked_season(size)).book
    solved: Reconciled = benchmark.pedantic(
        lambda: reconcile(book.network, book.y, book.u, book.is_free), rounds=1
    )
    if benchmark.enabled:
        took = benchmark.stats.stats.median
        seconds[batches] = (took, book.network.rows, book.network.variables)
    # Two receivers: two sets, however many batches there are.
    assert solved.chi2.size == 2
    assert solved.total_df > 15 * size
