"""Which batches hang together: by the lots that they fill and draw from."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import polars as pl
from scipy import sparse
from scipy.sparse import csgraph

from pipeline.account.lots import lot_key

_CASK = "cask "
_SIDES = ("from_lot", "to_lot")


@dataclass(frozen=True)
class LinkedSet:
    """What hangs together, in the order of the moves; lots by `key_of`, casks without that word."""

    batches: list[str] = field(default_factory=list)
    lots: list[str] = field(default_factory=list)


def key_of(moves: pl.DataFrame, side: str) -> pl.Series:
    """The lot on one side of each move, by the name that all its spellings have in common.

    side : from_lot or to_lot
    """
    keys = {name: lot_key(name) for name in moves[side].drop_nulls().unique()}
    return moves[side].replace_strict(keys, default=None, return_dtype=pl.String)


def sets_with_lots(moves: pl.DataFrame) -> list[LinkedSet]:
    """What hangs together: sets in the order of their first batches; then those that no batch belongs to.

    moves : batch, from_lot, to_lot by `key_of`
    """
    # A log may leave the word cask away.
    links = moves.select("batch", pl.col(_SIDES).str.strip_prefix(_CASK)).unique(maintain_order=True)
    batches = links["batch"].drop_nulls().unique(maintain_order=True)
    lots = pl.concat([links[side] for side in _SIDES]).drop_nulls().unique(maintain_order=True)
    count = batches.len() + lots.len()
    node = [
        links[column].replace_strict(names, numbers, default=None, return_dtype=pl.Int64)
        for column, names, numbers in (
            ("batch", batches, np.arange(batches.len())),
            *((side, lots, np.arange(batches.len(), count)) for side in _SIDES),
        )
    ]
    pairs = pl.concat(
        pl.DataFrame([one.alias("one"), other.alias("other")]) for one, other in combinations(node, 2)
    ).drop_nulls()
    graph = sparse.csr_matrix(
        (np.ones(pairs.height), (pairs["one"].to_numpy(), pairs["other"].to_numpy())), shape=(count, count)
    )
    number = csgraph.connected_components(graph, directed=False)[1]
    sets: dict[int, LinkedSet] = {}
    for name, found in zip(batches, number[: batches.len()].tolist(), strict=True):
        sets.setdefault(found, LinkedSet()).batches.append(name)
    for name, found in zip(lots, number[batches.len() :].tolist(), strict=True):
        sets.setdefault(found, LinkedSet()).lots.append(name)
    return list(sets.values())
