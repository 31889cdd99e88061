"""The logs of a season as frames.

`read_logs` is the one way in: it reads, checks and types every log below a folder. Rows in are rows used
plus rows set aside, file by file; every row set aside has its problem. `open_logs` leaves the rows of files
too large to be held until `load_raw` (`raw_tables.py`) writes them into the database.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import polars as pl

from pipeline.logs.decimals import settle_decimal_marks
from pipeline.logs.fields import INGREDIENT_LIST, KINDS_OF_FILE, TASTING_SHEET
from pipeline.logs.keep import Kept
from pipeline.logs.later import ArrowStream, KeptRows, LargeRows, LaterRows
from pipeline.logs.log_file import ReadFile, ReadResult
from pipeline.logs.read import IN_LOTS, Progress, cells_frame, read_files
from pipeline.logs.tables import FILES_SCHEMA, VALUE_SCHEMAS
from pipeline.logs.typed import LogSettings, Typer
from pipeline.problems import problems_frame, sort_problems

__all__ = [
    "ArrowStream",
    "LogFrames",
    "LogSettings",
    "Reading",
    "completed",
    "look_through",
    "open_logs",
    "read_logs",
]

# A file of so many rows is not held when it is taken over from an earlier database.
_MANY_ROWS = 200_000


@dataclass(frozen=True)
class LogFrames:
    """Every log of a season.

    `files` has a row a file; `cells` the text that stood there, by kind of file (null: blank); `values` the
    usable rows typed, by table; `problems` what is wrong. `later` has the large files whose rows are read
    only when they are loaded: until then they are not counted, and their problems are not known.
    """

    files: pl.DataFrame
    cells: Mapping[str, pl.DataFrame]
    values: Mapping[str, pl.DataFrame]
    problems: pl.DataFrame
    later: tuple[LaterRows, ...] = ()

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
    """Read, check and type every log at any depth below `folder` (or the one file it is), and hold it all.

    Nothing is written. Each bad row, or file, is a problem of the result, and the rest is used. Files that
    have not changed since `kept` was made, with the same settings, are taken from there: the result is the
    same.
    """
    return _held(open_logs(folder, settings, progress, kept))


def open_logs(
    folder: Path, settings: LogSettings, progress: Progress | None = None, kept: Kept | None = None
) -> LogFrames:
    """The same, but for the rows of large files: these wait, in `later`, until `load_raw` reads them."""
    return look_through(folder, settings, progress, kept).whole()


@dataclass(frozen=True)
class Reading:
    """What was read anew of a season's logs, and which of them an earlier build has read already.

    anew   : the files read
    taken  : the numbers of those taken over, by name; their rows are in `kept`
    """

    anew: LogFrames
    kept: Kept | None
    taken: Mapping[str, int]

    @cached_property
    def files(self) -> pl.DataFrame:
        """Every file, as far as it is known yet: those of `anew.later` are to come."""
        if self.kept is None:
            return self.anew.files
        return pl.concat([self.kept.files_of(self.taken), self.anew.files]).sort("file_id")

    @cached_property
    def problems(self) -> pl.DataFrame:
        """Every problem that reading found, worst first; those of `anew.later` are to come."""
        if self.kept is None:
            return self.anew.problems
        return sort_problems(pl.concat([self.kept.problems_of(self.taken), self.anew.problems]))

    def whole(self) -> LogFrames:
        """The frames of all files, in the order of the files."""
        return self.anew if self.kept is None else _with_kept(self, self.kept)


def look_through(
    folder: Path, settings: LogSettings, progress: Progress | None = None, kept: Kept | None = None
) -> Reading:
    """Read what has changed since `kept` was made; the rest is to be taken from there."""
    known = {} if kept is None else kept.sha256
    told = progress or _no_progress
    result = read_files(folder, settings.currency, told, known, settings.date_order)
    if kept is not None and _ingredient_lists(result) != kept.ingredient_lists:
        # Every batch log is checked against the ingredient lists.
        kept = None
        result = read_files(folder, settings.currency, told, date_order=settings.date_order)
    settle_decimal_marks(result)
    frames = _frames(result, settings, told)
    numbers = {file.name: file.file_id for file in result.files if file.is_kept}
    return Reading(frames, kept if numbers else None, numbers)


def _frames(result: ReadResult, settings: LogSettings, told: Progress) -> LogFrames:
    """What was read, checked and typed; that of large files is to come."""
    files = [file for file in result.files if not file.is_kept]
    large = {log.file.file_id for log in result.large}
    lot = replace(result, files=[file for file in files if file.file_id not in large])
    cells = {kind: cells_frame(kind, lot) for kind in KINDS_OF_FILE}
    # Only the attributes of tasting sheets are read from the blocks again; the rest need not be held twice.
    lot.blocks = result.blocks = [block for block in lot.blocks if block.header.kind == TASTING_SHEET]
    typer = Typer(settings, list(result.problems))
    values: dict[str, pl.DataFrame] = {}
    # The distiller's own ingredients come first: batch logs are checked against them.
    for kind in sorted(KINDS_OF_FILE.values(), key=lambda each: each.name != INGREDIENT_LIST):
        values |= typer.type_kind(kind, lot, cells[kind.name])
    values["telemetry_minute"] = pl.concat(
        [pl.DataFrame(schema=VALUE_SCHEMAS["telemetry_minute"]), *(each.minutes for each in result.telemetry)]
    )
    return LogFrames(
        files=_files_frame(files),
        cells=cells,
        values={table: values[table] for table in VALUE_SCHEMAS},
        problems=sort_problems(problems_frame(typer.problems)),
        later=tuple(LargeRows(log, settings, typer.own_ingredients, told) for log in result.large),
    )


def _held(frames: LogFrames) -> LogFrames:
    """The frames with the rows of the large files in their places."""
    if not frames.later:
        return frames
    tables = {**frames.cells, **frames.values}
    parts: dict[str, list[pl.DataFrame]] = {}
    for rows in frames.later:
        for part in rows.parts():
            for name, table in part.items():
                parts.setdefault(name, []).append(pl.DataFrame(table).cast(tables[name].schema))
    for name, more in parts.items():
        tables[name] = pl.concat([tables[name], *more]).sort("file_id", "line", maintain_order=True)
    return completed(
        replace(
            frames,
            cells={name: tables[name] for name in frames.cells},
            values={name: tables[name] for name in frames.values},
        )
    )


def completed(frames: LogFrames) -> LogFrames:
    """The frames once all rows of large files have been read: their files and problems are known."""
    files, problems = [], [frames.problems]
    for rows in frames.later:
        file, found = rows.found()
        files += [] if file is None else [file]
        problems += found
    known = frames.files.filter(~pl.col("file_id").is_in([file.file_id for file in files]))
    return replace(
        frames,
        files=pl.concat([known, _files_frame(files)]).sort("file_id"),
        problems=sort_problems(pl.concat(problems)),
        later=(),
    )


def _ingredient_lists(result: ReadResult) -> frozenset[tuple[str, str | None]]:
    return frozenset((file.name, file.sha256) for file in result.files if file.kind == INGREDIENT_LIST)


def _with_kept(read: Reading, kept: Kept) -> LogFrames:
    """The frames of the files read, and of those whose rows were kept, in the order of the files."""
    large = kept.files.filter(
        pl.col("path").is_in(list(read.taken))
        & (pl.col("rows_in") >= _MANY_ROWS)
        & pl.col("kind").is_in(IN_LOTS)
    )
    later = [
        KeptRows(kept, kind, read.taken[name], then)
        for then, name, kind in large.select("file_id", "path", "kind").iter_rows()
    ]
    held = {name: number for name, number in read.taken.items() if name not in set(large["path"])}

    def joined(name: str, anew: pl.DataFrame) -> pl.DataFrame:
        old = kept.rows(name, held).select(pl.col(column).cast(kind) for column, kind in anew.schema.items())
        if old.is_empty():
            return anew
        return pl.concat([old, anew]).sort("file_id", "line", maintain_order=True)

    # Tasting sheets and ingredient lists are read each time, and a score has no file of its own.
    each_time = {TASTING_SHEET, INGREDIENT_LIST, "tasting_value", "score_value", "ingredient_value"}
    cells, values = (
        {name: frame if name in each_time else joined(name, frame) for name, frame in frames.items()}
        for frames in (read.anew.cells, read.anew.values)
    )
    return LogFrames(
        files=read.files,
        cells=cells,
        values=values,
        problems=read.problems,
        later=tuple(sorted((*read.anew.later, *later), key=lambda rows: rows.file_id)),
    )


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
