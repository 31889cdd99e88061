"""A spreadsheet's sheet as a log: its header and its records, by the same contract as plain text."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from pipeline.logs.books import Row, Table
from pipeline.logs.fields import KINDS_OF_FILE
from pipeline.logs.header import Header, HeaderError, header_of_cells
from pipeline.logs.identity import CAN_DO_WITHOUT
from pipeline.logs.records import BadRecord, Records
from pipeline.logs.telemetry.header import is_telemetry_header
from pipeline.problems import Problem, problem

__all__ = ["DELIMITER", "TableLog", "log_rows", "table_log"]

DELIMITER = ","
"""What stands between the cells of a row where a message shows it as a line."""


@dataclass(frozen=True)
class TableLog:
    """A sheet that is a log: its header, its records, and what is to be said of its formulas."""

    header: Header
    records: Records
    notices: list[Problem]


def log_rows(table: Table) -> list[Row]:
    """The rows of a sheet that are neither blank nor a comment; the first is the header."""
    return [row for row in table.rows if any(map(str.strip, row.cells)) and not _is_comment(row)]


def _is_comment(row: Row) -> bool:
    # An error such as #N/A begins like one.
    return row.cells[0].startswith("#") and 0 not in row.without_value


def table_log(table: Table, rows: Sequence[Row], name: str, currency: str) -> TableLog:
    """The log that the `rows` of a sheet are; `name` is how messages call the sheet.

    Raises `HeaderError` when the first row is the header of no kind of log, or telemetry's.
    """
    names = list(rows[0].cells)
    while len(names) > 1 and not names[-1].strip():
        names.pop()
    header = _header(names, currency)
    merged = table.merged_at(len(names))
    bad = {row.number: _why_bad(row, header, merged.at(row.number)) for row in rows[1:]}
    used = [row for row in rows[1:] if bad[row.number] is None]
    records = Records(
        [_to_width(row.cells, len(names)) for row in used],
        [row.number for row in used],
        [each for each in bad.values() if each is not None],
    )
    return TableLog(header, records, list(_formula_notices(used, header, name)))


def _header(names: Sequence[str], currency: str) -> Header:
    line = _as_line(names)
    try:
        return header_of_cells(DELIMITER, names, line, currency)
    except HeaderError as error:
        if error.code == "unknown_header" and is_telemetry_header(names):
            raise HeaderError("telemetry_in_book", line) from error
        raise


def _as_line(cells: Iterable[str]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(cells)
    return out.getvalue()


def _to_width(cells: Sequence[str], width: int) -> list[str]:
    return [*cells[:width], *[""] * (width - len(cells))]


def _why_bad(row: Row, header: Header, merged: str | None) -> BadRecord | None:
    """The record of a row that cannot be used; None when it can."""
    width = len(header.names)
    line = _as_line(row.cells)
    if any(map(str.strip, row.cells[width:])):
        return BadRecord(row.number, line, len(row.cells))
    if merged is not None:
        return BadRecord(row.number, line, width, ("merged_cells", None, merged, ""))
    for place, what in row.broken.items():
        if place < width:
            found = row.cells[place]
            return BadRecord(
                row.number, line, width, ("broken_in_sheet", header.names[place], found, f" ({what})")
            )
    for name, place in header.positions.items():
        is_name = KINDS_OF_FILE[header.kind].fields[name].type == "text" and name not in CAN_DO_WITHOUT
        if is_name and place in row.without_value:
            is_formula = row.cells[place].startswith("=")
            what = "a formula that was never computed" if is_formula else "an error of the spreadsheet"
            found = row.cells[place]
            return BadRecord(
                row.number, line, width, ("cell_without_value", header.names[place], found, what)
            )
    return None


def _formula_notices(rows: Sequence[Row], header: Header, name: str) -> Iterator[Problem]:
    """One notice a column with formulas, on the row of the first."""
    counts: Counter[int] = Counter()
    first: dict[int, int] = {}
    for row in rows:
        for place in sorted(row.formulas - row.without_value):
            if place < len(header.names):
                counts[place] += 1
                first.setdefault(place, row.number)
    for place, count in sorted(counts.items()):
        found = f"{count:,} cell{'' if count == 1 else 's'}"
        column = header.names[place] if header.names[place].strip() else f"column {place + 1}"
        yield problem("formula_values", name, line=first[place], column=column, found=found)
