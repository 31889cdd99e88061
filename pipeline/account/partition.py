"""The season cut into parts that know nothing of one another, and into pieces: account.part.

A part is what hangs together by its lots and casks, whole however long it is; small sets are one together.
Nothing that one part's lots held, and no reading of it, has to do with another part. Where a part ends is
told by the name of a batch, so that a batch more or less moves no end but those next to it.

A set that goes on and on (one feints receiver for a thousand batches) is still one part, but it is cut into
pieces, batches begun one after another, for what may be judged piece by piece: what one batch says of another
fades along the chain. Any other part is one piece.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from zlib import crc32

import polars as pl

from pipeline.account.linked import LinkedSet, key_of, sets_with_lots
from pipeline.account.lots import lot_key

MAKES = {
    "account.part": (
        "which part of the season each batch and each lot belongs to, and which piece of it: parts share no "
        "lot and no reading. One row a batch or name of a lot."
    ),
}
"""The table the step makes, and what it holds."""

ENTRY_ORDER = "happened_at nulls first, batch is null, file_id, line"
"""The order of account.entry: that in which the account is walked. A day's casks come after its batches."""

BATCH_ORDER = "begun_at nulls first, file_id, line"
"""The order of account.batch: that in which the batches were begun."""

RUN_ORDER = "started_at nulls first, file_id, line"
"""The order of account.run."""

READS = (
    f"select batch, from_lot, to_lot from account.entry order by {ENTRY_ORDER}",
    f"select batch from account.batch order by {BATCH_ORDER}",
)
"""What it reads."""

STEPS_BY_PART = ("walk", "account")
"""What is worked out part by part; anything else that is kept is worked out piece by piece."""

PARTS = "select * from account.part order by part, piece, batch nulls last, lot"
"""What a step reads that works by parts or by pieces."""

PART_SCHEMA = pl.Schema(
    {
        "batch": pl.String(),
        "lot": pl.String(),
        "part": pl.Int64(),
        "piece": pl.Int64(),
        "pieces": pl.Int64(),
    }
)
"""A batch has no `lot`, a lot no `batch`; a lot has a row for its key and for each spelling of its name.
`pieces` is how many pieces the whole season has."""

WHOLE_UP_TO = 96
"""A season of up to so many batches is one part, and one piece (own choice)."""

FEWEST = 32
"""A part has at least so many batches, ends with each further one with a chance of two in so many, and ends
with twice as many at the latest; so does a piece of a long set."""

LONGEST_SET = 400
"""A set of more batches than several seasons make is too long to be one piece."""

_SIDES = ("from_lot", "to_lot")


@dataclass(frozen=True)
class _Cut:
    """The numbers of one set: its part, and the piece of each of its batches, or of all of it."""

    part: int
    pieces: Sequence[int]


def part_season(entries: pl.DataFrame, batches: pl.DataFrame) -> tuple[pl.DataFrame]:
    """account.part; frames as `READS` gives them."""
    links = links_of(entries)
    alone = batches.select("batch", *(pl.lit(None, pl.String).alias(side) for side in _SIDES))
    sets = sets_with_lots(pl.concat([links, alone]))
    cuts = cut_sets(sets)
    names = pl.concat([entries[side] for side in _SIDES]).drop_nulls().unique().to_list()
    spellings: dict[str, set[str]] = {}
    for name in names:
        key = lot_key(name)
        spellings.setdefault(key.removeprefix("cask "), set()).update((key, name))
    touched = _first_touched(links, sets, cuts)
    pieces = 1 + max((cut.pieces[-1] for cut in cuts), default=0)
    rows: list[tuple[str | None, str | None, int, int, int]] = [
        (batch, None, cut.part, piece, pieces)
        for each, cut in zip(sets, cuts, strict=True)
        for batch, piece in zip(each.batches, _by_batch(each, cut), strict=True)
    ]
    rows += [
        (None, name, cut.part, touched.get(lot, cut.pieces[0]), pieces)
        for each, cut in zip(sets, cuts, strict=True)
        for lot in each.lots
        for name in spellings[lot]
    ]
    return (
        pl.DataFrame(rows, schema=PART_SCHEMA, orient="row").sort(
            "part", "piece", "batch", "lot", nulls_last=True
        ),
    )


def cut_sets(sets: Sequence[LinkedSet]) -> list[_Cut]:
    """The part and the pieces of each set; both are counted from 0 in the order of the sets."""
    if sum(len(each.batches) for each in sets) <= WHOLE_UP_TO:
        return [_Cut(0, [0]) for _ in sets]
    cuts: list[_Cut] = []
    part = piece = size = 0
    for each in sets:
        # What no batch belongs to counts as one.
        members = each.batches or each.lots[:1]
        is_long = len(members) > LONGEST_SET
        if is_long and size:
            part, piece, size = part + 1, piece + 1, 0
        within = list(_numbered(members)) if is_long else [0]
        cuts.append(_Cut(part, [piece + number for number in within]))
        size += len(members)
        if is_long or _is_last(members, size):
            part, piece, size = part + 1, cuts[-1].pieces[-1] + 1, 0
    return cuts


def _numbered(batches: Sequence[str]) -> Iterator[int]:
    """The piece of each batch of a long set, counted from 0."""
    piece = size = 0
    for batch in batches:
        yield piece
        size += 1
        if _is_last([batch], size):
            piece, size = piece + 1, 0


def _is_last(names: Sequence[str], size: int) -> bool:
    """Whether a part or piece of `size` batches ends behind these: the likelier, the more they are."""
    return size >= FEWEST and (size >= 2 * FEWEST or crc32(names[0].encode()) % FEWEST < 2 * len(names))


def _by_batch(each: LinkedSet, cut: _Cut) -> Sequence[int]:
    return cut.pieces if len(cut.pieces) > 1 else [cut.pieces[0]] * len(each.batches)


def _first_touched(links: pl.DataFrame, sets: Sequence[LinkedSet], cuts: Sequence[_Cut]) -> dict[str, int]:
    """Of the sets cut into pieces, the piece of the first batch that touched each lot."""
    piece_of = {
        batch: piece
        for each, cut in zip(sets, cuts, strict=True)
        if len(cut.pieces) > 1
        for batch, piece in zip(each.batches, cut.pieces, strict=True)
    }
    found: dict[str, int] = {}
    if not piece_of:
        return found
    own = links.filter(pl.col("batch").is_in(list(piece_of))).unique(maintain_order=True)
    for batch, *lots in own.select("batch", pl.col(_SIDES).str.strip_prefix("cask ")).iter_rows():
        for lot in lots:
            found.setdefault(lot, piece_of[batch])
    return found


@dataclass(frozen=True)
class PartOf:
    """The number of the part, or of the piece, that each batch and each lot belongs to."""

    of_batch: Mapping[str, int]
    of_lot: Mapping[str, int]

    @classmethod
    def told(cls, parts: pl.DataFrame, column: str = "part") -> PartOf:
        """As account.part tells it. column : `part` or `piece`"""
        batches, lots = (
            dict(parts.select(name, column).drop_nulls().iter_rows()) for name in ("batch", "lot")
        )
        return cls(batches, lots)

    def batches(self) -> pl.Expr:
        """The `part` of each row, by its `batch`; null where it has none."""
        part = pl.col("batch").replace_strict(self.of_batch, default=None, return_dtype=pl.Int64)
        return part.alias("part")

    def lots(self, side: str) -> pl.Expr:
        """By the name of a lot; null where there is none."""
        return pl.col(side).replace_strict(self.of_lot, default=None, return_dtype=pl.Int64)

    def moves(self, moves: pl.DataFrame) -> pl.Series:
        """The `part` of each move: of its batch, or of one of its lots. Every move has one."""
        part = moves.select(part=pl.coalesce(self.batches(), *map(self.lots, _SIDES))).to_series()
        if part.has_nulls():
            raise ValueError("There is a move of which account.part knows neither the batch nor a lot.")
        return part


def links_of(moves: pl.DataFrame) -> pl.DataFrame:
    """batch, from_lot and to_lot of each move, lots by `key_of`."""
    return moves.select("batch", *(key_of(moves, side) for side in _SIDES))
