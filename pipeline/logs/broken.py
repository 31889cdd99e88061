"""Bytes that are no text in columns that a kind of log does not have."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import polars as pl

from pipeline.logs.decode import BROKEN
from pipeline.logs.sheet import BROKEN_KINDS, Sheet
from pipeline.problems import Problem, problem

__all__ = ["broken_others"]


def broken_others(sheet: Sheet, cells: pl.DataFrame, told: Iterable[Problem]) -> Iterator[Problem]:
    """The rows whose further columns hold bytes that are no text: nothing is used of them, but it is said.

    `cells` are the rows as written; a row of which such bytes were `told` already is passed over.
    """
    broken = [number for number, file in sheet.files.items() if file.broken and not file.is_refused]
    if not broken:
        return
    known = {(each.file, each.line) for each in told if each.kind in BROKEN_KINDS}
    holds = pl.col("other").str.contains(BROKEN, literal=True) & pl.col("file_id").is_in(broken)
    for number, line, other in cells.filter(holds).select("file_id", "line", "other").iter_rows():
        file = sheet.files[number]
        details = file.broken_details(line)
        found = problem("broken_bytes_in_cell", file.name, line=line, found=other, **details)
        if (found.file, line) not in known:
            yield found
