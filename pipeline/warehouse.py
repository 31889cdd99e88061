"""The season's database: opens DuckDB, loads the logs, runs the SQL in order, keeps the result whole.

With `pipeline.database_file` the one place that names an engine. It knows in which order tables are made,
not what their SQL means.
A build writes a new file beside the database and puts it in the old one's place only when it is done:
killed at any moment, it leaves the old database as it was.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import fields
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
from scipy.special import stdtrit
from threadpoolctl import threadpool_limits

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
from pipeline.dictionary import find_column
from pipeline.disk import reach_disk, sweep_unfinished, unfinished_path
from pipeline.fingerprint import program_fingerprint
from pipeline.kept_parts import KeptParts
from pipeline.logs import LogFrames, load_raw, open_logs
from pipeline.logs.header import format_column
from pipeline.logs.keep import Kept, kept_from, problems_of_reading
from pipeline.logs.load import ArrowStream
from pipeline.problems import (
    KINDS,
    PROBLEM_SCHEMA,
    Problem,
    problem,
    problems_frame,
    sort_problems,
    visible,
)
from pipeline.progress import Progress, silent
from pipeline.python_step import PythonStep
from pipeline.resources import sql_dir
from pipeline.science import MAX_LPA_PER_KG_EXTRACT
from pipeline.settings import Settings
from pipeline.sql_functions import sql_macros
from pipeline.sql_models import (
    AFTER_PROBLEMS,
    SCHEMAS,
    SqlModel,
    models_of_marks,
    order_tables,
    read_models,
)
from pipeline.steps import STEPS

Connection = duckdb.DuckDBPyConnection

_STUDENT_ROWS = 1000

_LOGGED_ROWS = ("raw.batch_log", "raw.batch_value", "raw.cask_log", "raw.cask_value")


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
        frames = _read_some_logs(logs, settings, progress, kept)
        if kept is not None and _nothing_changed(frames, kept):
            return _problems_of(kept.connection)
        return _replace(database, frames, settings, progress, kept)


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


def _nothing_changed(frames: LogFrames, kept: Kept) -> bool:
    return frames.files.equals(kept.files) and frames.problems.equals(kept.problems())


def _problems_of(con: Connection) -> pl.DataFrame:
    found = pl.DataFrame(con.sql("select * from problem.row")).rename({"column_name": "column"})
    return found.select(pl.col(name).cast(dtype) for name, dtype in PROBLEM_SCHEMA.items())


def _replace(
    database: Path, frames: LogFrames, settings: Settings, progress: Progress, kept: Kept | None
) -> pl.DataFrame:
    """Make a whole new database beside the old one, and put it in its place in one step."""
    parts = KeptParts(None if kept is None else kept.connection)
    with sentences(database):
        database.parent.mkdir(parents=True, exist_ok=True)
        sweep_unfinished(database)
        unfinished = unfinished_path(database)
        try:
            with duckdb.connect(str(unfinished)) as con:
                problems = fill_database(con, frames, settings, progress, parts)
                describe_tables(con)
            reach_disk(unfinished)
            if kept is not None:
                kept.connection.close()
            os.replace(unfinished, database)
            reach_disk(database.parent)
        finally:
            for leftover in (unfinished, unfinished.with_name(unfinished.name + ".wal")):
                leftover.unlink(missing_ok=True)
    return problems


def check_season(logs: Path, settings: Settings, progress: Progress = silent) -> pl.DataFrame:
    """The problems of the logs under `logs`, worst first, without leaving a database behind."""
    frames = _read_some_logs(logs, settings, progress)
    # Only what the checks stand on: no fit is waited for that no check asks about.
    wanted = [model.name for model in read_models(sql_dir()) if model.is_check]
    with duckdb.connect(":memory:") as con:
        models = make_tables(con, frames, settings, wanted, progress)
        return _all_problems(con, models)


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
    _make_table(con, "raw.kept_part", parts.frame())
    problems = _all_problems(con, models)
    load_problems(con, problems)
    for model in models_of_marks(models):
        con.execute(model.statement)
    return problems


def make_tables(
    con: Connection,
    frames: LogFrames,
    settings: Settings,
    wanted: Collection[str] = (),
    progress: Progress = silent,
    parts: KeptParts | None = None,
) -> list[SqlModel]:
    """Make the tables `wanted` and all they are made from, or every one when none is named.

    con     : an empty database
    parts   : what an earlier build worked out; what is worked out now is added
    returns : the SQL models
    """
    for schema in SCHEMAS:
        con.execute(f"create schema if not exists {schema}")
    load_raw(con, frames)
    _load_settings(con, settings)
    # From here on the database reads no file: a cell that names a path stays a cell.
    con.execute("set enable_external_access = false")
    for statement in (*sql_macros(), *_constants()):
        con.execute(statement)
    models = read_models(sql_dir())
    before = [model for model in models if model.layer != AFTER_PROBLEMS]
    _run_models(con, before, wanted, progress, parts or KeptParts())
    return models


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


def order_of(name: str) -> str | None:
    """What the rows of a table are ordered by, as SQL says it; None where they lie as they were made.

    Rows that belong to parts of the season may lie in any order: each part's can be made anew.
    """
    if name in _LOGGED_ROWS:
        return "file_id, line"
    return {model.name: model.order for model in read_models(sql_dir()) if model.part}.get(name)


def logs_of(con: Connection) -> dict[str, tuple[int, str]]:
    """The logs that the season was made from: of each path its size in bytes and its SHA-256."""
    found = con.execute(
        "select path, size_bytes, sha256 from raw.file where sha256 is not null order by file_id"
    ).fetchall()
    return {path: (size, sha256) for path, size, sha256 in found}


def _read_some_logs(
    logs: Path, settings: Settings, progress: Progress, kept: Kept | None = None
) -> LogFrames:
    frames = open_logs(logs, settings, progress, kept)
    if frames.files.is_empty() and frames.problems.is_empty():
        raise NoLogsError(
            f"{logs}: there are no logs in this folder or below it. A log is a .csv file; to start some: "
            f"stillseason template {logs}"
        )
    return frames


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
    _make_table(con, "raw.setting", setting)
    _make_table(con, "raw.student_t", quantile)
    _make_table(con, "raw.made_by", made_by)


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


def _constants() -> Iterator[str]:
    """Constants of the science that SQL needs, as macros without arguments."""
    yield f"create or replace macro max_lpa_per_kg_extract() as {MAX_LPA_PER_KG_EXTRACT!r}e0"


def _run_models(
    con: Connection, models: list[SqlModel], wanted: Collection[str], progress: Progress, parts: KeptParts
) -> None:
    by_name = {model.name: model for model in models}
    steps = {name: step for step in STEPS for name in step.makes}
    depends: dict[str, frozenset[str]] = {model.name: model.depends for model in models}
    depends |= {name: step.depends for name, step in steps.items()}
    done: set[str] = set()
    order = order_tables(depends, _tables(con))
    if wanted:
        order = _behind(wanted, depends, order)
    # One thread for linear algebra: quicker on matrices this small, and the same digits on every machine.
    with threadpool_limits(limits=1):
        for position, name in enumerate(order, start=1):
            progress("Working out the season", position, len(order))
            if name in by_name:
                con.execute(by_name[name].statement)
            elif name not in done:
                _run_step(con, steps[name], parts)
                done.update(steps[name].makes)


def _behind(
    wanted: Collection[str], depends: Mapping[str, Collection[str]], order: Iterable[str]
) -> list[str]:
    """Of the tables in `order`, those wanted and those they are made from."""
    found: set[str] = set()
    waiting = list(wanted)
    while waiting:
        name = waiting.pop()
        if name in depends and name not in found:
            found.add(name)
            waiting += depends[name]
    return [name for name in order if name in found or "." not in name]


def _run_step(con: Connection, step: PythonStep, parts: KeptParts) -> None:
    frames = (pl.DataFrame(con.sql(query)) for query in step.reads)
    found = step.run(*frames, parts=parts) if step.has_parts else step.run(*frames)
    for name, frame in zip(step.makes, found, strict=True):
        _make_table(con, name, frame)


def _make_table(con: Connection, name: str, frame: pl.DataFrame) -> None:
    con.register("incoming_frame", ArrowStream(frame))
    con.execute(f"create or replace table {name} as select * from incoming_frame")
    con.unregister("incoming_frame")


def _all_problems(con: Connection, models: Iterable[SqlModel]) -> pl.DataFrame:
    of_account = problems_frame(problems_of_account(con, models))
    return sort_problems(pl.concat([problems_of_reading(con), of_account]))


def problems_of_account(con: Connection, models: Iterable[SqlModel]) -> list[Problem]:
    """What the checks of sql/90_check found, worded by the catalogue of problem kinds."""
    found = []
    for model in models:
        if not model.is_check:
            continue
        code = model.name.split(".")[1]
        rows = con.execute(
            f"select file.path, line, column_name, found, expected, batch from {model.name} "
            "inner join raw.file as file using (file_id) "
            "order by file.path, line, column_name, found, expected, batch"
        ).fetchall()
        found += [
            problem(
                code, path, line=line, column=column_name, found=what, batch=batch, **_details(code, expected)
            )
            for path, line, column_name, what, expected, batch in rows
        ]
    return found


def _details(code: str, expected: str) -> Mapping[str, str]:
    if code not in KINDS:
        raise KeyError(f"sql/90_check/{code}.sql has no entry in the catalogue of problem kinds.")
    return {"expected": expected}


def load_problems(con: Connection, problems: pl.DataFrame) -> None:
    """Make problem.row: `pipeline.problems.PROBLEM_SCHEMA`, and what the tables know file and column by.

    A problem names its file as it can be shown; the tables hold the name as it is.
    """
    written = problems["column"].unique(maintain_order=True).drop_nulls().to_list()
    known = pl.DataFrame(
        {"column_name": written, "log_column": [format_column(name) for name in written]},
        schema={"column_name": pl.String, "log_column": pl.String},
    )
    rows = problems.rename({"column": "column_name"})
    rows = rows.join(known, on="column_name", how="left", maintain_order="left")
    files = con.execute("select path, file_id from raw.file order by file_id").fetchall()
    numbers = pl.DataFrame(
        {"file": [visible(path) for path, _ in files], "file_id": [number for _, number in files]},
        schema={"file": pl.String, "file_id": pl.Int32},
    ).unique("file", keep="first", maintain_order=True)
    rows = rows.join(numbers, on="file", how="left", maintain_order="left")
    _make_table(con, "problem.row", rows)


def describe_tables(con: Connection) -> None:
    """Let every table and column of a filled database say in itself what it holds."""
    models = read_models(sql_dir())
    meanings = {model.name: f"{model.what} {model.grain}" for model in models if not model.is_macro}
    for step in STEPS:
        meanings |= step.makes
    meanings["problem.row"] = "every problem found in the logs, worst first. One row a problem."
    # All in one go: each of a thousand comments would be written to the disk by itself.
    con.execute("begin")
    for name, meaning in meanings.items():
        con.execute(f"comment on table {name} is {_quoted(meaning)}")
    found = con.execute(
        "select schema_name, table_name, column_name from duckdb_columns() where schema_name in "
        f"({', '.join(repr(schema) for schema in SCHEMAS if schema != 'raw')})"
    ).fetchall()
    for schema, table, name in found:
        known = find_column(name)
        if known is not None:
            con.execute(f'comment on column {schema}."{table}"."{name}" is {_quoted(known.comment)}')
    con.execute("commit")


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
