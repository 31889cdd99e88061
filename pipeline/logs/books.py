"""Spreadsheets (.xlsx, .xlsm): the cells of each sheet as text, with their row numbers.

Of a formula the value last computed is taken. Macros, links and pictures are never looked at. A book that
unpacks to too much is not read. The reader is an optional extra.
"""

from __future__ import annotations

import io
import warnings
import zipfile
import zlib
from bisect import bisect_right
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from xml.etree import ElementTree

from pipeline.logs.book_cells import broken_in, cell_text
from pipeline.logs.decode import UnreadableTextError

__all__ = ["Book", "Merged", "Row", "Table", "open_book"]

LARGEST_BOOK = 256 << 20
"""Bytes of a book at most, once unpacked: a small file can be made to unpack to anything."""

MOST_CELLS = 20_000_000
"""Cells of a sheet at most, with the empty ones before the last of each row."""

MOST_PARTS = 10_000
"""Parts (sheets, styles, pictures) of a book at most."""

_OLD_OR_LOCKED = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"

# What a reader of XML in a packed file stumbles over when the book was cut off, changed, or never was one.
_STUMBLES = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    EOFError,
    LookupError,
    OSError,
    RuntimeError,
    SyntaxError,
    TypeError,
    ValueError,
    zipfile.BadZipFile,
    zlib.error,
)


@dataclass(frozen=True)
class Row:
    """A row of a sheet: its number and the text of its cells; which are formulas, which have no value.

    `broken` has, for each cell that holds a character that is no text, which.
    """

    number: int
    cells: list[str]
    formulas: frozenset[int] = frozenset()
    without_value: frozenset[int] = frozenset()
    broken: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Merged:
    """Merged cells: rows and columns, counted from 1, and how a spreadsheet writes the range."""

    first_row: int
    last_row: int
    first_column: int
    written: str


@dataclass
class Table:
    """A sheet: its name, the rows that hold anything, and its merged cells."""

    title: str
    is_hidden: bool
    rows: list[Row] = field(default_factory=list)
    merged: list[Merged] = field(default_factory=list)

    def merged_at(self, width: int) -> _Stretches:
        """The rows that merged cells of the first `width` columns run through."""
        return _Stretches([each for each in self.merged if each.first_column <= width])


class _Stretches:
    """Stretches of rows that do not overlap, each with the merged cells it begins with."""

    def __init__(self, merged: list[Merged]) -> None:
        self._starts: list[int] = []
        self._ends: list[int] = []
        self._written: list[str] = []
        for each in sorted(merged, key=lambda one: one.first_row):
            if self._ends and each.first_row <= self._ends[-1]:
                self._ends[-1] = max(self._ends[-1], each.last_row)
            else:
                self._starts.append(each.first_row)
                self._ends.append(each.last_row)
                self._written.append(each.written)

    def at(self, row: int) -> str | None:
        """The merged cells that run through a row; None when none do."""
        place = bisect_right(self._starts, row) - 1
        return self._written[place] if place >= 0 and row <= self._ends[place] else None


@dataclass(frozen=True)
class Book:
    """An open book: the names of its sheets, and each sheet when it is asked for."""

    titles: tuple[str, ...]
    _archive: zipfile.ZipFile = field(repr=False)
    _values: Any = field(repr=False)
    _formulas: Any = field(repr=False)

    def table(self, title: str) -> Table:
        """One sheet; of a hidden one no row is read. Raises `UnreadableTextError` when it cannot be read."""
        with _in_a_sentence():
            values = self._values[title]
            table = Table(title, values.sheet_state != "visible")
            if not table.is_hidden:
                table.rows = list(_rows(values, self._formulas[title]))
                table.merged = list(_merged(self._archive, values))
            return table


def open_book(data: bytes) -> Book:
    """The book whose bytes are `data`. Raises `UnreadableTextError` when it cannot be opened."""
    try:
        import openpyxl
    except ModuleNotFoundError as error:
        raise UnreadableTextError("no_spreadsheet_reader", "") from error
    if data.startswith(_OLD_OR_LOCKED):
        raise UnreadableTextError("broken_book", "it is locked by a password, or of a kind older than .xlsx")
    if not zipfile.is_zipfile(io.BytesIO(data)):
        raise UnreadableTextError("broken_book", "it is no .xlsx book, or only the beginning of one")
    with _in_a_sentence():
        archive = zipfile.ZipFile(io.BytesIO(data))
        _refuse_too_much(archive)
        values, formulas = (
            openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=data_only, keep_links=False)
            for data_only in (True, False)
        )
        titles = tuple(each.title for each in values.worksheets)
    return Book(titles, archive, values, formulas)


@contextmanager
def _in_a_sentence() -> Iterator[None]:
    try:
        with warnings.catch_warnings():
            # What the reader cannot keep of a book (colours, checks of what is typed) is of no account here.
            warnings.simplefilter("ignore")
            yield
    except UnreadableTextError:
        raise
    except _STUMBLES as error:
        why = " ".join(str(error).split())
        name = type(error).__name__
        raise UnreadableTextError("broken_book", f"{name}, {why[:80]}" if why else name) from error


def _refuse_too_much(archive: zipfile.ZipFile) -> None:
    """Nothing is unpacked beyond the size that a part's entry names, so the sum of them is the whole."""
    parts = archive.infolist()
    if len(parts) > MOST_PARTS:
        raise UnreadableTextError("broken_book", f"it has more than {MOST_PARTS:,} parts")
    if sum(each.file_size for each in parts) > LARGEST_BOOK:
        raise UnreadableTextError("broken_book", f"it unpacks to more than {LARGEST_BOOK:,} bytes")


def _rows(values: Any, formulas: Any) -> Iterator[Row]:
    """The rows of a sheet that hold anything, each cell's last value beside its formula."""
    # A sheet says how far it goes, and is often wrong.
    values.reset_dimensions()
    formulas.reset_dimensions()
    cells = 0
    for number, (row, written) in enumerate(zip(values.iter_rows(), formulas.iter_rows(), strict=True), 1):
        cells += len(row) + 1
        if cells > MOST_CELLS:
            raise UnreadableTextError("broken_book", f"a sheet has more than {MOST_CELLS:,} cells")
        if any(each.value is not None for each in written):
            yield _row(number, row, written)


def _row(number: int, row: Any, written: Any) -> Row:
    texts, formulas, without_value = [], [], []
    for place, (cell, source) in enumerate(zip(row, written, strict=True)):
        is_formula = source.data_type == "f"
        is_lost = is_formula and cell.value is None
        if is_formula:
            formulas.append(place)
        if is_lost or cell.data_type == "e":
            without_value.append(place)
        texts.append(_formula_text(source.value) if is_lost else _text(cell))
    broken = {place: what for place, cell in enumerate(row) if (what := broken_in(cell.value))}
    return Row(number, texts, frozenset(formulas), frozenset(without_value), broken)


def _text(cell: Any) -> str:
    return "" if cell.value is None else cell_text(cell.value, cell.number_format)


def _formula_text(formula: Any) -> str:
    """A formula as it is written; one over several cells is kept as a record of its own."""
    return str(getattr(formula, "text", formula))


def _merged(archive: zipfile.ZipFile, values: Any) -> Iterator[Merged]:
    """The merged cells of a sheet, which the reader passes over when it reads row by row."""
    from openpyxl.utils.cell import range_boundaries

    with archive.open(values._worksheet_path) as part:
        for _, element in ElementTree.iterparse(part):
            if element.tag.endswith("}mergeCell"):
                written = element.get("ref", "")
                first_column, first_row, _, last_row = range_boundaries(written)
                yield Merged(first_row, last_row, first_column, written)
            element.clear()
