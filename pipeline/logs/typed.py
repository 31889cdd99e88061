"""Rows as written to typed rows: one kind of log of a lot checked and typed, its problems told."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import polars as pl

from pipeline.logs.aside import IDENTITY, marks_of_rows, marks_of_uncut
from pipeline.logs.blocks import Block
from pipeline.logs.broken import broken_others
from pipeline.logs.catalogue import aliases
from pipeline.logs.check import check_ingredients, check_needs, check_steps, typed_columns
from pipeline.logs.distinct import is_coded, with_texts
from pipeline.logs.fields import BATCH_LOG, INGREDIENT_LIST, TASTING_SHEET, FileKind
from pipeline.logs.log_file import ReadResult
from pipeline.logs.scores import Scores, read_scores
from pipeline.logs.sheet import Sheet
from pipeline.logs.tables import TEXTS, VALUE_SCHEMAS, VALUE_TABLES
from pipeline.logs.texts import texts_apart
from pipeline.logs.totals import set_totals_aside
from pipeline.logs.values import plain_item_key
from pipeline.problems import Problem

__all__ = ["LogSettings", "Typer"]


class LogSettings(Protocol):
    """What reading needs of the season's settings."""

    @property
    def date_order(self) -> str:
        """`dmy`, `mdy`, or empty: dates like 14/09/2025 are then a problem."""

    @property
    def currency(self) -> str:
        """The currency of prices; may be empty."""


@dataclass
class Typer:
    """Types lot after lot, one kind of log at a time, collecting the problems.

    Ingredient lists have to come first, for batch logs are checked against them: `own_ingredients` are their
    names, as `plain_item_key` has them.
    """

    settings: LogSettings
    problems: list[Problem] = field(default_factory=list)
    own_ingredients: pl.Series = field(default_factory=lambda: pl.Series(dtype=pl.String))

    def type_kind(self, kind: FileKind, lot: ReadResult, cells: pl.DataFrame) -> dict[str, pl.DataFrame]:
        """Check and type all rows of one kind; the typed rows by table.

        `cells` are the rows of the lot as written.
        """
        sheet, typed = self.checked(kind, lot, cells)
        if kind.name == TASTING_SHEET:
            values = self._type_tasting(sheet, typed, lot)
        else:
            values = _values(sheet, typed, lot, cells)
        if kind.name == INGREDIENT_LIST:
            self.own_ingredients = values["ingredient_value"]["ingredient_key"]
        _count(sheet)
        self.problems += sheet.problems()
        self.problems += list(broken_others(sheet, cells, self.problems))
        return values

    def checked(
        self, kind: FileKind, lot: ReadResult, cells: pl.DataFrame
    ) -> tuple[Sheet, dict[str, pl.Series]]:
        """The rows of one kind, those marked that cannot be used, and what each column holds."""
        sheet = self.sheet(kind, lot, cells)
        _refuse(sheet)
        typed = typed_columns(sheet, self.settings.date_order)
        check_needs(sheet, kind.needs, ~set_totals_aside(sheet), f"a {kind.title} needs")
        if kind.steps:
            check_steps(sheet, typed["step"])
        if kind.name == BATCH_LOG:
            check_ingredients(sheet, typed["step"], typed["item_key"], self._known_ingredients())
        if kind.name == INGREDIENT_LIST:
            typed["ingredient_key"] = sheet.text.select(plain_item_key(pl.col("ingredient"))).to_series()
        return sheet, typed

    def sheet(self, kind: FileKind, lot: ReadResult, cells: pl.DataFrame) -> Sheet:
        """The rows of one kind as trimmed text, those gone that could not be cut."""
        whole = [(file.file_id, bad.line) for file, bad in lot.bad if file.kind == kind.name]
        text = _trimmed(cells.select("file_id", "line", *kind.fields), lot.blocks)
        if whole:
            schema = {"file_id": pl.Int32, "line": pl.Int32}
            uncut = pl.DataFrame(whole, schema=schema, orient="row")
            text = text.join(uncut, on=list(schema), how="anti", maintain_order="left")
        mine = {file.file_id: file for file in lot.files if file.kind == kind.name}
        sheet = Sheet(kind, text, mine, self.settings.currency)
        if kind.named_by_file is not None:
            sheet.name_by_file(kind.named_by_file)
        sheet.lose_broken_cells()
        return sheet

    def _known_ingredients(self) -> pl.Series:
        return pl.concat([aliases()["alias_key"], self.own_ingredients]).unique(maintain_order=True)

    def _type_tasting(
        self, sheet: Sheet, typed: dict[str, pl.Series], lot: ReadResult
    ) -> dict[str, pl.DataFrame]:
        blocks = [block for block in lot.blocks if block.header.kind == TASTING_SHEET]
        scores = read_scores(sheet, blocks)
        self.problems += scores.problems
        pours = _pours(sheet, typed)
        tasted = (
            _used_rows(sheet, typed | {"pour_id": pours}, "tasting_value")
            .group_by("pour_id", maintain_order=True)
            .agg(pl.all().exclude("pour_id", "line").drop_nulls().first(), pl.col("line").first())
            .select(list(VALUE_SCHEMAS["tasting_value"]))
        )
        return {"tasting_value": tasted, "score_value": _scores_of_pours(sheet, scores, pours)}


def _trimmed(cells: pl.DataFrame, blocks: Iterable[Block]) -> pl.DataFrame:
    """The cells of `blocks` without blanks at their ends; a coded column stays coded when it has none."""
    odd = {
        name
        for block in blocks
        for name, place in block.header.positions.items()
        if f"c{place}" in block.blank_ends
    }
    columns = [column for column in cells if column.dtype == pl.String or column.name in odd]
    return cells.with_columns(column.cast(pl.String).str.strip_chars() for column in columns)


def _refuse(sheet: Sheet) -> None:
    refused = [number for number, file in sheet.files.items() if file.is_refused]
    sheet.row_is_bad |= np.isin(sheet.file_ids, refused)


def _count(sheet: Sheet) -> None:
    """Add the rows of a sheet to those of its files."""
    rows = np.bincount(sheet.file_ids, minlength=sheet.file_count)
    aside = np.bincount(sheet.file_ids, weights=sheet.row_is_bad, minlength=sheet.file_count)
    for number, file in sheet.files.items():
        file.rows_in += int(rows[number])
        file.rows_set_aside += int(aside[number])


def _values(
    sheet: Sheet, typed: dict[str, pl.Series], lot: ReadResult, cells: pl.DataFrame
) -> dict[str, pl.DataFrame]:
    """The usable rows of one kind; in a batch or cask log with what is known of those set aside."""
    table, *texts = VALUE_TABLES[sheet.kind.name]
    schema = {name: dtype for each in (table, *texts) for name, dtype in VALUE_SCHEMAS[each].items()}
    if "cells_set_aside" in schema:
        typed["cells_set_aside"] = sheet.cells_set_aside()
    if sheet.kind.name not in IDENTITY:
        return {table: _used_rows(sheet, typed, table)}
    typed |= {
        "is_set_aside": pl.repeat(False, len(sheet.text), dtype=pl.Boolean, eager=True),
    }
    marks = pl.concat([marks_of_rows(sheet, typed, schema), marks_of_uncut(lot.bad, sheet, schema)])
    used = _used_rows(sheet, typed, table)
    if len(marks):
        used = pl.concat([with_texts(used), marks.select(used.columns)]).sort("file_id", "line")
    return {table: used} | {name: texts_apart(sheet, typed, marks, cells, TEXTS[name]) for name in texts}


def _used_rows(sheet: Sheet, typed: Mapping[str, pl.Series], table: str) -> pl.DataFrame:
    schema = VALUE_SCHEMAS[table]
    columns = {"file_id": sheet.text["file_id"], "line": sheet.text["line"], **typed}
    frame = pl.DataFrame([_as_type(columns[name], dtype).alias(name) for name, dtype in schema.items()])
    return frame.filter(pl.Series(~sheet.row_is_bad)) if sheet.row_is_bad.any() else frame


def _as_type(column: pl.Series, dtype: pl.DataType | type[pl.DataType]) -> pl.Series:
    """A column in the type of its table; one of text may stay coded."""
    return column if dtype == pl.String and is_coded(column) else column.cast(dtype)


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
