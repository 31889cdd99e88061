"""The tables of the ancestry: whose wash each lot's and each run's alcohol came from."""

from __future__ import annotations

import polars as pl

from pipeline.account.ancestry import POOLED, Ancestry
from pipeline.account.lots import lot_key

ANCESTRY_SCHEMA = pl.Schema(
    {
        "move_id": pl.Int64(),
        "until_move_id": pl.Int64(),
        "lot": pl.String(),
        "batch": pl.String(),
        "is_by_feints": pl.Boolean(),
        "is_pooled": pl.Boolean(),
        "share_frac": pl.Float64(),
        "lpa": pl.Float64(),
    }
)
"""One row a lot, change of its shares and batch of origin; `batch` is null where the origin is not known, and
where `is_pooled` says that many small shares of named batches stand together."""

SPIRIT_SHARE_SCHEMA = pl.Schema(
    {name: kind for name, kind in ANCESTRY_SCHEMA.items() if name != "is_by_feints"}
)
"""One row a lot, change of its shares and batch whose runs made the spirit."""

SPIRIT_SHARE_ORDER = "move_id, lot, until_move_id nulls last, batch nulls first, is_pooled"
ANCESTRY_ORDER = "move_id, lot, until_move_id nulls last, batch nulls first, is_by_feints, is_pooled"

RUN_ANCESTRY_SCHEMA = pl.Schema(
    {
        "batch": pl.String(),
        "run": pl.String(),
        "origin_batch": pl.String(),
        "is_by_feints": pl.Boolean(),
        "is_pooled": pl.Boolean(),
        "share_frac": pl.Float64(),
    }
)
"""One row a run and batch of origin: the shares of all that was charged, and of every jar."""

RUN_ANCESTRY_ORDER = "batch, run nulls first, origin_batch nulls first, is_by_feints, is_pooled"


def ancestry_frame(ancestry: Ancestry, moves: pl.DataFrame) -> pl.DataFrame:
    """account.ancestry: the shares of each lot from each change on; by `ANCESTRY_ORDER`."""
    frame = _in_order(_lot_shares(ancestry, moves))
    return frame.select(pl.col(name).cast(kind) for name, kind in ANCESTRY_SCHEMA.items())


def spirit_share_frame(makers: Ancestry, moves: pl.DataFrame) -> pl.DataFrame:
    """account.spirit_share: whose spirit each lot holds; a feints receiver holds none yet.

    makers : a walk by maker
    """
    frame = _lot_shares(makers, moves)
    is_feints = pl.col("lot").map_elements(lot_key, return_dtype=pl.String).is_in(list(makers.stock))
    return _in_order(frame.filter(~is_feints)).select(
        pl.col(name).cast(kind) for name, kind in SPIRIT_SHARE_SCHEMA.items()
    )


def _in_order(shares: pl.DataFrame) -> pl.DataFrame:
    """By the move, and within it by lot and origin rather than as the walk came upon them."""
    keys = ("move_id", "lot", "until_move_id", "batch", "is_by_feints", "is_pooled")
    return shares.sort(keys, nulls_last=[key == "until_move_id" for key in keys])


def _lot_shares(ancestry: Ancestry, moves: pl.DataFrame) -> pl.DataFrame:
    ids = moves["move_id"].to_list()
    last_of_lot: dict[str, int] = {}
    until: list[int | None] = [None] * len(ancestry.lot_nodes)
    for position, (number, lot, _, _) in enumerate(ancestry.lot_nodes):
        key = lot_key(lot)
        if key in last_of_lot:
            until[last_of_lot[key]] = ids[number]
        last_of_lot[key] = position
    changes = pl.DataFrame(
        {
            "move_id": [ids[number] for number, _, _, _ in ancestry.lot_nodes],
            "until_move_id": until,
            "lot": [lot for _, lot, _, _ in ancestry.lot_nodes],
            "node": [node for _, _, node, _ in ancestry.lot_nodes],
            "lot_lpa": [lpa for _, _, _, lpa in ancestry.lot_nodes],
        },
        schema={
            "move_id": pl.Int64,
            "until_move_id": pl.Int64,
            "lot": pl.String,
            "node": pl.Int64,
            "lot_lpa": pl.Float64,
        },
    )
    return _with_shares(changes, ancestry).with_columns(lpa=pl.col("share_frac") * pl.col("lot_lpa"))


def run_ancestry_frame(ancestry: Ancestry) -> pl.DataFrame:
    """account.run_ancestry: the shares of what each run charged, and so of its jars."""
    runs = pl.DataFrame(
        {
            "batch": [batch for batch, _ in ancestry.run_nodes],
            "run": [run for _, run in ancestry.run_nodes],
            "node": list(ancestry.run_nodes.values()),
        },
        schema={"batch": pl.String, "run": pl.String, "node": pl.Int64},
    )
    frame = _with_shares(runs.rename({"batch": "of_batch"}), ancestry)
    frame = frame.rename({"batch": "origin_batch", "of_batch": "batch"})
    frame = frame.select(pl.col(name).cast(kind) for name, kind in RUN_ANCESTRY_SCHEMA.items())
    return frame.sort("batch", "run", "origin_batch", "is_by_feints", "is_pooled")


def _with_shares(rows: pl.DataFrame, ancestry: Ancestry) -> pl.DataFrame:
    """Each row once for every share of its `node`, in the order of the rows."""
    wanted = rows["node"].unique(maintain_order=True).to_list()
    named = [(node, key, share) for node in wanted for key, share in ancestry.nodes[node].items()]
    shares = pl.DataFrame(
        {
            "node": [node for node, _, _ in named],
            "batch": [key[0] for _, key, _ in named],
            "is_by_feints": [key[1] and key != POOLED for _, key, _ in named],
            "is_pooled": [key == POOLED for _, key, _ in named],
            "share_frac": [share for _, _, share in named],
        },
        schema={
            "node": pl.Int64,
            "batch": pl.String,
            "is_by_feints": pl.Boolean,
            "is_pooled": pl.Boolean,
            "share_frac": pl.Float64,
        },
    )
    return rows.join(shares, on="node", how="inner", maintain_order="left_right")
