"""The season's reconciliation, piece by piece: each is judged by itself and names its own suspects.

No balance says anything across two parts of the season (`pipeline.account.partition`). A part that goes on
and on (one feints receiver for a thousand batches) falls into pieces, batches begun one after another, since
what one says of another fades along the chain: the receiver is then taken over by the next piece with a
content that nobody knows, and what it holds from then on is worked out from that piece's own draws and fills.
A short season is one piece, and nothing is cut.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import polars as pl

from pipeline.account.partition import PartOf, links_of
from pipeline.kept_parts import Frames, KeptParts, number_within, read_again
from pipeline.reconcile.step import KEYS_OF_BATCHES, SCHEMAS, reconcile_step

__all__ = ["reconcile_season"]

_PLACE = ("file_id", "line")
_SIDES = ("from_lot", "to_lot")


def reconcile_season(*frames: pl.DataFrame, parts: KeptParts) -> Iterator[pl.DataFrame]:
    """Reconcile the season; frames as `pipeline.reconcile.step.READS` gives them, tables as its `MAKES`.

    parts : what an earlier build worked out
    """
    *of_tables, season_parts = frames
    cut, files = number_within(_with_pieces(tuple(of_tables), season_parts), "file_id")
    share = _share_of_alarms(next(iter(season_parts["pieces"]), 1))
    work = partial(reconcile_step, share_of_alarms=share)
    for name, table in zip(SCHEMAS, parts.joined(f"reconcile {share}", cut, work), strict=True):
        table = read_again(table, "file_id", files) if "file_id" in table.columns else table
        if name in KEYS_OF_BATCHES:
            yield table.drop("part").sort(KEYS_OF_BATCHES[name])
        else:
            yield table.select(pl.col("part").alias("piece"), pl.exclude("part"))


def _share_of_alarms(pieces: int) -> float:
    """The share of the false alarms allowed in a season that each of so many pieces is allowed.

    One over the next power of two, so that a piece more or less does not change what comes of all the others.
    """
    return 0.5 ** (pieces - 1).bit_length()


def _with_pieces(frames: Frames, season_parts: pl.DataFrame) -> Frames:
    """The frames, but for the settings, with the piece that each row belongs to, as `part`."""
    rows, moves, *rest, settings = frames
    links = links_of(moves)
    # Where a part is one piece, its lots are in no other.
    cut_lots = season_parts.filter(pl.col("piece").n_unique().over("part") > 1)["lot"].drop_nulls()
    piece_of = PartOf.told(season_parts, "piece")
    of_move = _pieces_of_moves(links, piece_of, cut_lots)
    moves = moves.with_columns(*_handed_on(links, of_move, cut_lots), of_move)
    of_place = moves.select(*_PLACE, pl.col("part").alias("of_place")).unique(_PLACE, keep="first")
    rows = (
        rows.with_columns(piece_of.batches())
        .join(of_place, on=_PLACE, how="left", maintain_order="left")
        .with_columns(pl.coalesce("of_place", "part").alias("part"))
        .drop("of_place")
    )
    rest = [frame.with_columns(piece_of.batches()) for frame in rest]
    return (rows, moves, *rest, settings)


def _pieces_of_moves(moves: pl.DataFrame, piece_of: PartOf, cut_lots: pl.Series) -> pl.Series:
    """The piece of each move's batch; of a move without one, that of whoever touched its lot before.

    moves    : batch, from_lot and to_lot by `key_of`
    piece_of : a lot that nobody has touched yet is in the piece of whoever does so first
    cut_lots : lots of the parts that are cut into pieces
    """
    found = piece_of.moves(moves)
    moves = moves.with_columns(piece_of.batches(), found.alias("found")).with_row_index("move")
    is_cut = pl.any_horizontal(pl.col(_SIDES).is_in(cut_lots.implode()))
    alone = moves.filter(is_cut, pl.col("batch").is_null())
    lots = pl.concat([alone[side] for side in _SIDES]).drop_nulls().unique()
    touches = pl.any_horizontal(pl.col(_SIDES).is_in(lots.implode())).fill_null(value=False)
    last: dict[str | None, int] = {}
    changed: dict[int, int] = {}
    of_touches = moves.filter(touches).select("move", "part", "found", *_SIDES)
    for move, piece, otherwise, source, target in of_touches.iter_rows():
        if piece is None:
            changed[move] = piece = last.get(source, last.get(target, otherwise))
        last[source] = last[target] = piece
        last.pop(None, None)
    return found.scatter(list(changed), list(changed.values()))


def _handed_on(moves: pl.DataFrame, of_move: pl.Series, cut_lots: pl.Series) -> list[pl.Series]:
    """Whether a lot that a move draws from, or fills, was last touched in another piece of the season."""
    touched = moves.select(_SIDES).with_columns(of_move.alias("part")).with_row_index("move")
    # Row by row: a move draws before it fills.
    touches = touched.unpivot(_SIDES, index=("move", "part"), variable_name="side", value_name="lot")
    touches = touches.filter(pl.col("lot").is_in(cut_lots.implode())).sort("move", "side")
    handed = touches.filter(pl.col("part") != pl.col("part").shift(1).over("lot"))
    return [
        pl.Series(f"{side}_is_handed_on", [False])
        .new_from_index(0, moves.height)
        .scatter(handed.filter(pl.col("side") == side)["move"], values=True)
        for side in _SIDES
    ]
