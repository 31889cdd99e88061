"""Which batches hang together: by the lots that they fill and draw from."""

from __future__ import annotations

from itertools import pairwise

import polars as pl

from pipeline.account.lots import lot_key


def key_of(moves: pl.DataFrame, side: str) -> pl.Series:
    """The lot on one side of each move, by the name that all its spellings have in common.

    side : from_lot or to_lot
    """
    keys = {name: lot_key(name) for name in moves[side].drop_nulls().unique()}
    return moves[side].replace_strict(keys, default=None, return_dtype=pl.String)


def linked_sets(moves: pl.DataFrame, through_casks: bool) -> list[list[str]]:
    """The batches that hang together by their lots, set by set; all in the order of their moves.

    moves         : batch, from_lot, to_lot by `key_of`
    through_casks : whether what went into a cask hangs together with what came out of it
    """
    leader: dict[tuple[str, str], tuple[str, str]] = {}

    def lead(one: tuple[str, str]) -> tuple[str, str]:
        while leader.setdefault(one, one) != one:
            leader[one] = one = leader[leader[one]]
        return one

    links = moves.unique(maintain_order=True)
    for batch, *lots in links.iter_rows():
        members = [
            ("lot", lot) for lot in lots if lot is not None and (through_casks or not lot.startswith("cask "))
        ]
        members += [] if batch is None else [("batch", batch)]
        for one, other in pairwise(members):
            leader[lead(one)] = lead(other)
    sets: dict[tuple[str, str], list[str]] = {}
    for batch in links["batch"].drop_nulls().unique(maintain_order=True):
        sets.setdefault(lead(("batch", batch)), []).append(batch)
    return list(sets.values())
