"""What can still be told of a row that was set aside: which batch, step, run and cut it belonged to.

A jar whose date cannot be read is not used, but it was filled: a sum of jars without it would be short in
silence. So a row set aside whose batch and step can be told stays among the values with nothing measured,
and every sum that it belongs to is not measured. What it held is never guessed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import polars as pl

from pipeline.logs.fields import FileKind
from pipeline.logs.header import Header, nearest
from pipeline.logs.log_file import ReadFile
from pipeline.logs.records import BadRecord, split_cells
from pipeline.logs.sheet import Sheet
from pipeline.logs.values import plain_word

__all__ = ["IDENTITY", "marks_of_rows", "marks_of_uncut", "names_by_file"]

IDENTITY = {
    "batch_log": ("batch", "run", "item", "item_key", "cut", "source", "lot", "vessel", "operator"),
    "cask_log": ("cask", "source"),
}
"""What a row set aside keeps, besides its file, line, date and step."""

# An unreadable cut could be any; the one that matters most is taken to be touched.
_CUT_IN_DOUBT = "hearts"

Known = Mapping[int, frozenset[str]]
"""Per file the batches (or casks) that its rows name."""


def marks_of_rows(
    sheet: Sheet, typed: Mapping[str, pl.Series], schema: Mapping[str, pl.DataType | type[pl.DataType]]
) -> pl.DataFrame:
    """The rows of `sheet` set aside whose batch (cask) and step can be told, with nothing measured."""
    # A row of totals is nothing that was done: what it sums up is there.
    rows = np.flatnonzero(sheet.row_is_bad & ~sheet.is_total)
    who, *others = IDENTITY[sheet.kind.name]
    if rows.size == 0:
        return pl.DataFrame(schema=dict(schema))
    told = {name: typed[name].gather(rows) for name in (*others, "step", "logged_at", "has_time")}
    told |= {"file_id": sheet.text["file_id"].gather(rows), "line": sheet.text["line"].gather(rows)}
    told[who] = _with_only_name(sheet, who, rows)
    told["step"] = _steps_in_doubt(sheet, rows, told["step"])
    if "cut" in told:
        told["cut"] = _cuts_in_doubt(sheet, rows, told["cut"])
    return _as_marks(pl.DataFrame({name: column.alias(name) for name, column in told.items()}), who, schema)


def marks_of_uncut(
    bad: Iterable[tuple[ReadFile, BadRecord]],
    sheet: Sheet,
    schema: Mapping[str, pl.DataType | type[pl.DataType]],
) -> pl.DataFrame:
    """The same for records that could not be cut into the header's columns."""
    who = IDENTITY[sheet.kind.name][0]
    records = [(file, record) for file, record in bad if file.kind == sheet.kind.name]
    if not records:
        return pl.DataFrame(schema=dict(schema))
    names = _names_of_whole_files(sheet, who)
    runs = _names_of_whole_files(sheet, "run") if who == "batch" else {}
    rows = [
        _legible(file, record, sheet.kind, who, names.get(file.file_id, frozenset()), runs)
        for file, record in records
    ]
    columns = {"file_id": pl.Int32, "line": pl.Int32, who: pl.String, "step": pl.String}
    if who == "batch":
        columns |= {"run": pl.String, "cut": pl.String}
    return _as_marks(pl.DataFrame(rows, schema=columns, orient="row"), who, schema)


def _as_marks(
    told: pl.DataFrame, who: str, schema: Mapping[str, pl.DataType | type[pl.DataType]]
) -> pl.DataFrame:
    told = told.filter(pl.col(who).is_not_null() & pl.col("step").is_not_null()).with_columns(
        pl.lit(True).alias("is_set_aside")
    )
    there = [name for name in schema if name in told.columns]
    empty = pl.DataFrame(schema=dict(schema))
    return pl.concat(
        [empty, told.select(pl.col(name).cast(schema[name]) for name in there)], how="diagonal"
    ).select(list(schema))


def names_by_file(sheet: Sheet, column: str) -> Known:
    """Per file what its usable rows in the sheet have in `column`."""
    used = sheet.text.filter(pl.Series(~sheet.row_is_bad) & pl.col(column).is_not_null())
    names = used.group_by("file_id").agg(pl.col(column).unique())
    return {file_id: frozenset(found) for file_id, found in names.iter_rows()}


def _names_of_whole_files(sheet: Sheet, column: str) -> Known:
    """Per file what its usable rows have in `column`, also those that are not in the sheet."""
    names = dict(names_by_file(sheet, column))
    for number, file in sheet.files.items():
        if file.used_names is not None:
            names[number] = file.used_names(column)
    return names


def _with_only_name(sheet: Sheet, who: str, rows: np.ndarray) -> pl.Series:
    """The batch (cask) of each row; a row without one has its file's, if the file names only one."""
    told = sheet.legible(who).gather(rows)
    if not told.has_nulls():
        return told
    names = _names_of_whole_files(sheet, who)
    only = [
        next(iter(names[file_id])) if len(names.get(file_id, ())) == 1 else None
        for file_id in sheet.file_ids[rows].tolist()
    ]
    return pl.select(pl.coalesce(told, pl.Series(only, dtype=pl.String))).to_series()


def _steps_in_doubt(sheet: Sheet, rows: np.ndarray, step: pl.Series) -> pl.Series:
    """The step of each row; where it could not be read, the nearest name, else what its columns fit first."""
    doubtful = np.flatnonzero(step.is_null().to_numpy())
    if doubtful.size == 0:
        return step
    columns = [name for name in sheet.kind.fields if name not in sheet.kind.any_row]
    seen = sheet.text[rows[doubtful]].select(
        "step", pl.concat_list(pl.when(pl.col(name).is_not_null()).then(pl.lit(name)) for name in columns)
    )
    guesses: dict[tuple[str | None, tuple[str, ...]], str | None] = {}
    found = []
    for text, filled in seen.iter_rows():
        key = (text, tuple(name for name in filled if name is not None))
        if key not in guesses:
            guesses[key] = _step_that_fits(sheet.kind, *key)
        found.append(guesses[key])
    return step.scatter(doubtful, pl.Series(found, dtype=pl.String))


def _step_that_fits(kind: FileKind, text: str | None, filled: Sequence[str]) -> str | None:
    near = nearest(plain_word(text), kind.step_named) if text else None
    if near is not None:
        return near
    fits = (step.name for step in kind.steps if step.columns and set(filled) <= step.columns and filled)
    return next(fits, None)


def _cuts_in_doubt(sheet: Sheet, rows: np.ndarray, cut: pl.Series) -> pl.Series:
    """The cut of each row; one that was written but could not be read is the nearest word's."""
    text = sheet.column("cut").gather(rows)
    doubtful = np.flatnonzero((cut.is_null() & text.is_not_null()).to_numpy())
    words = sheet.kind.fields["cut"].words
    found = [nearest(plain_word(text[row]), words) or _CUT_IN_DOUBT for row in doubtful.tolist()]
    return cut.scatter(doubtful, pl.Series(found, dtype=pl.String))


def _legible(
    file: ReadFile, record: BadRecord, kind: FileKind, who: str, names: frozenset[str], runs: Known
) -> tuple[object, ...]:
    """file_id, line and what a record of the wrong width lets one read: batch, step, run, cut."""
    header = file.header
    cells = [] if header is None else _cells_of(record.text, header)
    positions = {} if header is None else header.positions
    place = positions.get(who, len(cells))
    name: str | None = cells[place].strip() if place < len(cells) else None
    if name not in names:
        # The only batch of the file, or one that cannot be told.
        name = next(iter(names)) if len(names) == 1 else None
    step = _word_near(cells, positions.get("step"), tuple(kind.step_named))
    told: tuple[object, ...] = (file.file_id, record.line, name, step)
    if who != "batch":
        return told
    run = next((cell.strip() for cell in cells if cell.strip() in runs.get(file.file_id, ())), None)
    return (*told, run, _word_near(cells, positions.get("cut"), kind.fields["cut"].words))


def _cells_of(text: str, header: Header) -> list[str]:
    """The cells of a record, as many as a row with each cell cut in two; what is beyond tells nothing."""
    cells = split_cells(text, header.delimiter) or text.split(header.delimiter)
    return cells[: 2 * len(header.names)]


def _word_near(cells: Sequence[str], position: int | None, words: Sequence[str]) -> str | None:
    """The first of the choices at or after `position`: a delimiter too many moves a word to the right."""
    if position is None:
        return None
    choices = {plain_word(word): word for word in words}
    return next((choices[key] for key in map(plain_word, cells[position:]) if key in choices), None)
