"""The texts of a batch log that are not used as they are written.

What is used of a name or a note is, in nearly every row, the very text of its cell, which is stored already.
Only rows that differ are stored a second time: where blanks were cut off, a word was brought into its usual
form, or a cell, or the whole row, was set aside.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.logs.distinct import is_coded
from pipeline.logs.sheet import Bools, Sheet

__all__ = ["texts_apart"]

_PLACE = ["file_id", "line"]


def texts_apart(
    sheet: Sheet,
    typed: Mapping[str, pl.Series],
    marks: pl.DataFrame,
    cells: pl.DataFrame,
    written: Mapping[str, str],
) -> pl.DataFrame:
    """The rows, of those used and of `marks`, in which a text is not used as it is written, in their order.

    marks   : what is known of rows set aside
    cells   : the rows as written
    written : of each text its column among the cells
    """
    as_written = cells.select(*_PLACE, *(pl.col(column).alias(name) for name, column in written.items()))
    rows = np.flatnonzero(_differ(sheet, typed, as_written, list(written)) & ~sheet.row_is_bad)
    used = pl.DataFrame(
        {name: (sheet.text if name in _PLACE else typed)[name].gather(rows) for name in as_written.columns},
        schema_overrides=dict.fromkeys(written, pl.String),
    )
    told = marks.select(as_written.columns)
    if told.is_empty():
        return used
    return pl.concat([used, _differing(told, as_written, list(written))]).sort(_PLACE)


def _differ(
    sheet: Sheet, typed: Mapping[str, pl.Series], as_written: pl.DataFrame, names: list[str]
) -> Bools:
    """Per row of the sheet whether some text is another than the cell's."""
    if len(as_written) > len(sheet.text):
        # Rows that could not be cut are in no sheet.
        as_written = as_written.join(sheet.text.select(_PLACE), on=_PLACE, how="semi", maintain_order="left")
    differ = np.zeros(len(sheet.text), dtype=np.bool_)
    for name in names:
        if not _is_same_coding(typed[name], as_written[name]):
            differ |= _texts(typed[name]).ne_missing(_texts(as_written[name])).to_numpy()
    return differ


def _is_same_coding(one: pl.Series, other: pl.Series) -> bool:
    """Whether two columns of the same rows are one coded column: once changed, one is plain text."""
    return is_coded(one) and one.dtype == other.dtype


def _differing(told: pl.DataFrame, as_written: pl.DataFrame, names: list[str]) -> pl.DataFrame:
    """The rows of `told` that are not as written."""
    beside = told.join(as_written.cast({pl.Categorical: pl.String}), on=_PLACE, suffix=" written")
    differs = pl.any_horizontal(pl.col(name).ne_missing(pl.col(f"{name} written")) for name in names)
    return beside.filter(differs).select(told.columns)


def _texts(column: pl.Series) -> pl.Series:
    return column.cast(pl.String) if is_coded(column) else column
