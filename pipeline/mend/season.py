"""A season's database mended: a copy of it, with the parts that changed put in their places."""

from __future__ import annotations

import shutil
from collections.abc import Collection
from pathlib import Path

import duckdb
import polars as pl

from pipeline.account.partition import STEPS_BY_PART
from pipeline.flow import PART_OF_EACH, Flow, make_table
from pipeline.found_problems import make_problems
from pipeline.kept_parts import KeptParts
from pipeline.logs import Reading
from pipeline.logs.keep import Kept
from pipeline.mend.affected import Affected, affected_by
from pipeline.mend.regrouped import parts_now
from pipeline.mend.scratch import SCRATCH, key_table, make_scratch
from pipeline.mend.splice import put_in_place
from pipeline.progress import Progress
from pipeline.resources import sql_dir
from pipeline.sql_models import LOG_TABLES, models_of_marks, read_models
from pipeline.table_comments import describe_tables

Connection = duckdb.DuckDBPyConnection


def mend_season(unfinished: Path, database: Path, read: Reading, progress: Progress) -> pl.DataFrame | None:
    """Copy the database and mend the copy; the problems found, worst first.

    unfinished : the copy, to take the place of `database`; not there when it could not be mended
    read       : the logs as they are now; the earlier build that it takes files over from made `database`
    returns    : None where more changed than some batch and cask logs, or the season has other parts now
    """
    affected = None if read.kept is None else affected_by(read, read.kept)
    if affected is None or read.kept is None:
        return None
    shutil.copyfile(database, unfinished)
    with duckdb.connect(str(unfinished)) as con:
        problems = _mend(con, read, read.kept, affected, progress)
    if problems is None:
        unfinished.unlink()
    return problems


def _mend(
    con: Connection, read: Reading, kept: Kept, affected: Affected, progress: Progress
) -> pl.DataFrame | None:
    """Mend the database; None, and it is of no use, where the parts of the season changed."""
    season = _quoted(con.execute("select current_database()").fetchall()[0][0])
    flow = Flow.of(_loaded(con))
    parts = KeptParts(kept.connection)
    make_scratch(con, season, flow, read, affected)
    before = set(flow.up_to([PART_OF_EACH]))
    flow.make(con, before & {*flow.macros, *flow.part_tables}, progress, parts)
    regrouped = parts_now(con, season, flow)
    if regrouped is None:
        return None
    make_table(con, PART_OF_EACH, regrouped.filter(pl.col("part").is_in(affected.parts)))
    flow.make(con, flow.part_tables.keys() - before, progress, parts)
    make_table(con, f"{SCRATCH}.main.kept_now", parts.frame())
    con.execute("begin")
    put_in_place(con, season, flow)
    make_table(con, f"{season}.{PART_OF_EACH}", regrouped)
    _put_kept(con, season)
    con.execute("commit")
    con.execute(f"use {season}")
    con.execute(f"detach {SCRATCH}")
    make_table(con, "raw.file", read.files)
    make_table(con, "raw.problem", read.problems.rename({"column": "column_name"}))
    # Of raw.file, what is made from it asks for names alone: these are as they were.
    names = [name for name in flow.on_from({*LOG_TABLES, *flow.part_tables}) if name != PART_OF_EACH]
    flow.make(con, names, progress, parts)
    models = read_models(sql_dir())
    problems = make_problems(con, models)
    made = {"problem.row", PART_OF_EACH, *names, *(model.name for model in models_of_marks(models))}
    describe_tables(con, made)
    return problems


def _loaded(con: Connection) -> Collection[str]:
    found = con.execute("select table_name from duckdb_tables() where schema_name = 'raw'").fetchall()
    return {f"raw.{name}" for (name,) in found}


def _put_kept(con: Connection, season: str) -> None:
    """What was worked out of the parts and their pieces, in the place of all that was kept of them."""
    steps = ", ".join(f"'{step}'" for step in STEPS_BY_PART)
    con.execute(
        f"delete from {season}.raw.kept_part where if(step in ({steps}), part in (from {key_table('part')}), "
        f"part in (from {key_table('piece')}))"
    )
    con.execute(f"insert into {season}.raw.kept_part from {SCRATCH}.main.kept_now")


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
