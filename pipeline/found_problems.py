"""Every problem of a season: what reading found, what the checks of sql/90_check find, what it touches."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import duckdb
import polars as pl

from pipeline.flow import make_table
from pipeline.logs.header import format_column
from pipeline.logs.keep import problems_of_reading
from pipeline.problems import KINDS, Problem, problem, problems_frame, sort_problems, visible
from pipeline.sql_models import SqlModel, models_of_marks

__all__ = ["all_problems", "load_problems", "make_problems", "problems_of_account"]

Connection = duckdb.DuckDBPyConnection


def make_problems(con: Connection, models: Iterable[SqlModel]) -> pl.DataFrame:
    """Make problem.row, and what says which figures each problem touches; the problems, worst first."""
    models = list(models)
    problems = all_problems(con, models)
    load_problems(con, problems)
    for model in models_of_marks(models):
        con.execute(model.statement)
    return problems


def all_problems(con: Connection, models: Iterable[SqlModel]) -> pl.DataFrame:
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
    make_table(con, "problem.row", rows)
