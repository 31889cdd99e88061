"""Whether the season still falls into the parts that it fell into, once some logs say something else."""

from __future__ import annotations

import duckdb
import polars as pl

from pipeline.account.partition import BATCH_ORDER, ENTRY_ORDER, PARTS
from pipeline.flow import PART_OF_EACH, Flow
from pipeline.mend.scratch import SCRATCH, key_table

__all__ = ["parts_now"]

Connection = duckdb.DuckDBPyConnection

_NOW = "now"

# What account.part is made from, and what tells the rows of some parts in it.
_MADE_FROM = {"account.entry": "file_id", "account.batch": "batch"}

_OWN_SOURCES = ("wash", "low wines", "foreshots", "heads", "hearts", "tails", "feints")
"""Sources that mean a batch's own, unless a lot of the season bears that very name (account.entry)."""


def parts_now(con: Connection, season: str, flow: Flow) -> pl.DataFrame | None:
    """account.part of the season with the entries that its changed parts have now.

    season  : the season's database, by the name it is attached under; that of the parts alone is in use
    returns : None where other parts than these have other members or numbers than they had, or where a name
              in one part may mean a lot of another
    """
    if _has_lot_named_for_a_cut(con, season):
        return None
    then = pl.DataFrame(con.sql(PARTS.replace(PART_OF_EACH, f"{season}.{PART_OF_EACH}")))
    if _links(con, SCRATCH) == _links(con, season):
        return then
    found = _made_anew(con, season, flow)
    changed = pl.DataFrame(con.sql(f"from {key_table('part')}"))["key"].implode()
    others_now, others_then = (frame.filter(~pl.col("part").is_in(changed)) for frame in (found, then))
    return found if others_now.equals(others_then) else None


def _links(con: Connection, database: str) -> tuple[list[tuple[object, ...]], ...]:
    """What the parts' batches and lots are told to hang together by, and since when, in order.

    Lines count within one file alone: where these are as they were, so is every place in the season's order.
    """
    entries, batches = (
        f"{database}.{table} where {column} in (from {key_table(column)})"
        for table, column in _MADE_FROM.items()
    )
    links = pl.DataFrame(
        con.sql(f"select batch, from_lot, to_lot, happened_at, file_id from {entries} order by {ENTRY_ORDER}")
    )
    begun = con.execute(f"select batch, begun_at, file_id from {batches} order by {BATCH_ORDER}")
    return links.unique(
        ("batch", "from_lot", "to_lot"), keep="first", maintain_order=True
    ).rows(), begun.fetchall()


def _made_anew(con: Connection, season: str, flow: Flow) -> pl.DataFrame:
    con.execute(f"attach ':memory:' as {_NOW}")
    con.execute(f"create schema {_NOW}.account")
    for table, column in _MADE_FROM.items():
        con.execute(
            f"create view {_NOW}.{table} as from {season}.{table} where {column} not in "
            f"(from {key_table(column)}) union all by name from {SCRATCH}.{table}"
        )
    step = flow.steps[PART_OF_EACH]
    con.execute(f"use {_NOW}")
    (found,) = step.run(*(pl.DataFrame(con.sql(query)) for query in step.reads))
    con.execute(f"use {SCRATCH}")
    con.execute(f"detach {_NOW}")
    return found


def _has_lot_named_for_a_cut(con: Connection, season: str) -> bool:
    """Whether a lot bears a name that would otherwise mean each batch's own."""
    query = "select 1 from {}.log.batch_step where list_contains($words, lower(trim(lot))) limit 1"
    return any(
        con.execute(query.format(database), {"words": _OWN_SOURCES}).fetchall()
        for database in (season, SCRATCH)
    )
