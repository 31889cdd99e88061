"""Small seasons for the tests of the SQL: logs written as text, the whole flow run in memory."""

from collections.abc import Callable, Iterator
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.logs import read_logs
from pipeline.settings import Settings
from pipeline.warehouse import fill_database

BATCH_HEADER = (
    "batch,when,step,run,item,cut,source,lot,mass,volume,gravity,strength,spout,temperature,minutes,price"
)

CASK_HEADER = "cask,when,step,source,volume,strength,temperature,wood,capacity"


class Season:
    """A season's database in memory, asked by table."""

    def __init__(self, con: duckdb.DuckDBPyConnection, problems: pl.DataFrame) -> None:
        self.con = con
        self.problems = problems

    def rows(self, query: str) -> list[dict]:
        """The answer to a query, one dict a row."""
        return pl.DataFrame(self.con.sql(query)).to_dicts()

    def one(self, table: str, **where: str) -> dict:
        """The one row of a table that has these values."""
        condition = " and ".join(f"{name} = '{value}'" for name, value in where.items()) or "true"
        found = self.rows(f"select * from {table} where {condition}")
        assert len(found) == 1, f"{table} where {condition}: {len(found)} rows"
        return found[0]

    def kinds(self) -> list[str]:
        """The kinds of problem found, one entry a problem, in order."""
        return sorted(self.problems["kind"])


@pytest.fixture
def make_season(tmp_path: Path) -> Iterator[Callable[..., Season]]:
    """Make a season from batch rows, cask rows, other files by name, and settings."""
    yield from _maker(tmp_path)


@pytest.fixture(scope="module")
def make_shared_season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Season]]:
    """Like `make_season`, for a season that several tests of a module only look at."""
    yield from _maker(tmp_path_factory.mktemp("shared"))


def _maker(place: Path) -> Iterator[Callable[..., Season]]:
    connections = []

    def make(
        batch: str = "", cask: str = "", files: dict[str, str] | None = None, settings: Settings | None = None
    ) -> Season:
        texts = dict(files or {})
        if batch:
            texts["batches.csv"] = f"{BATCH_HEADER}\n{_aligned(batch)}"
        if cask:
            texts["casks.csv"] = f"{CASK_HEADER}\n{_aligned(cask)}"
        folder = place / f"logs{len(connections)}"
        folder.mkdir()
        for name, text in texts.items():
            (folder / name).write_text(text, encoding="utf-8")
        con = duckdb.connect(":memory:")
        connections.append(con)
        chosen = settings or Settings()
        return Season(con, fill_database(con, read_logs(folder, chosen), chosen))

    yield make
    for con in connections:
        con.close()


def _aligned(rows: str) -> str:
    """Rows written with spaces around the commas, for the eye, as plain CSV."""
    lines = [",".join(cell.strip() for cell in line.split(",")) for line in rows.strip().splitlines()]
    return "\n".join(lines) + "\n"
