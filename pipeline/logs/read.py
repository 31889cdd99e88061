"""Reading: files to frames of text cells, one frame a kind of log, each row with its file and line.

Every cell stays the text it is. Files with the same header are laid together (`blocks.py`) before they
become a frame, so that ten thousand small logs cost hardly more than one big one.
"""

from __future__ import annotations

import csv
import hashlib
import itertools
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path

import polars as pl

from pipeline.logs.blocks import LONGEST_CELL, Block, Buffer, PlainText, plain_text
from pipeline.logs.book_logs import log_rows, table_log
from pipeline.logs.books import Book, open_book
from pipeline.logs.decode import (
    Decoded,
    UnreadableTextError,
    decode_text,
    refuse_broken_header,
    refuse_zeros,
)
from pipeline.logs.distinct import with_texts
from pipeline.logs.fields import BATCH_LOG, CASK_LOG, KINDS_OF_FILE, TELEMETRY
from pipeline.logs.find import (
    BOOK_SUFFIXES,
    FoundFile,
    bytes_of_lines,
    find_files,
    is_packed,
    stem_of,
    unpacked,
)
from pipeline.logs.header import Header, HeaderError, read_header
from pipeline.logs.large import LargeLog, up_to_header
from pipeline.logs.large_text import is_large_text, large_text
from pipeline.logs.log_file import ReadFile, ReadResult
from pipeline.logs.records import Place, Records, cut_records, first_line
from pipeline.logs.telemetry import SensorHeader, read_telemetry, told_as_telemetry
from pipeline.problems import Problem, problem

__all__ = ["IN_LOTS", "ReadFile", "ReadResult", "cells_frame", "read_files"]

Progress = Callable[[str, int, int], None]

_LARGE_BYTES = 1 << 20

# Kinds of log that grow with the season. Pours are numbered through all tasting sheets, and of every other
# kind a large file would be an odd one.
IN_LOTS = (BATCH_LOG, CASK_LOG)


def read_files(
    folder: Path,
    currency: str,
    progress: Progress,
    known: Mapping[str, str] | None = None,
    date_order: str = "",
) -> ReadResult:
    """Read every log below `folder` as text.

    `currency` is the season's, for prices whose header names it; `date_order` too, for telemetry, whose dates
    are read at once (the rows of every other kind stay text). Files are numbered from 1 in the order
    of their paths. A file whose hash is the one `known` has for its name is not read further. No file is
    changed.
    """
    csv.field_size_limit(LONGEST_CELL)
    found, problems = find_files(folder)
    reader = _Reader(currency, date_order, ReadResult([], [], [], problems), known or {})
    for done, each in enumerate(found, start=1):
        if each.name.lower().endswith(BOOK_SUFFIXES):
            reader.read_book(each)
        else:
            reader.read(each, ReadFile(len(reader.result.files) + 1, each.name, stem_of(each.name)))
        progress("reading logs", done, len(found))
    reader.flush()
    return reader.result


def _is_large(each: FoundFile) -> bool:
    try:
        return each.path.stat().st_size > _LARGE_BYTES
    except OSError:
        return False


class _Reader:
    """Reads file after file, laying the rows of files with the same header together."""

    def __init__(self, currency: str, date_order: str, result: ReadResult, known: Mapping[str, str]) -> None:
        self.currency, self.date_order = currency, date_order
        self.result = result
        self._known = known
        self._buffers: dict[str, Buffer] = {}

    def read(self, each: FoundFile, file: ReadFile) -> None:
        """Read one file into its buffer; what keeps it from being read becomes a problem."""
        self.result.files.append(file)
        # A large file's first line is looked at before the whole is read: telemetry is never held whole.
        sensors = told_as_telemetry(each.path) if _is_large(each) else None
        if sensors is not None:
            self._read_telemetry(each, file, sensors)
            return
        known = self._known.get(file.name)
        if is_large_text(each.path):
            self._read_large(each, file, known)
            return
        decoded = _text_of(each, file, self.result, known)
        if decoded is not None:
            self._read_text(decoded, file, each)

    def read_book(self, each: FoundFile) -> None:
        """Read every sheet of a spreadsheet, each a log of its own."""
        whole = ReadFile(len(self.result.files) + 1, each.name, stem_of(each.name))
        data = _bytes_of(each, whole, self.result)
        try:
            book = None if data is None else open_book(data)
        except UnreadableTextError as error:
            self.result.problems.append(_text_problem(error, whole))
            book = None
        if book is None:
            self.result.files.append(whole)
            return
        for title in book.titles:
            # A batch that nothing else names has the sheet's name; that of the only sheet is often no name.
            stem = title.strip() if len(book.titles) > 1 else whole.stem
            number = len(self.result.files) + 1
            file = replace(whole, file_id=number, name=f'{each.name} sheet "{title}"', stem=stem)
            self.result.files.append(file)
            file.is_kept = self._known.get(file.name) == file.sha256
            if not file.is_kept:
                self._read_sheet(book, title, file)

    def _read_sheet(self, book: Book, title: str, file: ReadFile) -> None:
        try:
            table = book.table(title)
        except UnreadableTextError as error:
            self.result.problems.append(_text_problem(error, file))
            return
        rows = log_rows(table)
        if table.is_hidden or not rows:
            code = "hidden_sheet" if table.is_hidden else "empty_file"
            self.result.problems.append(problem(code, file.name))
            return
        file.header_line = rows[0].number
        try:
            log = table_log(table, rows, file.name, self.currency)
        except HeaderError as error:
            self.result.problems.append(error.as_problem(file.name, file.header_line))
            file.rows_in = file.rows_set_aside = len(rows) - 1
            return
        _note_header(log.header, file, self.result)
        file.delimiter = None
        self.result.problems += log.notices
        self.result.note_bad(log.records, file)
        if not log.records.rows and not log.records.bad:
            self.result.problems.append(problem("no_rows", file.name))
        buffer = self._buffer(log.header)
        buffer.add_records(file.file_id, log.records)
        if buffer.is_full:
            self.result.blocks.append(buffer.as_block())

    def _read_telemetry(self, each: FoundFile, file: ReadFile, sensors: SensorHeader) -> None:
        known = self._known.get(file.name)
        found = read_telemetry(each.path, file.name, file.file_id, sensors, known, self.date_order)
        file.size_bytes, file.sha256, file.is_kept = found.size_bytes, found.sha256, found.is_kept
        if found.is_kept:
            return
        file.kind, file.encoding, file.delimiter = TELEMETRY, sensors.encoding, sensors.delimiter
        file.decimal_mark = found.decimal_mark
        file.rows_in, file.rows_set_aside = found.rows_in, found.rows_set_aside
        self.result.problems += found.problems
        self.result.telemetry.append(found)

    def flush(self) -> None:
        """Make blocks of what still waits."""
        self.result.blocks += [buffer.as_block() for buffer in self._buffers.values() if buffer.size]

    def _read_text(self, decoded: Decoded, file: ReadFile, each: FoundFile) -> None:
        place = first_line(decoded.text)
        header = self._header_of(decoded, place, file, each)
        if header is not None and place is not None:
            self._collect(decoded.text, place, header, file)

    def _read_large(self, each: FoundFile, file: ReadFile, known: str | None) -> None:
        """Look through a file too large to be held; its rows are read later, when it is a kind that lasts.

        The rows of other kinds are laid with those of other files.
        """
        try:
            file.size_bytes, sha256 = each.path.stat().st_size, _hash_of(each.path)
            file.is_kept = sha256 == known
            if file.is_kept or is_packed(each.path):
                file.sha256 = sha256
            if file.is_kept:
                return
            text = large_text(each.path)
        except UnreadableTextError as error:
            self.result.problems.append(_text_problem(error, file))
            return
        except OSError as error:
            self.result.problems.append(_cannot_open(error, file))
            return
        file.sha256, file.encoding, file.broken = sha256, text.encoding, text.broken
        parts = text.parts()
        start, place = up_to_header(parts)
        header = self._header_of(Decoded(start, text.encoding, text.broken), place, file, each, parts)
        if header is None:
            return
        log = LargeLog(file, text, header, is_coded=header.kind in IN_LOTS)
        if header.kind in IN_LOTS:
            self.result.large.append(log)
            return
        for lot in log.lots():
            self.result.blocks += lot.blocks
            self.result.bad += lot.bad
            self.result.problems += lot.problems

    def _header_of(
        self,
        decoded: Decoded,
        place: Place | None,
        file: ReadFile,
        each: FoundFile,
        following: Iterable[str] = (),
    ) -> Header | None:
        """The header of a file, noted; None, with a problem noted, when there is none that can be used.

        `following` is the text after that of `decoded`, which holds the header.
        """
        if place is None:
            self.result.problems.append(problem("empty_file", file.name))
            return None
        file.header_line = place.number
        texts = itertools.chain([decoded.text[place.start :]], following)
        try:
            header = _told_header(decoded, place, self.currency)
        except UnreadableTextError as error:
            self.result.problems.append(_text_problem(error, file))
            if error.code != "not_text":
                file.rows_in = file.rows_set_aside = _count_rows(texts)
            return None
        except HeaderError as error:
            sensors = told_as_telemetry(each.path) if error.code == "unknown_header" else None
            if sensors is not None:
                self._read_telemetry(each, file, sensors)
                return None
            self.result.problems.append(error.as_problem(file.name, file.header_line))
            file.rows_in = file.rows_set_aside = _count_rows(texts)
            return None
        if file.encoding == "windows-1252":
            self.result.problems.append(problem("windows_1252", file.name))
        _note_header(header, file, self.result)
        return header

    def _collect(self, text: str, place: Place, header: Header, file: ReadFile) -> None:
        buffer = self._buffer(header)
        plain = plain_text(text, place.end, place.number + 1, header)
        if plain is not None:
            buffer.add_plain(file.file_id, plain)
        else:
            records = self._cut(text, place.end, place.number + 1, file)
            if not records.rows and not records.bad:
                self.result.problems.append(problem("no_rows", file.name))
            buffer.add_records(file.file_id, records)
        if buffer.is_full:
            self.result.blocks.append(buffer.as_block())

    def _buffer(self, header: Header) -> Buffer:
        signature = json.dumps([header.delimiter, header.names])
        if signature not in self._buffers:
            self._buffers[signature] = Buffer(header, self._cut_plain)
        return self._buffers[signature]

    def _cut_plain(self, file_id: int, plain: PlainText) -> Records:
        return self._cut(plain.text, plain.below, plain.first_line, self.result.files[file_id - 1])

    def _cut(self, text: str, below: int, number: int, file: ReadFile) -> Records:
        if file.header is None:
            raise TypeError(f"{file.name} has no header to cut its rows by")
        records = cut_records(
            text[below:].removesuffix("\n").split("\n") if below < len(text) else [],
            number,
            file.header.delimiter,
            len(file.header.names),
        )
        self.result.note_bad(records, file)
        return records


def _text_of(each: FoundFile, file: ReadFile, result: ReadResult, known: str | None) -> Decoded | None:
    """The text of one file; None when its hash is `known` or, with a problem noted, it cannot be read."""
    data = _bytes_of(each, file, result)
    if data is None:
        return None
    if file.sha256 == known:
        file.is_kept = True
        return None
    try:
        decoded = decode_text(unpacked(data, each.path.name))
    except UnreadableTextError as error:
        result.problems.append(_text_problem(error, file))
        return None
    file.encoding, file.broken = decoded.encoding, decoded.broken
    return decoded


def _bytes_of(each: FoundFile, file: ReadFile, result: ReadResult) -> bytes | None:
    """A file's bytes, with size and hash noted; None, with a problem noted, when it cannot be opened."""
    try:
        if each.path.name.lower().endswith((".gz", *BOOK_SUFFIXES)):
            data = each.path.read_bytes()
        else:
            with each.path.open("rb") as opened:
                data = bytes_of_lines(opened)
    except UnreadableTextError as error:
        result.problems.append(_text_problem(error, file))
        file.size_bytes = each.path.stat().st_size
        return None
    except OSError as error:
        result.problems.append(_cannot_open(error, file))
        return None
    file.size_bytes = len(data)
    file.sha256 = hashlib.sha256(data).hexdigest()
    return data


def _hash_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _told_header(decoded: Decoded, place: Place, currency: str) -> Header:
    refuse_broken_header(decoded, place.number)
    try:
        return read_header(place.text, currency)
    except HeaderError:
        refuse_zeros(decoded)
        raise


def _text_problem(error: UnreadableTextError, file: ReadFile) -> Problem:
    return problem(error.code, file.name, line=error.line, found=error.found, encoding=error.encoding)


def _cannot_open(error: OSError, file: ReadFile) -> Problem:
    return problem("cannot_open", file.name, found=error.strerror or type(error).__name__)


def _count_rows(texts: Iterable[str]) -> int:
    """Lines below the header, the first of them all, that are neither blank nor a comment."""
    lines = itertools.chain.from_iterable(text.split("\n") for text in texts)
    told = sum(1 for line in lines if line.strip() and not line.startswith("#"))
    return max(0, told - 1)


def _note_header(header: Header, file: ReadFile, result: ReadResult) -> None:
    file.header, file.kind, file.delimiter = header, header.kind, header.delimiter
    for code, written, details in header.notices:
        result.problems.append(
            problem(code, file.name, line=file.header_line, column=written, found=written, **details)
        )


def cells_frame(kind: str, result: ReadResult) -> pl.DataFrame:
    """All rows of one kind as written: file_id, line, every column of the kind, and `other`.

    Cells are text; a blank cell is null. `other` holds the columns that the kind does not know, as JSON
    text; a record that could not be cut into the header's columns stands there whole.
    """
    columns = KINDS_OF_FILE[kind].fields
    frames = [_cells_of_block(block, list(columns)) for block in result.blocks if block.header.kind == kind]
    bad = [
        (file.file_id, record.line, json.dumps({"whole row": record.text}, ensure_ascii=False))
        for file, record in result.bad
        if file.kind == kind
    ]
    schema = {
        "file_id": pl.Int32,
        "line": pl.Int32,
        **dict.fromkeys(columns, pl.String),
        "other": pl.String,
    }
    if len(frames) == 1 and not bad:
        # The rows of one block stay as they are, coded columns too.
        missing = [
            pl.lit(None, dtype=pl.String).alias(name) for name in schema if name not in frames[0].columns
        ]
        return _in_order(frames[0].with_columns(missing).select(list(schema)))
    frames = [with_texts(frame) for frame in frames]
    frames.append(
        pl.DataFrame(bad, schema={name: schema[name] for name in ("file_id", "line", "other")}, orient="row")
    )
    empty = pl.DataFrame(schema=schema)
    return _in_order(pl.concat([empty, *frames], how="diagonal").select(list(schema)))


def _in_order(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows in the order of their files and lines."""
    place = rows.select(pl.col("file_id").cast(pl.Int64) * 2**32 + pl.col("line")).to_series()
    return rows if place.is_sorted() else rows.sort("file_id", "line")


def _cells_of_block(block: Block, columns: list[str]) -> pl.DataFrame:
    positions = block.header.positions
    chosen = [pl.col(f"c{positions[name]}").alias(name) for name in columns if name in positions]
    other = pl.lit(None, dtype=pl.String)
    if block.header.extras:
        parts = [
            pl.col(f"c{extra.position}").cast(pl.String).alias(extra.name) for extra in block.header.extras
        ]
        any_there = pl.any_horizontal(
            pl.col(f"c{extra.position}").is_not_null() for extra in block.header.extras
        )
        other = pl.when(any_there).then(pl.struct(parts).struct.json_encode())
    return block.frame.select("file_id", "line", *chosen, other.alias("other"))
