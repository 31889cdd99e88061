"""The season's account part by part: a part is what hangs together by its lots and casks.

Nothing that one part's lots held, and no reading, has to do with another part, so nothing is cut: a set of
batches is one part however long it is, and several small ones are one together. Numbers that count through
the season are counted anew within each part, and set right in what comes of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.account.book import Tables
from pipeline.account.linked import key_of, sets_with_lots
from pipeline.account.lot_tables import WALKED_COLUMNS, moves_of
from pipeline.account.lots import walk_lots
from pipeline.account.uncertain import Ints
from pipeline.kept_parts import KeptParts, number_within, part_of_each

# A part has at least so many batches: fewer would leave more to be done for each part than for its batches.
_FEWEST = 64

_SIDES = ("from_lot", "to_lot")


@dataclass(frozen=True)
class _PartOf:
    """The number of the part that each batch belongs to, and that each lot does, by `key_of`."""

    batch: Mapping[str, int]
    lot: Mapping[str, int]

    @classmethod
    def linked(cls, links: pl.DataFrame) -> _PartOf:
        """The parts of moves. links : batch, from_lot, to_lot by `key_of`"""
        sets = sets_with_lots(links)
        members = [found.batches or found.lots[:1] for found in sets]
        part_of = part_of_each(members, _FEWEST, cuts_long=False)
        batch: dict[str, int] = {}
        lot: dict[str, int] = {}
        for found, (first, *_) in zip(sets, members, strict=True):
            batch.update(dict.fromkeys(found.batches, part_of[first]))
            lot.update(dict.fromkeys(found.lots, part_of[first]))
        return cls(batch, lot)

    def of_batches(self) -> pl.Expr:
        """By the column `batch`."""
        return pl.col("batch").replace_strict(self.batch, default=None, return_dtype=pl.Int64)

    def of_moves(self, links: pl.DataFrame) -> pl.Series:
        """The part of each move: of its batch, or of one of its lots."""
        by_lot = pl.col(_SIDES).str.strip_prefix("cask ")
        found = links.with_columns(
            by_lot.replace_strict(self.lot, default=None, return_dtype=pl.Int64)
        ).select(pl.coalesce(self.of_batches(), *_SIDES, 0).alias("part"))
        return found["part"]


def walk_season(entries: pl.DataFrame, parts: KeptParts) -> tuple[pl.DataFrame, pl.DataFrame]:
    """`walk_entries`, part by part.

    parts : what an earlier build worked out
    """
    links = _links_of(entries)
    part = _PartOf.linked(links).of_moves(links)
    walked, lots = parts.joined("walk", [entries.select(WALKED_COLUMNS).with_columns(part)], walk_lots)
    return moves_of(entries, in_order(walked, part)), lots.drop("part").sort("lot")


def with_parts(tables: Tables) -> Tables:
    """The season's tables with the `part` of each row, and with numbers counted within each part."""
    links = _links_of(tables.moves)
    nothing = pl.lit(None, pl.String)
    alone = tables.batches.select("batch", *(nothing.alias(side) for side in _SIDES))
    part_of = _PartOf.linked(pl.concat([links, alone]))
    moves = tables.moves.with_columns(part_of.of_moves(links))
    moves = moves.with_columns(pl.int_range(pl.len()).over("part").alias("move_id"))
    # A cask's row names no batch.
    place = ["file_id", "line"]
    of_place = moves.filter(pl.col("batch").is_null()).select(*place, pl.col("part").alias("of_place"))
    rows = (
        tables.rows.join(of_place.unique(place), on=place, how="left", maintain_order="left")
        .with_columns(pl.coalesce(part_of.of_batches(), "of_place", 0).alias("part"))
        .drop("of_place")
    )
    jars, wash, fermentables, batches, runs = (
        frame.with_columns(part_of.of_batches().alias("part"))
        for frame in (tables.jars, tables.wash, tables.fermentables, tables.batches, tables.runs)
    )
    (rows, moves, jars, fermentables), _ = number_within((rows, moves, jars, fermentables), "file_id")
    step_of = _counted_within(rows["part"], rows["step_id"])
    rows, fermentables = (frame.with_columns(step_of("step_id")) for frame in (rows, fermentables))
    wash = wash.with_columns(step_of("original_step_id"), step_of("final_step_id"))
    return Tables(rows, moves, jars, wash, fermentables, batches, runs, tables.settings)


@dataclass(frozen=True)
class Numbers:
    """What stands in the season for each of the numbers that are counted within a part.

    season : one part after another
    starts : where each part's begin
    """

    season: Ints
    starts: Ints

    @classmethod
    def of_rows(cls, part: pl.Series, numbers: pl.Series | None = None) -> Numbers:
        """Of rows counted within each part: the season's number of each.

        part    : of each row of a table
        numbers : the season's numbers of the table's rows; None: counted from 0
        """
        own = part.to_numpy()
        order = np.argsort(own, kind="stable")
        starts = np.searchsorted(own[order], np.arange(int(own.max(initial=0)) + 1))
        return cls(order if numbers is None else numbers.to_numpy()[order], starts)

    def look_up(self, part: pl.Series, own: pl.Series) -> Ints:
        """The season's numbers; `own` and the `part` that it is counted in, row by row."""
        return np.asarray(self.season[self.starts[part.to_numpy()] + own.to_numpy()])


def _counted_within(part: pl.Series, numbers: pl.Series) -> Callable[[str], pl.Expr]:
    """How to count anew, within each part, numbers of which each stands for one row of the season.

    returns : of a column of such numbers, by its name
    """
    order = numbers.arg_sort(nulls_last=True)[: numbers.len() - numbers.null_count()]
    counted = pl.DataFrame([part.gather(order)]).select(pl.int_range(pl.len()).over("part")).to_series()
    season = numbers.gather(order).to_numpy()
    own = np.zeros(int(season.max(initial=0)) + 1, dtype=np.int64)
    own[season] = counted.to_numpy()
    within = pl.Series(own)
    return lambda column: pl.lit(within).gather(pl.col(column)).alias(column)


def in_order(outcome: pl.DataFrame, part: pl.Series) -> pl.DataFrame:
    """The rows that came of all parts, one for each row of a table, in the order of that table.

    part : of each row of the table
    """
    place = np.empty(part.len(), dtype=np.int64)
    place[Numbers.of_rows(part).season] = np.arange(part.len())
    return outcome.drop("part")[place]


def _links_of(moves: pl.DataFrame) -> pl.DataFrame:
    return moves.select("batch", *(key_of(moves, side) for side in _SIDES))
