"""A part of the season alone makes the rows that it makes among all others, byte for byte."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl
import pytest

import pipeline.account.partition
from pipeline.account.numbers import PER_PART
from pipeline.flow import PART_OF_EACH, Flow, make_table, prepare
from pipeline.kept_parts import KeptParts
from pipeline.logs import read_logs
from pipeline.progress import silent
from pipeline.python_step import OfPart
from pipeline.settings import Settings
from pipeline.simulate import MistakeOrder, simulate_season, write_season
from pipeline.sql_models import SCHEMAS
from pipeline.steps import STEPS
from pipeline.warehouse import make_tables

HOUSES = 3
BATCHES = 4
PART_TABLES: dict[str, OfPart] = {}
for _step in STEPS:
    PART_TABLES |= _step.of_parts

Connection = duckdb.DuckDBPyConnection


def frame(con: Connection, query: str) -> pl.DataFrame:
    return pl.DataFrame(con.sql(query))


def houses(place: Path) -> Path:
    """The seasons of some distilleries that share nothing, as one: a few batches and their casks each."""
    for house in range(HOUSES):
        # A hearts volume ten times too large: something to suspect.
        slip = MistakeOrder("decimal slip", step="collect", cut="hearts", column="volume")
        drawn = place / f"drawn {house}"
        write_season(simulate_season(BATCHES, seed=70 + house, mistakes=(slip,)), drawn)
        kept = place / "logs" / f"house {house}"
        kept.mkdir(parents=True)
        for path in (*(drawn / "batches").glob("*.csv"), drawn / "casks.csv"):
            text = re.sub(r"\b([GCJ]\d\d)\b", rf"{house}\1", path.read_text(encoding="latin-1"))
            text = re.sub(r"\bfeints ([A-Z])\b", rf"feints {house}\1", text)
            # A log that names no batch is that of the batch it is called after.
            (kept / f"{house}{path.name}").write_text(text, encoding="latin-1")
    return place / "logs"


@dataclass(frozen=True)
class Season:
    """A season in several parts, with what came of each."""

    con: Connection
    kept: pl.DataFrame
    is_in_pieces: bool


@pytest.fixture(scope="module", params=[False, True], ids=["parts", "parts in pieces"])
def season(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Season]:
    logs = houses(tmp_path_factory.mktemp("season"))
    parts = KeptParts()
    with pytest.MonkeyPatch.context() as patch, duckdb.connect(":memory:") as con:
        patch.setattr(pipeline.account.partition, "WHOLE_UP_TO", 0)
        patch.setattr(pipeline.account.partition, "FEWEST", 1)
        if request.param:
            patch.setattr(pipeline.account.partition, "LONGEST_SET", 1)
        make_tables(
            con, read_logs(logs, Settings()), Settings(), [*PART_TABLES, "account.suspect"], parts=parts
        )
        yield Season(con, parts.frame(), request.param)


def test_the_season_has_parts_casks_suspects_and_curves(season: Season) -> None:
    part = frame(season.con, "select * from account.part")
    assert part["part"].n_unique() >= HOUSES
    assert (part["piece"].n_unique() > part["part"].n_unique()) == season.is_in_pieces
    empty = [name for name in PART_TABLES if frame(season.con, f"select * from {name}").is_empty()]
    assert empty == []


@pytest.mark.parametrize("name", PART_TABLES)
def test_every_table_of_parts_is_made_in_its_order_and_tells_the_part_of_each_row(
    season: Season, name: str
) -> None:
    of_part = PART_TABLES[name]
    table = frame(season.con, f"select * from {name}")
    assert table[of_part.column].null_count() == 0
    assert table.equals(frame(season.con, f"select * from {name} order by {of_part.order}"))
    keys = [each.split()[0] for each in of_part.order.split(", ")]
    assert not table.select(keys).is_duplicated().any(), "the order is total"


def tables_of(con: Connection) -> set[str]:
    found = con.execute("select schema_name || '.' || table_name from duckdb_tables()").fetchall()
    return {name for (name,) in found}


def alone(season: Season, own: pl.DataFrame, files: pl.DataFrame) -> tuple[Connection, pl.DataFrame]:
    """A database made by the same models and steps from the logs of one part; and what was worked out."""
    con = duckdb.connect(":memory:")
    for schema in SCHEMAS:
        con.execute(f"create schema if not exists {schema}")
    for (name,) in season.con.execute(
        "select table_name from duckdb_tables() where schema_name = 'raw' and table_name != 'kept_part'"
    ).fetchall():
        table = frame(season.con, f"select * from raw.{name}")
        if "file_id" in table.columns and name != "file":
            table = table.join(files, on="file_id", how="semi", maintain_order="left")
        make_table(con, f"raw.{name}", table)
    prepare(con)
    make_table(con, PART_OF_EACH, own)
    flow, parts = Flow.of(tables_of(con)), KeptParts()
    flow.make(con, [name for name in flow.up_to(PART_TABLES) if name != PART_OF_EACH], silent, parts)
    return con, parts.frame()


def rows_of(season: Season, name: str, number: object, own: pl.DataFrame) -> pl.DataFrame:
    """The rows of a table that belong to one part."""
    column = PART_TABLES[name].column
    table = frame(season.con, f"select * from {name}")
    if column in ("move_id", "reading_id"):
        return table.filter(pl.col(column) // PER_PART == number)
    return table.filter(pl.col(column).is_in(own[column].drop_nulls().implode()))


def test_a_part_alone_makes_its_own_rows(season: Season) -> None:
    parts = frame(season.con, "select * from account.part order by part, piece, batch nulls last, lot")
    rows = pl.concat(
        [
            frame(season.con, "select distinct file_id, batch as name from log.batch_step"),
            frame(season.con, "select distinct file_id, 'cask ' || cask as name from log.cask_step"),
        ]
    )
    for (number,), own in parts.group_by("part", maintain_order=True):
        names = pl.concat([own["batch"], own["lot"]]).drop_nulls()
        files = rows.filter(pl.col("name").is_in(names.implode())).select("file_id").unique()
        con, kept = alone(season, own, files)
        with con:
            for name in PART_TABLES:
                found = frame(con, f"select * from {name}")
                expected = rows_of(season, name, number, own)
                assert found.schema == expected.schema
                assert found.equals(expected), f"{name} of part {number}"
        by_part = pl.col("step").is_in(["walk", "account"])
        is_own = (
            pl.when(by_part)
            .then(pl.col("part") == number)
            .otherwise(pl.col("part").is_in(own["piece"].implode()))
        )
        of_season = season.kept.filter(is_own).sort("step", "part", "frame_no")
        assert kept.sort("step", "part", "frame_no").equals(of_season)
