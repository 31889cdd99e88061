"""What an earlier build read of files that have not changed since, so that they need not be read again.

A file is the same when its name and the hash of its bytes are. What was read of it is taken over row for
row; only its number changes with the files around it. The result is the same, byte for byte, as reading
everything anew, so wherever one file's reading depends on another's, the file is read again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import duckdb
import polars as pl

from pipeline.logs.fields import (
    BATCH_LOG,
    CASK_LOG,
    DIFFERENCE_TEST,
    INGREDIENT_LIST,
    TASTING_KEY,
    TELEMETRY,
)
from pipeline.problems import PROBLEM_SCHEMA, visible

__all__ = ["Kept", "kept_from", "problems_of_reading"]

# Pours are numbered through all tasting sheets, and ingredient lists decide what batch logs are checked
# against: both are read each time, and so is a file that could not be read at all.
_ON_THEIR_OWN = (BATCH_LOG, CASK_LOG, TASTING_KEY, DIFFERENCE_TEST, TELEMETRY)


@dataclass(frozen=True)
class Kept:
    """What stands in an earlier database of the files that can be taken over; `sha256` is by file name.

    The database has to stay open as long as this is in use.
    """

    connection: duckdb.DuckDBPyConnection = field(repr=False)
    sha256: Mapping[str, str]
    ingredient_lists: frozenset[tuple[str, str]]
    files: pl.DataFrame

    def rows(self, table: str, numbers: Mapping[str, int]) -> pl.DataFrame:
        """The rows of a table of the files of `numbers` (by name), with the numbers that they have now."""
        then = dict(self.files.select("path", "file_id").iter_rows())
        now = {then[name]: number for name, number in numbers.items()}
        return (
            pl.DataFrame(self.connection.sql(f"select * from raw.{table}"))
            .filter(pl.col("file_id").is_in(list(now)))
            .with_columns(pl.col("file_id").replace_strict(now, default=None, return_dtype=pl.Int32))
        )

    def files_of(self, numbers: Mapping[str, int]) -> pl.DataFrame:
        """The rows of `raw.file` of these files, with the numbers that they have now."""
        return self.files.filter(pl.col("path").is_in(list(numbers))).with_columns(
            pl.col("path").replace_strict(dict(numbers), default=None, return_dtype=pl.Int32).alias("file_id")
        )

    def problems_of(self, names: Mapping[str, int]) -> pl.DataFrame:
        """The problems that reading found in these files."""
        shown = [visible(name) for name in names]
        return self.problems().filter(pl.col("file").is_in(shown))

    def problems(self) -> pl.DataFrame:
        """Every problem that reading found then."""
        return problems_of_reading(self.connection)


def problems_of_reading(connection: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """The problems that reading found in the logs of the season's database at `connection`."""
    found = pl.DataFrame(connection.sql("select * from raw.problem"))
    return found.rename({"column_name": "column"}).select(
        pl.col(name).cast(dtype) for name, dtype in PROBLEM_SCHEMA.items()
    )


def kept_from(connection: duckdb.DuckDBPyConnection) -> Kept:
    """What a new build may take over from the season's database at `connection`."""
    files = pl.DataFrame(connection.sql("select * from raw.file order by file_id"))
    own = files.filter(pl.col("kind").is_in(_ON_THEIR_OWN))
    # Two names that messages show alike cannot be told apart by their problems.
    shown = pl.Series([visible(name) for name in files["path"]], dtype=pl.String)
    alike = set(files["path"].filter(~shown.is_unique()))
    own = own.filter(~pl.col("path").is_in(list(alike)))
    lists = files.filter(pl.col("kind") == INGREDIENT_LIST).select("path", "sha256")
    return Kept(
        connection=connection,
        sha256=dict(own.select("path", "sha256").iter_rows()),
        ingredient_lists=frozenset(lists.iter_rows()),
        files=files,
    )
