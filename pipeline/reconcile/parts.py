"""The season's reconciliation, part by part: each part is judged by itself and names its own suspects.

Batches hang together by the lots that they share, and no balance says anything across two such sets. A set
that goes on and on (one feints receiver for a thousand batches) is cut into batches begun one after another,
since what one says of another fades along the chain: the receiver is then taken over by the next part with a
content that nobody knows, and what it holds from then on is worked out from that part's own draws and fills.
A short season is one part, and nothing is cut.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import polars as pl

from pipeline.account.linked import key_of, linked_sets
from pipeline.kept_parts import Frames, KeptParts, by_batch, number_within, part_of_each, read_again
from pipeline.reconcile.step import SCHEMAS, reconcile_step

__all__ = ["reconcile_season"]

_PLACE = ("file_id", "line")
_SIDES = ("from_lot", "to_lot")


def reconcile_season(*frames: pl.DataFrame, parts: KeptParts) -> Iterator[pl.DataFrame]:
    """Reconcile the season; frames as `pipeline.reconcile.step.READS` gives them, tables as its `MAKES`.

    parts : what an earlier build worked out
    """
    cut, number = _with_parts(frames)
    cut, files = number_within(cut, "file_id")
    share = _share_of_alarms(number)
    work = partial(reconcile_step, share_of_alarms=share)
    tables = dict(zip(SCHEMAS, parts.joined(f"reconcile {share}", cut, work), strict=True))
    last = {
        "component_no": _last_of_each(tables["account.component"], "component_no"),
        "suspect_no": _last_of_each(tables["account.suspect"], "suspect_no"),
    }
    for table in tables.values():
        for column, numbers in last.items():
            table = _counted_on(table, column, numbers) if column in table.columns else table
        table = read_again(table, "file_id", files) if "file_id" in table.columns else table
        yield table.drop("part")


def _last_of_each(table: pl.DataFrame, column: str) -> pl.DataFrame:
    """The last number in each part that has any: `part`, `last`."""
    return table.group_by("part", maintain_order=True).agg(pl.col(column).max().alias("last"))


def _counted_on(table: pl.DataFrame, column: str, last: pl.DataFrame) -> pl.DataFrame:
    """The table with a number that begins anew in each part counted on through all of them."""
    before = last.select("part", (pl.col("last").cum_sum() - pl.col("last")).alias("before"))
    return (
        table.join(before, on="part", how="left", maintain_order="left")
        .with_columns(pl.col(column) + pl.col("before"))
        .drop("before")
    )


def _share_of_alarms(parts: int) -> float:
    """The share of the false alarms allowed in a season that each of so many parts is allowed.

    One over the next power of two, so that a part more or less does not change what comes of all the others.
    """
    return 0.5 ** (parts - 1).bit_length()


def _with_parts(frames: Frames) -> tuple[Frames, int]:
    """The frames, but for the settings, with the part that each row belongs to; and the number of parts."""
    rows, moves, *rest, settings = frames
    linked = moves.select("batch", key_of(moves, "from_lot"), key_of(moves, "to_lot"))
    # Casks lose what nobody measures: no balance goes through one.
    part_of = part_of_each(linked_sets(linked, through_casks=False))
    parts = 1 + max(part_of.values(), default=0)
    if parts == 1:
        whole = (frame.with_columns(pl.lit(0, pl.Int64).alias("part")) for frame in (rows, moves, *rest))
        return (*whole, settings), parts
    of_move = _part_of_moves(linked, part_of)
    moves = moves.with_columns(*_handed_on(linked, of_move), of_move.alias("part"))
    of_place = moves.select(*_PLACE, "part").unique(_PLACE, keep="first", maintain_order=True)
    rows = rows.join(of_place, on=_PLACE, how="left", maintain_order="left").with_columns(
        pl.coalesce("part", by_batch(part_of)).alias("part")
    )
    rest = [frame.with_columns(by_batch(part_of)) for frame in rest]
    return (rows, moves, *rest, settings), parts


def _part_of_moves(moves: pl.DataFrame, part_of: dict[str, int]) -> pl.Series:
    """The part of each move's batch; of a move without one, that of whoever touched its lot before."""
    moves = moves.with_columns(by_batch(part_of)).with_row_index("move")
    alone = moves.filter(pl.col("batch").is_null())
    lots = pl.concat([alone[side] for side in _SIDES]).drop_nulls().unique()
    touches = pl.any_horizontal(pl.col(_SIDES).is_in(lots.implode())).fill_null(value=False)
    last: dict[str | None, int] = {}
    found: dict[int, int] = {}
    for move, part, source, target in (
        moves.filter(touches | pl.col("batch").is_null()).select("move", "part", *_SIDES).iter_rows()
    ):
        if part is None:
            found[move] = part = last.get(source, last.get(target, 0))
        last[source] = last[target] = part
        last.pop(None, None)
    return moves["part"].scatter(list(found), list(found.values()))


def _handed_on(moves: pl.DataFrame, of_move: pl.Series) -> list[pl.Series]:
    """Whether a lot that a move draws from, or fills, was last touched in another part of the season."""
    touched = moves.select(_SIDES).with_columns(of_move.alias("part")).with_row_index("move")
    # Row by row: a move draws before it fills.
    touches = touched.unpivot(_SIDES, index=("move", "part"), variable_name="side", value_name="lot")
    touches = touches.sort("move", "side").with_columns(
        (pl.col("part") != pl.col("part").shift(1).over("lot")).fill_null(value=False).alias("is_handed_on")
    )
    flags = pl.col("is_handed_on") & pl.col("lot").is_not_null()
    return [
        touches.filter(pl.col("side") == side).select(flags.alias(f"{side}_is_handed_on")).to_series()
        for side in _SIDES
    ]
