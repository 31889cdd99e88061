"""The account's step in the flow: from the tables of the walk to ancestry and uncertainties.

One function, because all of it stands on the same derivatives. Each frame it returns is one table; the order
is that of `MAKES`. The work is done part by part (`part`); here the parts become the season again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields, replace

import numpy as np
import polars as pl

from pipeline.account.book import Tables, sorted_jars
from pipeline.account.casks import CaskBook, cask_frame, forecast_moment, group_frame
from pipeline.account.figures import figure_frame
from pipeline.account.flow import season_figures, whole_of
from pipeline.account.lot_errors import Row
from pipeline.account.part import OUTCOMES, QUANTITIES_OF_MOVES, account_of_part, whole_of_sum
from pipeline.account.parts import Numbers, in_order, with_parts
from pipeline.account.readings import QUANTITIES, READING_SCHEMA, WASH_MODEL
from pipeline.account.season_sums import put_together
from pipeline.account.uncertain import Floats, Uncertain
from pipeline.kept_parts import KeptParts

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
    "account.cask_loss": (
        "what each cask loses a year, its soakage, its drift of strength and what it will hold on the day "
        "of the forecast, each with its uncertainty. One row a cask."
    ),
    "metric.cask_group": (
        "what casks of each wood, size and place lose a year, beside what their sizes lead to by surface "
        "over volume, over all casks of the logs that are not leaking. One row a kind and level."
    ),
    "account.season_u": "standard uncertainties of the sums of metric.season. One row a season.",
    "account.flow_u": "standard uncertainties of the steps of metric.flow. One row a season and node.",
    "account.batch_u": "standard uncertainties of the figures of metric.batch. One row a batch.",
    "account.run_u": "standard uncertainties of the figures of metric.run. One row a run.",
    "account.cut_u": "standard uncertainties of the figures of metric.cut. One row a cut of a run.",
    "account.jar_u": "standard uncertainties of the figures of metric.jar. One row a jar.",
}
"""Every table the step makes, and what it holds."""

READS_OF_TABLES = (
    "select file_id, line, step_id, batch, run, cask, step, liquid, gravity_unit, strength_unit, spout_unit, "
    "mass_kg, volume_l, gravity_reading, strength_reading, spout_reading, temperature_c, volume_sg, "
    "volume_abv_pct_vol from account.logged_row order by file_id, line",
    "select move_id, move.file_id, move.line, move.happened_at, move.kind, move.batch, move.run, move.cut, "
    "move.from_lot, move.to_lot, move.volume_l, move.mass_kg, abv_pct_vol, lpa, from_mass_before_kg, "
    "from_lpa_before, to_lpa_before, from_volume_after_l, from_lpa_after, to_lpa_after, "
    "entry.volume_20c_l is not null or entry.mass_kg is not null as has_amount "
    "from account.move as move join account.entry as entry on entry.entry_id = move.move_id order by move_id",
    "select batch, run, jar_no, file_id, line, cut, strength_basis, is_small from account.jar",
    "select batch, original_step_id, final_step_id from account.wash order by batch",
    "select step_id, file_id, line, batch, step, extract_as_is_frac, fermentable_frac "
    "from account.fermentable order by step_id",
    "select batch, season from account.batch order by first_step_id",
    "select batch, run, run_kind from account.run order by first_step_id",
    "select * from raw.setting",
)
"""What the account is worked out from, in the order of the fields of `Tables`."""

READS = (
    *READS_OF_TABLES,
    "select cask, any_value(capacity_l order by happened_at, line) as capacity_l, "
    "any_value(wood order by happened_at, line) as wood, "
    "any_value(place order by happened_at desc, line desc) as place from log.cask_step group by cask "
    "order by cask",
)
"""What the step reads: besides, what is known of each cask."""


def account_step(*frames: pl.DataFrame, parts: KeptParts) -> Iterator[pl.DataFrame]:
    """Ancestry, readings and uncertainties of the season; frames as `READS` gives them, tables as `MAKES`.

    parts : what an earlier build worked out
    """
    *of_parts, described = frames
    tables = Tables(*of_parts)
    tables = replace(tables, jars=sorted_jars(tables.jars))
    parted = with_parts(tables)
    frames_of_parts = [getattr(parted, each.name) for each in fields(parted)]
    found = dict(zip(OUTCOMES, parts.joined("account", frames_of_parts, account_of_part), strict=True))
    move_ids = Numbers.of_rows(parted.moves["part"], tables.moves["move_id"])
    yield _by_move(found.pop("ancestry"), move_ids)
    yield _by_run(found.pop("run_ancestry"), tables.runs)
    yield _by_move(found.pop("spirit_share"), move_ids)
    yield tables.batches.select("batch").hstack(in_order(found.pop("credit"), parted.batches["part"]))
    readings, reading_ids = _readings(found.pop("reading"), tables, parted)
    yield readings
    sensitivity = _sensitivity(found.pop("sensitivity"), move_ids, reading_ids)
    yield _with_names(sensitivity)
    yield found.pop("lot").drop("part").sort("lot")
    casks = _cask_book(tables.moves, sensitivity, found.pop("held"), reading_ids, readings["reading_u"])
    del sensitivity, readings
    of_casks = cask_frame(casks, described, tables.setting, forecast_moment(tables))
    yield of_casks
    yield group_frame(described, of_casks)
    seasons = tables.batches["season"].unique(maintain_order=True)
    sums, sum_u = put_together(found.pop("season"), whole_of_sum, seasons.to_list())
    yield figure_frame(pl.DataFrame({"season": seasons}), season_figures(sums), sum_u)
    yield _flow_frame(seasons, *put_together(found.pop("flow"), whole_of, seasons.to_list()))
    yield tables.batches.select("batch").hstack(in_order(found.pop("batch"), parted.batches["part"]))
    yield tables.runs.select("batch", "run").hstack(in_order(found.pop("run"), parted.runs["part"]))
    yield found.pop("cut").drop("part").sort("batch", maintain_order=True)
    of_jars = in_order(found.pop("jar"), parted.jars["part"])
    yield tables.jars.select("batch", "run", "jar_no").hstack(of_jars)


def _by_move(found: pl.DataFrame, move_ids: Numbers) -> pl.DataFrame:
    """Rows with the season's numbers of their moves, in that order."""
    until = found["until_move_id"]
    last = pl.Series(move_ids.look_up(found["part"], until.fill_null(0)))
    return (
        found.with_columns(
            pl.Series("move_id", move_ids.look_up(found["part"], found["move_id"])),
            pl.when(until.is_not_null()).then(last).alias("until_move_id"),
        )
        .drop("part")
        .sort("move_id", maintain_order=True)
    )


def _by_run(found: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Rows in the order of account.run."""
    key = ["batch", "run"]
    numbered = runs.select(key).with_row_index("number")
    return (
        found.join(numbered, on=key, how="left", nulls_equal=True, maintain_order="left")
        .sort("number", nulls_last=True, maintain_order=True)
        .drop("number", "part")
    )


def _readings(found: pl.DataFrame, tables: Tables, parted: Tables) -> tuple[pl.DataFrame, Numbers]:
    """account.reading, and the season's numbers of each part's readings."""
    is_model = found["quantity_no"] == QUANTITIES.index(WASH_MODEL)
    row = np.empty(found.height, dtype=np.int64)
    for flags, table in ((~is_model, parted.rows), (is_model, parted.wash)):
        some = found.filter(flags)
        row[flags.to_numpy()] = Numbers.of_rows(table["part"]).look_up(some["part"], some["row"])
    # By quantity, and by row within each.
    number = found["quantity_no"].cast(pl.Int64).to_numpy() * max(tables.rows.height, 1) + row
    order = np.argsort(number, kind="stable")
    reading_id = np.empty_like(order)
    reading_id[order] = np.arange(order.size)
    ordered = found.with_columns(pl.Series("row", row))[order]
    of_row = ordered.select(pl.when(~is_model.gather(order)).then("row")).to_series()
    of_wash = ordered.select(pl.when(is_model.gather(order)).then("row")).to_series()
    frame = tables.rows.select(
        pl.col("file_id", "line", "batch", "cask", "step").gather(of_row)
    ).with_columns(
        pl.coalesce("batch", tables.wash["batch"].gather(of_wash)).alias("batch"),
        pl.Series(QUANTITIES).gather(ordered["quantity_no"]).alias("quantity"),
        ordered["reading"],
        ordered["reading_u"],
    )
    frame = frame.with_row_index("reading_id")
    frame = frame.select(pl.col(name).cast(kind) for name, kind in READING_SCHEMA.items())
    return frame, Numbers.of_rows(found["part"], pl.Series(reading_id))


def _sensitivity(found: pl.DataFrame, move_ids: Numbers, reading_ids: Numbers) -> pl.DataFrame:
    """With the season's numbers, in the order of the quantities and moves."""
    move_id = move_ids.look_up(found["part"], found["move_id"])
    last = int(move_id.max(initial=0)) + 1
    order = np.argsort(found["quantity_no"].cast(pl.Int64).to_numpy() * last + move_id, kind="stable")
    return found.select(
        "quantity_no",
        pl.Series("move_id", move_id),
        pl.Series("reading_id", reading_ids.look_up(found["part"], found["reading_id"])),
        "derivative",
    )[order]


def _with_names(sensitivity: pl.DataFrame) -> pl.DataFrame:
    """account.sensitivity."""
    quantity = pl.Series(QUANTITIES_OF_MOVES).gather(sensitivity["quantity_no"]).alias("quantity")
    return sensitivity.select("move_id", quantity, "reading_id", "derivative")


def _cask_book(
    moves: pl.DataFrame, sensitivity: pl.DataFrame, held: pl.DataFrame, reading_ids: Numbers, u: pl.Series
) -> CaskBook:
    """What the account knows of all casks.

    held : lot, reading_id and derivative of what casks hold at the end, from the parts
    u    : standard uncertainty of each reading
    """
    moves = moves.filter(pl.col("kind").str.starts_with("cask "))
    numbers = moves.select("move_id").with_row_index("number")
    of_casks = sensitivity.join(numbers, on="move_id", how="inner", maintain_order="left")
    reading_u = u.to_numpy()

    def column(name: str, values: pl.Series) -> Uncertain:
        own = of_casks.filter(pl.col("quantity_no") == QUANTITIES_OF_MOVES.index(name))
        number, reading, slope = (own[each].to_numpy() for each in ("number", "reading_id", "derivative"))
        known = values.fill_null(np.nan).to_numpy()
        return Uncertain.from_parts(known, [(number, reading, slope)], reading_u.size)

    rows: Mapping[str, Row] = {
        lot: (reading_ids.look_up(own["part"], own["reading_id"]), own["derivative"].to_numpy())
        for (lot,), own in held.group_by("lot", maintain_order=True)
    }
    return CaskBook(
        moves,
        column("lpa", moves["lpa"]),
        column("volume", moves["volume_l"]),
        column("mass", moves["mass_kg"]),
        rows,
        reading_u,
    )


def _flow_frame(seasons: pl.Series, nodes: Mapping[str, Uncertain], reading_u: Floats) -> pl.DataFrame:
    """One row a season and node; shares are of the first node of each part."""
    parts = []
    for node, column in nodes.items():
        whole = nodes[whole_of(node)]
        parts.append(
            figure_frame(
                pl.DataFrame({"season": seasons, "node": [node] * seasons.len()}),
                {"lpa": column, "share_frac": column / whole},
                reading_u,
            )
        )
    return pl.concat(parts)
