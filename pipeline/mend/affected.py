"""Which parts of the season a change of some logs reaches, and whether it changed nothing but readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import duckdb
import polars as pl

from pipeline.account.lots import lot_key
from pipeline.logs import Reading
from pipeline.logs.fields import BATCH_LOG, CASK_LOG
from pipeline.logs.keep import Kept

# Beyond this share of the season's files it is as quick to make the season anew (own choice).
_MOST_FILES_FRAC = 0.5

# What a value's table says besides readings: which batch or cask, and when.
_PLACES = {"batch_value": "batch", "cask_value": "cask"}


@dataclass(frozen=True)
class Affected:
    """What has to be worked out anew.

    changed : numbers of the files that are not as they were
    files   : numbers of all files of the parts that they belong to
    parts   : the numbers of these parts
    batches : of these files
    casks   : of these files
    """

    changed: tuple[int, ...]
    files: tuple[int, ...]
    parts: tuple[int, ...]
    batches: tuple[str, ...]
    casks: tuple[str, ...]


def affected_by(read: Reading, kept: Kept) -> Affected | None:
    """What a change reaches; None where it may reach all of the season."""
    changed = _changed_files(read, kept)
    if not changed or not _says_the_same(read, kept.connection, changed):
        return None
    found = _parts_of(kept.connection, changed)
    return found if found is not None and len(found.files) <= _MOST_FILES_FRAC * read.files.height else None


def _changed_files(read: Reading, kept: Kept) -> tuple[int, ...]:
    """The files that are not as they were; none where others are there, or other kinds of log changed."""
    same = ["file_id", "path", "kind"]
    if read.anew.later or not read.files.select(same).equals(kept.files.select(same)):
        return ()
    is_changed = read.files["sha256"].ne_missing(kept.files["sha256"])
    changed = read.files.filter(is_changed)
    if not changed["kind"].is_in([BATCH_LOG, CASK_LOG]).all():
        return ()
    return tuple(changed["file_id"].to_list())


def _says_the_same(read: Reading, con: duckdb.DuckDBPyConnection, changed: tuple[int, ...]) -> bool:
    """Whether the changed files have the rows they had, of the same batches and casks at the same time."""
    for table, name in _PLACES.items():
        columns = ["file_id", "line", name, "logged_at", "has_time", "is_set_aside"]
        then = con.sql(
            f"select {', '.join(columns)} from raw.{table} where list_contains($changed, file_id) "
            "order by file_id, line",
            params={"changed": changed},
        )
        now = read.anew.values[table].filter(pl.col("file_id").is_in(changed)).select(columns)
        if not now.equals(pl.DataFrame(then)):
            return False
    return True


def _parts_of(con: duckdb.DuckDBPyConnection, changed: tuple[int, ...]) -> Affected | None:
    """The parts of the changed files, with all files of their batches and casks, and the parts of these too.

    None where a file names what belongs to no part.
    """
    named = pl.DataFrame(
        con.sql(
            "select distinct file_id, batch, null as cask from raw.batch_value union all "
            "select distinct file_id, null, cask from raw.cask_value order by all"
        )
    )
    members = pl.DataFrame(con.sql("select batch, lot, part from account.part order by all"))
    of_batch, of_lot = (
        dict(members.select(name, "part").drop_nulls().iter_rows()) for name in ("batch", "lot")
    )
    casks = named["cask"].drop_nulls().unique().to_list()
    of_cask = {cask: of_lot.get(lot_key(f"cask {cask}")) for cask in casks}
    part = pl.coalesce(_looked_up("batch", of_batch), _looked_up("cask", of_cask))
    named = named.with_columns(part.alias("part"))
    files = set(changed)
    while True:
        own = named.filter(pl.col("file_id").is_in(list(files)))
        if own["part"].null_count():
            return None
        parts = own["part"].unique().sort().to_list()
        reached = named.filter(pl.col("part").is_in(parts))
        more = set(reached["file_id"].to_list()) | files
        if more == files:
            break
        files = more
    names = (own[column].drop_nulls().unique().sort().to_list() for column in ("batch", "cask"))
    return Affected(changed, tuple(sorted(files)), tuple(parts), *map(tuple, names))


def _looked_up(column: str, numbers: Mapping[str, int | None]) -> pl.Expr:
    return pl.col(column).replace_strict(numbers, default=None, return_dtype=pl.Int64)
