"""Rows of many files with one header, laid together and made a frame of text.

A text without comments and blank lines, in which every quote belongs to a whole cell of one line and the
delimiters add up, is cut into columns by polars, many files in one go. Anything else is cut record by record
(`records.py`); both give the same frame.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import polars as pl

from pipeline.logs.distinct import Distinct, coded_text, is_coded, with_blank_ends, with_texts
from pipeline.logs.header import Header
from pipeline.logs.records import Records

__all__ = ["LONGEST_CELL", "Block", "Buffer", "PlainText", "plain_text"]

# Rows that wait as text or lists before they become a frame: bounds the memory of a big season.
ROWS_PER_BLOCK = 100_000

# Longer than any note; shorter than what a lost quote can swallow.
LONGEST_CELL = 1 << 20


@dataclass
class Block:
    """Rows of files with one and the same header: `frame` has file_id, line and c0, c1 ... for its cells.

    `blank_ends` are the coded columns with a text that has a blank at an end.
    """

    header: Header
    frame: pl.DataFrame
    blank_ends: frozenset[str] = frozenset()


@dataclass(frozen=True)
class PlainText:
    """The text below a header in which each line is one whole record of the header's width.

    It goes from position `below` to position `end` of a text, begins on line `first_line` of its file, and
    has `rows` records.
    """

    text: str
    below: int
    end: int
    first_line: int
    rows: int

    @property
    def lines(self) -> str:
        """The records, each with its line end."""
        lines = self.text[self.below : self.end]
        return lines if lines.endswith("\n") else f"{lines}\n"

    @property
    def body(self) -> str:
        """The records, without the line end of the last."""
        return self.text[self.below : self.end].removesuffix("\n")


def plain_text(
    text: str, below: int, first_line: int, header: Header, end: int | None = None
) -> PlainText | None:
    """The text from position `below` to `end` as `PlainText`, or None when it has to be cut record by record.

    `first_line` is the line, as an editor counts, that begins at `below`; a line ends at `end`, which is the
    end of the text when it is not given.
    """
    end = len(text) if end is None else end
    if below >= end or text.startswith(("#", "\n", "\ufeff"), below):
        return None
    if (
        (text.find("#", below, end) >= 0 and text.find("\n#", below, end) >= 0)
        # Elsewhere a blank line is a row too short, told below.
        or (len(header.names) == 1 and text.find("\n\n", below, end) >= 0)
        or _has_long_line(text, below, end)
    ):
        return None
    quoted = _delimiters_in_quotes(text, below, end, header.delimiter)
    if quoted is None:
        return None
    rows = text.count("\n", below, end) + (0 if text[end - 1] == "\n" else 1)
    # A row too short can hide a row too long here, but then polars refuses the longer one.
    if text.count(header.delimiter, below, end) - quoted != rows * (len(header.names) - 1):
        return None
    return PlainText(text, below, end, first_line, rows)


def _has_long_line(text: str, below: int, end: int) -> bool:
    """Whether a line is longer than the longest cell, found without looking at every character."""
    while end - below > LONGEST_CELL:
        stop = text.rfind("\n", below, below + LONGEST_CELL)
        if stop < 0:
            return True
        below = stop + 1
    return False


@cache
def _quoted_cell(delimiter: str) -> re.Pattern[str]:
    # The quote comes first, so that the search leaps from quote to quote.
    return re.compile(rf'"(?<![^{delimiter}\n]")([^"\n]*(?:""[^"\n]*)*)"(?![^{delimiter}\n])')


def _delimiters_in_quotes(text: str, below: int, end: int, delimiter: str) -> int | None:
    """How many delimiters stand in quoted cells; None when some quote is not part of a whole cell."""
    quotes = text.count('"', below, end)
    if quotes == 0:
        return 0
    cells = _quoted_cell(delimiter).findall(text, below, end)
    inside = "".join(cells)
    return inside.count(delimiter) if quotes == 2 * len(cells) + inside.count('"') else None


class Buffer:
    """Rows of one header on their way to a frame.

    When it `is_coded`, the frame of a plain text has each text of a column once (`values.Distinct`).
    """

    def __init__(
        self, header: Header, cut: Callable[[int, PlainText], Records], is_coded: bool = False
    ) -> None:
        """`cut` cuts a plain text of a file record by record, when it turns out not to be plain."""
        self._is_coded = is_coded
        self.header = header
        self.size = 0
        self._cut = cut
        self._plain: list[tuple[int, PlainText]] = []
        self._records: list[tuple[int, Records]] = []

    def add_plain(self, file_id: int, plain: PlainText) -> None:
        """Take in the text of a file that polars can cut."""
        self._plain.append((file_id, plain))
        self.size += plain.rows

    def add_records(self, file_id: int, records: Records) -> None:
        """Take in the records of a file."""
        self._records.append((file_id, records))
        self.size += len(records.rows)

    @property
    def is_full(self) -> bool:
        """Whether it is time to make a block of what waits."""
        return self.size >= ROWS_PER_BLOCK

    def as_block(self) -> Block:
        """What waits as a block; nothing waits afterwards."""
        frames = []
        if self._plain:
            frames.append(self._frame_of_plain())
        if self._records:
            frames = [with_texts(frame) for frame in (*frames, self._frame_of_records())]
        self._plain, self._records, self.size = [], [], 0
        whole = pl.concat(frames)
        odd = with_blank_ends(whole)
        return Block(self.header, _without_blanks(whole, odd), odd)

    def _frame_of_plain(self) -> pl.DataFrame:
        names = [f"c{n}" for n in range(len(self.header.names))]
        lines = "".join([plain.lines for _, plain in self._plain])
        try:
            cells = pl.read_csv(
                lines.encode(),
                separator=self.header.delimiter,
                has_header=False,
                schema={name: coded_text() if self._is_coded else pl.String() for name in names},
            )
        except (pl.exceptions.ComputeError, pl.exceptions.SchemaError):
            # The latter of the first row, from which polars takes the width.
            return self._frame_of_misfits()
        runs = [(file_id, plain.first_line, plain.rows) for file_id, plain in self._plain]
        return _numbered(runs).hstack(cells)

    def _frame_of_misfits(self) -> pl.DataFrame:
        """Some row is too long and another too short: cut every text of this lot record by record."""
        self._records = [
            *((number, self._cut(number, plain)) for number, plain in self._plain),
            *self._records,
        ]
        return self._empty_frame()

    def _empty_frame(self) -> pl.DataFrame:
        cells = {f"c{n}": pl.String for n in range(len(self.header.names))}
        return pl.DataFrame(schema={"file_id": pl.Int32, "line": pl.Int32, **cells})

    def _frame_of_records(self) -> pl.DataFrame:
        rows = [row for _, records in self._records for row in records.rows]
        if not rows:
            return self._empty_frame()
        ids = [
            pl.repeat(number, len(records.rows), dtype=pl.Int32, eager=True)
            for number, records in self._records
        ]
        lines = [pl.Series(records.lines, dtype=pl.Int32) for _, records in self._records]
        cells = [
            pl.Series(f"c{n}", column, dtype=pl.String) for n, column in enumerate(zip(*rows, strict=True))
        ]
        return pl.DataFrame([pl.concat(ids).alias("file_id"), pl.concat(lines).alias("line"), *cells])


def _numbered(runs: list[tuple[int, int, int]]) -> pl.DataFrame:
    """file_id and line for runs of (file, first line, rows)."""
    schema = {"file_id": pl.Int32, "first": pl.Int32, "rows": pl.Int32}
    return (
        pl.DataFrame(runs, schema=schema, orient="row")
        .select(
            "file_id", pl.int_ranges("first", pl.col("first") + pl.col("rows"), dtype=pl.Int32).alias("line")
        )
        .explode("line", empty_as_null=False)
    )


def _without_blanks(frame: pl.DataFrame, odd: frozenset[str]) -> pl.DataFrame:
    """The frame with blank cells null and wholly blank rows gone; of coded columns the `odd` may have any."""
    cells = pl.col("^c[0-9]+$")
    if any(map(is_coded, frame)):
        frame = frame.with_columns(_coded_without_blanks(frame[name]) for name in odd)
    else:
        frame = frame.with_columns(pl.when(cells.str.strip_chars() != "").then(cells))
    return frame.filter(pl.any_horizontal(cells.is_not_null()))


def _coded_without_blanks(column: pl.Series) -> pl.Series:
    distinct = Distinct.of(column)
    is_blank = np.flatnonzero((distinct.texts.str.strip_chars() == "").fill_null(False).to_numpy())
    return column.scatter(distinct.rows(is_blank), None) if is_blank.size else column
