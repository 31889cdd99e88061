"""The database as a file: whose it is, whether it can be used, and what to say when it cannot.

Knows the engine's and the disk's ways of failing; knows nothing of what the tables hold.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb

from pipeline.sql_models import SCHEMAS

MADE_BY = "stillseason"

FORMAT = 1
"""Number of the database's layout: raised when a table or column that people rely on changes its meaning."""


# Every file of the engine says so here (DuckDB documentation, "Storage versions and format").
_MARK_AT, _MARK = 8, b"DUCK"


class WarehouseError(RuntimeError):
    """There is nothing to do the work with: a locked or foreign database, a full or read-only disk."""


def refuse_name(database: Path) -> None:
    """Raise `WarehouseError` when the engine would take the file's name for that of one of its own parts.

    It knows an open file by its name up to the first dot, and a table of `raw` in a file of that name has two
    readings.
    """
    known_as = database.name.lstrip(".").split(".")[0].lower()
    if known_as in SCHEMAS:
        raise WarehouseError(
            f"{database}: a database cannot be called {known_as}, because a part of every database is. "
            "Give another file name with --db, such as season.duckdb."
        )


def refuse_other_kind(database: Path) -> None:
    """Raise `WarehouseError` when an existing file is not of the engine's own kind, before it is opened.

    Of some other kinds the engine knows that an extension would read them, and looks for one on the network.
    """
    try:
        with database.open("rb") as file:
            start = file.read(_MARK_AT + len(_MARK))
    except OSError as error:
        raise WarehouseError(f"{database}: cannot be read ({error.strerror or error}).") from error
    # An empty file is of no kind yet.
    if start and start[_MARK_AT:] != _MARK:
        raise WarehouseError(
            f"{database}: this file is no DuckDB database and is left alone. Give another file with --db."
        )


def refuse_foreign(database: Path) -> None:
    """Raise `WarehouseError` unless `database` is free to be made or is a season's own database."""
    refuse_name(database)
    if not database.exists():
        return
    if not database.is_file():
        raise WarehouseError(f"{database}: this is not a file. Give the database a file name with --db.")
    refuse_other_kind(database)
    with sentences(database), duckdb.connect(str(database)) as con:
        check_format(con, database)


def check_format(con: duckdb.DuckDBPyConnection, database: Path) -> None:
    """Raise `WarehouseError` when the open database is not a season's, or is a newer layout's."""
    found = con.execute(
        "select count(*) from duckdb_tables() where schema_name = 'raw' and table_name = 'made_by'"
    ).fetchone()
    made_by = (
        con.execute("select made_by, format from raw.made_by").fetchone() if found and found[0] else None
    )
    if made_by is None or made_by[0] != MADE_BY:
        raise WarehouseError(
            f"{database}: this database was not made by stillseason and is left alone. "
            "Give another file with --db."
        )
    if made_by[1] > FORMAT:
        raise WarehouseError(
            f"{database}: this database was made by a newer stillseason (layout {made_by[1]}, this one knows "
            f"{FORMAT}) and is left alone. Update stillseason, or give another file with --db."
        )


@contextmanager
def sentences(database: Path) -> Iterator[None]:
    """Say in a sentence what keeps the engine or the disk from working."""
    try:
        yield
    except (duckdb.IOException, duckdb.TransactionException, duckdb.FatalException) as error:
        detail = str(error).splitlines()[0]
        if any(words in detail for words in ("No space left", "File too large", "Disk quota")):
            raise WarehouseError(
                f"{database}: the disk is full, and the database is as it was. Make room, or give another "
                "place with --db."
            ) from error
        if "lock" in detail.lower():
            raise WarehouseError(
                f"{database}: another program has this database open. "
                "Close it there, or give another file with --db."
            ) from error
        raise WarehouseError(f"{database}: this file cannot be used as a database ({detail}).") from error
    except duckdb.SerializationException as error:
        raise WarehouseError(
            f"{database}: this file is damaged or was made by a newer DuckDB, and is left alone. "
            "Give another file with --db."
        ) from error
    except OSError as error:
        raise WarehouseError(f"{database}: cannot be written ({error.strerror or error}).") from error
