"""The mark on each figure that a problem touches, in the tables of batches, of runs, of jars and of casks."""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from pipeline.report.blocks import Block, Paragraphs, Table, folded
from pipeline.report.data import SeasonData
from pipeline.report.text import counted

MEANS = (
    "A figure marked (!) is worked out from a cell or a row of the log that a problem names, or is not "
    "measured because of it; the mark leads to the problems."
)
"""What the mark on a figure means, for the section that has such a table."""


def with_marks(table: Table, batches: pl.Series, data: SeasonData) -> Table:
    """The table of batches with each figure marked that a problem touches.

    table   : one row a batch, made of columns of metric.batch
    batches : the batch of each row, in the order of the table; it may be longer than the table
    """
    return _marked(table, batches.to_frame(), data.problem_figures)


def with_marks_of_runs(table: Table, runs: pl.DataFrame, data: SeasonData) -> Table:
    """The table of runs likewise; `runs` has the batch and run of each of its rows."""
    return _marked(table, runs.select("batch", "run"), data.run_figures)


def with_marks_of_casks(table: Table, casks: pl.Series, data: SeasonData) -> Table:
    """The table of casks likewise; `casks` are those of its rows."""
    return _marked(table, casks.to_frame(), data.cask_figures)


def marked_jars(table: Table, jars: pl.DataFrame, data: SeasonData) -> list[Block]:
    """The table of jars likewise, folded, below what its marks mean where it has any.

    jars : batch, run, jar_no and cut of each row; without a jar_no the row is all jars of that cut
    """
    keys = ["batch", "run", "jar_no", "cut"]
    of_cuts = data.jar_figures.with_columns(pl.lit(None, pl.Int64).alias("jar_no")).unique(
        maintain_order=True
    )
    figures = pl.concat([data.jar_figures, of_cuts])
    return _told(table, _marked(table, jars.select(keys), figures))


def marked_thermometers(table: Table, readings: pl.DataFrame, data: SeasonData) -> list[Block]:
    """The table of thermometer readings likewise; `readings` are rows of fit.boiling."""
    keys = readings.select("file_id", "line", "thermometer").rename({"line": "logged_line"})
    return _told(table, _marked(table, keys, data.thermometer_figures))


def _told(table: Table, marked: Table) -> list[Block]:
    said = [Paragraphs([MEANS])] if marked.rows != table.rows else []
    return [*said, folded(marked)]


def _marked(table: Table, keys: pl.DataFrame, figures: pl.DataFrame) -> Table:
    found = figures.group_by([*keys.columns, "column_name"], maintain_order=True).len()
    marks = {tuple(key): f"touched by {counted(count, 'problem')}" for *key, count in found.iter_rows()}
    rows = [
        [
            replace(cell, flag=marks.get((*key, name), cell.flag))
            for name, cell in zip(table.columns, row, strict=True)
        ]
        for key, row in zip(keys.head(len(table.rows)).iter_rows(), table.rows, strict=True)
    ]
    return replace(table, rows=rows)
