"""Numbers that count through the season: what each is in a database of some of its parts alone.

A row has another number there, but where its parts have the rows that they had, in the order in which they
had them, the first is still the first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import duckdb
import polars as pl

from pipeline.flow import make_table
from pipeline.mend.scratch import SCRATCH, key_table

__all__ = ["own_numbers"]

Connection = duckdb.DuckDBPyConnection


@dataclass(frozen=True)
class _Numbering:
    """Rows that are numbered through the season.

    table   : which; `number` is the column
    rows    : tells those of the parts, in the season
    same    : the columns that have to be as they were, or the order of the season may not be
    columns : those that hold such numbers, in any table
    """

    table: str
    number: str
    rows: str
    same: str
    columns: tuple[str, ...]


_OF_FILES = f"file_id in (from {key_table('file_id')})"

_NUMBERINGS = (
    _Numbering(
        "log.batch_step",
        "step_id",
        _OF_FILES,
        # A lot's name may change what the sources of other batches mean.
        "file_id, line, batch, lot, happened_at",
        ("step_id", "first_step_id", "original_step_id", "final_step_id"),
    ),
    _Numbering(
        "account.entry",
        "entry_id",
        _OF_FILES,
        "file_id, line, kind, batch, run, from_lot, to_lot, happened_at",
        ("entry_id", "move_id", "until_move_id"),
    ),
    _Numbering(
        "account.reading",
        "reading_id",
        f"batch in (from {key_table('batch')}) or cask in (from {key_table('cask')})",
        "file_id, line, batch, cask, quantity",
        ("reading_id",),
    ),
)


def own_numbers(con: Connection, season: str) -> Mapping[str, str] | None:
    """Of each column with such numbers a table that has the season's number of each `own` one.

    Makes the keys of the rows that are told by a number of the season, too.

    returns : None where the parts have other rows than they had, or in another order
    """
    found: dict[str, str] = {}
    for each in _NUMBERINGS:
        query = f"select {each.number}, {each.same} from {{}}.{each.table} {{}} order by {each.number}"
        own = pl.DataFrame(con.sql(query.format(SCRATCH, "")))
        then = pl.DataFrame(con.sql(query.format(season, f"where {each.rows}")))
        if not own.drop(each.number).equals(then.drop(each.number)):
            return None
        name = f"{SCRATCH}.main.number_of_{each.number}"
        make_table(con, name, pl.DataFrame({"own": own[each.number], "season": then[each.number]}))
        found |= dict.fromkeys(each.columns, name)
    for column in ("move_id", "reading_id"):
        con.execute(f"create table {key_table(column)} as select season as key from {found[column]}")
    return found
