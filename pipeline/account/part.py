"""The account of one part of the season: what hangs together by its lots and casks."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl
from scipy import sparse

from pipeline.account.ancestry import credits, walk_ancestry
from pipeline.account.ancestry_tables import ancestry_frame, run_ancestry_frame, spirit_share_frame
from pipeline.account.book import Book, Tables, make_book, row_numbers
from pipeline.account.casks import CaskBook, cask_sums
from pipeline.account.figures import (
    batch_figures,
    cut_figures,
    figure_columns,
    figure_frame,
    jar_figures,
    run_figures,
    sums_of,
)
from pipeline.account.flow import flow_figures, season_sums, seasons_of, whole_of, whole_of_sum
from pipeline.account.lots import lot_key
from pipeline.account.readings import QUANTITIES, UNREAD
from pipeline.account.season_sums import sums_frame
from pipeline.account.uncertain import Ints, Uncertain

OUTCOMES = (
    *("ancestry", "run_ancestry", "spirit_share", "credit", "reading", "sensitivity", "lot", "held"),
    *("season", "flow", "batch", "run", "cut", "jar"),
)
"""What comes of a part, in the order of `account_of_part`."""

QUANTITIES_OF_MOVES = ("lpa", "mass", "volume")
"""What account.sensitivity knows of a move, in its order."""

_DERIVATIVE = {"reading_id": pl.Int64(), "derivative": pl.Float64()}


def account_of_part(*frames: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """What comes of a part, as `OUTCOMES` names it.

    frames : the part's `Tables`; numbers of moves, rows and readings are counted within the part
    """
    tables = Tables(*frames)
    book = make_book(tables)
    sums, u = sums_of(book), book.readings.u
    readings = _reading_frame(book)
    order = _reading_order(readings)
    yield ancestry_frame(book.ancestry, tables.moves)
    yield run_ancestry_frame(book.ancestry)
    makers = walk_ancestry(tables.moves, by_maker=True, unread=book.ancestry.unread)
    yield spirit_share_frame(makers, tables.moves)
    yield _credit_frame(book)
    yield readings[order]
    place = np.empty_like(order)
    place[order] = np.arange(order.size)
    yield _sensitivity_frame(book, place)
    yield _lot_frame(book)
    cask_book = CaskBook.of(book)
    yield _held_frame(cask_book, place)
    casks, of_batches = cask_sums(cask_book), batch_figures(book, sums)
    seasons = seasons_of(book, casks)
    yield sums_frame(season_sums(book, of_batches, casks, seasons), whole_of_sum, seasons, u)
    yield sums_frame(flow_figures(book, sums, of_batches, casks, seasons), whole_of, seasons, u)
    yield pl.DataFrame(figure_columns(of_batches, u))
    yield pl.DataFrame(figure_columns(run_figures(book, sums), u))
    yield figure_frame(*cut_figures(book, sums), u)
    yield pl.DataFrame(figure_columns(jar_figures(book, sums)[1], u))


def _credit_frame(book: Book) -> pl.DataFrame:
    credited, estimated = credits(book.ancestry), credits(book.ancestry, only_estimated=True)
    batches = book.tables.batches["batch"]
    return pl.DataFrame(
        {
            "net_spirit_lpa": [credited.get(batch, 0.0) for batch in batches],
            "estimated_lpa": [estimated.get(batch, 0.0) for batch in batches],
        },
        schema={"net_spirit_lpa": pl.Float64, "estimated_lpa": pl.Float64},
    )


def _reading_frame(book: Book) -> pl.DataFrame:
    """Each reading with the numbers of its quantity and of its row: of account.wash for a wash's model."""
    readings, frame = book.readings, book.readings.frame
    rows = [np.flatnonzero(numbers >= 0) for numbers in readings.numbers.values()]
    rows.append(np.arange(len(readings.model)))
    rows.append(row_numbers(book.tables.rows, frame.filter(quantity=UNREAD)))
    number_of = {quantity: number for number, quantity in enumerate(QUANTITIES)}
    return frame.select(
        pl.col("quantity").replace_strict(number_of, return_dtype=pl.Int8).alias("quantity_no"),
        pl.Series("row", np.concatenate(rows), dtype=pl.Int64),
        "reading",
        "reading_u",
    )


def _reading_order(readings: pl.DataFrame) -> Ints:
    """The readings by quantity, and by row within each: how the season numbers them."""
    return (
        readings.select(pl.arg_sort_by("quantity_no", "row", maintain_order=True))
        .to_series()
        .cast(pl.Int64)
        .to_numpy()
    )


def _sensitivity_frame(book: Book, place: Ints) -> pl.DataFrame:
    """By quantity, move and reading. place : the number of each reading in that order"""
    columns = (book.errors.move_lpa, book.own.mass_kg, book.own.volume_l)
    return pl.concat(_sparse_frame(number, column, place) for number, column in enumerate(columns))


def _sparse_frame(quantity_no: int, column: Uncertain, place: Ints) -> pl.DataFrame:
    own = column.jacobian.tocsr()
    renumbered = sparse.csr_matrix((own.data, place[own.indices], own.indptr), shape=own.shape)
    matrix = renumbered.sorted_indices().tocoo()
    is_known = ~np.isnan(column.values[matrix.row]) if column.size else np.zeros(0, dtype=bool)
    return pl.DataFrame(
        {
            "quantity_no": np.full(int(is_known.sum()), quantity_no),
            "move_id": matrix.row[is_known],
            "reading_id": matrix.col[is_known],
            "derivative": matrix.data[is_known],
        },
        schema={"quantity_no": pl.Int8, "move_id": pl.Int64, **_DERIVATIVE},
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


def _held_frame(book: CaskBook, place: Ints) -> pl.DataFrame:
    """How what each cask holds at the end changes with each reading that it leans on.

    place : the number of each reading
    """
    lots = list(book.held)
    rows = [
        (np.full(ids.size, number), place[ids], slopes)
        for number, (ids, slopes) in enumerate(book.held.values())
    ]
    matrix = Uncertain.from_parts(np.zeros(len(lots)), rows, place.size).jacobian.tocoo()
    lot = pl.Series(lots, dtype=pl.String).gather(matrix.row)
    frame = pl.DataFrame(
        {"lot": lot, "reading_id": matrix.col, "derivative": matrix.data},
        schema={"lot": pl.String, **_DERIVATIVE},
    )
    return frame.sort("lot", "reading_id")
