"""Rows of totals, as a spreadsheet has them below a log: nothing that was done, and nothing of a batch.

A row that was done but cannot be read leaves its batch's sums not measured; a row of totals must not.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.logs.sheet import Bools, Sheet
from pipeline.logs.values import Floats

__all__ = ["set_totals_aside"]

_WORDS = r"(?i)^(?:(?:grand|sub)[ -]?)?(?:totals?|sums?|averages?|means?|summe|gesamt|somme|totale|suma)\W*$"
_NEAR = 1e-3


def set_totals_aside(sheet: Sheet) -> Bools:
    """Mark the rows of a log with steps that are rows of totals; which they are.

    Such a row holds numbers and no word but one like "total"; where it has not even that, one of its numbers
    is the sum of the column above. What else was found in it is no longer told.
    """
    if not sheet.kind.steps:
        return sheet.is_total
    numbers = [name for name, each in sheet.kind.fields.items() if each.type == "number"]
    says_nothing, is_called_so = _words_of(sheet, [name for name in sheet.kind.fields if name not in numbers])
    says_nothing &= np.logical_or.reduce([sheet.is_filled(name) for name in numbers])
    if not says_nothing.any():
        return sheet.is_total
    sheet.is_total = says_nothing & (is_called_so | _is_sum(sheet, numbers, says_nothing))
    rows = np.flatnonzero(sheet.is_total)
    sheet.failures = [each for each in sheet.failures if not sheet.is_total[each.row]]
    sheet.mark("totals_row", rows, None)
    return sheet.is_total


def _words_of(sheet: Sheet, names: list[str]) -> tuple[Bools, Bools]:
    """The rows without any word but one such as "total", and those that have one."""
    says_nothing = np.ones(len(sheet.text), dtype=np.bool_)
    is_called_so = np.zeros(len(sheet.text), dtype=np.bool_)
    for name in names:
        is_empty = ~sheet.is_filled(name)
        if name == sheet.kind.named_by_file:
            is_empty |= _is_named_by_file(sheet, name)
        is_word = sheet.text[name].str.contains(_WORDS).fill_null(False).to_numpy()
        says_nothing &= is_empty | is_word
        is_called_so |= is_word & ~is_empty
    return says_nothing, is_called_so


def _is_sum(sheet: Sheet, numbers: list[str], among: Bools) -> Bools:
    """The rows of `among` with a number that is the sum of its column in the file's other rows."""
    is_sum = np.zeros_like(among)
    for name in numbers:
        value = _plain_numbers(sheet.text[name])
        others = np.where(among | np.isnan(value), 0.0, value)
        sums = np.bincount(sheet.file_ids, weights=others, minlength=sheet.file_count)[sheet.file_ids]
        is_sum |= among & (sums > 0.0) & (np.abs(value - sums) <= _NEAR * sums)
    return is_sum


def _plain_numbers(text: pl.Series) -> Floats:
    plain = text.str.replace(",", ".", literal=True).str.extract(r"^([0-9.]+)")
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
