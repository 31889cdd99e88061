"""What stayed behind in a vessel and was measured: gauged after its last draw, or thrown out.

A vessel's content by subtraction alone is not in it: that difference is the error of its readings as well.
The same rule stands in sql/30_metric/flow.sql (left_behind).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.account.book import Book, numbers_of
from pipeline.account.lots import lot_key
from pipeline.account.uncertain import Flags, Uncertain


@dataclass(frozen=True)
class Rests:
    """What the moves tell of rests: who opened each lot, and which moves measured what was left of one.

    source    : key of the lot that each move draws from
    kind_of   : by key, the kind of liquid that opened the lot
    batch_of  : by key, the batch that opened it
    is_thrown : by move, whether it threw out a measured amount
    is_gauged : by move, whether it gauged its lot last of all
    """

    source: list[str | None]
    kind_of: Mapping[str, str | None]
    batch_of: Mapping[str, str | None]
    is_thrown: Flags
    is_gauged: Flags


def rests_of(book: Book) -> Rests:
    """Look through the moves once."""
    moves = book.tables.moves
    source, target = (
        [None if name is None else lot_key(name) for name in moves[side]] for side in ("from_lot", "to_lot")
    )
    kind_of: dict[str, str | None] = {}
    batch_of: dict[str, str | None] = {}
    has_amount = moves["has_amount"].to_numpy()
    is_known = moves["lpa"].is_not_null().to_numpy()
    has_mass = moves["mass_kg"].is_not_null().to_numpy()
    is_thrown = np.zeros(moves.height, dtype=bool)
    is_gauged = is_thrown.copy()
    last: dict[str, tuple[int, str]] = {}
    rows = moves.select("kind", "cut", "batch").iter_rows()
    for number, ((kind, cut, batch), drawn, filled) in enumerate(zip(rows, source, target, strict=True)):
        if filled is not None and filled not in kind_of:
            is_moved = kind == "dilute" and drawn is not None
            kind_of[filled] = kind_of.get(drawn or "") if is_moved else cut
            batch_of[filled] = batch_of.get(drawn or "") if is_moved else batch
        if kind == "discard" and drawn is not None:
            before = last.get(drawn, (-1, ""))[1]
            is_thrown[number] = is_known[number] and (has_amount[number] or before == "gauge")
        for key in (drawn, filled):
            if key is not None:
                last[key] = (number, kind)
    for number, kind in last.values():
        is_gauged[number] = kind == "gauge" and is_known[number] and has_mass[number]
    return Rests(source, kind_of, batch_of, is_thrown, is_gauged)


def left_behind(book: Book, rests: Rests, lot_kind: str) -> Uncertain:
    """Alcohol held up in the lots of one kind ('wash', 'low wines') [LPA]; one row a batch.

    A lot is the batch's that opened it.
    """
    number_of = {name: number for number, name in enumerate(book.tables.batches["batch"])}
    owners = pl.Series(
        [
            rests.batch_of.get(key) if key and rests.kind_of.get(key) == lot_kind else None
            for key in rests.source
        ],
        dtype=pl.String,
    )
    owner = numbers_of(owners, number_of)
    count = len(number_of)
    thrown = book.errors.move_lpa.or_zero().sum_by(np.where(rests.is_thrown, owner, -1), count)
    # A gauge of the volume alone leans on its lot's strength, which only the lot's own row knows.
    picked = np.flatnonzero(rests.is_gauged & (owner >= 0))
    rows = [(int(owner[number]), *book.errors.lots[rests.source[number] or ""]) for number in picked]
    values = np.bincount(owner[picked], book.errors.move_lpa.values[picked], count).astype(float)
    parts = [(np.full(ids.size, batch), ids, slopes) for batch, ids, slopes in rows]
    return thrown + Uncertain.from_parts(values, parts, thrown.readings)


def thrown_out(book: Book, rests: Rests, lots: Sequence[dict[str, None]], count: int) -> Uncertain:
    """Alcohol thrown out of the lots of each group, as measured [LPA]; one row a group.

    lots  : by group, the keys of its lots
    count : how many groups there are
    """
    groups = np.full(book.tables.moves.height, -1, dtype=np.int64)
    for number in np.flatnonzero(rests.is_thrown):
        found = [group for group, keys in enumerate(lots) if rests.source[number] in keys]
        groups[number] = found[0] if found else -1
    return book.errors.move_lpa.or_zero().sum_by(groups, count)
