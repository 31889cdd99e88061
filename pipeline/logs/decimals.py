"""Which decimal mark each file writes: point, or comma where the delimiter is not a comma.

A file that writes both is refused with one line of each: which is meant cannot be told, and 1,062 and
1.062 are a thousandfold apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.logs.blocks import Block
from pipeline.logs.fields import KINDS_OF_FILE, TASTING_SHEET
from pipeline.logs.read import ReadFile, ReadResult
from pipeline.problems import Problem, problem

__all__ = ["settle_decimal_marks"]

# The start of a number, with exactly one mark in it. One with both is a matter for that cell alone.
_COMMA = r"^\s*[+−-]?[0-9]*,[0-9]+(?:[^0-9.,].*)?$"
_POINT = r"^\s*[+−-]?[0-9]*\.[0-9]+(?:[^0-9.,].*)?$"


@dataclass(frozen=True)
class _Sight:
    line: int
    text: str


def settle_decimal_marks(result: ReadResult) -> None:
    """Set each file's decimal mark; refuse files that write both: none of their rows is used."""
    for file in result.files:
        if file.kind is not None:
            file.decimal_mark = "."
    by_id = {file.file_id: file for file in result.files}
    commas: dict[int, _Sight] = {}
    points: dict[int, _Sight] = {}
    for block in result.blocks:
        columns = _number_columns(block)
        if block.header.delimiter == "," or not columns:
            continue
        for sights, pattern in ((commas, _COMMA), (points, _POINT)):
            for file_id, sight in _first_sights(block, columns, pattern).items():
                sights.setdefault(file_id, sight)
    for file_id in commas:
        by_id[file_id].decimal_mark = ","
    for file_id in sorted(commas.keys() & points.keys()):
        by_id[file_id].is_refused = True
        result.problems.append(_mixed(by_id[file_id], commas[file_id], points[file_id]))


def _number_columns(block: Block) -> list[str]:
    fields = KINDS_OF_FILE[block.header.kind].fields
    positions = [
        position for name, position in block.header.positions.items() if fields[name].type == "number"
    ]
    if block.header.kind == TASTING_SHEET:
        positions += [extra.position for extra in block.header.extras if extra.attribute is not None]
    return [f"c{position}" for position in positions]


def _first_sights(block: Block, columns: list[str], pattern: str) -> dict[int, _Sight]:
    """Per file the first number that the pattern fits."""
    fits = [pl.when(pl.col(name).str.contains(pattern)).then(pl.col(name)) for name in columns]
    seen = (
        block.frame.select("file_id", "line", pl.coalesce(fits).alias("text"))
        .filter(pl.col("text").is_not_null())
        .group_by("file_id")
        .agg(pl.col("line").first(), pl.col("text").first())
    )
    return {file_id: _Sight(line, text) for file_id, line, text in seen.iter_rows()}


def _mixed(file: ReadFile, comma: _Sight, point: _Sight) -> Problem:
    found = f'"{point.text.strip()}" in line {point.line} and "{comma.text.strip()}" in line {comma.line}'
    return problem("mixed_decimals", file.name, line=max(comma.line, point.line), found=found)
