"""Which decimal mark each file writes, and whether the other mark can group its thousands.

A mark with exactly three digits after it, as in 1,250, can be either; the rest of the file tells which, or
the cell is a problem: the two readings are a thousandfold apart. A file that writes decimals both ways is
refused, with one line of each.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import chain

import polars as pl

from pipeline.logs.blocks import Block
from pipeline.logs.diagnose import Sight, mixed_decimals
from pipeline.logs.distinct import with_texts
from pipeline.logs.fields import KINDS_OF_FILE, TASTING_SHEET, TELEMETRY, quantity_of
from pipeline.logs.header import Header
from pipeline.logs.log_file import ReadFile, ReadResult
from pipeline.logs.units import Quantity, Unit

__all__ = ["settle_decimal_marks", "settle_quoted_commas"]

_SIGN = r"^\s*[+−-]?"
_END = r"(?:[^0-9.,].*)?$"
_GROUPED = r"[1-9][0-9]{0,2}"
_OTHER_GROUPS = r"[ \u00a0\u2009\u202f'’][0-9]{3}"


def _one_way(mark: str, other: str) -> str:
    """Numbers in which `mark` can only be the decimal mark, or `other` only group thousands."""
    return (
        f"{_SIGN}(?:"
        rf"(?:0[0-9]*|[0-9]{{4,}}|)\{mark}[0-9]+"
        rf"|[0-9]*\{mark}(?:[0-9]{{1,2}}|[0-9]{{4,}})"
        rf"|{_GROUPED}(?:\{other}[0-9]{{3}})+\{mark}[0-9]+"
        rf"|{_GROUPED}(?:{_OTHER_GROUPS})+\{mark}[0-9]+"
        rf"|{_GROUPED}(?:\{other}[0-9]{{3}}){{2,}}"
        f"){_END}"
    )


_ONE_WAY = {".": _one_way(".", ","), ",": _one_way(",", ".")}
_TWO_WAYS = rf"{_SIGN}{_GROUPED}[.,][0-9]{{3}}{_END}"
_TWO_WAYS_BARE = rf"{_SIGN}{_GROUPED}[.,][0-9]{{3}}\s*$"


@dataclass(frozen=True)
class _Column:
    """A column of numbers of a block, and what is plausible in it, in the unit of its header."""

    name: str
    low: float
    high: float


@dataclass
class _Seen:
    """Per file the first number that each decimal mark tells, and the files with one that can be either."""

    told: dict[str, dict[int, Sight]] = field(default_factory=lambda: {".": {}, ",": {}})
    two_ways: set[int] = field(default_factory=set)


def settle_decimal_marks(result: ReadResult) -> None:
    """Set each file's decimal mark and what groups its thousands; refuse files that write decimals both ways.

    A file whose delimiter is a comma has decimal points: see `settle_quoted_commas` for what groups them.
    """
    seen = _Seen()
    _look_at_blocks((block for block in result.blocks if block.header.delimiter != ","), seen)
    _look_at_blocks(
        chain.from_iterable(log.blocks() for log in result.large if log.header.delimiter != ","), seen
    )
    for file in result.files:
        if file.kind not in (None, TELEMETRY):
            _settle(file, seen)
    by_id = {file.file_id: file for file in result.files}
    for number in sorted(seen.told[","].keys() & seen.told["."].keys()):
        by_id[number].is_refused = True
        comma, point = (seen.told[mark][number] for mark in (",", "."))
        result.problems.append(mixed_decimals(by_id[number].name, comma, point))


def settle_quoted_commas(text: pl.DataFrame, file_id: int, file: ReadFile) -> None:
    """Let commas group thousands in a file with comma delimiters whose other numbers show decimal points.

    `text` has the rows of one kind of log, with the format's names as columns.
    """
    file.is_comma_settled = True
    if file.header is None:
        return
    seen = _Seen()
    if file.blocks is not None:
        _look_at_blocks(file.blocks(), seen)
    else:
        columns = list(_columns_of(file.header, dict.fromkeys(file.header.positions)))
        _look_at(text.filter(pl.col("file_id") == file_id), columns, seen)
    file.may_group = bool(seen.told["."]) and not seen.told[","]


def _look_at_blocks(blocks: Iterable[Block], seen: _Seen) -> None:
    for block in blocks:
        _look_at(with_texts(block.frame), list(_number_columns(block)), seen)


def _settle(file: ReadFile, seen: _Seen) -> None:
    tells = {mark: file.file_id in seen.told[mark] for mark in (".", ",")}
    file.may_group = tells["."] != tells[","]
    file.is_undecided = not any(tells.values()) and file.file_id in seen.two_ways
    file.decimal_mark = None if file.is_undecided else "," if tells[","] else "."


def _look_at(frame: pl.DataFrame, columns: list[_Column], seen: _Seen) -> None:
    for mark, told in seen.told.items():
        other = "," if mark == "." else "."
        fits = [_told(each, mark) | _too_big(each, mark) | _too_small(each, other) for each in columns]
        for number, sight in _first_sights(frame, columns, fits).items():
            told.setdefault(number, sight)
    two_ways = [pl.col(each.name).str.contains(_TWO_WAYS) for each in columns]
    seen.two_ways |= set(_first_sights(frame, columns, two_ways))


def _number_columns(block: Block) -> Iterator[_Column]:
    header = block.header
    yield from _columns_of(header, {name: f"c{position}" for name, position in header.positions.items()})
    if header.kind == TASTING_SHEET:
        for extra in header.extras:
            if extra.attribute is not None:
                yield _Column(f"c{extra.position}", extra.low, extra.high)


def _columns_of(header: Header, names: Mapping[str, str | None]) -> Iterator[_Column]:
    """The columns of numbers among those of `names`, which says what a frame calls each (None: the same)."""
    fields = KINDS_OF_FILE[header.kind].fields
    for name, called in names.items():
        quantity = quantity_of(fields[name], "")
        if quantity is not None:
            yield _Column(called or name, *_bounds(quantity, header.units.get(name, quantity.default)))
        elif fields[name].type == "number":
            yield _Column(called or name, *header.score_scale)


def _bounds(quantity: Quantity, unit: Unit) -> tuple[float, float]:
    """The plausible range of a quantity in a unit of it."""
    if quantity.keeps_unit:
        low = quantity.low if unit.low is None else unit.low
        return low, quantity.high if unit.high is None else unit.high
    return quantity.low / unit.factor + unit.zero, quantity.high / unit.factor + unit.zero


def _told(column: _Column, mark: str) -> pl.Expr:
    return pl.col(column.name).str.contains(_ONE_WAY[mark])


def _readings(column: _Column, mark: str) -> tuple[pl.Expr, pl.Expr, pl.Expr]:
    """Whether a bare number has `mark` before three digits, and is plausible as decimal, as grouped."""
    text = pl.col(column.name).str.strip_chars().str.replace("−", "-", literal=True)
    fits = text.str.contains(_TWO_WAYS_BARE) & text.str.contains(mark, literal=True)
    decimal, grouped = (
        text.str.replace(mark, by, literal=True).cast(pl.Float64, strict=False) for by in (".", "")
    )
    return fits, decimal.is_between(column.low, column.high), grouped.is_between(column.low, column.high)


def _too_big(column: _Column, mark: str) -> pl.Expr:
    """1,062 is no specific gravity of a thousand: its comma is a decimal mark."""
    fits, as_decimal, as_grouped = _readings(column, mark)
    return fits & as_decimal & ~as_grouped


def _too_small(column: _Column, mark: str) -> pl.Expr:
    """A number that is plausible only with its thousands grouped by `mark`: the other is the decimal mark."""
    fits, as_decimal, as_grouped = _readings(column, mark)
    return fits & as_grouped & ~as_decimal


def _first_sights(frame: pl.DataFrame, columns: list[_Column], fits: list[pl.Expr]) -> dict[int, Sight]:
    """Per file the first number that fits."""
    if not columns:
        return {}
    chosen = [pl.when(fit).then(pl.col(each.name)) for each, fit in zip(columns, fits, strict=True)]
    seen = (
        frame.select("file_id", "line", pl.coalesce(chosen).alias("text"))
        .filter(pl.col("text").is_not_null())
        .group_by("file_id", maintain_order=True)
        .agg(pl.col("line").first(), pl.col("text").first())
    )
    return {file_id: Sight(line, text) for file_id, line, text in seen.iter_rows()}
