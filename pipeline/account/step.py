"""The account's step in the flow: from the tables of the walk to ancestry and uncertainties.

One function, because all of it stands on the same derivatives. Each frame it returns is one table; the order
is that of `MAKES`. The work is done part by part (`part`), and every row belongs to a part; here the numbers
become the season's again. What looks at the whole season is made from these tables (`season_step`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, replace

import numpy as np
import polars as pl

from pipeline.account.ancestry_tables import ANCESTRY_ORDER, RUN_ANCESTRY_ORDER, SPIRIT_SHARE_ORDER
from pipeline.account.book import Tables, sorted_jars
from pipeline.account.numbers import numbered_in_part
from pipeline.account.part import OUTCOMES, QUANTITIES_OF_MOVES, account_of_part
from pipeline.account.partition import BATCH_ORDER, PARTS, RUN_ORDER
from pipeline.account.parts import RowsOfParts, in_order, with_parts
from pipeline.account.readings import QUANTITIES, READING_SCHEMA, WASH_MODEL
from pipeline.kept_parts import KeptParts
from pipeline.python_step import OfPart

MAKES = {
    "account.ancestry": (
        "whose wash each lot's alcohol came from, from each change of its shares on. "
        "One row a lot, change and batch of origin."
    ),
    "account.run_ancestry": (
        "whose wash the alcohol charged to each run came from. One row a run and batch of origin."
    ),
    "account.spirit_share": (
        "whose spirit each lot holds, by the batch whose runs made it, feints charged and all, from each "
        "change of its shares on. One row a lot that is no feints, change and batch."
    ),
    "account.credit": (
        "the alcohol of each batch's own wash in all hearts and in feints kept. One row a batch."
    ),
    "account.reading": "every reading of an instrument with its standard uncertainty. One row a reading.",
    "account.sensitivity": (
        "how the amount of each move changes with each reading it leans on. "
        "One row a move, quantity and reading."
    ),
    "account.lot_u": "standard uncertainty of each lot's alcohol at the end of the logs. One row a lot.",
    "account.cask_held": (
        "how the alcohol that each cask holds at the end of the logs changes with each reading it leans on. "
        "One row a cask's lot and reading."
    ),
    "account.part_sum": (
        "what each part of the season hands on of the sums of metric.season, with what their uncertainties "
        "need of it. One row a part, season and sum."
    ),
    "account.part_flow": ("the same of the steps of metric.flow. One row a part, season and node."),
    "account.batch_u": "standard uncertainties of the figures of metric.batch. One row a batch.",
    "account.run_u": "standard uncertainties of the figures of metric.run. One row a run.",
    "account.cut_u": "standard uncertainties of the figures of metric.cut. One row a cut of a run.",
    "account.jar_u": "standard uncertainties of the figures of metric.jar. One row a jar.",
}
"""Every table the step makes, and what it holds."""

READS_OF_TABLES = (
    "select file_id, line, batch, step_no, run, cask, step, liquid, gravity_unit, strength_unit, spout_unit, "
    "mass_kg, volume_l, gravity_reading, strength_reading, spout_reading, temperature_c, volume_sg, "
    "volume_abv_pct_vol from account.logged_row order by file_id, line",
    "select move_id, move.file_id, move.line, move.happened_at, move.kind, move.batch, move.run, move.cut, "
    "move.from_lot, move.to_lot, move.volume_l, move.mass_kg, abv_pct_vol, lpa, from_mass_before_kg, "
    "from_lpa_before, to_lpa_before, from_volume_after_l, from_lpa_after, to_lpa_after, "
    "entry.volume_20c_l is not null or entry.mass_kg is not null as has_amount "
    "from account.move as move join account.entry as entry "
    "on entry.file_id = move.file_id and entry.line = move.line order by move_id",
    "select batch, run, jar_no, file_id, line, cut, strength_basis, is_small from account.jar",
    "select batch, original_step_no, final_step_no from account.wash order by batch",
    "select batch, step_no, file_id, line, step, extract_as_is_frac, fermentable_frac "
    "from account.fermentable order by batch, step_no",
    f"select batch, season from account.batch order by {BATCH_ORDER}",
    f"select batch, run, run_kind from account.run order by {RUN_ORDER}",
    "select * from raw.setting",
)
"""What the account is worked out from, in the order of the fields of `Tables`."""

READS = (*READS_OF_TABLES, PARTS)
"""What the step reads: besides, which part of the season is where."""

_SUM_ORDER = "part, figure, season nulls first"

OF_PARTS = {
    "account.ancestry": OfPart("move_id", ANCESTRY_ORDER),
    "account.run_ancestry": OfPart("batch", RUN_ANCESTRY_ORDER),
    "account.spirit_share": OfPart("move_id", SPIRIT_SHARE_ORDER),
    "account.credit": OfPart("batch", "batch"),
    "account.reading": OfPart("reading_id", "reading_id"),
    "account.sensitivity": OfPart("move_id", "move_id, quantity, reading_id"),
    "account.lot_u": OfPart("lot", "lot"),
    "account.cask_held": OfPart("lot", "lot, reading_id"),
    "account.part_sum": OfPart("part", _SUM_ORDER),
    "account.part_flow": OfPart("part", _SUM_ORDER),
    "account.batch_u": OfPart("batch", "batch"),
    "account.run_u": OfPart("batch", "batch, run"),
    "account.cut_u": OfPart("batch", "batch, run nulls first, cut"),
    "account.jar_u": OfPart("batch", "batch, run nulls first, jar_no"),
}
"""What tells the part of each table's rows, and their order."""


def account_step(*frames: pl.DataFrame, parts: KeptParts) -> Iterator[pl.DataFrame]:
    """Ancestry, readings and uncertainties of the season; frames as `READS` gives them, tables as `MAKES`.

    parts : what an earlier build worked out
    """
    *of_tables, season_parts = frames
    tables = Tables(*of_tables)
    tables = replace(tables, jars=sorted_jars(tables.jars))
    parted = with_parts(tables, season_parts)
    frames_of_parts = [getattr(parted, each.name) for each in fields(parted)]
    found = dict(zip(OUTCOMES, parts.joined("account", frames_of_parts, account_of_part), strict=True))
    yield _by_move(found.pop("ancestry"))
    yield found.pop("run_ancestry").drop("part").sort(_RUN_ANCESTRY_KEY)
    yield _by_move(found.pop("spirit_share"))
    yield _by_key(tables.batches.select("batch"), found.pop("credit"), parted.batches["part"])
    yield _readings(found.pop("reading"), tables, parted)
    yield _sensitivity(found.pop("sensitivity"))
    yield found.pop("lot").drop("part").sort("lot")
    yield _held(found.pop("held"))
    for name in ("season", "flow"):
        sums = found.pop(name)
        yield sums.select("part", *sums.columns[:-1]).sort("part", "figure", "season")
    yield _by_key(tables.batches.select("batch"), found.pop("batch"), parted.batches["part"])
    yield _by_key(tables.runs.select("batch", "run"), found.pop("run"), parted.runs["part"])
    yield found.pop("cut").drop("part").sort("batch", "run", "cut")
    yield _by_key(tables.jars.select("batch", "run", "jar_no"), found.pop("jar"), parted.jars["part"])


_RUN_ANCESTRY_KEY = ("batch", "run", "origin_batch", "is_by_feints", "is_pooled")


def _by_key(keys: pl.DataFrame, found: pl.DataFrame, part: pl.Series) -> pl.DataFrame:
    """What came of each row of a table beside that row's key, by key.

    part : of each row of the table
    """
    return keys.hstack(in_order(found, part)).sort(keys.columns)


def _by_move(found: pl.DataFrame) -> pl.DataFrame:
    """Rows with the season's numbers of their moves, in that order."""
    numbered = found.with_columns(
        numbered_in_part(pl.col(name)).alias(name) for name in ("move_id", "until_move_id")
    )
    return numbered.drop("part").sort("move_id", maintain_order=True)


def _readings(found: pl.DataFrame, tables: Tables, parted: Tables) -> pl.DataFrame:
    """account.reading: a part's readings stand in their order already."""
    is_model = found["quantity_no"] == QUANTITIES.index(WASH_MODEL)
    row = np.empty(found.height, dtype=np.int64)
    for flags, table in ((~is_model, parted.rows), (is_model, parted.wash)):
        some = found.filter(flags)
        row[flags.to_numpy()] = RowsOfParts.of(table["part"]).look_up(some["part"], some["row"])
    of_row = pl.select(pl.when(~is_model).then(pl.Series(row))).to_series()
    of_wash = pl.select(pl.when(is_model).then(pl.Series(row))).to_series()
    frame = tables.rows.select(
        pl.col("file_id", "line", "batch", "cask", "step").gather(of_row)
    ).with_columns(
        pl.coalesce("batch", tables.wash["batch"].gather(of_wash)).alias("batch"),
        found.select(numbered_in_part(pl.int_range(pl.len()).over("part"))).to_series().alias("reading_id"),
        pl.Series(QUANTITIES).gather(found["quantity_no"]).alias("quantity"),
        found["reading"],
        found["reading_u"],
    )
    return frame.select(pl.col(name).cast(kind) for name, kind in READING_SCHEMA.items())


def _sensitivity(found: pl.DataFrame) -> pl.DataFrame:
    """account.sensitivity: with the season's numbers, by move, quantity and reading."""
    numbered = found.select(
        numbered_in_part(pl.col("move_id")).alias("move_id"),
        "quantity_no",
        numbered_in_part(pl.col("reading_id")).alias("reading_id"),
        "derivative",
    ).sort("move_id", "quantity_no", maintain_order=True)
    quantity = pl.Series(QUANTITIES_OF_MOVES).gather(numbered["quantity_no"])
    return numbered.select("move_id", quantity.alias("quantity"), "reading_id", "derivative")


def _held(found: pl.DataFrame) -> pl.DataFrame:
    """account.cask_held: with the season's numbers, by lot and reading."""
    numbered = found.with_columns(numbered_in_part(pl.col("reading_id")).alias("reading_id"))
    return numbered.drop("part").sort("lot", "reading_id")
