"""Text to records: cells of a delimited text, each record with the line an editor shows it on.

Quotes as in RFC 4180. Blank lines and lines that begin with `#` are skipped. A record that cannot be
cut into cells, or has another number of cells than the header, is kept apart with its line.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

__all__ = [
    "LONGEST_RECORD_LINES",
    "BadRecord",
    "Place",
    "Records",
    "cut_one_by_one",
    "cut_records",
    "first_line",
    "sorted_out",
    "split_cells",
]

# A quote that is never closed would otherwise swallow the rest of the file.
LONGEST_RECORD_LINES = 200


_SEPARATOR_LINE = re.compile(r'"?sep=.?"?', re.IGNORECASE | re.DOTALL)


@dataclass(frozen=True)
class BadRecord:
    """A record that fits no column: its line, its text and, when it could be cut, its number of cells.

    `why` is the problem kind, the column as written and the wording, where it is none of those of plain text.
    """

    line: int
    text: str
    cells: int | None
    why: tuple[str, str | None, str, str] | None = None

    @property
    def is_too_long(self) -> bool:
        """Whether it could not be cut because a cell is longer than any log's cell."""
        return self.cells is None and len(self.text) > csv.field_size_limit()


@dataclass
class Records:
    """The records below a header: rows of equal width, the line of each, and those that do not fit."""

    rows: list[list[str]] = field(default_factory=list)
    lines: Sequence[int] = ()
    bad: list[BadRecord] = field(default_factory=list)


@dataclass(frozen=True)
class Place:
    """A line of a text: its number as an editor counts, where it starts and ends, and the line itself.

    `end` is the position after its line end.
    """

    number: int
    start: int
    end: int
    text: str


def first_line(text: str) -> Place | None:
    """The first line that is neither blank nor a comment; None when there is none.

    A line `sep=;`, by which a spreadsheet program tells itself the delimiter, is passed over too.
    """
    start, number = 0, 1
    while start < len(text):
        stop = text.find("\n", start)
        end = len(text) if stop < 0 else stop + 1
        line = text[start : len(text) if stop < 0 else stop]
        if line.strip() and not line.startswith("#") and not _SEPARATOR_LINE.fullmatch(line.strip()):
            return Place(number, start, end, line)
        start, number = end, number + 1
    return None


def split_cells(line: str, delimiter: str) -> list[str] | None:
    """The cells of one line; None when its quotes do not close."""
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True), [])
    except csv.Error:
        return None


def cut_records(body: Sequence[str], number: int, delimiter: str, width: int) -> Records:
    """Cut the lines of `body`, the first of which is line `number` of its file, into records of `width`."""
    try:
        rows = list(csv.reader(body, delimiter=delimiter, strict=True))
    except csv.Error:
        return cut_one_by_one(body, number, delimiter, width, len(body))[0]
    if len(rows) != len(body):
        # Some record runs over more than one line.
        return cut_one_by_one(body, number, delimiter, width, len(body))[0]
    return sorted_out(rows, range(number, number + len(rows)), body, width)


def sorted_out(rows: list[list[str]], numbers: Sequence[int], texts: Sequence[str], width: int) -> Records:
    """Drop comments and blank rows, and set apart the rows whose width is not the header's."""
    kept: list[list[str]] = []
    lines: list[int] = []
    bad: list[BadRecord] = []
    for row, number, text in zip(rows, numbers, texts, strict=True):
        if len(row) == width and not text.startswith("#"):
            kept.append(row)
            lines.append(number)
        elif text.startswith("#") or not any(map(str.strip, row)):
            continue
        elif len(row) > width and not any(map(str.strip, row[width:])):
            # A spreadsheet saves empty columns to the right of the table.
            kept.append(row[:width])
            lines.append(number)
        else:
            bad.append(BadRecord(number, text, len(row)))
    return Records(kept, lines, bad)


def cut_one_by_one(
    body: Sequence[str], first: int, delimiter: str, width: int, sure: int
) -> tuple[Records, int]:
    """The records of `body` that begin in its first `sure` lines, and how many lines they take.

    `first` is the number of the first line in its file. A record that begins below `sure` may go on below
    the last line of `body`, and is left.
    """
    rows: list[list[str]] = []
    numbers: list[int] = []
    texts: list[str] = []
    broken: list[BadRecord] = []
    at = 0
    while at < sure:
        size, cells = _record_at(body, at, delimiter)
        text = body[at] if size == 1 else "\n".join(body[at : at + size])
        if cells is None:
            broken.append(BadRecord(first + at, text, None))
        else:
            rows.append(cells)
            numbers.append(first + at)
            texts.append(text)
        at += size
    records = sorted_out(rows, numbers, texts, width)
    records.bad = sorted([*records.bad, *broken], key=lambda each: each.line)
    return records, at


def _record_at(body: Sequence[str], at: int, delimiter: str) -> tuple[int, list[str] | None]:
    """How many lines the record at `at` takes, and its cells (None: its quotes are broken)."""
    if body[at].startswith("#"):
        return 1, [body[at]]
    # Each line is looked at once, and none below the record: a sheet full of 5" pipes takes no longer.
    lines = (body[place] + "\n" for place in range(at, min(at + LONGEST_RECORD_LINES, len(body))))
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    try:
        cells = next(reader)
    except csv.Error:
        return 1, None
    return reader.line_num, cells
