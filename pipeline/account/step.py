"""The account's step in the flow: from the tables of the walk to ancestry and uncertainties.

One function, because all of it stands on the same derivatives. Each frame it returns is one table; the order
is that of `MAKES`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import polars as pl

from pipeline.account.ancestry import credits, walk_ancestry
from pipeline.account.ancestry_tables import ancestry_frame, run_ancestry_frame, spirit_share_frame
from pipeline.account.book import Book, Tables, make_book
from pipeline.account.casks import cask_frame, group_frame
from pipeline.account.figures import (
    batch_figures,
    cut_figures,
    figure_frame,
    jar_figures,
    run_figures,
    sums_of,
)
from pipeline.account.flow import STILL_HOUSE, flow_figures, season_figures
from pipeline.account.lots import lot_key
from pipeline.account.uncertain import Floats, Uncertain

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

READS = (
    "select * from account.logged_row order by file_id, line",
    "select * from account.entry order by entry_id",
    "select * from account.move order by move_id",
    "select * from account.jar",
    "select * from account.wash order by batch",
    "select * from account.fermentable order by step_id",
    "select * from account.batch order by first_step_id",
    "select * from account.run order by first_step_id",
    "select * from raw.setting",
    "select cask, any_value(capacity_l order by happened_at, line) as capacity_l, "
    "any_value(wood order by happened_at, line) as wood, "
    "any_value(place order by happened_at desc, line desc) as place from log.cask_step group by cask "
    "order by cask",
)
"""What the step reads, in the order of the fields of `Tables`."""

SENSITIVITY_SCHEMA = pl.Schema(
    {
        "move_id": pl.Int64(),
        "quantity": pl.String(),
        "reading_id": pl.Int64(),
        "derivative": pl.Float64(),
    }
)


def account_step(*frames: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Ancestry, readings and uncertainties of the season; frames as `READS` gives them, tables as `MAKES`."""
    tables = Tables(*frames)
    book = make_book(tables)
    sums = sums_of(book)
    u = book.readings.u
    yield ancestry_frame(book.ancestry, tables.moves)
    yield run_ancestry_frame(book.ancestry)
    yield spirit_share_frame(walk_ancestry(tables.moves, by_maker=True), tables.moves)
    yield _credit_frame(book)
    yield book.readings.frame
    yield _sensitivity_frame(book)
    yield _lot_frame(book)
    of_casks = cask_frame(book)
    yield of_casks
    yield group_frame(book, of_casks)
    of_batches = batch_figures(book, sums)
    seasons = tables.batches["season"].unique(maintain_order=True)
    yield figure_frame(
        pl.DataFrame({"season": seasons}), season_figures(book, of_batches, seasons.to_list()), u
    )
    yield _flow_frame(seasons, flow_figures(book, sums, of_batches, seasons.to_list()), u)
    yield figure_frame(tables.batches.select("batch"), of_batches, u)
    yield figure_frame(tables.runs.select("batch", "run"), run_figures(book, sums), u)
    for keys, figures in (cut_figures(book, sums), jar_figures(book, sums)):
        yield figure_frame(keys, figures, u)


def _flow_frame(seasons: pl.Series, nodes: Mapping[str, Uncertain], reading_u: Floats) -> pl.DataFrame:
    """One row a season and node; shares are of the first node of each part."""
    parts = []
    for node, column in nodes.items():
        whole = nodes["potential" if node in STILL_HOUSE else "all hearts"]
        parts.append(
            figure_frame(
                pl.DataFrame({"season": seasons, "node": [node] * seasons.len()}),
                {"lpa": column, "share_frac": column / whole},
                reading_u,
            )
        )
    return pl.concat(parts)


def _credit_frame(book: Book) -> pl.DataFrame:
    credited, estimated = credits(book.ancestry), credits(book.ancestry, only_estimated=True)
    batches = book.tables.batches["batch"]
    return pl.DataFrame(
        {
            "batch": batches,
            "net_spirit_lpa": [credited.get(batch, 0.0) for batch in batches],
            "estimated_lpa": [estimated.get(batch, 0.0) for batch in batches],
        },
        schema={"batch": pl.String, "net_spirit_lpa": pl.Float64, "estimated_lpa": pl.Float64},
    )


def _sensitivity_frame(book: Book) -> pl.DataFrame:
    ids = book.tables.moves["move_id"].to_numpy()
    parts = [
        _sparse_frame(ids, quantity, column)
        for quantity, column in (
            ("volume", book.own.volume_l),
            ("mass", book.own.mass_kg),
            ("lpa", book.errors.move_lpa),
        )
    ]
    return pl.concat(parts)


def _sparse_frame(ids: np.ndarray, quantity: str, column: Uncertain) -> pl.DataFrame:
    matrix = column.jacobian.tocoo()
    is_known = ~np.isnan(column.values[matrix.row]) if column.size else np.zeros(0, dtype=bool)
    return pl.DataFrame(
        {
            "move_id": ids[matrix.row[is_known]],
            "quantity": np.full(int(is_known.sum()), quantity),
            "reading_id": matrix.col[is_known].astype(np.int64),
            "derivative": matrix.data[is_known],
        },
        schema=SENSITIVITY_SCHEMA,
    )


def _lot_frame(book: Book) -> pl.DataFrame:
    names = book.tables.moves.select(
        pl.concat_list("from_lot", "to_lot").explode().drop_nulls().unique(maintain_order=True).alias("lot")
    )["lot"]
    by_key = {lot_key(name): name for name in reversed(names.to_list())}
    keys = [key for key in by_key if key in book.errors.lots and key not in book.errors.taken_for]
    parts = [
        (np.full(book.errors.lots[key][0].size, number), *book.errors.lots[key])
        for number, key in enumerate(keys)
    ]
    contents = Uncertain.from_parts(np.zeros(len(keys)), parts, book.readings.count)
    return pl.DataFrame(
        {"lot": [by_key[key] for key in keys], "lpa_u": contents.u(book.readings.u)},
        schema={"lot": pl.String, "lpa_u": pl.Float64},
    )
