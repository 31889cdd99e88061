"""Small seasons as logs on disk, built in memory and written as pages."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import duckdb
import pytest

from pipeline.logs import read_logs
from pipeline.report import write_reports
from pipeline.settings import Settings
from pipeline.simulate import simulate_season, write_season
from pipeline.warehouse import fill_database

HEADER = (
    "batch,when,step,run,item,cut,source,lot,vessel,mass,volume,gravity,strength,spout,temperature,"
    "minutes,note"
)

# One batch by round numbers, from grain to hearts; {name}, {day} and {note} are filled in.
BATCH_ROWS = """
{name},{day},recipe,,{recipe},,,,,,,,,,,,
{name},{day},grain,,pale malt,,,,,60,,,,,,,{note}
{name},{day},wort,,,,,,tun,,250,1.062,,,,,
{name},{day},yeast,,ale yeast,,,,,0.2,,,,,,,
{name},{day},wash,,,,,,tun,,250,1.062,,,,,
{name},{day},wash,,,,,,tun,,248,1.004,,,,,
{name},{day},charge,strip,wash,,,,still,,240,,,,,,
{name},{day},collect,strip,1,low wines,,,,,70,,25,5,,180,
{name},{day},residue,strip,,,,,,,165,,,,,,
{name},{day},charge,spirit,low wines,,,,still,,69,,,,,,
{name},{day},collect,spirit,1,foreshots,,,,,0.4,,80,80,,10,
{name},{day},collect,spirit,2,heads,,,,,1.5,,79,78,,20,
{name},{day},collect,spirit,3,hearts,,,,,14,,71,62,,120,
{name},{day},collect,spirit,4,tails,,,,,12.4,,45,29,,60,
"""


@pytest.fixture(scope="session")
def batch_rows() -> Callable[..., str]:
    """Make the rows of one whole batch of a name, day, recipe and note."""

    def make(name: str, day: str = "2025-03-01", recipe: str = "Malt", note: str = "") -> str:
        cells = {"name": name, "day": day, "recipe": recipe, "note": note}
        quoted = {key: '"' + text.replace('"', '""') + '"' if text else "" for key, text in cells.items()}
        return BATCH_ROWS.format(**quoted).lstrip()

    return make


class Pages:
    """The pages written of a season, and the database they came from."""

    def __init__(self, con: duckdb.DuckDBPyConnection, paths: list[Path], out: Path) -> None:
        self.con = con
        self.paths = paths
        self.out = out

    @property
    def html(self) -> str:
        """The one page's text."""
        assert len(self.paths) == 1, f"expected one page, got {self.paths}"
        return self.paths[0].read_text(encoding="utf-8")


def write_pages(folder: Path, out: Path, con: duckdb.DuckDBPyConnection, settings: Settings) -> Pages:
    """Build the logs in `folder` into `con` and write their pages to `out`."""
    fill_database(con, read_logs(folder, settings), settings)
    return Pages(con, write_reports(con, out), out)


@pytest.fixture
def make_pages(tmp_path: Path) -> Iterator[Callable[..., Pages]]:
    """Write the pages of a season given as files by name (text), or as rows of batch logs."""
    connections: list[duckdb.DuckDBPyConnection] = []

    def make(rows: str = "", files: dict[str, str] | None = None, settings: Settings | None = None) -> Pages:
        place = tmp_path / f"season{len(connections)}"
        folder = place / "logs"
        folder.mkdir(parents=True)
        texts = dict(files or {})
        if rows:
            texts["batches.csv"] = f"{HEADER}\n{rows}"
        for name, text in texts.items():
            (folder / name).write_text(text, encoding="utf-8")
        con = duckdb.connect(":memory:")
        connections.append(con)
        return write_pages(folder, place / "reports", con, settings or Settings())

    yield make
    for con in connections:
        con.close()


@pytest.fixture(scope="session")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    """The pages of a simulated season of a dozen batches: every section has something to show."""
    place = tmp_path_factory.mktemp("simulated")
    write_season(simulate_season(12, 5), place / "logs")
    with duckdb.connect(":memory:") as con:
        yield write_pages(place / "logs", place / "reports", con, Settings.find(place / "logs"))
