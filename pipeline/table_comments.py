"""Lets the tables of a season's database say in themselves what they and their columns hold."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager

import duckdb

from pipeline.dictionary import find_column
from pipeline.resources import sql_dir
from pipeline.sql_models import SCHEMAS, read_models
from pipeline.steps import STEPS

Connection = duckdb.DuckDBPyConnection


def describe_tables(con: Connection, tables: Collection[str] | None = None) -> None:
    """Let tables and columns of a filled database say in themselves what they hold.

    tables : the names (schema.name) of those to describe; every one when None
    """
    statements = [*_of_tables(tables), *_of_columns(con, tables)]
    # All in one go: each of two thousand comments would be written to the disk by itself.
    with _one_at_a_time(con):
        con.execute("begin")
        for statement in con.extract_statements(";\n".join(statements)):
            con.execute(statement)
        con.execute("commit")


def _of_tables(tables: Collection[str] | None) -> Iterator[str]:
    meanings = {
        model.name: f"{model.what} {model.grain}" for model in read_models(sql_dir()) if not model.is_macro
    }
    for step in STEPS:
        meanings |= step.makes
    meanings["problem.row"] = "every problem found in the logs, worst first. One row a problem."
    for name, meaning in meanings.items():
        if tables is None or name in tables:
            yield f"comment on table {name} is {_quoted(meaning)}"


def _of_columns(con: Connection, tables: Collection[str] | None) -> Iterator[str]:
    found = con.execute(
        "select schema_name, table_name, column_name from duckdb_columns() where schema_name in "
        f"({', '.join(repr(schema) for schema in SCHEMAS if schema != 'raw')})"
    ).fetchall()
    for schema, table, name in found:
        known = find_column(name)
        if known is not None and (tables is None or f"{schema}.{table}" in tables):
            yield f'comment on column {schema}."{table}"."{name}" is {_quoted(known.comment)}'


@contextmanager
def _one_at_a_time(con: Connection) -> Iterator[None]:
    """Without what serves large queries alone: on two thousand tiny statements it costs half of the time."""
    threads = con.execute("select current_setting('threads')").fetchall()[0][0]
    con.execute("set threads = 1")
    con.execute("pragma disable_optimizer")
    try:
        yield
    finally:
        con.execute("pragma enable_optimizer")
        con.execute(f"set threads = {threads}")


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
