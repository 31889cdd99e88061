"""The season's account part by part: a part is what hangs together by its lots and casks (`partition`).

Numbers that count through the season are counted anew within each part, and set right in what comes of it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.account.book import Tables
from pipeline.account.lot_tables import WALKED_COLUMNS, moves_of
from pipeline.account.lots import walk_lots
from pipeline.account.partition import PartOf
from pipeline.account.uncertain import Ints
from pipeline.kept_parts import KeptParts, number_within


def walk_season(
    entries: pl.DataFrame, season_parts: pl.DataFrame, parts: KeptParts
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """`walk_entries`, part by part.

    season_parts : account.part
    parts        : what an earlier build worked out
    """
    part = PartOf.told(season_parts).moves(entries)
    walked, lots = parts.joined("walk", [entries.select(WALKED_COLUMNS).with_columns(part)], walk_lots)
    return moves_of(entries, in_order(walked, part)), lots.drop("part").sort("lot")


def with_parts(tables: Tables, season_parts: pl.DataFrame) -> Tables:
    """The season's tables with the `part` of each row, and with numbers counted within each part.

    season_parts : account.part
    """
    part_of = PartOf.told(season_parts)
    moves = tables.moves.with_columns(part_of.moves(tables.moves))
    moves = moves.with_columns(pl.int_range(pl.len()).over("part").alias("move_id"))
    # A cask's row names no batch.
    place = ["file_id", "line"]
    of_place = moves.filter(pl.col("batch").is_null()).select(*place, pl.col("part").alias("of_place"))
    rows = (
        tables.rows.join(of_place.unique(place), on=place, how="left", maintain_order="left")
        .with_columns(pl.coalesce(part_of.batches(), "of_place").alias("part"))
        .drop("of_place")
    )
    jars, wash, fermentables, batches, runs = (
        frame.with_columns(part_of.batches())
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
