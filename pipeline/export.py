"""Tables for people and other programs: a frame as text, CSV, JSON, Parquet or a spreadsheet.

Text stays text: a cell that a spreadsheet would run as a formula is written so that it is not run.
"""

from __future__ import annotations

import io
import json

import polars as pl

from pipeline.dictionary import find_column
from pipeline.problems import visible

FORMATS = ("text", "csv", "json", "parquet", "xlsx")

BINARY_FORMATS = ("parquet", "xlsx")

NOT_MEASURED = "not measured"

_FORMULA_STARTS = "=+-@\t\r"


def frame_as_text(frame: pl.DataFrame) -> str:
    """The frame as aligned plain text, one line a row, with units in the head.

    A measured column that holds nothing says so; an empty text stays empty.
    """
    heads = [_head(name) for name in frame.columns]
    cells = [_text_cells(frame[name]) for name in frame.columns]
    widths = [max([len(head), *map(len, column)]) for head, column in zip(heads, cells, strict=True)]
    is_number = [dtype.is_numeric() for dtype in frame.dtypes]
    lines = [_line(heads, widths, is_number)]
    lines += [_line([column[row] for column in cells], widths, is_number) for row in range(frame.height)]
    return "\n".join(lines) + "\n"


def frame_as_csv(frame: pl.DataFrame) -> tuple[str, int]:
    """The frame as CSV (RFC 4180), and how many cells were neutralised.

    A text cell that begins like a formula gets an apostrophe in front, which spreadsheets show as text. A
    list of texts is written as one text.
    """
    frame = _flat(frame)
    text_columns = [name for name, dtype in frame.schema.items() if dtype == pl.String]
    is_formula = {name: pl.col(name).str.slice(0, 1).is_in(list(_FORMULA_STARTS)) for name in text_columns}
    if not text_columns:
        return frame.write_csv(), 0
    neutralised = int(frame.select(pl.sum_horizontal(flag.sum() for flag in is_formula.values())).item() or 0)
    safe = frame.with_columns(
        pl.when(flag).then("'" + pl.col(name)).otherwise(pl.col(name)).alias(name)
        for name, flag in is_formula.items()
    )
    return safe.write_csv(), neutralised


def frame_as_json(frame: pl.DataFrame) -> str:
    """The frame as a JSON array of objects, one a row; not measured is null, what is unseen an escape."""
    text = frame.write_json()
    if not text.isprintable():
        text = "".join(char if char.isprintable() else _json_escape(char) for char in text)
    return text + "\n"


def _json_escape(char: str) -> str:
    return f"\\u{ord(char):04x}" if ord(char) < 0x10000 else json.dumps(char)[1:-1]


def lines_shown(text: str) -> str:
    """A text for a terminal: line by line, with control and other unseen characters as escapes, not sent."""
    return "\n".join(visible(line) for line in text.split("\n"))


def frame_as_bytes(frame: pl.DataFrame, file_format: str) -> bytes:
    """The frame as a Parquet file or an .xlsx workbook, in which no cell is a formula."""
    buffer = io.BytesIO()
    frame = _flat(frame) if file_format == "xlsx" else frame
    if file_format == "parquet":
        frame.write_parquet(buffer)
    elif file_format == "xlsx":
        import xlsxwriter

        # A fixed date of making: the same table gives the same bytes.
        book = xlsxwriter.Workbook(
            buffer, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
        )
        frame.write_excel(book, autofit=True)
        book.close()
    else:
        raise ValueError(f"{file_format} is not one of {', '.join(BINARY_FORMATS)}")
    return buffer.getvalue()


def _flat(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with lists of texts as one text each: a cell of CSV or of a spreadsheet holds no list."""
    return frame.with_columns(pl.col(pl.List(pl.String)).list.join("; "))


def _head(name: str) -> str:
    known = find_column(name)
    return f"{name} [{known.unit}]" if known is not None and known.unit else name


def _text_cells(column: pl.Series) -> list[str]:
    is_measured = column.dtype.is_numeric()
    return [_text_cell(value, is_measured) for value in column]


def _text_cell(value: object, is_measured: bool) -> str:
    if value is None:
        return NOT_MEASURED if is_measured else ""
    if isinstance(value, float):
        return f"{value:.5g}"
    return visible(str(value))


def _line(cells: list[str], widths: list[int], is_number: list[bool]) -> str:
    padded = [
        cell.rjust(width) if number else cell.ljust(width)
        for cell, width, number in zip(cells, widths, is_number, strict=True)
    ]
    return "  ".join(padded).rstrip()
