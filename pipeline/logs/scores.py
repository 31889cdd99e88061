"""Scores of tasting sheets, wide (a column an attribute) or long (`attribute` and `score`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from pipeline.logs.blocks import Block
from pipeline.logs.diagnose import two_ways
from pipeline.logs.fields import SCORE_SCALE
from pipeline.logs.sheet import Sheet
from pipeline.logs.units import Quantity, Unit
from pipeline.logs.values import Numbers, parse_numbers
from pipeline.problems import Problem, problem

__all__ = ["Scores", "read_scores"]

_POINTS = Quantity("score", (Unit("points", "points", also=("point", "pts")),), *SCORE_SCALE)

_WIDE_SCHEMA = {
    "file_id": pl.Int32,
    "line": pl.Int32,
    "column": pl.String,
    "attribute": pl.String,
    "scale_low": pl.Float64,
    "scale_high": pl.Float64,
    "text": pl.String,
}


@dataclass
class Scores:
    """One row a score: `row` is its row in the sheet; with attribute, score and the scale."""

    frame: pl.DataFrame
    problems: list[Problem]


def read_scores(sheet: Sheet, blocks: list[Block]) -> Scores:
    """Every score of the tasting sheets that can be used; the others make a problem each."""
    wide = _wide_cells(blocks).join(
        sheet.text.select("file_id", "line").with_row_index("row"), on=["file_id", "line"], how="inner"
    )
    long = _long_cells(sheet)
    cells = pl.concat([wide.select(long.columns), long]).sort("row", maintain_order=True)
    refused = [number for number, file in sheet.files.items() if file.is_refused]
    cells = cells.filter(~pl.col("file_id").is_in(refused))
    numbers = _parse(sheet, cells)
    cells = cells.with_columns(pl.Series("score", numbers.rows), has_failed=pl.lit(False))
    failed = np.zeros(len(cells), dtype=np.bool_)
    failed[numbers.failed] = True
    cells = cells.with_columns(pl.Series("has_failed", failed))
    notices, cells = _drop_columns_of_words(sheet, cells)
    problems = notices + _mark_unread(sheet, cells) + _mark_off_scale(sheet, cells)
    kept = cells.filter(~pl.col("has_failed") & _is_on_scale()).select(
        "row", "attribute", "score", "scale_low", "scale_high"
    )
    return Scores(kept, problems)


def _wide_cells(blocks: list[Block]) -> pl.DataFrame:
    parts = [pl.DataFrame(schema=_WIDE_SCHEMA)]
    for block in blocks:
        for extra in block.header.extras:
            if extra.attribute is None:
                continue
            parts.append(
                block.frame.select(
                    "file_id",
                    "line",
                    pl.lit(extra.name).alias("column"),
                    pl.lit(extra.attribute).alias("attribute"),
                    pl.lit(extra.low).alias("scale_low"),
                    pl.lit(extra.high).alias("scale_high"),
                    pl.col(f"c{extra.position}").str.strip_chars().alias("text"),
                ).filter(pl.col("text").is_not_null())
            )
    return pl.concat(parts)


def _long_cells(sheet: Sheet) -> pl.DataFrame:
    """The scores of long sheets; a score without an attribute, or the reverse, is marked."""
    attribute, score = sheet.is_filled("attribute"), sheet.is_filled("score")
    for name, lacking in (("attribute", score & ~attribute), ("score", attribute & ~score)):
        wording = {"expected": f"{name} (attribute and score go together)"}
        sheet.mark("missing_value", np.flatnonzero(lacking), name, lambda *_, d=wording: ("missing_value", d))
    scales = [
        (number, *(file.header.score_scale if file.header is not None else SCORE_SCALE))
        for number, file in sheet.files.items()
    ]
    by_file = pl.DataFrame(
        scales, schema={"file_id": pl.Int32, "scale_low": pl.Float64, "scale_high": pl.Float64}, orient="row"
    )
    return (
        sheet.text.with_row_index("row")
        .filter(pl.Series(attribute & score))
        .join(by_file, on="file_id", how="left", maintain_order="left")
        .select(
            "row",
            "file_id",
            "line",
            pl.lit("score").alias("column"),
            "attribute",
            "scale_low",
            "scale_high",
            pl.col("score").alias("text"),
        )
    )


def _parse(sheet: Sheet, cells: pl.DataFrame) -> Numbers:
    default = np.zeros(len(cells), dtype=np.int64)
    return parse_numbers(cells["text"], _POINTS, default, sheet.marks(cells["file_id"].to_numpy()))


def _drop_columns_of_words(sheet: Sheet, cells: pl.DataFrame) -> tuple[list[Problem], pl.DataFrame]:
    """Take out the further columns that hold no number at all in a file: they are words, no attribute."""
    is_wide = pl.col("column") != "score"
    words = (
        cells.filter(is_wide)
        .group_by("file_id", "column", maintain_order=True)
        .agg(pl.col("has_failed").all())
        .filter("has_failed")
    )
    notices = []
    for file_id, column in words.select("file_id", "column").iter_rows():
        file = sheet.files[file_id]
        notices.append(
            problem("attribute_not_numeric", file.name, line=file.header_line, column=column, found=column)
        )
    return notices, cells.join(words, on=["file_id", "column"], how="anti", maintain_order="left")


def _mark_unread(sheet: Sheet, cells: pl.DataFrame) -> list[Problem]:
    details = {"hint": "", "expected": "a score, or an empty cell", "unit": ""}
    found = []
    for row in cells.filter("has_failed").iter_rows(named=True):
        mark = sheet.files[row["file_id"]].decimal_mark
        found.append(_score_problem(sheet, row, *(two_ways(row["text"], mark) or ("not_a_number", details))))
    return found


def _is_on_scale() -> pl.Expr:
    return pl.col("score").is_between("scale_low", "scale_high")


def _mark_off_scale(sheet: Sheet, cells: pl.DataFrame) -> list[Problem]:
    is_off = ~pl.col("has_failed") & ~_is_on_scale()
    return [
        _score_problem(
            sheet,
            row,
            "score_off_scale",
            {
                "attribute": row["attribute"],
                "low": f"{row['scale_low']:g}",
                "high": f"{row['scale_high']:g}",
            },
        )
        for row in cells.filter(is_off).iter_rows(named=True)
    ]


def _score_problem(sheet: Sheet, row: Mapping[str, Any], code: str, details: Mapping[str, Any]) -> Problem:
    file = sheet.files[row["file_id"]]
    column = row["column"]
    if column == "score" and file.header is not None:
        column = file.header.written("score")
    if file.is_broken(row["text"]):
        code, details = "broken_bytes_in_cell", file.broken_details(row["line"])
    return problem(code, file.name, line=row["line"], column=column, found=row["text"], **details)
