"""A log too large to be held: its rows are read lot by lot, anew each time they are asked for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from pipeline.logs.blocks import Block, Buffer, PlainText
from pipeline.logs.header import Header
from pipeline.logs.large_text import LargeText
from pipeline.logs.log_file import ReadFile, ReadResult
from pipeline.logs.parts import Rest, cut_pieces
from pipeline.logs.records import Place, Records, cut_records, first_line
from pipeline.problems import problem

__all__ = ["LargeLog", "up_to_header"]


def up_to_header(parts: Iterator[str]) -> tuple[str, Place | None]:
    """The text up to and with the part that holds the header, and where that stands."""
    text = ""
    for part in parts:
        text += part
        place = first_line(text)
        if place is not None:
            return text, place
    return text, None


@dataclass(frozen=True)
class LargeLog:
    """A large log whose header could be read; `is_coded`: whether its rows are (`distinct.py`)."""

    file: ReadFile
    text: LargeText
    header: Header
    is_coded: bool

    def lots(self) -> Iterator[ReadResult]:
        """Its rows, a part of the text at a time; what is set aside is counted in `file`."""
        parts = self.text.parts()
        text, place = up_to_header(parts)
        if place is None:
            raise ValueError(f"{self.file.name} has no header")
        rest = Rest(text, place.end, place.number + 1)
        has_records = False
        while not rest.is_last:
            following = next(parts, None)
            rest.is_last = following is None
            lot = self._lot(rest)
            has_records |= bool(lot.blocks or lot.bad)
            if rest.is_last and not has_records:
                lot.problems.append(problem("no_rows", self.file.name))
            yield lot
            rest.go_on_with(following or "")

    def blocks(self) -> Iterator[Block]:
        """Its rows as text; nothing is counted."""
        for lot in replace(self, file=replace(self.file)).lots():
            yield from lot.blocks

    def _lot(self, rest: Rest) -> ReadResult:
        lot = ReadResult([self.file], [])
        buffer = Buffer(self.header, lambda _, plain: self._cut(plain, lot), self.is_coded)
        for piece in cut_pieces(rest, self.header):
            if isinstance(piece, PlainText):
                buffer.add_plain(self.file.file_id, piece)
            else:
                lot.note_bad(piece, self.file)
                buffer.add_records(self.file.file_id, piece)
        if buffer.size:
            lot.blocks.append(buffer.as_block())
        return lot

    def _cut(self, plain: PlainText, lot: ReadResult) -> Records:
        lines = plain.body.split("\n")
        records = cut_records(lines, plain.first_line, self.header.delimiter, len(self.header.names))
        lot.note_bad(records, self.file)
        return records
