"""Rows of totals, as a spreadsheet has them below a log: nothing that was done, and nothing of a batch.

A row that was done but cannot be read leaves its batch's sums not measured; a row of totals must not.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.logs.distinct import Distinct
from pipeline.logs.sheet import Bools, Sheet
from pipeline.logs.values import Floats

__all__ = ["set_totals_aside", "sums_without_totals"]

_WORDS = r"(?i)^(?:(?:grand|sub)[ -]?)?(?:totals?|sums?|averages?|means?|summe|gesamt|somme|totale|suma)\W*$"
_NEAR = 1e-3


def set_totals_aside(sheet: Sheet) -> Bools:
    """Mark the rows of a log with steps that are rows of totals; which they are.

    Such a row holds numbers and no word but one like "total"; where it has not even that, one of its numbers
    is the sum of the column above. What else was found in it is no longer told.
    """
    if not sheet.kind.steps:
        return sheet.is_total
    numbers, words = _columns(sheet)
    says_nothing, is_called_so = _words_of(sheet, words)
    if says_nothing.any():
        says_nothing &= np.logical_or.reduce([sheet.is_filled(name) for name in numbers])
    if not says_nothing.any():
        return sheet.is_total
    sheet.is_total = says_nothing & (is_called_so | _is_sum(sheet, numbers, says_nothing))
    rows = np.flatnonzero(sheet.is_total)
    sheet.failures = [each for each in sheet.failures if not sheet.is_total[each.row]]
    sheet.mark("totals_row", rows, None)
    return sheet.is_total


def _columns(sheet: Sheet) -> tuple[list[str], list[str]]:
    """The columns of numbers, and the others; the step first, for few rows have none."""
    numbers = [name for name, each in sheet.kind.fields.items() if each.type == "number"]
    words = [name for name in sheet.kind.fields if name not in numbers]
    return numbers, sorted(words, key=lambda name: name != "step")


def _words_of(sheet: Sheet, names: list[str]) -> tuple[Bools, Bools]:
    """The rows without any word but one such as "total", and those that have one."""
    says_nothing, is_called_so = np.zeros((2, len(sheet.text)), dtype=np.bool_)
    rows = np.arange(len(sheet.text))
    for name in names:
        if rows.size == 0:
            break
        text = sheet.text[name]
        if rows.size < len(text):
            # Few rows are left: what all the others say need not be looked at.
            text = text.gather(rows).cast(pl.String)
        is_empty = text.is_null().to_numpy()
        if name == sheet.kind.named_by_file:
            is_empty = is_empty | _is_named_by_file(sheet, name)[rows]
        is_word = _has_word(text)
        is_called_so[rows[is_word & ~is_empty]] = True
        rows = rows[is_empty | is_word]
    says_nothing[rows] = True
    return says_nothing, is_called_so & says_nothing


def _has_word(text: pl.Series) -> Bools:
    distinct = Distinct.of(text)
    return distinct.texts.str.contains(_WORDS).fill_null(False).to_numpy()[distinct.which]


def _is_sum(sheet: Sheet, numbers: list[str], among: Bools) -> Bools:
    """The rows of `among` with a number that is the sum of its column in the file's other rows."""
    is_sum = np.zeros_like(among)
    whole = {number: file.sums() for number, file in sheet.files.items() if file.sums is not None}
    for name in numbers:
        value = _plain_numbers(sheet.text[name])
        by_file = _sums(sheet, value, among)
        for number, sums_of_file in whole.items():
            by_file[number] = sums_of_file[name]
        sums = by_file[sheet.file_ids]
        is_sum |= among & (sums > 0.0) & (np.abs(value - sums) <= _NEAR * sums)
    return is_sum


def _sums(sheet: Sheet, value: Floats, besides: Bools) -> Floats:
    """Per file the sum of a column in the rows that are not `besides`."""
    others = np.where(besides | np.isnan(value), 0.0, value)
    sums = np.bincount(sheet.file_ids, weights=others, minlength=sheet.file_count)
    return sums.astype(np.float64)


def sums_without_totals(sheet: Sheet, file_id: int) -> dict[str, float]:
    """What each column of numbers comes to in the rows of a file that could not be rows of totals."""
    numbers, words = _columns(sheet)
    besides, _ = _words_of(sheet, words)
    return {name: float(_sums(sheet, _plain_numbers(sheet.text[name]), besides)[file_id]) for name in numbers}


def _plain_numbers(text: pl.Series) -> Floats:
    plain = text.cast(pl.String).str.replace(",", ".", literal=True).str.extract(r"^([0-9.]+)")
    values: Floats = plain.cast(pl.Float64, strict=False).fill_null(np.nan).to_numpy()
    return values


def _is_named_by_file(sheet: Sheet, name: str) -> Bools:
    """The rows of files without the column, whose name fills it."""
    without = [
        number
        for number, file in sheet.files.items()
        if file.header is not None and name not in file.header.positions
    ]
    return np.isin(sheet.file_ids, without)
