"""How the account grows with a season whose batches all hang together by their feints.

First the walk and the ancestry alone, then the whole step of the account with all its uncertainties.

Run with `make bench`: seconds for 1,000, 3,000 and 10,000 batches of 42 moves stand side by side, and close
to linear means that ten times the batches take about ten times as long. Time is never asserted. In the
ordinary test run each size is a hundredth, and what is asserted is that the account closes.
"""

import datetime as dt
import math
from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from pipeline.account import account_step, walk_entries
from pipeline.account.ancestry import credits, walk_ancestry
from pipeline.account.step import MAKES, READS
from pipeline.kept_parts import KeptParts
from pipeline.logs import read_logs
from pipeline.python_step import PythonStep
from pipeline.settings import Settings
from pipeline.warehouse import make_tables

SIZES = (1_000, 3_000, 10_000)
_START = dt.datetime(2031, 1, 1)

SCHEMA = {
    "kind": pl.String,
    "batch": pl.String,
    "run": pl.String,
    "cut": pl.String,
    "from_lot": pl.String,
    "to_lot": pl.String,
    "volume_20c_l": pl.Float64,
    "abv_20c_pct_vol": pl.Float64,
}


def batch_rows(name: str, feints_l: float) -> list[tuple[object, ...]]:
    """One batch: wash, two strips, a spirit run of 30 jars with a share of the feints, proofed and gauged."""
    wash, low_wines, hearts = f"{name} wash", f"{name} low wines", f"{name} hearts"
    rows: list[tuple[object, ...]] = [("ferment", name, None, "wash", None, wash, 200.0, 8.0)]
    for run in ("strip 1", "strip 2"):
        rows.append(("charge", name, run, "wash", wash, None, 98.0, None))
        rows.append(("collect", name, run, "low wines", None, low_wines, 28.0, 26.0))
    rows.append(("charge", name, "spirit", "low wines", low_wines, None, 55.0, 26.0))
    if feints_l > 0:
        rows.append(("charge", name, "spirit", "feints", "feints", None, feints_l, None))
    rows += [("collect", name, "spirit", "heads", None, "feints", 0.4, 79.0)] * 5
    rows += [("collect", name, "spirit", "hearts", None, hearts, 0.7, 72.0)] * 20
    rows += [("collect", name, "spirit", "tails", None, "feints", 1.0, 38.0)] * 5
    rows.append(("dilute", None, None, None, hearts, None, 3.0, 0.0))
    rows.append(("gauge", None, None, None, hearts, None, 16.5, 61.0))
    rows.append(("discard", None, None, None, wash, None, None, None))
    return rows


# How much of the one receiver each batch charges, in turn [L]: nearly all that the ones before it left there,
# so that shares fade, or so little that the receiver grows and holds something of every batch for ever.
DRAWS = {"drawn": (20.0, 3.5, 3.5), "growing": (1.0,)}


def season(batches: int, draws_l: tuple[float, ...]) -> pl.DataFrame:
    """Entries of a season in which every batch charges some of what those before it left in one receiver."""
    rows: list[tuple[object, ...]] = []
    for number in range(batches):
        feints_l = 0.0 if number == 0 else draws_l[number % len(draws_l)]
        rows += batch_rows(f"B{number}", feints_l)
    frame = pl.DataFrame(rows, schema=SCHEMA, orient="row")
    ids = pl.int_range(1, frame.height + 1, dtype=pl.Int64)
    return frame.with_columns(
        ids.cast(pl.Int32).alias("line"),
        pl.lit(1, dtype=pl.Int32).alias("file_id"),
        pl.lit(_START).alias("happened_at"),
        pl.lit("measured").alias("strength_basis"),
        pl.lit(None, dtype=pl.Float64).alias("mass_kg"),
    )


@pytest.mark.parametrize("batches", SIZES)
@pytest.mark.parametrize("receiver", DRAWS)
def test_walk_and_ancestry_of_linked_batches(
    benchmark: BenchmarkFixture, receiver: str, batches: int
) -> None:
    entries = season(batches // 100 if benchmark.disabled else batches, DRAWS[receiver])
    benchmark.extra_info["moves"] = entries.height
    ancestry = benchmark.pedantic(
        lambda: walk_ancestry(walk_entries(entries)[0]), rounds=1 if benchmark.disabled else 3
    )
    assert all(math.isclose(math.fsum(node.values()), 1.0, abs_tol=1e-9) for node in ancestry.nodes)
    hearts = math.fsum(lpa for _, _, lpa in ancestry.hearts)
    credited = math.fsum(credits(ancestry).values())
    assert credited == pytest.approx(hearts + math.fsum(ancestry.stock_lpa.values()), rel=1e-9)


LOG_HEADER = "batch,when,step,run,item,cut,source,lot,mass,volume,gravity,strength"
WHOLE_STEP = [("drawn", size) for size in SIZES] + [("growing", 1_000), ("growing", 3_000)]
"""In the growing receiver every batch leans on the readings of thousands of others: 10,000 want 10 GB."""


def log_lines(batches: int, draws_l: tuple[float, ...]) -> Iterator[str]:
    """The same season as a batch log, ten minutes from row to row."""
    yield LOG_HEADER
    minutes = 0
    for number in range(batches):
        feints_l = 0.0 if number == 0 else draws_l[number % len(draws_l)]
        name = f"B{number}"
        rows = [
            "grain,,pale malt,,,,40,,,",
            "wort,,,,,,,200,1.062,",
            "wash,,,,,,,200,1.062,",
            "wash,,,,,,,,1.000,",
        ]
        for kind, _, run, cut, source, lot, litres, strength in batch_rows(name, feints_l)[1:-1]:
            said = "" if strength is None or kind == "dilute" else strength
            if kind == "charge":
                own = source if cut == "feints" else ""
                rows.append(f"charge,{run},{cut},,{own},,,{litres},,{said}")
            elif kind == "collect":
                rows.append(f"collect,{run},,{cut},,{lot},,{litres},,{said}")
            else:
                rows.append(f"{kind},,,,{source},,,{litres},,{said}")
        for row in rows:
            minutes += 10
            step, rest = row.split(",", 1)
            yield f"{name},{_START + dt.timedelta(minutes=minutes):%Y-%m-%d %H:%M},{step},{rest}"


@pytest.mark.parametrize(("receiver", "batches"), WHOLE_STEP)
def test_whole_account_of_linked_batches(
    benchmark: BenchmarkFixture, tmp_path: Path, receiver: str, batches: int
) -> None:
    size = batches // 100 if benchmark.disabled else batches
    (tmp_path / "all.csv").write_text("\n".join(log_lines(size, DRAWS[receiver])) + "\n", encoding="utf-8")
    wanted = PythonStep(account_step, READS, MAKES).depends
    settings = Settings()
    with duckdb.connect(":memory:") as con:
        make_tables(con, read_logs(tmp_path, settings), settings, wanted=wanted)
        frames = [pl.DataFrame(con.sql(query)) for query in READS]
    tables = benchmark.pedantic(lambda: list(account_step(*frames, parts=KeptParts())), rounds=1)
    shares = (
        tables[0].filter(pl.col("until_move_id").is_null()).group_by("lot").agg(pl.col("share_frac").sum())
    )
    assert shares["share_frac"].to_numpy() == pytest.approx(1.0, abs=1e-9)
