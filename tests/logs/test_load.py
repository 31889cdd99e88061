"""The tables of schema raw: all of them, always, and holding what the logs said."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import duckdb
import polars as pl

from pipeline.logs import VALUE_SCHEMAS, LogFrames, load_raw, read_logs
from pipeline.logs.fields import KINDS_OF_FILE
from pipeline.settings import Settings

Read = Callable[..., LogFrames]

TABLES = {"file", "problem", "catalogue", "catalogue_alias", *KINDS_OF_FILE, *VALUE_SCHEMAS}


def _load(frames: LogFrames) -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect()
    load_raw(connection, frames)
    return connection


def _columns(connection: duckdb.DuckDBPyConnection) -> list[tuple[str, ...]]:
    return connection.execute(
        "select table_name, column_name, data_type from information_schema.columns "
        "where table_schema = 'raw' order by table_name, ordinal_position"
    ).fetchall()


def test_every_table_is_there_with_the_same_columns_full_or_empty(read: Read, tmp_path: Path) -> None:
    empty = _load(read_logs(tmp_path, Settings()))
    full = _load(read("batch,step,item,moon\nB1,yeast,ale,full\nB1,grain,dust,\n"))
    assert {name for name, _, _ in _columns(empty)} == TABLES
    assert _columns(empty) == _columns(full)


def test_text_and_values_come_through(read: Read) -> None:
    cell = "'; drop table raw.file; -- é <b>"
    connection = _load(
        read(f'batch,when,step,run,volume,strength,note\n007,2025-09-14,residue,strip,5 gal,0,"{cell}"\n')
    )
    assert connection.execute("select batch, volume, note from raw.batch_log").fetchall() == [
        ("007", "5 gal", cell)
    ]
    row = connection.execute(
        "select batch, strftime(logged_at, '%d.%m.%Y'), has_time, volume_l, strength_reading, mass_kg "
        "from raw.batch_value"
    ).fetchone()
    assert row == ("007", "14.09.2025", False, 5 * 3.785411784, 0.0, None)


def test_loading_again_replaces(read: Read) -> None:
    frames = read("batch,step,item\nB1,yeast,ale\n")
    connection = _load(frames)
    load_raw(connection, frames)
    assert connection.execute("select count(*) from raw.batch_value").fetchall() == [(1,)]


def test_the_same_logs_give_the_same_frames(tmp_path: Path) -> None:
    for number in range(30):
        header = "batch,step,item,mass" if number % 2 else "step,batch,mass [lb],item"
        (tmp_path / f"{number}.csv").write_text(f"{header}\n1,grain,2,rye\nx,y,z,\n")
    first, second = (read_logs(tmp_path, Settings()) for _ in range(2))
    assert first.files.equals(second.files)
    assert first.problems.equals(second.problems)
    for name in VALUE_SCHEMAS:
        assert first.values[name].equals(second.values[name])
    assert first.cells["batch_log"]["file_id"].is_sorted()
    assert first.cells["batch_log"].select(pl.struct("file_id", "line").is_unique().all()).item()
