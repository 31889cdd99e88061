"""The dictionary and the database know the same columns, and the database says what each means."""

import duckdb
import pytest

from pipeline.dictionary import column, columns
from pipeline.logs import read_logs
from pipeline.settings import Settings
from pipeline.table_comments import describe_tables
from pipeline.warehouse import fill_database


@pytest.fixture(scope="module")
def empty_season(tmp_path_factory):
    """Every table, without a row: the layout alone."""
    folder = tmp_path_factory.mktemp("none")
    with duckdb.connect(":memory:") as con:
        fill_database(con, read_logs(folder, Settings()), Settings())
        describe_tables(con)
        yield con


def described(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str, str | None]]:
    return con.execute(
        "select schema_name || '.' || table_name, column_name, comment from duckdb_columns() "
        "where schema_name in ('log', 'account', 'metric', 'fit', 'problem') order by 1, 2"
    ).fetchall()


def test_every_column_of_every_table_says_what_it_means(empty_season):
    unknown = sorted({f"{table}.{name}" for table, name, comment in described(empty_season) if not comment})
    assert unknown == []


def test_every_entry_of_the_dictionary_is_a_column_somewhere(empty_season):
    (raw,) = zip(
        *empty_season.execute("select distinct column_name from duckdb_columns()").fetchall(), strict=True
    )
    assert sorted(columns().keys() - set(raw)) == []


def test_every_table_says_what_it_holds(empty_season):
    silent = empty_season.execute(
        "select schema_name || '.' || table_name from duckdb_tables() "
        "where comment is null and schema_name != 'raw'"
    ).fetchall()
    assert silent == []


def test_a_season_without_a_row_has_every_table_and_none_fails(empty_season):
    for (name,) in empty_season.execute(
        "select schema_name || '.' || table_name from duckdb_tables() "
        "where schema_name in ('account', 'metric')"
    ).fetchall():
        assert empty_season.execute(f"select count(*) from {name}").fetchone() == (0,), name


def test_the_dictionary_is_in_order_and_its_units_are_plain():
    names = list(columns())
    assert names == sorted(names)
    assert column("hearts_lpa").title == "Hearts (LPA)"
    units = {entry.unit for entry in columns().values()}
    plain = {
        "%vol",
        "0-10",
        "1/year",
        "L",
        "LPA",
        "LPA/kg",
        "SG",
        "a",
        "d",
        "deg",
        "hPa",
        "g/kg",
        "kW",
        "kg",
        "min",
        "°C",
        "°C/min",
        "°P",
    }
    assert units <= plain | {"", "0-10 squared", "currency", "currency/LPA", "years"}


def test_units_agree_with_the_suffix_of_the_name():
    suffixes = {
        "_lpa": "LPA",
        "_kg": "kg",
        "_l": "L",
        "_pct_vol": "%vol",
        "_c": "°C",
        "_min": "min",
        "_sg": "SG",
    }
    for name, entry in columns().items():
        if name.endswith("_lpa_per_kg"):
            assert entry.unit == "LPA/kg", name
        if name.endswith("_per_kg"):
            continue
        for suffix, unit in suffixes.items():
            if name.endswith(suffix) and not name.endswith("_per_lpa"):
                assert entry.unit == unit, name
        if name.endswith("_frac"):
            assert entry.unit == "", name


def test_only_the_tables_asked_for_are_described_anew(empty_season):
    empty_season.execute("create or replace table metric.yeast as select * from metric.yeast")
    empty_season.execute("create or replace table metric.cut as select * from metric.cut")
    describe_tables(empty_season, ["metric.yeast"])
    said = {table: comment for table, _, comment in described(empty_season)}
    assert said["metric.yeast"]
    assert said["metric.cut"] is None
    found = empty_season.execute(
        "select table_name, comment is not null from duckdb_tables() "
        "where schema_name = 'metric' and table_name in ('cut', 'yeast') order by 1"
    ).fetchall()
    assert found == [("cut", False), ("yeast", True)]
    describe_tables(empty_season)


def test_describing_leaves_the_threads_and_the_optimizer_as_they_were(empty_season):
    asked = "select current_setting('threads'), current_setting('enable_optimizer')"
    empty_season.execute("set threads = 3")
    describe_tables(empty_season)
    assert empty_season.execute(asked).fetchall() == [(3, True)]
