"""The season's account part by part: a part is what hangs together by its lots and casks (`partition`).

Numbers of moves and files are counted anew within each part; `numbers` says what a part's are in the season.
"""

from __future__ import annotations

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
    return moves_of(entries, in_order(walked, part), part), lots.drop("part").sort("lot")


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
    return Tables(rows, moves, jars, wash, fermentables, batches, runs, tables.settings)


@dataclass(frozen=True)
class RowsOfParts:
    """Where the rows of each part stand in a table of the season.

    rows   : those of one part after another
    starts : where each part's begin
    """

    rows: Ints
    starts: Ints

    @classmethod
    def of(cls, part: pl.Series) -> RowsOfParts:
        """part : of each row of the table"""
        own = part.to_numpy()
        rows = np.argsort(own, kind="stable")
        starts = np.searchsorted(own[rows], np.arange(int(own.max(initial=0)) + 1))
        return cls(rows, starts)

    def look_up(self, part: pl.Series, own: pl.Series) -> Ints:
        """The rows in the table; `own` and the `part` that it is counted in from 0, row by row."""
        return np.asarray(self.rows[self.starts[part.to_numpy()] + own.to_numpy()])


def in_order(outcome: pl.DataFrame, part: pl.Series) -> pl.DataFrame:
    """The rows that came of all parts, one for each row of a table, in the order of that table.

    part : of each row of the table
    """
    place = np.empty(part.len(), dtype=np.int64)
    place[RowsOfParts.of(part).rows] = np.arange(part.len())
    return outcome.drop("part")[place]
