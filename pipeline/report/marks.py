"""The mark on each figure that a problem touches, in the tables of batches."""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from pipeline.report.blocks import Table
from pipeline.report.data import SeasonData
from pipeline.report.text import counted

MEANS = (
    "A figure marked (!) is worked out from a cell or a row of the log that a problem names, or is not "
    "measured because of it; the mark leads to the problems."
)
"""What the mark on a figure means, for the section that has such a table."""


def figure_marks(data: SeasonData) -> dict[tuple[str, str], str]:
    """For each batch and column of metric.batch that a problem touches, the words of its mark."""
    found = data.problem_figures.group_by(["batch", "column_name"], maintain_order=True).len()
    return {
        (batch, name): f"touched by {counted(count, 'problem')}" for batch, name, count in found.iter_rows()
    }


def with_marks(table: Table, batches: pl.Series, data: SeasonData) -> Table:
    """The table of batches with each figure marked that a problem touches.

    table   : one row a batch, made of columns of metric.batch
    batches : the batch of each row, in the order of the table; it may be longer than the table
    """
    marks = figure_marks(data)
    rows = [
        [
            replace(cell, flag=marks.get((batch, name), cell.flag))
            for name, cell in zip(table.columns, row, strict=True)
        ]
        for batch, row in zip(batches.head(len(table.rows)), table.rows, strict=True)
    ]
    return replace(table, rows=rows)
