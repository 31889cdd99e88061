"""Parts of the season worked out once and taken over by later builds.

A costly step falls into parts that know nothing of one another: some batches with all that is logged of
them. What comes of a part depends on the frames it is made from and on nothing else. So it is stored in the
database under a digest of those frames, and a later build of the same program with the same settings
(`pipeline.warehouse` sees to that) takes it over wherever it meets the same frames again. What is taken over
is what would have been worked out, byte for byte, because it is the outcome of the same function of the
same numbers.

Most parts are taken over, so that what is done to each of them counts. The season's frames say in a column
`part` which part each row belongs to; the digests of all parts are taken from whole columns, only a part to
be worked out is cut out, and what comes of all parts is read as one.

Numbers that count through the whole season (of files, of parts, and with these of moves) change with every
file that comes before: whoever says what the parts are counts them anew within each, or no part would ever be
met again.
Which part a row belongs to is told by account.part (`pipeline.account.partition`).
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray

__all__ = [
    "KEPT_SCHEMA",
    "KeptParts",
    "number_within",
    "read_again",
]

Frames = tuple[pl.DataFrame, ...]
Places = NDArray[np.int64]

KEPT_SCHEMA = pl.Schema(
    {
        "step": pl.String(),
        "part": pl.Int64(),
        "digest": pl.String(),
        "frame_no": pl.Int32(),
        "rows": pl.Int64(),
        "content": pl.Binary(),
    }
)
"""The table raw.kept_part: one row a frame that came of a part; `part` is the number the step knew it by."""


@dataclass(frozen=True)
class _Packed:
    """A frame as stored: how many rows it has, and all of it as an Arrow stream."""

    rows: int
    stream: bytes


@dataclass(frozen=True)
class _Outcome:
    """What came of a part, and the digest of what it was made from."""

    digest: str
    frames: Sequence[_Packed]


@dataclass
class KeptParts:
    """What came of each part: of an earlier build, where it stands there, else worked out now.

    earlier : the season's database made before by the same program and settings; None: there is none
    """

    earlier: duckdb.DuckDBPyConnection | None = field(default=None, repr=False)
    _used: dict[tuple[str, int], _Outcome] = field(default_factory=dict, repr=False)

    def joined(
        self, step: str, frames: Iterable[pl.DataFrame], work: Callable[..., Iterable[pl.DataFrame]]
    ) -> Frames:
        """What comes of all parts: each frame that `work` gives, joined in the order of the parts.

        step    : names the work: the same frames in another step are another part
        frames  : the season's. Of one with a column `part` (any numbers; null: in no part) a part has its own
                  rows, in their order; any other it has whole
        work    : the frames of a part in, without `part`; frames out, as many and with the same columns for
                  every part; looks at nothing else
        returns : the frames, with the number of the `part` that each row came of; without a row where no row
                  has a part
        """
        frames = list(frames)
        numbers = _numbers(frames)
        sorted_frames = [_Sorted.by_part(frame, numbers) for frame in frames]
        if not numbers.size:
            none = (frame.drop("part").clear() if "part" in frame.columns else frame for frame in frames)
            return tuple(frame.clear().with_columns(part=pl.lit(0, pl.Int64)) for frame in work(*none))
        digests = _digests(sorted_frames)
        outcomes = self._stored(step, digests)
        for place, (part, digest) in enumerate(zip(numbers.tolist(), digests, strict=True)):
            if digest not in outcomes:
                own = (each.part(place) for each in sorted_frames)
                outcomes[digest] = [_packed(frame) for frame in work(*own)]
            self._used[step, part] = _Outcome(digest, outcomes[digest])
        return tuple(
            _joined(packed, numbers) for packed in zip(*(outcomes[digest] for digest in digests), strict=True)
        )

    def frame(self) -> pl.DataFrame:
        """Everything that was worked out or taken over, to be stored: `KEPT_SCHEMA`."""
        rows = [
            (step, part, outcome.digest, number, packed.rows, packed.stream)
            for (step, part), outcome in self._used.items()
            for number, packed in enumerate(outcome.frames)
        ]
        return pl.DataFrame(rows, schema=KEPT_SCHEMA, orient="row")

    def _stored(self, step: str, digests: Sequence[str]) -> dict[str, list[_Packed]]:
        if self.earlier is None:
            return {}
        rows = self.earlier.execute(
            # Two parts may have come of the same frames.
            "select digest, rows, content from raw.kept_part "
            "where step = $step and list_contains($digests, digest) "
            "qualify row_number() over (partition by digest, frame_no order by part) = 1 "
            "order by digest, frame_no",
            {"step": step, "digests": list(digests)},
        ).fetchall()
        found: dict[str, list[_Packed]] = {}
        for digest, height, content in rows:
            found.setdefault(digest, []).append(_Packed(height, content))
        return found


@dataclass(frozen=True)
class _Sorted:
    """A frame's rows in the order of their parts: a part's begin at `starts` and stop before `ends`."""

    frame: pl.DataFrame
    starts: Places
    ends: Places

    @classmethod
    def by_part(cls, frame: pl.DataFrame, numbers: Places) -> _Sorted:
        """The rows of each part in the order they had, those of no part before all; or all for each part."""
        if "part" not in frame.columns:
            return cls(frame, np.zeros(numbers.size, np.int64), np.full(numbers.size, frame.height))
        if not frame["part"].is_sorted():
            frame = frame.sort("part", maintain_order=True)
        part = frame["part"].drop_nulls().to_numpy()
        starts, ends = (np.searchsorted(part, numbers, side) for side in ("left", "right"))
        nowhere = frame["part"].null_count()
        return cls(frame.drop("part"), nowhere + starts, nowhere + ends)

    def part(self, place: int) -> pl.DataFrame:
        """The rows of one part, by its place among the numbers."""
        return self.frame[int(self.starts[place]) : int(self.ends[place])]


def _numbers(frames: Iterable[pl.DataFrame]) -> Places:
    """The numbers of all parts, in order."""
    found = [frame["part"].drop_nulls().unique().to_numpy() for frame in frames if "part" in frame.columns]
    return np.unique(np.concatenate([np.empty(0, np.int64), *found]))


def number_within(frames: Sequence[pl.DataFrame], column: str) -> tuple[Frames, pl.DataFrame]:
    """The frames with a number that counts through the season counted through each part alone, from 0.

    frames  : those that have `column` have `part` too
    returns : the frames, and the numbers that stood there, each part's in order: `part`, `column`
    """
    numbered = [frame for frame in frames if column in frame.columns]
    numbers = pl.concat([frame.select("part", column) for frame in numbered]).drop_nulls()
    numbers = numbers.unique().sort("part", column)
    counted = numbers.with_columns(
        pl.int_range(pl.len()).over("part").cast(numbers.schema[column]).alias("counted")
    )
    return (
        tuple(
            frame.join(counted, on=("part", column), how="left", maintain_order="left")
            .with_columns(pl.col("counted").alias(column))
            .drop("counted")
            if column in frame.columns
            else frame
            for frame in frames
        ),
        numbers,
    )


def read_again(frame: pl.DataFrame, column: str, numbers: pl.DataFrame) -> pl.DataFrame:
    """The frame with the season's numbers in place of those that `number_within` gave."""
    first = numbers["part"].search_sorted(frame["part"])
    return frame.with_columns(numbers[column].gather(first + frame[column]).alias(column))


def _digests(frames: Iterable[_Sorted]) -> list[str]:
    """The SHA-256 of each part: of the frames' heights and columns, and of every cell."""
    digests: list[Any] = []
    for each in frames:
        digests = digests or [hashlib.sha256() for _ in each.starts]
        columns = f"{list(each.frame.schema.items())!r}\n"
        for digest, start, end in zip(digests, each.starts, each.ends, strict=True):
            digest.update(f"{end - start} {columns}".encode())
        for column in each.frame.iter_columns():
            for cells, edges in _cells(column):
                # One part's cells of a column after the other's: nothing is copied.
                for digest, start, end in zip(digests, edges(each.starts), edges(each.ends), strict=True):
                    digest.update(cells[start:end])
    return [digest.hexdigest() for digest in digests]


def _cells(column: pl.Series) -> Iterator[tuple[memoryview, Callable[[Places], Places]]]:
    """The bytes of a column, and at which of them given rows begin."""
    # What memory holds where a cell is null is no part of it.
    yield _of_one_width(column.is_null().cast(pl.UInt8))
    column = column.to_physical()
    if column.dtype == pl.String:
        texts = column.fill_null("")
        lengths = texts.str.len_bytes()
        yield _of_one_width(lengths)
        begins = np.concatenate([[0], np.cumsum(lengths.to_numpy(), dtype=np.int64)])
        yield memoryview(texts.str.join("").item().encode()), begins.__getitem__
    elif column.dtype == pl.Boolean:
        yield _of_one_width(column.fill_null(value=False).cast(pl.UInt8))
    elif column.dtype != pl.Null:
        yield _of_one_width(column.fill_null(0))


def _of_one_width(column: pl.Series) -> tuple[memoryview, Callable[[Places], Places]]:
    cells = np.ascontiguousarray(column.to_numpy())
    return cells.view(np.uint8).data, lambda rows: rows * cells.itemsize


# An Arrow stream ends with a message of no length.
_END = b"\xff\xff\xff\xff\x00\x00\x00\x00"


def _packed(frame: pl.DataFrame) -> _Packed:
    file = io.BytesIO()
    has_remains = [column for column in frame if column.null_count() and column.dtype != pl.Null]
    plain = frame.with_columns(map(_without_remains, has_remains))
    plain.rechunk().write_ipc_stream(file, compression="zstd", compat_level=pl.CompatLevel.oldest())
    return _Packed(frame.height, file.getvalue())


def _without_remains(column: pl.Series) -> pl.Expr:
    """A column with nothing left of what memory holds where a cell is null, which is never the same twice."""
    nothing = pl.lit("") if column.dtype == pl.String else pl.lit(0).cast(column.dtype)
    cells = pl.col(column.name)
    return pl.when(cells.is_not_null()).then(cells.fill_null(nothing)).alias(column.name)


def _joined(packed: Sequence[_Packed], numbers: Places) -> pl.DataFrame:
    """The frames one below the other, with the number of each as `part`.

    A stream is a message that tells the columns, then the rows, then its end: rows of the same columns can
    be put behind one another.
    """
    first = packed[0].stream
    head = 8 + int.from_bytes(first[4:8], "little")
    if any(each.stream[:head] != first[:head] for each in packed):
        raise ValueError("The work on one part gave other columns than that on another.")
    rows = b"".join(each.stream[head : -len(_END)] for each in packed)
    frame = pl.read_ipc_stream(io.BytesIO(first[:head] + rows + _END))
    part = np.repeat(numbers, [each.rows for each in packed])
    return frame.with_columns(pl.Series("part", part, dtype=pl.Int64))
