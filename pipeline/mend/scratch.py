"""A database of some parts of the season alone: their logs, and what no log goes into.

It stands beside the season's under the name `SCRATCH`, in memory, and is the one in use once it is made.
"""

from __future__ import annotations

from collections.abc import Collection

import duckdb
import polars as pl

from pipeline.account.numbers import PER_PART
from pipeline.flow import PART_OF_EACH, Flow, make_table, prepare
from pipeline.logs import Reading
from pipeline.mend.affected import Affected
from pipeline.sql_models import LOG_TABLES, SCHEMAS

__all__ = ["SCRATCH", "key_table", "make_scratch", "of_the_parts"]

SCRATCH = "scratch"

Connection = duckdb.DuckDBPyConnection


def make_scratch(con: Connection, season: str, flow: Flow, read: Reading, affected: Affected) -> None:
    """Make it, with all that the part tables are made from.

    season : the season's database, by the name it is attached under
    """
    con.execute(f"attach ':memory:' as {SCRATCH}")
    con.execute(f"use {SCRATCH}")
    for schema in SCHEMAS:
        con.execute(f"create schema {schema}")
    prepare(con)
    for column, names in (("batch", affected.batches), ("cask", affected.casks)):
        _make_keys(con, column, names, pl.String())
    for column, numbers in (
        ("file_id", affected.files),
        ("changed", affected.changed),
        ("part", affected.parts),
    ):
        _make_keys(con, column, numbers, pl.Int64())
    for column in ("piece", "lot"):
        con.execute(
            f"create table {key_table(column)} as select distinct {column} as key "
            f"from {season}.{PART_OF_EACH} "
            f"where part in (from {key_table('part')}) and {column} is not null"
        )
    frames = {**read.anew.cells, **read.anew.values}
    for table in LOG_TABLES:
        _make_log_table(con, season, table, frames[table.removeprefix("raw.")])
    for table in flow.needed_whole:
        con.execute(f"create view {table} as from {season}.{table}")


def _make_log_table(con: Connection, season: str, table: str, anew: pl.DataFrame) -> None:
    """The rows of all files of the parts, those of the changed files as they are now."""
    make_table(con, "read_anew", anew)
    changed = f"(from {key_table('changed')})"
    con.execute(
        f"create table {table} as from {season}.{table} "
        f"where file_id in (from {key_table('file_id')}) and file_id not in {changed} "
        f"union all from read_anew where file_id in {changed} order by file_id, line"
    )
    con.execute("drop table read_anew")


def key_table(column: str) -> str:
    """The values that a column has in the rows of the parts."""
    return f"{SCRATCH}.main.key_{column}"


def of_the_parts(column: str) -> str:
    """What holds in SQL of the rows of the parts, in a part table that tells them by `column`."""
    if column in ("move_id", "reading_id"):
        return f"{column} // {PER_PART} in (from {key_table('part')})"
    return f"{column} in (from {key_table(column)})"


def _make_keys(
    con: Connection, column: str, keys: Collection[int] | Collection[str], kind: pl.DataType
) -> None:
    """Make that table."""
    make_table(con, key_table(column), pl.Series("key", list(keys), dtype=kind).to_frame())
