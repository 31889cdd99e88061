"""What was worked out of some parts, put in the place of what the season's tables have of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import duckdb

from pipeline.flow import Flow
from pipeline.mend.scratch import SCRATCH, key_table
from pipeline.sql_models import LOG_TABLES

__all__ = ["put_in_place"]

Connection = duckdb.DuckDBPyConnection


def put_in_place(con: Connection, season: str, flow: Flow, numbers: Mapping[str, str]) -> None:
    """Take the parts' rows out of every part table and of the logs', and put the new ones in.

    numbers : as `own_numbers` gives them
    """
    for table in LOG_TABLES:
        of_changed = f"where file_id in (from {key_table('changed')})"
        con.execute(f"delete from {season}.{table} {of_changed}")
        con.execute(f"insert into {season}.{table} from {SCRATCH}.{table} {of_changed}")
    for table, column in flow.part_tables.items():
        con.execute(f"delete from {season}.{table} where {column} in (from {key_table(column)})")
        con.execute(f"insert into {season}.{table} {_with_season_numbers(con, table, numbers)}")


def _with_season_numbers(con: Connection, table: str, numbers: Mapping[str, str]) -> str:
    """The rows of a table of the parts, with the numbers that they have in the season."""
    counted = [name for name in _columns(con, table) if name in numbers]
    joins = " ".join(
        f"left join {numbers[name]} as of_{name} on of_{name}.own = made.{name}" for name in counted
    )
    replaced = ", ".join(f"of_{name}.season as {name}" for name in counted)
    return (
        f"select made.* {f'replace ({replaced})' if counted else ''} from {SCRATCH}.{table} as made {joins}"
    )


def _columns(con: Connection, table: str) -> Iterator[str]:
    schema, name = table.split(".")
    found = con.execute(
        "select column_name from duckdb_columns() where database_name = $database and schema_name = $schema "
        "and table_name = $name order by column_index",
        {"database": SCRATCH, "schema": schema, "name": name},
    ).fetchall()
    return (column for (column,) in found)
