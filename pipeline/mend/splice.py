"""What was worked out of some parts, put in the place of what the season's tables have of them."""

from __future__ import annotations

import duckdb

from pipeline.flow import Flow
from pipeline.mend.scratch import SCRATCH, key_table, of_the_parts
from pipeline.sql_models import LOG_TABLES

__all__ = ["put_in_place"]


def put_in_place(con: duckdb.DuckDBPyConnection, season: str, flow: Flow) -> None:
    """Take the parts' rows out of every part table and of the logs', and put the new ones in."""
    for table in LOG_TABLES:
        of_changed = f"where file_id in (from {key_table('changed')})"
        con.execute(f"delete from {season}.{table} {of_changed}")
        con.execute(f"insert into {season}.{table} from {SCRATCH}.{table} {of_changed}")
    for table, column in flow.part_tables.items():
        con.execute(f"delete from {season}.{table} where {of_the_parts(column)}")
        con.execute(f"insert into {season}.{table} from {SCRATCH}.{table}")
