"""Parts of the season worked out once and taken over by later builds.

A costly step falls into parts that know nothing of one another: some batches with all that is logged of
them. What comes of a part depends on the frames it is made from and on nothing else. So it is stored in the
database under a digest of those frames, and a later build of the same program with the same settings
(`pipeline.warehouse` sees to that) takes it over wherever it meets the same frames again. What is taken over
is what would have been worked out, byte for byte, because it is the outcome of the same function of the
same numbers.

Numbers that count through the whole season (of files, of moves, of parts) change with every file that comes
before: whoever cuts a part has to count them anew within it, or no part would ever be met again.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from zlib import crc32

import duckdb
import numpy as np
import polars as pl

__all__ = ["KEPT_SCHEMA", "KeptParts", "number_within", "part_of_each", "read_again"]

Frames = tuple[pl.DataFrame, ...]

KEPT_SCHEMA = pl.Schema(
    {"step": pl.String(), "digest": pl.String(), "frame_no": pl.Int32(), "content": pl.Binary()}
)
"""The table raw.kept_part: one row a frame that came of a part."""

# A season of up to so many batches is one part, and no set of up to so many is cut (own choice).
_WHOLE_UP_TO = 96
# A set of more batches than several seasons make is too long to be one part.
_LONGEST_SET = 400
# A part has at least so many batches, and ends with each further one with a chance of one in so many.
_FEWEST = 16


@dataclass
class KeptParts:
    """What came of each part: of an earlier build, where it stands there, else worked out now.

    earlier : the season's database made before by the same program and settings; None: there is none
    """

    earlier: duckdb.DuckDBPyConnection | None = field(default=None, repr=False)
    _used: dict[tuple[str, str], Sequence[bytes]] = field(default_factory=dict, repr=False)

    def each(
        self, step: str, parts: Iterable[Frames], work: Callable[..., Iterable[pl.DataFrame]]
    ) -> Iterator[Frames]:
        """What comes of each part, in their order.

        step : names the work: the same frames in another step are another part
        work : the frames of a part in, frames out; looks at nothing else
        """
        waiting = [(_digest(frames), frames) for frames in parts]
        stored = self._stored(step, [digest for digest, _ in waiting])
        for digest, frames in waiting:
            packed = stored.get(digest)
            if packed is None:
                packed = [_packed(frame) for frame in work(*frames)]
            self._used[step, digest] = packed
            yield tuple(_unpacked(content) for content in packed)

    def frame(self) -> pl.DataFrame:
        """Everything that was worked out or taken over, to be stored: `KEPT_SCHEMA`."""
        rows = [
            (step, digest, number, content)
            for (step, digest), packed in self._used.items()
            for number, content in enumerate(packed)
        ]
        return pl.DataFrame(rows, schema=KEPT_SCHEMA, orient="row")

    def _stored(self, step: str, digests: list[str]) -> dict[str, list[bytes]]:
        if self.earlier is None:
            return {}
        rows = self.earlier.execute(
            "select digest, content from raw.kept_part "
            "where step = $step and list_contains($digests, digest) order by digest, frame_no",
            {"step": step, "digests": digests},
        ).fetchall()
        found: dict[str, list[bytes]] = {}
        for digest, content in rows:
            found.setdefault(digest, []).append(content)
        return found


def part_of_each(sets: Iterable[Sequence[str]]) -> dict[str, int]:
    """The number of the part that each batch belongs to, counted from 0.

    sets : batches that hang together, in the order in which they were begun; so are the sets
    A part is several small sets, or one, or some dozens of batches of a set too long to be one part. Where it
    ends is told by the name of a batch alone, so that a batch more or less moves no end but those next to it.
    """
    sets = list(sets)
    if sum(map(len, sets)) <= _WHOLE_UP_TO:
        return {batch: 0 for batches in sets for batch in batches}
    found: dict[str, int] = {}
    part = size = 0
    for batches in sets:
        is_long = len(batches) > _LONGEST_SET
        for piece in [[batch] for batch in batches] if is_long else [batches]:
            found.update(dict.fromkeys(piece, part))
            size += len(piece)
            # A piece of many batches is the likelier to end its part.
            if size >= _FEWEST and crc32(piece[0].encode()) % _FEWEST < len(piece):
                part, size = part + 1, 0
    return found


def number_within(frames: Sequence[pl.DataFrame], column: str) -> tuple[Frames, pl.Series]:
    """The frames with a number that counts through the season counted through them alone, from 0.

    returns : the frames, and the number that each one stands for
    """
    there = [frame[column] for frame in frames if column in frame.columns]
    numbers = pl.concat(there).drop_nulls().unique().sort()
    own = pl.Series(range(len(numbers)), dtype=numbers.dtype)
    return (
        tuple(
            frame.with_columns(pl.col(column).replace_strict(numbers, own, return_dtype=numbers.dtype))
            if column in frame.columns
            else frame
            for frame in frames
        ),
        numbers,
    )


def read_again(frame: pl.DataFrame, column: str, numbers: pl.Series) -> pl.DataFrame:
    """The frame with the season's numbers in place of those that `number_within` gave."""
    return frame.with_columns(numbers.gather(frame[column]).alias(column))


def _digest(frames: Frames) -> str:
    digest = hashlib.sha256()
    for frame in frames:
        digest.update(f"{frame.height} {list(frame.schema.items())!r}\n".encode())
        for column in frame.iter_columns():
            # What memory holds where a cell is null is no part of it.
            digest.update(column.is_null().cast(pl.UInt8).to_numpy().data)
            for content in _cells(column.to_physical()):
                digest.update(content)
    return digest.hexdigest()


def _cells(column: pl.Series) -> Iterator[bytes | memoryview]:
    if column.dtype == pl.String:
        texts = column.fill_null("")
        yield texts.str.len_bytes().to_numpy().data
        yield texts.str.join("").item().encode()
    elif column.dtype == pl.Boolean:
        yield column.fill_null(value=False).cast(pl.UInt8).to_numpy().data
    elif column.dtype != pl.Null:
        yield np.ascontiguousarray(column.fill_null(0).to_numpy()).data


def _packed(frame: pl.DataFrame) -> bytes:
    file = io.BytesIO()
    frame.rechunk().write_ipc(file, compression="zstd", compat_level=pl.CompatLevel.oldest())
    return file.getvalue()


def _unpacked(content: bytes) -> pl.DataFrame:
    return pl.read_ipc(io.BytesIO(content))
