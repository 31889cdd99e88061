"""Small logs on disk, and a database's tables as text, for the tests of building."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from pipeline.warehouse import order_of

BATCH = """batch,when,step,run,item,cut,volume,gravity,strength,mass
{name},2025-09-14 08:00,grain,,{grain},,,,,40
{name},2025-09-14 12:00,wort,,,,{volume},1.062,,
{name},2025-09-14 18:00,wash,,,,{volume},1.062,,
{name},2025-09-20 18:00,wash,,,,,1.000,,
{name},2025-09-21 09:00,charge,spirit,wash,,{volume},,,
{name},2025-09-21 12:00,collect,spirit,one,hearts,{hearts},,60,
"""


@pytest.fixture
def batch_text() -> Callable[..., str]:
    """Makes the text of a batch's log."""
    return _batch_text


@pytest.fixture
def database_as_text() -> Callable[[Path], dict[str, str]]:
    """Tells every table of a database, row for row in its order."""
    return _database_as_text


def _batch_text(
    name: str, volume: float | str = 140, hearts: float | str = 12, grain: str = "pale malt"
) -> str:
    """A whole batch's log."""
    return BATCH.format(name=name, volume=volume, hearts=hearts, grain=grain)


def _database_as_text(database: Path) -> dict[str, str]:
    """Every table of a database, row for row in its order."""
    with duckdb.connect(str(database), read_only=True) as connection:
        names = connection.execute(
            "select schema_name, table_name from duckdb_tables() order by schema_name, table_name"
        ).fetchall()
        return {
            f"{schema}.{table}": repr(
                (
                    connection.execute(f"describe {schema}.{table}").fetchall(),
                    connection.execute(f'select * from {schema}."{table}"{_order(schema, table)}').fetchall(),
                )
            )
            for schema, table in names
        }


def _order(schema: str, table: str) -> str:
    """How the rows of a table are ordered, where they may lie in any order."""
    name = f"{schema}.{table}"
    order = "step, part, frame_no" if name == "raw.kept_part" else order_of(name)
    return f" order by {order}" if order else ""
