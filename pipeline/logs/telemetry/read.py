"""Reading telemetry: piece by piece, each minute of a run reduced to its medians, nothing kept row by row.

A piece is some megabytes of whole lines. The last minute of each run in a piece waits for the next, so that
no minute is cut in two. Memory is that of a piece and of the minutes, however long the file.
"""

from __future__ import annotations

import codecs
import hashlib
import io
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.logs.fields import TELEMETRY_FILE
from pipeline.logs.find import why_not_unpacked
from pipeline.logs.telemetry.faults import JUMPS, Watch, faults_of_minutes, why_no_date
from pipeline.logs.telemetry.header import SensorHeader, open_bytes
from pipeline.logs.units import Quantity
from pipeline.logs.values import parse_when
from pipeline.problems import Problem, problem

__all__ = ["MINUTE_SCHEMA", "SENSOR_COLUMNS", "Telemetry", "read_telemetry"]

PIECE_BYTES = 8 << 20

SENSOR_COLUMNS = {
    "vapour": "vapour_c",
    "kettle": "kettle_c",
    "power": "power_kw",
    "takeoff": "takeoff_per_min_l",
    "strength": "strength_reading",
    "barometer": "barometer_hpa",
}
"""What each sensor's median is called in a row of a minute."""

MINUTE_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "batch": pl.String,
    "run": pl.String,
    "minute_at": pl.Datetime("us"),
    "rows": pl.Int64,
    **dict.fromkeys(SENSOR_COLUMNS.values(), pl.Float64),
    "strength_unit": pl.String,
    **{f"{name}_rows": pl.Int64 for name in SENSOR_COLUMNS},
}
"""One row a minute of a run in a file, after file_id and the line of its first row."""

_KEY = ["batch", "run"]
_MOST_SHAPES = 50


@dataclass
class Telemetry:
    """What a telemetry file came to: its minutes, how many rows it had and lost, and what is wrong."""

    sha256: str | None = None
    size_bytes: int = 0
    rows_in: int = 0
    rows_set_aside: int = 0
    is_kept: bool = False
    decimal_mark: str | None = None
    minutes: pl.DataFrame = field(
        default_factory=lambda: pl.DataFrame(schema={"file_id": pl.Int32, "line": pl.Int32, **MINUTE_SCHEMA})
    )
    problems: list[Problem] = field(default_factory=list)


def read_telemetry(
    path: Path,
    name: str,
    file_id: int,
    header: SensorHeader,
    known: str | None = None,
    date_order: str = "",
) -> Telemetry:
    """Read one file; `name` is what messages call it. Nothing is written and no row is lost uncounted.

    A file whose hash is `known` is not read further. `date_order` is the season's: dates are those of any
    other log.
    """
    found = Telemetry()
    found.sha256, found.size_bytes = _hash(path)
    found.is_kept = found.sha256 == known
    if found.is_kept:
        return found
    notes = [("unknown_column", each) for each in header.unknown]
    for code, written in notes:
        details = {"kind": TELEMETRY_FILE.title, "hint": ""}
        found.problems.append(problem(code, name, line=header.line, column=written, found=written, **details))
    for written in header.bad_units:
        found.problems.append(
            problem("sensor_unit_unknown", name, line=header.line, column=written, found=written)
        )
    watch = Watch(name, header)
    reducer = _Reducer(header, watch, date_order)
    try:
        for piece in _pieces(path, header):
            reducer.take(piece)
    except (OSError, EOFError, zlib.error) as error:
        found.problems.append(problem("cannot_unpack", name, found=why_not_unpacked(error)))
    minutes = reducer.finish()
    found.rows_in, found.rows_set_aside = watch.rows_in, watch.rows_set_aside
    found.decimal_mark = watch.decimal_mark
    if found.decimal_mark is None:
        found.rows_set_aside, minutes = watch.rows_in, minutes.clear()
    if not found.rows_in:
        found.problems.append(problem("no_rows", name))
    minutes, of_minutes = faults_of_minutes(minutes, name, header)
    found.problems += [*watch.problems(), *of_minutes]
    found.minutes = minutes.select(
        pl.lit(file_id, dtype=pl.Int32).alias("file_id"),
        pl.col("line").cast(pl.Int32),
        *(pl.col(column).cast(dtype) for column, dtype in MINUTE_SCHEMA.items()),
    ).sort("line", maintain_order=True)
    return found


@dataclass(frozen=True)
class _Piece:
    """Whole lines as UTF-8 without blank lines and comments, and the number of each in the file."""

    data: bytes
    lines: np.ndarray


def _pieces(path: Path, header: SensorHeader) -> Iterator[_Piece]:
    """The lines below the header, some megabytes at a time."""
    number, rest = 1, b""
    decoder = None
    if header.encoding != "utf-8":
        decoder = codecs.getincrementaldecoder(header.encoding)("replace")
    with open_bytes(path) as file:
        file.read(header.mark)
        is_last = False
        while not is_last:
            block = file.read(PIECE_BYTES)
            is_last = not block
            text = block if decoder is None else decoder.decode(block, final=is_last).encode()
            ready, rest = _whole_lines(rest + text, is_last)
            count = ready.count(b"\n")
            if count:
                yield from _without_gaps(ready, number, header.line)
                number += count


def _hash(path: Path) -> tuple[str, int]:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest(), file.tell()


def _whole_lines(data: bytes, is_last: bool) -> tuple[bytes, bytes]:
    """The lines of `data` that are whole, each ended by a line feed, and what is left over."""
    if is_last:
        ready, rest = data, b""
    else:
        # The last byte may be the first half of a line end.
        cut = max(data.rfind(b"\n"), data.rfind(b"\r", 0, len(data) - 1))
        ready, rest = data[: cut + 1], data[cut + 1 :]
    if b"\r" in ready:
        ready = ready.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return (ready if not ready or ready.endswith(b"\n") else ready + b"\n"), rest


def _without_gaps(ready: bytes, number: int, header_line: int) -> Iterator[_Piece]:
    """The lines below the header, without blank lines and comments; one by one only where there are any."""
    count = ready.count(b"\n")
    is_plain = number > header_line and not ready.startswith((b"\n", b"#", b" "))
    if is_plain and not any(gap in ready for gap in (b"\n\n", b"\n#", b"\n ")):
        yield _Piece(ready.replace(b'"', b""), np.arange(number, number + count))
        return
    kept = [
        (line, at)
        for at, line in enumerate(ready.removesuffix(b"\n").split(b"\n"), start=number)
        if at > header_line and line.strip() and not line.startswith(b"#")
    ]
    if kept:
        text = b"\n".join(line for line, _ in kept).replace(b'"', b"") + b"\n"
        yield _Piece(text, np.array([at for _, at in kept], dtype=np.int64))


class _Reducer:
    """Rows in, minutes out; what is between pieces waits here."""

    def __init__(self, header: SensorHeader, watch: Watch, date_order: str) -> None:
        self._header, self._watch, self._date_order = header, watch, date_order
        self._waiting: pl.DataFrame | None = None
        self._minutes: list[pl.DataFrame] = []

    def take(self, piece: _Piece) -> None:
        """Reduce every minute that the next piece cannot add to."""
        rows = self._typed(self._usable(piece))
        newest = int(piece.lines[0])
        if self._waiting is not None:
            rows = pl.concat([self._waiting, rows])
        if rows.is_empty():
            return
        self._tell_clocks(rows, newest)
        is_last = pl.col("minute_at") == pl.col("minute_at").last().over(_KEY)
        rows = rows.with_columns(is_last.alias("waits"))
        self._waiting = rows.filter(pl.col("waits")).drop("waits")
        self._reduce(rows.filter(~pl.col("waits")).drop("waits"))

    def finish(self) -> pl.DataFrame:
        """Every minute of every run; one that stands in two places (a clock set back) is put together."""
        if self._waiting is not None:
            self._reduce(self._waiting)
        if not self._minutes:
            schema = {**MINUTE_SCHEMA, "line": pl.Int64}
            schema |= {f"{name}_{end}": pl.Float64 for name in SENSOR_COLUMNS for end in ("low", "high")}
            return pl.DataFrame(schema=schema)
        parts = pl.concat(self._minutes)
        if parts.select([*_KEY, "minute_at"]).is_duplicated().any():
            parts = _put_together(parts)
        unit = self._header.units.get("strength")
        label = None if "strength" not in self._header.positions else unit.label if unit else "pct_vol"
        return parts.with_columns(pl.lit(label, dtype=pl.String).alias("strength_unit"))

    def _usable(self, piece: _Piece) -> pl.DataFrame:
        """The rows as text that have a batch, a run and a time, and no cell too many."""
        header = self._header
        width = len(header.names)
        top = header.delimiter.join(f"c{at}" for at in range(width + 1)).encode() + b"\n"
        text = pl.read_csv(
            io.BytesIO(top + piece.data),
            separator=header.delimiter,
            infer_schema=False,
            quote_char=None,
            truncate_ragged_lines=True,
            encoding="utf8-lossy",
        ).with_columns(pl.Series("line", piece.lines))
        cells = [pl.col(f"c{at}") for at in range(width)]
        # A spreadsheet saves empty rows below the table.
        text = text.filter(
            pl.any_horizontal(*(cell.is_not_null() for cell in cells), pl.col(f"c{width}").is_not_null())
        )
        self._watch.rows_in += text.height
        named = {name: f"c{at}" for name, at in header.positions.items()}
        moment, has_no_time = _moments(text[named["when"]].str.strip_chars(), self._date_order)
        rows = text.select(
            "line",
            *(pl.col(named[key]).str.strip_chars().alias(key) for key in _KEY),
            *(pl.col(named[sensor]).str.strip_chars().alias(sensor) for sensor in header.sensors),
            pl.col(named["when"]).str.strip_chars().alias("when"),
            moment.alias("at"),
            has_no_time.alias("has_no_time"),
            pl.col(f"c{width}").is_null().alias("fits"),
            pl.concat_str(cells, separator=header.delimiter, ignore_nulls=True).alias("whole"),
        )
        is_named = pl.all_horizontal(
            pl.col(key).is_not_null() & (pl.col(key) != "") & ~pl.col(key).str.contains("\ufffd")
            for key in _KEY
        )
        rows = rows.with_columns(
            pl.when(~pl.col("fits"))
            .then(pl.lit("more cells than columns"))
            .when(~is_named)
            .then(pl.lit("no batch or no run"))
            .when(pl.col("has_no_time"))
            .then(pl.lit("a date without a time"))
            .when(pl.col("at").is_null())
            .then(pl.lit("no date"))
            .alias("why")
        )
        self._lose(rows.filter(pl.col("why").is_not_null()))
        return rows.filter(pl.col("why").is_null()).drop("fits", "whole", "when", "has_no_time", "why")

    def _lose(self, bad: pl.DataFrame) -> None:
        """Count the rows that cannot be used, by what is the matter with them."""
        # Few shapes of a date occur, however many rows there are; what is no date at all can have any.
        shape = pl.when(pl.col("why") == "no date").then(pl.col("when").str.replace_all("[0-9]", "9"))
        alike = bad.with_columns(shape.fill_null("").alias("shape"))
        usual = alike["shape"].unique(maintain_order=True).head(_MOST_SHAPES)
        alike = alike.with_columns(
            pl.when(pl.col("shape").is_in(usual.implode())).then("shape").otherwise(pl.lit("")).alias("shape")
        )
        for of_one_kind in alike.partition_by("why", "shape", maintain_order=True):
            why = of_one_kind["why"][0]
            if why == "no date":
                why = why_no_date(of_one_kind["when"][0], self._date_order)
            self._watch.lose_rows(of_one_kind["line"], of_one_kind["whole"], why)

    def _typed(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Numbers in the default units, those that cannot be read or cannot be left out and counted."""
        for sensor in self._header.sensors:
            text = rows[sensor]
            if self._header.delimiter != ",":
                text = text.str.replace(",", ".", literal=True)
            number = text.cast(pl.Float64, strict=False)
            number = number.set(~number.is_finite().fill_null(False), None)
            if self._header.delimiter != "," and rows.height:
                self._watch.see_marks(rows["line"], rows[sensor].set(number.is_null(), None))
            failed = rows.filter(number.is_null() & text.is_not_null() & (text != ""))
            self._watch.lose_cells("telemetry_cells", sensor, failed["line"], failed[sensor], "")
            rows = rows.with_columns(self._in_range(sensor, number, rows).alias(sensor))
        return rows.with_columns(pl.col("at").dt.truncate("1m").alias("minute_at"))

    def _in_range(self, sensor: str, number: pl.Series, rows: pl.DataFrame) -> pl.Series:
        measure = TELEMETRY_FILE.fields[sensor].measure
        if measure is None:
            raise TypeError(f"{sensor} is no quantity")
        unit = self._header.units.get(sensor, measure.default)
        low, high = measure.low, measure.high
        if measure.keeps_unit:
            low = low if unit.low is None else unit.low
            high = high if unit.high is None else unit.high
        else:
            number = (number - unit.zero) * unit.factor
        is_out = ((number < low) | (number > high)).fill_null(False)
        out = rows.filter(is_out)
        self._watch.lose_cells(
            "sensor_out_of_range", sensor, out["line"], out[sensor], _range_text(measure, low, high)
        )
        return number.set(is_out, None)

    def _tell_clocks(self, rows: pl.DataFrame, newest: int) -> None:
        """Rows of a run earlier than the row before them; only rows of the newest piece are told."""
        back = (
            rows.with_columns((pl.col("at").shift(1).over(_KEY) - pl.col("at")).alias("back"))
            .filter((pl.col("back") > pl.duration(seconds=0)) & (pl.col("line") >= newest))
            .group_by(_KEY, maintain_order=True)
            .agg(pl.len().alias("count"), pl.col("line").first(), pl.col("back").first().dt.total_seconds())
        )
        for batch, run, count, line, seconds in back.iter_rows():
            found = f"{batch} {run}, first by {seconds // 60} min {seconds % 60} s"
            self._watch.tell_run("two_clocks", "when", (batch, run), count, line, found)

    def _reduce(self, rows: pl.DataFrame) -> None:
        if rows.is_empty():
            return
        self._tell_jumps(rows)
        sums = [pl.len().cast(pl.Int64).alias("rows"), pl.col("line").first()]
        for sensor, column in SENSOR_COLUMNS.items():
            values = pl.col(sensor) if sensor in rows.columns else pl.lit(None, dtype=pl.Float64)
            sums += [
                values.median().alias(column),
                values.count().cast(pl.Int64).alias(f"{sensor}_rows"),
                values.min().alias(f"{sensor}_low"),
                values.max().alias(f"{sensor}_high"),
            ]
        self._minutes.append(rows.group_by([*_KEY, "minute_at"], maintain_order=True).agg(sums))

    def _tell_jumps(self, rows: pl.DataFrame) -> None:
        for sensor in [each for each in JUMPS if each in self._header.sensors]:
            value = pl.col(sensor)
            before, after = (value - value.shift(step).over(_KEY) for step in (1, -1))
            jumps = (
                rows.filter(value.is_not_null())
                .with_columns(before.alias("before"), after.alias("after"))
                .filter(
                    (pl.min_horizontal("before", "after") > JUMPS[sensor])
                    | (pl.max_horizontal("before", "after") < -JUMPS[sensor])
                )
                .filter(pl.col("before").is_not_null() & pl.col("after").is_not_null())
                .group_by(_KEY, maintain_order=True)
                .agg(pl.len().alias("count"), pl.col("line").first(), pl.col(sensor).first())
            )
            for batch, run, count, line, to in jumps.iter_rows():
                self._watch.tell_run(
                    "sensor_jumps", sensor, (batch, run), count, line, f"{to:.1f} in {batch} {run}"
                )


def _moments(text: pl.Series, date_order: str) -> tuple[pl.Series, pl.Series]:
    """Dates with a time, as the clock showed them, and where a date is alone, which is no moment of a run."""
    is_usual = text.str.len_bytes() == 19
    usual = pl.DataFrame({"at": text, "is_usual": is_usual}).select(
        pl.when("is_usual").then(
            pl.col("at")
            .str.replace("T", " ", literal=True)
            .str.to_datetime("%Y-%m-%d %H:%M:%S", strict=False, time_unit="us")
        )
    )
    moment = usual.to_series()
    has_no_time = pl.repeat(False, len(text), dtype=pl.Boolean, eager=True)
    rest = np.flatnonzero((text.is_not_null() & moment.is_null()).to_numpy())
    if rest.size:
        other, has_time, _ = parse_when(text.gather(rest), date_order)
        is_alone = ~has_time.fill_null(True)
        moment = moment.scatter(rest, other.set(is_alone, None))
        has_no_time = has_no_time.scatter(rest, is_alone)
    return moment, has_no_time


def _range_text(measure: Quantity, low: float, high: float) -> str:
    return f"{low:g} to {high:g} {measure.default.symbol}"


def _put_together(parts: pl.DataFrame) -> pl.DataFrame:
    """Minutes that stand in two places: rows added, medians weighted by their rows."""
    columns = [pl.col("rows").sum(), pl.col("line").first()]
    for sensor, column in SENSOR_COLUMNS.items():
        weight = pl.when(pl.col(column).is_not_null()).then(pl.col(f"{sensor}_rows")).otherwise(0)
        columns += [
            ((pl.col(column) * weight).sum() / weight.sum()).fill_nan(None).alias(column),
            pl.col(f"{sensor}_rows").sum(),
            pl.col(f"{sensor}_low").min(),
            pl.col(f"{sensor}_high").max(),
        ]
    return parts.group_by([*_KEY, "minute_at"], maintain_order=True).agg(columns)
