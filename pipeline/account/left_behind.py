"""What stayed behind in a vessel and was measured: gauged after its last draw, or thrown out.

A vessel's content by subtraction alone is not in it: that difference is the error of its readings as well.
The same rule stands in sql/30_metric/flow.sql (left_behind).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.account.book import Book, numbers_of
from pipeline.account.lots import lot_key
from pipeline.account.uncertain import Flags, Uncertain


def left_behind(book: Book, lot_kind: str) -> Uncertain:
    """Alcohol held up in the lots of one kind ('wash', 'low wines') [LPA]; one row a batch.

    A lot is the batch's that opened it.
    """
    moves = book.tables.moves
    number_of = {name: number for number, name in enumerate(book.tables.batches["batch"])}
    kind_of, batch_of = _opened_by(moves)
    keys = [None if name is None else lot_key(name) for name in moves["from_lot"]]
    owners = pl.Series(
        [batch_of.get(key) if key and kind_of.get(key) == lot_kind else None for key in keys], dtype=pl.String
    )
    owner = numbers_of(owners, number_of)
    is_thrown, is_gauged = _measured_rests(book)
    count = len(number_of)
    thrown = book.errors.move_lpa.or_zero().sum_by(np.where(is_thrown, owner, -1), count)
    # A gauge of the volume alone leans on its lot's strength, which only the lot's own row knows.
    picked = np.flatnonzero(is_gauged & (owner >= 0))
    rows = [(int(owner[number]), *book.errors.lots[keys[number] or ""]) for number in picked]
    values = np.bincount(owner[picked], book.errors.move_lpa.values[picked], count).astype(float)
    parts = [(np.full(ids.size, batch), ids, slopes) for batch, ids, slopes in rows]
    return thrown + Uncertain.from_parts(values, parts, thrown.readings)


def thrown_out(book: Book, lots: Sequence[dict[str, None]], count: int) -> Uncertain:
    """Alcohol thrown out of the lots of each group, as measured [LPA]; one row a group.

    lots  : by group, the keys of its lots
    count : how many groups there are
    """
    is_thrown, _ = _measured_rests(book)
    groups = np.full(book.tables.moves.height, -1, dtype=np.int64)
    for number, name in enumerate(book.tables.moves["from_lot"]):
        if is_thrown[number]:
            found = [group for group, keys in enumerate(lots) if lot_key(name) in keys]
            groups[number] = found[0] if found else -1
    return book.errors.move_lpa.or_zero().sum_by(groups, count)


def _opened_by(moves: pl.DataFrame) -> tuple[dict[str, str | None], dict[str, str | None]]:
    """By lot key, the kind of liquid and the batch that opened the lot."""
    kind_of: dict[str, str | None] = {}
    batch_of: dict[str, str | None] = {}
    for kind, cut, batch, source, target in moves.select(
        "kind", "cut", "batch", "from_lot", "to_lot"
    ).iter_rows():
        if target is None or lot_key(target) in kind_of:
            continue
        is_moved = kind == "dilute" and source is not None
        kind_of[lot_key(target)] = kind_of.get(lot_key(source)) if is_moved else cut
        batch_of[lot_key(target)] = batch_of.get(lot_key(source)) if is_moved else batch
    return kind_of, batch_of


def _measured_rests(book: Book) -> tuple[Flags, Flags]:
    """By move: whether it threw out a measured amount, and whether it gauged its lot last of all."""
    moves = book.tables.moves
    has_amount = moves["has_amount"].to_numpy()
    is_known = moves["lpa"].is_not_null().to_numpy()
    has_mass = moves["mass_kg"].is_not_null().to_numpy()
    is_thrown = np.zeros(moves.height, dtype=bool)
    is_gauged = is_thrown.copy()
    last: dict[str, tuple[int, str]] = {}
    for number, (kind, source, target) in enumerate(moves.select("kind", "from_lot", "to_lot").iter_rows()):
        if kind == "discard" and source is not None:
            before = last.get(lot_key(source), (-1, ""))[1]
            is_thrown[number] = is_known[number] and (has_amount[number] or before == "gauge")
        for name in (source, target):
            if name is not None:
                last[lot_key(name)] = (number, kind)
    for number, kind in last.values():
        is_gauged[number] = kind == "gauge" and is_known[number] and has_mass[number]
    return is_thrown, is_gauged
