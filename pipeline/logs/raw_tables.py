"""The tables of schema `raw`, made from the logs of a season."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager

import duckdb
import polars as pl

from pipeline.logs.catalogue import aliases, catalogue
from pipeline.logs.later import ArrowStream, ArrowTable, LaterRows
from pipeline.logs.load import LogFrames, completed
from pipeline.logs.tables import VALUE_TABLES

__all__ = ["load_raw"]

# Tables of a lot that wait to be written while the next lot is read.
_MOST_WAITING = 2

# What DuckDB holds at most while it writes the rows of large files: what is written need not be held.
_MEMORY_OF_WRITING = "512MiB"


def load_raw(connection: duckdb.DuckDBPyConnection, frames: LogFrames) -> LogFrames:
    """Write the frames into the tables of schema `raw`, all of them, the empty ones too.

    Tables: file, one a kind of file with the cells as written, one a kind of value, catalogue,
    catalogue_alias, and problem (in which `column` is called column_name). The rows of large files are read
    now; what is returned has their counts and their problems too, but not their rows.
    """
    connection.execute("create schema if not exists raw")
    tables = {**frames.cells, **frames.values}
    if frames.later:
        with _little_memory(connection):
            _write_with_large(connection, tables, frames.later)
        frames = completed(frames)
    else:
        for name, frame in tables.items():
            _create(connection, name, frame)
    _create(connection, "file", frames.files)
    _create(connection, "catalogue", catalogue())
    _create(connection, "catalogue_alias", aliases())
    _create(connection, "problem", frames.problems.rename({"column": "column_name"}))
    return frames


def _create(connection: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame) -> None:
    connection.register("frame_to_load", ArrowStream(frame))
    connection.execute(f"create or replace table raw.{name} as select * from frame_to_load")
    connection.unregister("frame_to_load")


def _write_with_large(
    connection: duckdb.DuckDBPyConnection, tables: Mapping[str, pl.DataFrame], later: Sequence[LaterRows]
) -> None:
    """Make the tables of rows, those of the large files in their places among those of the others."""
    between: dict[str, Iterator[pl.DataFrame]] = {}
    for name, frame in tables.items():
        numbers = [rows.file_id for rows in later if name in _tables_of(rows)]
        between[name] = _between(frame, numbers)
        _create(connection, name, next(between[name]))
    with ExitStack() as stack:
        # One a table: several tables are written at a time.
        writers = {
            name: stack.enter_context(_Writer(connection)) for rows in later for name in _tables_of(rows)
        }
        for rows in later:
            for part in rows.parts():
                for name, table in part.items():
                    writers[name].insert(name, table)
            for name in _tables_of(rows):
                writers[name].insert(name, ArrowStream(next(between[name])))


def _tables_of(rows: LaterRows) -> tuple[str, ...]:
    return rows.kind, *VALUE_TABLES[rows.kind]


def _between(frame: pl.DataFrame, numbers: Sequence[int]) -> Iterator[pl.DataFrame]:
    """The rows of the files before the first of `numbers`, between it and the next, and so on to the last."""
    low = 0
    for number in numbers:
        yield frame.filter(pl.col("file_id").is_between(low, number))
        low = number
    yield frame.filter(pl.col("file_id") >= low)


class _Writer:
    """Adds rows to tables, in the order given, while the caller goes on reading."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._connection = connection.cursor()
        self._thread = ThreadPoolExecutor(max_workers=1)
        self._waiting: deque[Future[None]] = deque()

    def __enter__(self) -> _Writer:
        return self

    def __exit__(self, *raised: object) -> None:
        try:
            if raised[0] is None:
                self._wait(0)
        finally:
            self._thread.shutdown(cancel_futures=True)
            self._connection.close()

    def insert(self, name: str, rows: ArrowTable) -> None:
        """Add rows to `raw.name`; what went wrong with earlier ones is raised here."""
        self._waiting.append(self._thread.submit(self._insert, name, rows))
        self._wait(_MOST_WAITING)

    def _wait(self, most: int) -> None:
        while len(self._waiting) > most:
            self._waiting.popleft().result()

    def _insert(self, name: str, rows: ArrowTable) -> None:
        self._connection.register("rows_to_add", rows)
        self._connection.execute(f"insert into raw.{name} select * from rows_to_add")
        self._connection.unregister("rows_to_add")


@contextmanager
def _little_memory(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Let the database hold little of what it writes; one that is in memory has nowhere else to put it."""
    has_file = connection.execute(
        "select count(path) from duckdb_databases() where database_name = current_database()"
    ).fetchall()[0][0]
    if has_file:
        connection.execute(f"set memory_limit = '{_MEMORY_OF_WRITING}'")
    try:
        yield
    finally:
        if has_file:
            connection.execute("reset memory_limit")
