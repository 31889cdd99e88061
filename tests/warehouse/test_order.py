"""No table, page or printed table depends on the order in which the rows of the tables lie.

A season is filled twice: plainly, and with the rows of every table put into another order as soon as it is
made. What comes of it is held against each other digit for digit.
"""

import re
import sys
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from pipeline.logs import read_logs
from pipeline.report.data import read_season, season_names
from pipeline.report.page import render_season
from pipeline.settings import Settings
from pipeline.simulate import simulate_season, write_season, write_telemetry
from pipeline.warehouse import fill_database, order_of, read_table, table_names

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from many_logs import sets_of_logs

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_logs"
BROKEN = ROOT / "tests" / "data" / "bad_logs"

LIE_AS_MADE = frozenset(
    (
        *("metric.cask_group", "fit.cut_steadiness", "fit.cut_spread", "fit.jar_score", "fit.jar_tradeoff"),
        *("fit.gate", "fit.effect", "fit.alias", "fit.share", "fit.ranking", "fit.quality", "fit.note"),
        *("fit.notice", "fit.prediction", "fit.next_batch"),
    )
)
"""What steps make of the whole season, and put in an order that no column tells: pages go by it."""

_MADE = re.compile(r"create or replace table ([\w.]+) as\s")


class Shuffling:
    """A connection that puts the rows of every table into another order as soon as it has made it."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con
        self.shuffled: set[str] = set()

    def __getattr__(self, name: str) -> Any:
        """Everything else is as it was."""
        return getattr(self._con, name)

    def execute(self, statement: str, *args: Any) -> duckdb.DuckDBPyConnection:
        """Run a statement; shuffle what it makes."""
        found = self._con.execute(statement, *args)
        made = _MADE.match(statement)
        if made and made[1] not in LIE_AS_MADE:
            name = made[1]
            self._con.execute(
                f"create or replace table {name} as select * from {name} order by hash(rowid, 7)"
            )
            self.shuffled.add(name)
        return found


class Filled:
    """A season filled twice: as it is, and with every table shuffled."""

    def __init__(self, logs: Path) -> None:
        settings = Settings.find(logs)
        frames = read_logs(logs, settings)
        self.plain = duckdb.connect(":memory:")
        self.problems = fill_database(self.plain, frames, settings)
        shuffling = Shuffling(duckdb.connect(":memory:"))
        self.problems_of_shuffled = fill_database(shuffling, frames, settings)
        self.shuffled = shuffling._con
        self.names_shuffled = shuffling.shuffled

    def close(self) -> None:
        """Let both go."""
        self.plain.close()
        self.shuffled.close()


def logs_of_sets(place: Path) -> Path:
    """A season of batches, casks, tastings and telemetry, and two sets that share nothing with it."""
    logs = place / "logs"
    season = simulate_season(8, seed=3)
    write_season(season, logs)
    write_telemetry(season, logs, every_s=20, runs=2)
    for name, text in sets_of_logs(place, 20):
        (logs / name).write_bytes(text)
    return logs


@pytest.fixture(scope="module", params=["sample", "sets", "broken"])
def filled(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Filled]:
    place = {"sample": SAMPLE, "broken": BROKEN}.get(request.param)
    found = Filled(place or logs_of_sets(tmp_path_factory.mktemp("sets")))
    yield found
    found.close()


def rows(con: duckdb.DuckDBPyConnection, name: str) -> list[str]:
    """A table's rows as text, floats to their last digit: in the order declared, else sorted."""
    found = [repr(row) for row in read_table(con, name).iter_rows()]
    return found if order_of(name) else sorted(found)


def test_every_table_was_shuffled(filled):
    assert filled.names_shuffled >= set(table_names(filled.plain)) - LIE_AS_MADE


@pytest.mark.parametrize("name", sorted(LIE_AS_MADE))
def test_what_lies_as_made_is_made_of_the_whole_season(name):
    assert order_of(name) is None


def test_every_table_comes_out_the_same(filled):
    names = table_names(filled.plain)
    assert names == table_names(filled.shuffled)
    other = {}
    for name in names:
        expected, found = rows(filled.plain, name), rows(filled.shuffled, name)
        if expected != found:
            other[name] = [pair for pair in zip(expected, found, strict=False) if pair[0] != pair[1]][:1]
    assert other == {}


def test_the_problems_come_out_in_the_same_order(filled):
    assert filled.problems.rows() == filled.problems_of_shuffled.rows()


def test_every_page_comes_out_the_same(filled):
    for season in season_names(filled.plain):
        expected, found = read_season(filled.plain, season), read_season(filled.shuffled, season)
        other = [each.name for each in fields(expected) if not same(expected, found, each.name)]
        other += [
            each.name
            for each in fields(expected.flavour)
            if not same(expected.flavour, found.flavour, each.name)
        ]
        assert other == []
        assert render_season(expected) == render_season(found)


def same(expected: object, found: object, name: str) -> bool:
    """Whether a field of two records, or the frame that it is, is the same to the last digit."""
    one, other = getattr(expected, name), getattr(found, name)
    return one.rows() == other.rows() if isinstance(one, pl.DataFrame) else name == "flavour" or one == other
