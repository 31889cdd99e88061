"""The records of a large log's text, part by part.

A part that is plain (`blocks.py`) goes on whole; of any other only the stretch around what is odd is cut
record by record. Where a text is parted makes no difference to what is read: a record is never split, and
lines are counted through.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.logs.blocks import PlainText, plain_text
from pipeline.logs.header import Header
from pipeline.logs.records import LONGEST_RECORD_LINES, Records, cut_one_by_one, sorted_out

__all__ = ["Rest", "cut_pieces"]

# Around what is odd in an otherwise plain text, so much is cut record by record.
_STRETCH = 1 << 17


@dataclass
class Rest:
    """What is still to be cut of a text: where it begins, on which line, and whether more text follows."""

    text: str
    at: int
    line: int
    is_last: bool = False

    @property
    def is_done(self) -> bool:
        """Whether everything is cut."""
        return self.at >= len(self.text)

    def go_on_with(self, following: str) -> None:
        """Take in the part that follows, and let go of what is cut."""
        self.text, self.at = self.text[self.at :] + following, 0


def cut_pieces(rest: Rest, header: Header) -> Iterator[PlainText | Records]:
    """The records of `rest`, in pieces; it is moved on to what can only be cut when more text is there."""
    length, stretch = len(rest.text) - rest.at, _STRETCH
    while not rest.is_done:
        end = _line_end(rest.text, rest.at + length)
        plain = plain_text(rest.text, rest.at, rest.line, header, end)
        if plain is not None:
            rest.at, rest.line = end, rest.line + plain.rows
            yield plain
        elif length > stretch:
            length = stretch
        else:
            records, lines = _cut_stretch(rest, end, header)
            if lines == 0 and end == len(rest.text):
                return
            if lines == 0:
                # One record, it may be, that runs over all of the stretch.
                length = stretch = 2 * stretch
                continue
            rest.at = _after_lines(rest.text, rest.at, lines)
            rest.line += lines
            length = stretch = _STRETCH
            yield records


def _line_end(text: str, position: int) -> int:
    """The position after the line end at or after `position`."""
    found = text.find("\n", max(position - 1, 0))
    return len(text) if found < 0 else found + 1


def _after_lines(text: str, at: int, lines: int) -> int:
    """The position after so many lines from `at` on."""
    for _ in range(lines):
        found = text.find("\n", at)
        if found < 0:
            return len(text)
        at = found + 1
    return at


def _cut_stretch(rest: Rest, end: int, header: Header) -> tuple[Records, int]:
    """The records of a stretch that surely end in it, and how many lines they take."""
    body = rest.text[rest.at : end].removesuffix("\n").split("\n")
    width = len(header.names)
    try:
        rows = list(csv.reader(body, delimiter=header.delimiter, strict=True))
    except csv.Error:
        rows = []
    if len(rows) == len(body):
        numbers = range(rest.line, rest.line + len(rows))
        return sorted_out(rows, numbers, body, width), len(body)
    # Some record runs over more than one line. One that begins too near the end may go on below it.
    is_end = rest.is_last and end == len(rest.text)
    sure = len(body) if is_end else max(0, len(body) - LONGEST_RECORD_LINES)
    return cut_one_by_one(body, rest.line, header.delimiter, width, sure)
