"""Which parts of the season a change of some logs reaches."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import duckdb
import polars as pl

from pipeline.account.lots import lot_key
from pipeline.logs import Reading
from pipeline.logs.fields import BATCH_LOG, CASK_LOG
from pipeline.logs.keep import Kept

# Beyond this share of the season's files it is as quick to make the season anew (own choice).
_MOST_FILES_FRAC = 0.5

# Where the batches and casks that files name are told.
_NAMES = {"batch_value": "batch", "cask_value": "cask"}


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
    found = _parts_of(read, kept.connection, changed) if changed else None
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


def _parts_of(read: Reading, con: duckdb.DuckDBPyConnection, changed: Collection[int]) -> Affected | None:
    """The parts of the changed files, with all files of their batches and casks, and the parts of these too.

    What a changed file names counts as it named it then and as it does now. None where it names nothing that
    belongs to a part.
    """
    named = _named(read, con, changed)
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
        parts = own["part"].drop_nulls().unique().sort().to_list()
        reached = named.filter(pl.col("part").is_in(parts))
        more = set(reached["file_id"].to_list()) | files
        if more == files:
            break
        files = more
    if not parts:
        return None
    names = (own[column].drop_nulls().unique().sort().to_list() for column in ("batch", "cask"))
    return Affected(tuple(changed), tuple(sorted(files)), tuple(parts), *map(tuple, names))


def _named(read: Reading, con: duckdb.DuckDBPyConnection, changed: Collection[int]) -> pl.DataFrame:
    """The batches and casks that each file names, or named before it changed."""
    then = pl.DataFrame(
        con.sql(
            "select distinct file_id, batch, null::varchar as cask from raw.batch_value union all "
            "select distinct file_id, null, cask from raw.cask_value order by all"
        )
    )
    now = [
        read.anew.values[table].filter(pl.col("file_id").is_in(changed)).select("file_id", name).unique()
        for table, name in _NAMES.items()
    ]
    return pl.concat([then, *now], how="diagonal")


def _looked_up(column: str, numbers: Mapping[str, int | None]) -> pl.Expr:
    return pl.col(column).replace_strict(numbers, default=None, return_dtype=pl.Int64)
