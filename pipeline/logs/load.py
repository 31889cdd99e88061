"""The logs of a season as frames, and as the tables of schema `raw`.

`read_logs` is the one way in: it reads, checks and types every log below a folder. Rows in are rows used
plus rows set aside, file by file; every row set aside has its problem.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import duckdb
import numpy as np
import polars as pl

from pipeline.logs.aside import IDENTITY, marks_of_rows, marks_of_uncut
from pipeline.logs.broken import broken_others
from pipeline.logs.catalogue import CATALOGUE_SCHEMA, aliases, catalogue
from pipeline.logs.check import check_ingredients, check_needs, check_steps, typed_columns
from pipeline.logs.decimals import settle_decimal_marks
from pipeline.logs.fields import (
    BATCH_LOG,
    CASK_LOG,
    DIFFERENCE_TEST,
    INGREDIENT_LIST,
    KINDS_OF_FILE,
    TASTING_KEY,
    TASTING_SHEET,
    FileKind,
)
from pipeline.logs.keep import Kept
from pipeline.logs.read import Progress, ReadFile, ReadResult, cells_frame, read_files
from pipeline.logs.scores import Scores, read_scores
from pipeline.logs.sheet import Sheet
from pipeline.logs.telemetry import MINUTE_SCHEMA
from pipeline.logs.totals import set_totals_aside
from pipeline.logs.values import plain_item_key
from pipeline.problems import Problem, problems_frame, sort_problems

__all__ = [
    "FILES_SCHEMA",
    "VALUE_SCHEMAS",
    "ArrowStream",
    "LogFrames",
    "LogSettings",
    "load_raw",
    "read_logs",
]


class LogSettings(Protocol):
    """What reading needs of the season's settings."""

    @property
    def date_order(self) -> str:
        """`dmy`, `mdy`, or empty: dates like 14/09/2025 are then a problem."""

    @property
    def currency(self) -> str:
        """The currency of prices; may be empty."""


FILES_SCHEMA: dict[str, type[pl.DataType]] = {
    "file_id": pl.Int32,
    "path": pl.String,
    "kind": pl.String,
    "encoding": pl.String,
    "delimiter": pl.String,
    "decimal_mark": pl.String,
    "size_bytes": pl.Int64,
    "sha256": pl.String,
    "rows_in": pl.Int64,
    "rows_used": pl.Int64,
    "rows_set_aside": pl.Int64,
}

_MOMENT = pl.Datetime("us")
# A row of a batch or cask log says which of its cells were set aside, and whether it was set aside whole.
_ASIDE = {"cells_set_aside": pl.String, "is_set_aside": pl.Boolean}
_READING = {"strength_reading": pl.Float64, "strength_unit": pl.String}

_VALUE_COLUMNS: dict[str, dict[str, pl.DataType | type[pl.DataType]]] = {
    "batch_value": {
        "batch": pl.String,
        "logged_at": _MOMENT,
        "has_time": pl.Boolean,
        **dict.fromkeys(("step", "run", "item", "item_key", "cut", "source", "lot"), pl.String),
        **dict.fromkeys(("vessel", "operator"), pl.String),
        "mass_kg": pl.Float64,
        "volume_l": pl.Float64,
        "gravity_reading": pl.Float64,
        "gravity_unit": pl.String,
        **_READING,
        "spout_reading": pl.Float64,
        "spout_unit": pl.String,
        **dict.fromkeys(("temperature_c", "kettle_c", "vapour_c", "barometer_hpa"), pl.Float64),
        **dict.fromkeys(("minutes_min", "ph", "price"), pl.Float64),
        "note": pl.String,
        **_ASIDE,
    },
    "cask_value": {
        "cask": pl.String,
        "logged_at": _MOMENT,
        "has_time": pl.Boolean,
        "step": pl.String,
        "source": pl.String,
        "volume_l": pl.Float64,
        "mass_kg": pl.Float64,
        **_READING,
        "temperature_c": pl.Float64,
        **dict.fromkeys(("wood", "toast", "char"), pl.String),
        "capacity_l": pl.Float64,
        **dict.fromkeys(("place", "previous", "item", "note"), pl.String),
        **_ASIDE,
    },
    "tasting_value": {
        "pour_id": pl.Int32,
        "session": pl.String,
        "logged_at": _MOMENT,
        "has_time": pl.Boolean,
        **dict.fromkeys(("assessor", "sample", "batch", "cask", "lot"), pl.String),
        **_READING,
        "serving_order": pl.Int32,
        "descriptors": pl.String,
        "note": pl.String,
    },
    "score_value": {
        "pour_id": pl.Int32,
        "attribute": pl.String,
        **dict.fromkeys(("score", "scale_low", "scale_high"), pl.Float64),
    },
    "telemetry_minute": MINUTE_SCHEMA,
    "tasting_key_value": dict.fromkeys(("session", "sample", "batch", "cask", "lot"), pl.String),
    "difference_value": {
        "session": pl.String,
        "logged_at": _MOMENT,
        "has_time": pl.Boolean,
        **dict.fromkeys(("assessor", "test", "sample_a", "sample_b"), pl.String),
        "is_correct": pl.Boolean,
        "note": pl.String,
    },
    "ingredient_value": {
        **{
            name: dtype
            for name, dtype in CATALOGUE_SCHEMA.items()
            if name not in ("extract_low_pct", "extract_high_pct", "has_enzymes", "needs_cooking")
        },
        "cells_set_aside": pl.String,
    },
}

VALUE_SCHEMAS: dict[str, dict[str, pl.DataType | type[pl.DataType]]] = {
    table: {"file_id": pl.Int32, "line": pl.Int32, **columns} for table, columns in _VALUE_COLUMNS.items()
}
"""The columns of every table of typed values, by table name."""

_VALUE_TABLE = {
    BATCH_LOG: "batch_value",
    CASK_LOG: "cask_value",
    TASTING_KEY: "tasting_key_value",
    DIFFERENCE_TEST: "difference_value",
    INGREDIENT_LIST: "ingredient_value",
}


@dataclass(frozen=True)
class LogFrames:
    """Every log of a season.

    `files` has a row a file; `cells` the text that stood there, by kind of file (null: blank); `values` the
    usable rows typed, by table; `problems` what is wrong.
    """

    files: pl.DataFrame
    cells: Mapping[str, pl.DataFrame]
    values: Mapping[str, pl.DataFrame]
    problems: pl.DataFrame

    @property
    def rows_in(self) -> int:
        """Rows below the headers of all files, blank lines and comments not counted."""
        return int(self.files["rows_in"].sum())

    @property
    def rows_set_aside(self) -> int:
        """Rows that could not be used; each has its problem, or its file has."""
        return int(self.files["rows_set_aside"].sum())


def _no_progress(what: str, done: int, total: int) -> None:
    """The default: nobody is told."""


def read_logs(
    folder: Path, settings: LogSettings, progress: Progress | None = None, kept: Kept | None = None
) -> LogFrames:
    """Read, check and type every log at any depth below `folder` (or the one file it is).

    Nothing is written. Each bad row, or file, is a problem of the result, and the rest is used. Files that
    have not changed since `kept` was made, with the same settings, are taken from there: the result is the
    same.
    """
    known = {} if kept is None else kept.sha256
    told = progress or _no_progress
    result = read_files(folder, settings.currency, told, known, settings.date_order)
    if kept is not None and _ingredient_lists(result) != kept.ingredient_lists:
        # Every batch log is checked against the ingredient lists.
        kept = None
        result = read_files(folder, settings.currency, told, date_order=settings.date_order)
    settle_decimal_marks(result)
    files = {file.file_id: file for file in result.files}
    cells = {kind: cells_frame(kind, result) for kind in KINDS_OF_FILE}
    # Only the attributes of tasting sheets are read from the blocks again; the rest need not be held twice.
    result.blocks = [block for block in result.blocks if block.header.kind == TASTING_SHEET]
    problems = list(result.problems)
    values: dict[str, pl.DataFrame] = {}
    typer = _Typer(result, files, settings, problems, values)
    # The distiller's own ingredients come first: batch logs are checked against them.
    for kind in sorted(KINDS_OF_FILE.values(), key=lambda each: each.name != INGREDIENT_LIST):
        typer.type_kind(kind, cells[kind.name])
    values["telemetry_minute"] = pl.concat(
        [pl.DataFrame(schema=VALUE_SCHEMAS["telemetry_minute"]), *(each.minutes for each in result.telemetry)]
    )
    frames = LogFrames(
        files=_files_frame([file for file in result.files if not file.is_kept]),
        cells=cells,
        values={table: values[table] for table in VALUE_SCHEMAS},
        problems=sort_problems(problems_frame(problems)),
    )
    numbers = {file.name: file.file_id for file in result.files if file.is_kept}
    return _with_kept(frames, kept, numbers) if kept is not None and numbers else frames


def _ingredient_lists(result: ReadResult) -> frozenset[tuple[str, str | None]]:
    return frozenset((file.name, file.sha256) for file in result.files if file.kind == INGREDIENT_LIST)


def _with_kept(frames: LogFrames, kept: Kept, numbers: Mapping[str, int]) -> LogFrames:
    """The frames of the files read, and of those whose rows were kept, in the order of the files."""

    def joined(name: str, read: pl.DataFrame) -> pl.DataFrame:
        old = kept.rows(name, numbers).select(
            pl.col(column).cast(kind) for column, kind in read.schema.items()
        )
        if old.is_empty():
            return read
        return pl.concat([old, read]).sort("file_id", "line", maintain_order=True)

    # Tasting sheets and ingredient lists are read each time, and a score has no file of its own.
    anew = {TASTING_SHEET, INGREDIENT_LIST, "tasting_value", "score_value", "ingredient_value"}
    return LogFrames(
        files=pl.concat([kept.files_of(numbers), frames.files]).sort("file_id"),
        cells={name: frame if name in anew else joined(name, frame) for name, frame in frames.cells.items()},
        values={
            name: frame if name in anew else joined(name, frame) for name, frame in frames.values.items()
        },
        problems=sort_problems(pl.concat([kept.problems_of(numbers), frames.problems])),
    )


@dataclass
class _Typer:
    """Types one kind of log after the other, collecting values and problems."""

    result: ReadResult
    files: Mapping[int, ReadFile]
    settings: LogSettings
    problems: list[Problem]
    values: dict[str, pl.DataFrame]

    def type_kind(self, kind: FileKind, cells: pl.DataFrame) -> None:
        """Check and type all rows of one kind."""
        sheet = self._sheet(kind, cells)
        self._refuse(sheet)
        typed = typed_columns(sheet, self.settings.date_order)
        check_needs(sheet, kind.needs, ~set_totals_aside(sheet), f"a {kind.title} needs")
        if kind.steps:
            check_steps(sheet, typed["step"])
        if kind.name == BATCH_LOG:
            check_ingredients(sheet, typed["step"], typed["item_key"], self._known_ingredients())
        if kind.name == INGREDIENT_LIST:
            typed["ingredient_key"] = sheet.text.select(plain_item_key(pl.col("ingredient"))).to_series()
        if kind.name == TASTING_SHEET:
            self._type_tasting(sheet, typed)
        else:
            table = _VALUE_TABLE[kind.name]
            self.values[table] = self._with_marks(sheet, typed, table)
        self._count(sheet)
        self.problems += sheet.problems()
        self.problems += list(broken_others(sheet, cells, self.problems))

    def _refuse(self, sheet: Sheet) -> None:
        refused = [number for number, file in sheet.files.items() if file.is_refused]
        sheet.row_is_bad |= np.isin(sheet.file_ids, refused)

    def _sheet(self, kind: FileKind, cells: pl.DataFrame) -> Sheet:
        whole = [(file.file_id, bad.line) for file, bad in self.result.bad if file.kind == kind.name]
        text = cells.select("file_id", "line", pl.col(list(kind.fields)).str.strip_chars())
        if whole:
            schema = {"file_id": pl.Int32, "line": pl.Int32}
            uncut = pl.DataFrame(whole, schema=schema, orient="row")
            text = text.join(uncut, on=list(schema), how="anti", maintain_order="left")
        mine = {number: file for number, file in self.files.items() if file.kind == kind.name}
        sheet = Sheet(kind, text, mine, self.settings.currency)
        if kind.named_by_file is not None:
            sheet.name_by_file(kind.named_by_file)
        sheet.lose_broken_cells()
        return sheet

    def _with_marks(self, sheet: Sheet, typed: dict[str, pl.Series], table: str) -> pl.DataFrame:
        """The usable rows of one kind; in a batch or cask log with what is known of those set aside."""
        schema = VALUE_SCHEMAS[table]
        if "cells_set_aside" in schema:
            typed["cells_set_aside"] = sheet.cells_set_aside()
        if sheet.kind.name not in IDENTITY:
            return _used_rows(sheet, typed, table)
        typed |= {
            "is_set_aside": pl.repeat(False, len(sheet.text), dtype=pl.Boolean, eager=True),
        }
        marks = [marks_of_rows(sheet, typed, schema), marks_of_uncut(self.result.bad, sheet, schema)]
        used = _used_rows(sheet, typed, table)
        if not any(map(len, marks)):
            return used
        return pl.concat([used, *marks]).sort("file_id", "line")

    def _known_ingredients(self) -> pl.Series:
        own = self.values["ingredient_value"]["ingredient_key"]
        return pl.concat([aliases()["alias_key"], own]).unique(maintain_order=True)

    def _type_tasting(self, sheet: Sheet, typed: dict[str, pl.Series]) -> None:
        blocks = [block for block in self.result.blocks if block.header.kind == TASTING_SHEET]
        scores = read_scores(sheet, blocks)
        self.problems += scores.problems
        pours = _pours(sheet, typed)
        self.values["tasting_value"] = (
            _used_rows(sheet, typed | {"pour_id": pours}, "tasting_value")
            .group_by("pour_id", maintain_order=True)
            .agg(pl.all().exclude("pour_id", "line").drop_nulls().first(), pl.col("line").first())
            .select(list(VALUE_SCHEMAS["tasting_value"]))
        )
        self.values["score_value"] = _scores_of_pours(sheet, scores, pours)

    def _count(self, sheet: Sheet) -> None:
        rows = np.bincount(sheet.file_ids, minlength=sheet.file_count)
        aside = np.bincount(sheet.file_ids, weights=sheet.row_is_bad, minlength=sheet.file_count)
        for number, file in sheet.files.items():
            file.rows_in += int(rows[number])
            file.rows_set_aside += int(aside[number])


def _used_rows(sheet: Sheet, typed: Mapping[str, pl.Series], table: str) -> pl.DataFrame:
    schema = VALUE_SCHEMAS[table]
    columns = {"file_id": sheet.text["file_id"], "line": sheet.text["line"], **typed}
    frame = pl.DataFrame([columns[name].cast(dtype).alias(name) for name, dtype in schema.items()])
    return frame.filter(pl.Series(~sheet.row_is_bad)) if sheet.row_is_bad.any() else frame


def _pours(sheet: Sheet, typed: Mapping[str, pl.Series]) -> pl.Series:
    """A number a pour: a row of a wide sheet; in a long one the rows that agree on who tasted what when."""
    is_long = pl.Series(sheet.is_filled("attribute"))
    keys = pl.DataFrame(
        {
            "file_id": sheet.text["file_id"],
            "session": sheet.text["session"],
            "logged_at": typed["logged_at"],
            "assessor": sheet.text["assessor"],
            "sample": sheet.text["sample"],
            "order": sheet.text["order"],
            "row": pl.select(pl.when(~is_long).then(pl.int_range(len(is_long), dtype=pl.Int32))).to_series(),
        }
    )
    numbered = keys.unique(maintain_order=True).with_row_index("pour_id", offset=1)
    joined = keys.join(numbered, on=keys.columns, how="left", nulls_equal=True, maintain_order="left")
    return joined["pour_id"].cast(pl.Int32)


def _scores_of_pours(sheet: Sheet, scores: Scores, pours: pl.Series) -> pl.DataFrame:
    rows = pl.DataFrame(
        {
            "file_id": sheet.text["file_id"],
            "line": sheet.text["line"],
            "pour_id": pours,
            "is_bad": sheet.row_is_bad,
        }
    ).with_row_index("row")
    schema = VALUE_SCHEMAS["score_value"]
    joined = scores.frame.join(rows, on="row", how="inner", maintain_order="left").filter(~pl.col("is_bad"))
    return joined.select(pl.col(name).cast(dtype) for name, dtype in schema.items())


def _files_frame(files: list[ReadFile]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            (
                file.file_id,
                file.name,
                file.kind,
                file.encoding,
                file.delimiter,
                file.decimal_mark,
                file.size_bytes,
                file.sha256,
                file.rows_in,
                file.rows_in - file.rows_set_aside,
                file.rows_set_aside,
            )
            for file in files
        ],
        schema=FILES_SCHEMA,
        orient="row",
    )


class ArrowStream:
    """A frame that shows DuckDB nothing but the Arrow stream protocol.

    DuckDB asks pyarrow for help when it sees a polars frame, and needs none for an Arrow stream.
    """

    def __init__(self, frame: pl.DataFrame) -> None:
        self._frame = frame

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        """The frame as an Arrow C stream."""
        return self._frame.__arrow_c_stream__(requested_schema)


def load_raw(connection: duckdb.DuckDBPyConnection, frames: LogFrames) -> None:
    """Write the frames into the tables of schema `raw`, all of them, the empty ones too.

    Tables: file, one a kind of file with the cells as written, one a kind of value, catalogue,
    catalogue_alias, and problem (in which `column` is called column_name).
    """
    tables = {
        "file": frames.files,
        **frames.cells,
        **frames.values,
        "catalogue": catalogue(),
        "catalogue_alias": aliases(),
        "problem": frames.problems.rename({"column": "column_name"}),
    }
    connection.execute("create schema if not exists raw")
    for name, frame in tables.items():
        connection.register("frame_to_load", ArrowStream(frame))
        connection.execute(f"create or replace table raw.{name} as select * from frame_to_load")
        connection.unregister("frame_to_load")
