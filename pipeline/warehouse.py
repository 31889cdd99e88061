"""The season's database: opens DuckDB, loads the logs, runs the SQL in order, keeps the result whole.

With `pipeline.database_file` the one place that names an engine. It knows in which order tables are made,
not what their SQL means.
A build writes a new file beside the database and puts it in the old one's place only when it is done:
killed at any moment, it leaves the old database as it was.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import fields
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
from scipy.special import stdtrit

from pipeline import __version__
from pipeline.database_file import (
    FORMAT,
    MADE_BY,
    WarehouseError,
    check_format,
    refuse_foreign,
    refuse_name,
    refuse_other_kind,
    sentences,
)
from pipeline.disk import reach_disk, sweep_unfinished, unfinished_path
from pipeline.fingerprint import program_fingerprint
from pipeline.flow import Flow, make_table, order_of, prepare
from pipeline.found_problems import all_problems, load_problems, make_problems, problems_of_account
from pipeline.kept_parts import KeptParts
from pipeline.logs import LogFrames, Reading, load_raw, look_through
from pipeline.logs.keep import Kept, kept_from
from pipeline.mend import mend_season
from pipeline.problems import PROBLEM_SCHEMA
from pipeline.progress import Progress, silent
from pipeline.resources import sql_dir
from pipeline.settings import Settings
from pipeline.sql_models import SCHEMAS, SqlModel, read_models
from pipeline.table_comments import describe_tables

__all__ = [
    "NoLogsError",
    "build_season",
    "check_season",
    "describe_tables",
    "fill_database",
    "load_problems",
    "logs_of",
    "make_tables",
    "open_season",
    "order_of",
    "problems_of_account",
    "read_table",
    "table_names",
]

Connection = duckdb.DuckDBPyConnection

_STUDENT_ROWS = 1000


class NoLogsError(RuntimeError):
    """The folder holds no log at all: there is nothing to make a season of."""


def build_season(logs: Path, database: Path, settings: Settings, progress: Progress = silent) -> pl.DataFrame:
    """Read every log under `logs` into a new database at `database`; the problems found, worst first.

    logs     : folder of CSV logs, read at any depth and never written to
    database : file to make or to replace; an existing file that is not a season's database is refused
    returns  : `pipeline.problems.PROBLEM_SCHEMA`, sorted worst first
    raises   : `NoLogsError` when there is no log; `WarehouseError` when the database is locked, foreign,
               newer than this program or not writable
    """
    refuse_foreign(database)
    with _earlier(database, settings) as kept:
        read = _look_through(logs, settings, progress, kept)
        if kept is not None and _nothing_changed(read, kept):
            return _problems_of(kept.connection)
        with sentences(database), _replacing(database, kept) as unfinished:
            problems = mend_season(unfinished, database, read, progress)
            if problems is None:
                problems = _make_anew(unfinished, read, settings, progress, kept)
            return problems


@contextmanager
def _earlier(database: Path, settings: Settings) -> Iterator[Kept | None]:
    """What can be taken over from the database that is there; None when it was made in another way."""
    if not database.exists():
        yield None
        return
    with sentences(database), duckdb.connect(str(database), read_only=True) as con:
        yield kept_from(con) if _is_made_alike(con, settings) else None


def _is_made_alike(con: Connection, settings: Settings) -> bool:
    """Whether this very program made the database, with these settings: only then is reading the same."""
    has_fingerprint = con.execute(
        "select count(*) from duckdb_columns() where schema_name = 'raw' and table_name = 'made_by' "
        "and column_name = 'fingerprint'"
    ).fetchall()[0][0]
    if not has_fingerprint or con.execute("select fingerprint from raw.made_by").fetchall() != [
        (program_fingerprint(),)
    ]:
        return False
    return con.execute("select * from raw.setting").fetchall() == _setting_rows(settings)


def _nothing_changed(read: Reading, kept: Kept) -> bool:
    return read.files.equals(kept.files) and read.problems.equals(kept.problems())


def _problems_of(con: Connection) -> pl.DataFrame:
    found = pl.DataFrame(con.sql("select * from problem.row")).rename({"column_name": "column"})
    return found.select(pl.col(name).cast(dtype) for name, dtype in PROBLEM_SCHEMA.items())


@contextmanager
def _replacing(database: Path, kept: Kept | None) -> Iterator[Path]:
    """The name of a file to be made beside the database, which then takes its place in one step."""
    database.parent.mkdir(parents=True, exist_ok=True)
    sweep_unfinished(database)
    unfinished = unfinished_path(database)
    try:
        yield unfinished
        reach_disk(unfinished)
        if kept is not None:
            kept.connection.close()
        os.replace(unfinished, database)
        reach_disk(database.parent)
    finally:
        for leftover in (unfinished, unfinished.with_name(unfinished.name + ".wal")):
            leftover.unlink(missing_ok=True)


def _make_anew(
    database: Path, read: Reading, settings: Settings, progress: Progress, kept: Kept | None
) -> pl.DataFrame:
    """Make a whole new database; what an earlier one worked out of parts of the season is taken over."""
    parts = KeptParts(None if kept is None else kept.connection)
    with duckdb.connect(str(database)) as con:
        problems = fill_database(con, read.whole(), settings, progress, parts)
        describe_tables(con)
    return problems


def check_season(logs: Path, settings: Settings, progress: Progress = silent) -> pl.DataFrame:
    """The problems of the logs under `logs`, worst first, without leaving a database behind."""
    frames = _look_through(logs, settings, progress).whole()
    # Only what the checks stand on: no fit is waited for that no check asks about.
    wanted = [model.name for model in read_models(sql_dir()) if model.is_check]
    with duckdb.connect(":memory:") as con:
        models = make_tables(con, frames, settings, wanted, progress)
        return all_problems(con, models)


def fill_database(
    con: Connection,
    frames: LogFrames,
    settings: Settings,
    progress: Progress = silent,
    parts: KeptParts | None = None,
) -> pl.DataFrame:
    """Make every table of the season in the empty database `con`; the problems found, worst first.

    parts : what an earlier build worked out
    """
    parts = parts or KeptParts()
    models = make_tables(con, frames, settings, progress=progress, parts=parts)
    make_table(con, "raw.kept_part", parts.frame())
    return make_problems(con, models)


def make_tables(
    con: Connection,
    frames: LogFrames,
    settings: Settings,
    wanted: Collection[str] = (),
    progress: Progress = silent,
    parts: KeptParts | None = None,
) -> tuple[SqlModel, ...]:
    """Make the tables `wanted` and all they are made from, or every one when none is named.

    con     : an empty database
    parts   : what an earlier build worked out; what is worked out now is added
    returns : the SQL models
    """
    for schema in SCHEMAS:
        con.execute(f"create schema if not exists {schema}")
    load_raw(con, frames)
    _load_settings(con, settings)
    prepare(con)
    flow = Flow.of(_tables(con))
    flow.make(con, flow.up_to(wanted) if wanted else flow.order, progress, parts or KeptParts())
    return read_models(sql_dir())


@contextmanager
def open_season(database: Path) -> Iterator[Connection]:
    """The season's database, to read only. Raises `WarehouseError` with a sentence when it cannot be."""
    if not database.is_file():
        raise WarehouseError(
            f"{database}: there is no such database. Make it first: stillseason build LOGS --db {database}"
        )
    refuse_name(database)
    refuse_other_kind(database)
    with sentences(database), duckdb.connect(str(database), read_only=True) as con:
        check_format(con, database)
        con.execute("set enable_external_access = false")
        yield con


def table_names(con: Connection) -> list[str]:
    """Every table of the season as schema.name, in the order of the flow."""
    rank = {schema: position for position, schema in enumerate(SCHEMAS)}
    return sorted(_tables(con), key=lambda name: (rank[name.split(".")[0]], name))


def read_table(con: Connection, name: str) -> pl.DataFrame:
    """The whole of one table in its order; KeyError when the season has no table of that name."""
    if name not in _tables(con):
        raise KeyError(name)
    schema, table = name.split(".")
    order = order_of(name)
    in_order = "" if order is None else f" order by {order}"
    return pl.DataFrame(con.sql(f'select * from "{schema}"."{table}"{in_order}'))


def logs_of(con: Connection) -> dict[str, tuple[int, str]]:
    """The logs that the season was made from: of each path its size in bytes and its SHA-256."""
    found = con.execute(
        "select path, size_bytes, sha256 from raw.file where sha256 is not null order by file_id"
    ).fetchall()
    return {path: (size, sha256) for path, size, sha256 in found}


def _look_through(logs: Path, settings: Settings, progress: Progress, kept: Kept | None = None) -> Reading:
    read = look_through(logs, settings, progress, kept)
    if read.files.is_empty() and read.problems.is_empty():
        raise NoLogsError(
            f"{logs}: there are no logs in this folder or below it. A log is a .csv file; to start some: "
            f"stillseason template {logs}"
        )
    return read


def _tables(con: Connection) -> list[str]:
    """Every table that tells of the season: not what is packed away for later builds."""
    found = con.execute(
        "select schema_name || '.' || table_name from duckdb_tables() where schema_name in "
        f"({', '.join(repr(schema) for schema in SCHEMAS)}) and table_name != 'kept_part' order by 1"
    ).fetchall()
    return [row[0] for row in found]


def _load_settings(con: Connection, settings: Settings) -> None:
    setting = pl.DataFrame(
        _setting_rows(settings),
        schema={"name": pl.String, "text_value": pl.String, "number_value": pl.Float64},
        orient="row",
    )
    degrees = np.arange(1, _STUDENT_ROWS + 1)
    quantile = pl.DataFrame({"degrees_of_freedom": degrees, "quantile": stdtrit(degrees, 0.975)})
    made_by = pl.DataFrame(
        {
            "made_by": [MADE_BY],
            "version": [__version__],
            "format": [FORMAT],
            "fingerprint": [program_fingerprint()],
        }
    )
    make_table(con, "raw.setting", setting)
    make_table(con, "raw.student_t", quantile)
    make_table(con, "raw.made_by", made_by)


def _setting_rows(settings: Settings) -> list[tuple[str, str | None, float | None]]:
    rows: list[tuple[str, str | None, float | None]] = []
    records = (("", settings), ("uncertainty.", settings.uncertainty), ("cuts.", settings.cuts))
    for prefix, record in records:
        for item in fields(record):
            value = getattr(record, item.name)
            if isinstance(value, str):
                rows.append((prefix + item.name, value, None))
            elif isinstance(value, bool | float):
                rows.append((prefix + item.name, None, float(value)))
            elif isinstance(value, tuple) and value:
                rows += [
                    (f"{prefix}{item.name}.{end}", None, bound)
                    for end, bound in zip(("low", "high"), value, strict=True)
                ]
    rows += settings.next.rows()
    rows += [(f"words.{written}", meant, None) for written, meant in settings.words.items()]
    return rows
