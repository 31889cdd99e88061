"""Rows of large files, which are not held: they are read, or taken over, when they are loaded."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol

import duckdb
import polars as pl

from pipeline.logs.aside import IDENTITY, names_by_file
from pipeline.logs.fields import KINDS_OF_FILE
from pipeline.logs.keep import Kept
from pipeline.logs.large import LargeLog
from pipeline.logs.log_file import ReadFile
from pipeline.logs.read import Progress, cells_frame
from pipeline.logs.tables import CELL_SCHEMAS, VALUE_SCHEMAS, VALUE_TABLES
from pipeline.logs.totals import sums_without_totals
from pipeline.logs.typed import LogSettings, Typer
from pipeline.problems import problems_frame, visible

__all__ = ["ArrowStream", "ArrowTable", "KeptRows", "LargeRows", "LaterRows"]


class ArrowTable(Protocol):
    """Rows that DuckDB and polars can read."""

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        """The rows as an Arrow C stream."""


class ArrowStream:
    """A frame, or a query of another database, that shows nothing but the Arrow stream protocol.

    DuckDB asks pyarrow for help when it sees a polars frame, and needs none for an Arrow stream.
    """

    def __init__(self, rows: pl.DataFrame | duckdb.DuckDBPyRelation) -> None:
        self._rows = rows

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        """The rows as an Arrow C stream."""
        return self._rows.__arrow_c_stream__(requested_schema)


class LaterRows(Protocol):
    """The rows of one file, to be gone through once; afterwards it is known what was found in them."""

    @property
    def file_id(self) -> int:
        """The number of the file."""

    @property
    def kind(self) -> str:
        """Its kind, and with it the tables its rows go into."""

    def parts(self) -> Iterator[Mapping[str, ArrowTable]]:
        """Its rows by table, part by part in the order of the file."""

    def found(self) -> tuple[ReadFile | None, list[pl.DataFrame]]:
        """What the file was found to be (None: what was known already), and its problems."""


@dataclass
class LargeRows:
    """The rows of a large log, read lot by lot."""

    log: LargeLog
    settings: LogSettings
    own_ingredients: pl.Series
    progress: Progress
    _problems: list[pl.DataFrame] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.log.file.blocks = self.log.blocks
        self.log.file.used_names = _UsedNames(self.log, self._typer)
        self.log.file.sums = _Sums(self.log, self._typer)

    @property
    def file_id(self) -> int:
        """The number of the file."""
        return self.log.file.file_id

    @property
    def kind(self) -> str:
        """Its kind."""
        return self.log.header.kind

    def parts(self) -> Iterator[Mapping[str, ArrowTable]]:
        """Its rows by table, lot by lot."""
        kind = KINDS_OF_FILE[self.kind]
        for lot in self.log.lots():
            typer = self._typer()
            typer.problems += lot.problems
            cells = cells_frame(self.kind, lot)
            tables = {self.kind: cells, **typer.type_kind(kind, lot, cells)}
            self._problems.append(problems_frame(typer.problems))
            self.progress(f"reading the rows of {visible(self.log.file.name)}", self.log.file.rows_in, 0)
            yield {name: ArrowStream(frame) for name, frame in tables.items() if len(frame)}

    def found(self) -> tuple[ReadFile | None, list[pl.DataFrame]]:
        """The file with its rows counted, and its problems."""
        return self.log.file, self._problems

    def _typer(self) -> Typer:
        return Typer(self.settings, own_ingredients=self.own_ingredients)


@dataclass
class _UsedNames:
    """What the usable rows of a large log have in a column: few logs ask, and it is read for the answer."""

    log: LargeLog
    typer: Callable[[], Typer]
    _names: dict[str, set[str]] = field(default_factory=dict)

    def __call__(self, column: str) -> frozenset[str]:
        """The names in `column`, which is that of the batch, the cask or the run."""
        if not self._names:
            self._read()
        return frozenset(self._names[column])

    def _read(self) -> None:
        kind = self.log.header.kind
        columns = [name for name in (IDENTITY[kind][0], "run") if name in KINDS_OF_FILE[kind].fields]
        self._names = {name: set() for name in columns}
        for lot in _aside(self.log).lots():
            sheet, _ = self.typer().checked(KINDS_OF_FILE[kind], lot, cells_frame(kind, lot))
            for name in columns:
                self._names[name] |= names_by_file(sheet, name).get(self.log.file.file_id, frozenset())


@dataclass
class _Sums:
    """What the columns of numbers of a large log come to: asked for by a row that could be one of totals."""

    log: LargeLog
    typer: Callable[[], Typer]
    _sums: dict[str, float] = field(default_factory=dict)

    def __call__(self) -> Mapping[str, float]:
        """The sum of each column, rows of totals left out."""
        if not self._sums:
            kind = KINDS_OF_FILE[self.log.header.kind]
            for lot in _aside(self.log).lots():
                sheet = self.typer().sheet(kind, lot, cells_frame(kind.name, lot))
                for name, value in sums_without_totals(sheet, self.log.file.file_id).items():
                    self._sums[name] = self._sums.get(name, 0.0) + value
        return self._sums


def _aside(log: LargeLog) -> LargeLog:
    """The same log, to be read without counting what is found."""
    return replace(log, file=replace(log.file))


@dataclass(frozen=True)
class KeptRows:
    """The rows of a large file that has not changed, taken over from an earlier database."""

    kept: Kept
    kind: str
    file_id: int
    file_id_then: int

    def parts(self) -> Iterator[Mapping[str, ArrowTable]]:
        """All its rows by table, none of which is held."""
        tables = {name: list(VALUE_SCHEMAS[name]) for name in VALUE_TABLES[self.kind]}
        for name, schema in {self.kind: list(CELL_SCHEMAS[self.kind]), **tables}.items():
            columns = ", ".join(f'"{column}"' for column in schema if column != "file_id")
            query = (
                f"select {self.file_id}::integer as file_id, {columns} from raw.{name} "
                f"where file_id = {self.file_id_then}"
            )
            yield {name: ArrowStream(self.kept.connection.cursor().sql(query))}

    def found(self) -> tuple[ReadFile | None, list[pl.DataFrame]]:
        """Nothing that is not known."""
        return None, []
